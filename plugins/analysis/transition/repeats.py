"""The repeats of one transition as the compiled loops read them: one vector, row after row."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.lib.stride_tricks import as_strided
from numpy.typing import NDArray

Array = NDArray[np.float64]


class Repeats(NamedTuple):
    """Rows of samples in one vector."""

    rows: Array
    """Samples; row r begins at r * stride."""
    stride: int
    """From the first sample of one row to that of the next."""


NO_REPEATS = Repeats(np.empty(0), 0)


def repeats_of(light: Array) -> Repeats:
    """[repeat, sample] as one vector: without a copy for whole rows of a larger array, evenly spaced."""
    count, samples = light.shape
    step, along = light.strides
    size = light.itemsize
    if count == 0 or along != size or step < 0 or step % size:
        light = np.ascontiguousarray(light)
        step = light.strides[0]
    stride = step // size
    # A read-only view: it may reach over rows between the ones asked for.
    rows = as_strided(light, ((count - 1) * stride + samples,), (size,), writeable=False) if count else np.empty(0)
    return Repeats(rows, stride)
