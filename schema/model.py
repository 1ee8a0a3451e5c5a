"""The base of all models at the edges: frozen, no unknown keys, field meanings taken from the docstrings below them."""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Model(BaseModel):
    """A frozen record that refuses unknown keys, NaN and infinity."""

    model_config = ConfigDict(
        extra="forbid", frozen=True, use_attribute_docstrings=True, allow_inf_nan=False, validate_default=True
    )
