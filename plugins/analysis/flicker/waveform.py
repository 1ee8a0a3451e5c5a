"""Fold a record over its period: the waveform of one cycle, in two independent halves and in parts for a jackknife."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from greystep.schema.trace import Array
from numpy.typing import NDArray

FINEST = 1024
"""Phase bins of a clean record."""
COARSEST = 32
JUMP = 0.25
"""Neighbouring phases that differ by more than this part of the swing are the two sides of an edge."""


@dataclass(frozen=True)
class Folded:
    """Sums over phase bins. Half 0 holds the even periods, half 1 the odd ones: their noise is independent."""

    sums: Array
    """[unit, half, bin] sum of the light."""
    counts: Array
    """[unit, half, bin] number of samples."""

    @property
    def occupied(self) -> int:
        """Phase bins that hold samples."""
        return int(np.count_nonzero(self.counts.sum(axis=(0, 1))))

    @property
    def gap(self) -> float:
        """Widest stretch of phase without a sample, as a part of the period."""
        filled = np.flatnonzero(self.counts.sum(axis=(0, 1)) > 0)
        bins = self.counts.shape[2]
        return float(np.max(np.diff(np.append(filled, filled[0] + bins)))) / float(bins)

    def halves(self, without: int | None = None) -> tuple[Array, Array]:
        """[bin] waveforms of the even and of the odd periods, in the light's unit, with one unit left out if asked."""
        keep = np.ones(len(self.sums), dtype=bool)
        if without is not None:
            keep[without] = False
        sums, counts = self.sums[keep].sum(axis=0), self.counts[keep].sum(axis=0)
        return fill(sums[0], counts[0]), fill(sums[1], counts[1])

    def whole(self) -> Array:
        """[bin] waveform of all periods, in the light's unit."""
        return fill(self.sums.sum(axis=(0, 1)), self.counts.sum(axis=(0, 1)))

    def coarser(self, factor: int) -> Folded:
        """The same with `factor` neighbouring bins joined."""
        shape = (*self.sums.shape[:2], self.sums.shape[2] // factor, factor)
        return Folded(self.sums.reshape(shape).sum(axis=3), self.counts.reshape(shape).sum(axis=3))

    def noise(self) -> float:
        """Standard deviation of one sample about the waveform, from the difference of the halves; robust to edges."""
        sums, counts = self.sums.sum(axis=0), self.counts.sum(axis=0)
        both = np.asarray((counts > 0).all(axis=0))
        if np.count_nonzero(both) < 4:
            return 0.0
        n = counts[:, both]
        difference = sums[0, both] / n[0] - sums[1, both] / n[1]
        return float(1.4826 * np.median(np.abs(difference) / np.sqrt(1.0 / n[0] + 1.0 / n[1])))


def fill(sums: NDArray[Any], counts: NDArray[Any]) -> Array:
    """Means of the phase bins; empty ones from their neighbours.

    A smooth waveform that was sampled at few, evenly spread phases is completed by its Fourier series (exact below the
    Nyquist frequency), one with edges by straight lines.
    """
    bins = len(sums)
    filled = np.flatnonzero(counts > 0)
    means = sums[filled] / counts[filled]
    if len(filled) == bins:
        return np.asarray(means)
    gaps = np.diff(np.append(filled, filled[0] + bins))
    smooth = np.max(np.abs(np.diff(np.append(means, means[0])))) < JUMP * max(float(np.ptp(means)), 1e-300)
    if smooth and len(filled) >= 8 and np.ptp(gaps) <= 1 and len(filled) <= bins // 2:
        return _fourier(means, bins, int(filled[0]))
    return np.asarray(np.interp(np.arange(bins), filled, means, period=bins))


def _fourier(means: Array, bins: int, first: int) -> Array:
    spectrum = np.fft.rfft(means) * (bins / len(means))
    if len(means) % 2 == 0:
        spectrum[-1] *= 0.5
    return np.roll(np.fft.irfft(spectrum, bins), first)


def fold(light: Array, interval_s: float, frequency_hz: float, bins: int) -> Folded:
    """Fold all repeats over the period, each turned so that its waveform lies on that of the first.

    Units are the repeats, or stretches of whole periods of each where there are fewer than eight repeats.

    Args:
        light: [repeat, sample]; whole periods are used and the rest of each record is left out.
        interval_s: between samples.
        frequency_hz: of the period.
        bins: phase bins.
    """
    turns = frequency_hz * interval_s * np.arange(light.shape[1])
    periods = int(turns[-1] + frequency_hz * interval_s)
    turns = turns[turns < periods - 1e-9]
    index = np.floor(turns).astype(np.intp)
    blocks = max(1, min(-(-8 // len(light)), periods // 4))
    block = np.minimum(index * blocks // max(periods, 1), blocks - 1)
    shape = (blocks, 2, bins)
    sums, counts = np.zeros((len(light), *shape)), np.zeros((len(light), *shape))
    reference: Array | None = None
    for i, row in enumerate(light):
        place = np.asarray(np.floor((turns - index) * bins), dtype=np.intp) % bins
        own = fill(np.bincount(place, row[: len(turns)], bins), np.bincount(place, minlength=bins))
        reference = own if reference is None else reference
        place = np.asarray(np.floor((turns - index) * bins + best_shift(own, reference)), dtype=np.intp) % bins
        flat = (block * 2 + index % 2) * bins + place
        sums[i] = np.bincount(flat, row[: len(turns)], blocks * 2 * bins).reshape(shape)
        counts[i] = np.bincount(flat, minlength=blocks * 2 * bins).reshape(shape)
    return Folded(sums.reshape(-1, 2, bins), counts.reshape(-1, 2, bins))


def best_shift(waveform: Array, reference: Array) -> float:
    """Circular shift, in bins, that lays one waveform on another: top of the cross-correlation, by a parabola through three."""
    product = np.fft.rfft(reference) * np.conj(np.fft.rfft(waveform))
    product[0] = 0.0
    likeness = np.fft.irfft(product, len(waveform))
    top = int(np.argmax(likeness))
    a, b, c = (float(likeness[(top + d) % len(waveform)]) for d in (-1, 0, 1))
    bend = a - 2.0 * b + c
    return top + (0.5 * (a - c) / bend if bend < 0 else 0.0)


def bins_for(noise: float, swing: float, samples: int) -> int:
    """Finest number of phase bins whose noise in one half stays below a twentieth of the swing; a power of two.

    At least 16 samples a bin, so that hardly a unit of the jackknife has none.
    """
    bins = FINEST
    while bins > COARSEST and (noise * np.sqrt(2.0 * bins / samples) > 0.05 * swing or samples < 16 * bins):
        bins //= 2
    return bins


def cycle(light: Array, interval_s: float, frequency_hz: float, bins: int = 256) -> tuple[Array, Array]:
    """Waveform of one cycle for pictures: [bin] phase 0 to 1, [bin] light relative to its mean."""
    wave = fold(light, interval_s, frequency_hz, bins).whole()
    return (np.arange(bins) + 0.5) / bins, wave / float(np.mean(wave))
