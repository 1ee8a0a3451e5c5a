"""Digitiser codes to light, in one pass."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from .compiling import FLOAT, NOTHING, OUT_MATRIX, WORDS, compiled

Array = NDArray[np.float64]


@compiled(NOTHING, WORDS, FLOAT, FLOAT, OUT_MATRIX)
def light_of_words(codes: NDArray[np.int16], gain: float, offset: float, out: Array) -> None:
    """[segment, sample] codes of 16 bits times a gain plus an offset, to 24 bits of mantissa."""
    for r in range(codes.shape[0]):
        row, target = codes[r], out[r]
        for i in range(len(row)):
            target[i] = np.float64(np.float32(row[i] * gain + offset))
