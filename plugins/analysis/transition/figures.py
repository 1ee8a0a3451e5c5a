"""The figures of one transition: which there are, their units, and what makes them."""

from __future__ import annotations

from collections.abc import Callable

from greystep.schema.figure import Figure

from .aberrations import overshoot, preshoot, undershoot
from .durations import settling_duration, transition_duration
from .lag import mean_lag
from .shares import completion
from .transit import Transit

MAKERS: dict[str, tuple[str, Callable[[Transit], Figure]]] = {
    "transition_duration": ("s", transition_duration),
    "settling_duration": ("s", settling_duration),
    "overshoot": ("1", overshoot),
    "undershoot": ("1", undershoot),
    "preshoot": ("1", preshoot),
    "mean_lag": ("s", mean_lag),
    "completion": ("1", completion),
}
"""Quantity -> unit and how it is made."""
