"""Curves that an estimator can hand out for pictures: what it saw, beside the numbers that it gave.

An estimator that has something to draw offers the method of `DrawsCurves`; whoever makes pages asks for it by
`getattr(estimator, "curves", None)`. Figures never depend on it.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Protocol

from pydantic import BaseModel

from .trace import Array, Context, Subject


@dataclass(frozen=True)
class DrawnCurve:
    """One curve."""

    picture: str
    """Curves of one picture bear one name, such as `moving-edge-profile`."""
    title: str
    """Of the picture."""
    series: str
    """Name of this curve within it."""
    x: Array
    """[point] ascending."""
    y: Array
    """[point]"""
    x_title: str
    """With the unit, as on an axis."""
    y_title: str
    log_x: bool = False
    """Whether the picture is better seen over the logarithm of x; y is then drawn so too."""
    reference: bool = False
    """Whether it is a limit or a model to compare with and not something measured."""


class DrawsCurves(Protocol):
    """What an estimator may offer besides `trace.Estimator`."""

    def curves(self, subject: Subject, context: Context, parameters: BaseModel) -> Sequence[DrawnCurve]:
        """Curves of one subject; empty when there is nothing to draw. Pure, as `estimate` is."""
