"""One damped step of nonlinear least squares: see `transition.least_squares`."""

from __future__ import annotations

import math

import numpy as np
from numpy.typing import NDArray

from .compiling import BOOL, FLOAT, MATRIX, OUT, VECTOR, compiled

Array = NDArray[np.float64]


@compiled(BOOL, MATRIX, VECTOR, VECTOR, FLOAT, OUT)
def damped_step(jacobian: Array, residual: Array, at: Array, damping: float, step: Array) -> bool:
    """Step from the normal equations, scaled to ones on their diagonal, with a damping added there.

    Args:
        jacobian: [n, p]
        residual: [n]
        at: [p] parameters; a step is never longer than these, as the columns' sizes measure both.
        damping: in units of the diagonal.
        step: [p] gets the step.

    Returns:
        False where the equations can't be solved: a derivative is no number.
    """
    n, p = jacobian.shape
    normal, pull, size = np.zeros((p, p)), np.zeros(p), np.empty(p)
    for i in range(n):
        for j in range(p):
            slope = jacobian[i, j]
            pull[j] += slope * residual[i]
            for k in range(j + 1):
                normal[j, k] += slope * jacobian[i, k]
    reach = 0.0
    for j in range(p):
        size[j] = math.sqrt(max(normal[j, j], 1e-300))
        reach += (size[j] * at[j]) ** 2
    # Cholesky's decomposition, in place.
    for j in range(p):
        for k in range(j + 1):
            value = normal[j, k] / (size[j] * size[k])
            if j == k:
                value += damping
            for m in range(k):
                value -= normal[j, m] * normal[k, m]
            if j == k:
                if not value > 0:
                    return False
                normal[j, j] = math.sqrt(value)
            else:
                normal[j, k] = value / normal[k, k]
    for j in range(p):
        value = pull[j] / size[j]
        for m in range(j):
            value -= normal[j, m] * step[m]
        step[j] = value / normal[j, j]
    length = 0.0
    for j in range(p - 1, -1, -1):
        value = step[j]
        for m in range(j + 1, p):
            value -= normal[m, j] * step[m]
        step[j] = value / normal[j, j]
        length += step[j] ** 2
    scale = math.sqrt(reach / length) if 0 < reach < length else 1.0
    for j in range(p):
        step[j] = step[j] * scale / size[j]
    return True
