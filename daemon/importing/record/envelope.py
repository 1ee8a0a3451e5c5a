"""A record of any length as at most a fixed number of smooth points.

Blocks of samples are kept as their sum and first moment, from which the mean under a triangular window over two neighbouring
blocks follows exactly. When there are too many blocks, pairs are merged. A plain block mean would let PWM above the block rate
through as a slow beat: its side lobes fall as 1/f, those of the triangle as 1/f^2.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
MAX_BLOCKS: Final = 1 << 20


class Envelope:
    """Fed with samples in any portions; memory stays below 40 bytes times `max_blocks`."""

    def __init__(self, max_blocks: int = MAX_BLOCKS) -> None:
        """Args: max_blocks: even number of blocks kept at most."""
        self._max = max_blocks
        self.block = 1
        """Samples a block; a power of two."""
        self.samples = 0
        """Samples fed."""
        self._sum = np.zeros(2 * max_blocks)
        self._moment = np.zeros(2 * max_blocks)
        self._blocks = 0
        self._rest: NDArray[Any] = np.empty(0)

    def feed(self, samples: NDArray[Any]) -> None:
        """Add samples, [sample] of any number type."""
        self.samples += len(samples)
        # Portions keep the work arrays small however large the caller's blocks are.
        for start in range(0, len(samples), 1 << 20):
            self._feed(samples[start : start + (1 << 20)])

    def _feed(self, samples: NDArray[Any]) -> None:
        data = np.concatenate([self._rest, samples]) if len(self._rest) else np.asarray(samples, dtype=np.float64)
        while self._blocks + len(data) // self.block > 2 * self._max:
            self._merge()
        whole = len(data) // self.block
        blocks = data[: whole * self.block].reshape(whole, self.block).astype(np.float64, copy=False)
        place = slice(self._blocks, self._blocks + whole)
        self._sum[place] = blocks.sum(axis=1)
        self._moment[place] = blocks @ np.arange(self.block, dtype=np.float64)
        self._blocks += whole
        self._rest = np.array(data[whole * self.block :], dtype=np.float64)
        while self._blocks > self._max:
            self._merge()

    def _merge(self) -> None:
        even = self._blocks // 2 * 2
        if even < self._blocks:  # an odd last block goes back to the loose samples, as its mean
            last = self._blocks - 1
            self._rest = np.concatenate([self._flat(last), self._rest])
        first, second = self._sum[0:even:2], self._sum[1:even:2]
        moment = self._moment[0:even:2] + self._moment[1:even:2] + self.block * second
        self._sum[: even // 2] = first + second
        self._moment[: even // 2] = moment
        self._blocks = even // 2
        self.block *= 2

    def _flat(self, i: int) -> Array:
        """Samples that have the same sum and moment as a block: a straight line."""
        n = self.block
        if n == 1:
            return self._sum[i : i + 1].copy()
        ramp = np.arange(n) - (n - 1) / 2
        mean = self._sum[i] / n
        slope = (self._moment[i] - mean * n * (n - 1) / 2) / float(ramp @ ramp)
        return np.asarray(mean + slope * ramp, dtype=np.float64)

    def points(self) -> Array:
        """[point] triangular means; point k is centred on sample `(k + 1) * block - 1/2`."""
        n = self.block
        s, m = self._sum[: self._blocks], self._moment[: self._blocks]
        rising = (m + 0.5 * s) / n
        return np.asarray((rising[:-1] + s[1:] - rising[1:]) / n, dtype=np.float64)
