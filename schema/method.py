"""A method: a named, versioned definition of how traces become figures. Data, not code."""

from __future__ import annotations

from typing import Annotated, Any

from pydantic import Field

from .canonical import fingerprint
from .model import Model
from .plan import Name


class MethodDefinition(Model):
    """A method as written in TOML. Parameters are checked by the estimator's own model."""

    id: Name
    """Name in commands and files."""
    title: Annotated[str, Field(min_length=1, max_length=120)]
    """Name for people."""
    standard: Annotated[str, Field(max_length=400)] = ""
    """Standard or paper that it follows, with how closely; empty for a house method."""
    description: Annotated[str, Field(max_length=4000)] = ""
    """What it is for and what it can't say."""
    estimator: Name
    """Estimator that carries it out."""
    parameters: dict[str, Any] = Field(default_factory=dict)
    """Parameters of the estimator."""
    preparation: dict[str, Any] = Field(default_factory=dict)
    """Parameters of the preparation of traces (ripple removal, levels), when they differ from the defaults."""
    speaks_for_itself: bool = True
    """Whether its figures are ranked and compared; false for helpers such as a level check."""


def method_fingerprint(estimator: str, estimator_version: int, parameters: dict[str, Any], preparation_fingerprint: str) -> str:
    """Hash of everything in a method that can change a figure; parameters fully resolved with their defaults."""
    return fingerprint(
        {
            "estimator": estimator,
            "estimator_version": estimator_version,
            "parameters": parameters,
            "preparation": preparation_fingerprint,
        }
    )


def preparation_fingerprint(preparer: str, preparer_version: int, parameters: dict[str, Any]) -> str:
    """Hash of everything in the preparation of traces that can change a figure."""
    return fingerprint({"preparer": preparer, "version": preparer_version, "parameters": parameters})
