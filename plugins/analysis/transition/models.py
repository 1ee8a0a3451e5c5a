"""Edges with a formula, for fits: each rises from 0 to 1 and has a few parameters of shape besides its onset. The formulas
and their derivatives are in `kernels.edges`."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Model:
    """One family of edges. Times are in units of the 10-90 duration that was seen, so that all parameters are near one."""

    name: str
    kind: int
    """Its number in `kernels.edges`."""
    start: tuple[float, ...]
    """First guess of the shape parameters."""
    onset: float
    """First guess of the onset before the 50 % instant."""

    def edge(self, times: Array, shape: Array) -> Array:
        """[n] values from 0 to 1 at times since the onset [n], by the parameters of shape [1 or 2]."""
        from ..kernels.edges import edge

        out = np.empty(len(times))
        edge(self.kind, np.ascontiguousarray(times, np.float64), *_two(shape), out)
        return out

    def first_passage(self, shape: Array, ratio: float) -> float:
        """Time since onset at which the edge first passes a level; NaN when it never does."""
        from ..kernels.edges import passage

        return float(passage(self.kind, *_two(shape), ratio))

    def light(self, times: Array, parameters: Array) -> tuple[Array, Array]:
        """[n] light at these times by onset, lower level, upper level and shape; [n, parameter] its derivatives."""
        from ..kernels.edges import evaluate

        values, jacobian = np.empty(len(times)), np.empty((len(times), len(parameters)))
        evaluate(self.kind, times, np.ascontiguousarray(parameters), values, jacobian)
        return values, jacobian


def _two(shape: Array) -> tuple[float, float]:
    return float(shape[0]), float(shape[1]) if len(shape) > 1 else 0.0


MODELS: tuple[Model, ...] = (
    Model("exponential", 0, (0.455,), 0.32),
    Model("ramp", 1, (1.25,), 0.62),
    Model("Gaussian", 2, (0.39,), 0.0),
    Model("raised cosine", 3, (1.69,), 0.85),
    Model("3 equal poles", 4, (0.237,), 0.63),
    Model("4 equal poles", 5, (0.203,), 0.74),
    Model("2 poles", 6, (0.4, 0.4), 0.45),
    Model("second order", 7, (1.64, 0.5), 0.8),
)
"""Families that are tried, simplest first."""
