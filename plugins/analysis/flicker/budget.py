"""Uncertainty of modulation depth, flicker index and stroboscopic visibility."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
from greystep.schema.figure import Component
from greystep.schema.trace import Array, Context, Steady

from ..transition.digitiser import undithered
from ..transition.jackknife import standard_error
from .waveform import Folded


def unit_scatter(folded: Folded, statistic: Callable[[Array, Array], float]) -> Component | None:
    """Type A of a statistic of both halves, by leaving out each unit; None with fewer than two units."""
    units = len(folded.sums)
    if units < 2:
        return None
    without = np.array([statistic(*folded.halves(i)) for i in range(units)])
    return Component("scatter over the cycles", standard_error(without), units - 1, "A", distribution="t")


def bin_noise(folded: Folded, noise: float) -> float:
    """Standard deviation of the mean of one phase bin over all periods."""
    samples = float(folded.counts.sum())
    return noise * math.sqrt(folded.occupied / samples)


def edge_place(folded: Folded, waveform: Array, noise: float) -> float:
    """What the unknown place of edges between the sampled phases does to the mean absolute deviation, relative to the mean.

    Each edge lies anywhere in its gap of phase and may be smeared over a bin: standard uncertainty (gap + bin)/sqrt(12), times
    its height; two edges of one pulse move together no more than by half of the sum of their heights.
    """
    width = (folded.gap + 1.0 / folded.counts.shape[2]) / math.sqrt(12.0)
    return float(0.5 * edge_heights(waveform, bin_noise(folded, noise)) * width / np.mean(waveform))


def edge_heights(waveform: Array, noise: float) -> float:
    """Sum of the heights of all edges: of the steps between neighbouring bins that no smooth waveform of this swing makes.

    A sine of the same swing has steps of up to pi/bins of it; noise (standard deviation of a bin) makes steps of its own.
    """
    jumps = np.abs(np.diff(np.append(waveform, waveform[0])))
    least = max(0.05, 4.0 * math.pi / len(waveform)) * float(np.ptp(waveform)) + 4.0 * math.sqrt(2.0) * noise
    return float(np.sum(jumps[jumps > least]))


def dark_u(subject: Steady, context: Context) -> float:
    """Standard uncertainty of the dark level in the light's unit."""
    scale = context.luminance_scale if subject.unit != "V" else 1.0
    return context.sensor.dark_u_v * (scale or 1.0)


def sensor_loss(frequency_hz: float, context: Context) -> float:
    """Part of a sine at this frequency that the sensor's bandwidth takes away: 1 - (1 + (2^(1/n) - 1) (f/f3dB)^2)^(-n/2)."""
    bandwidth, poles = context.sensor.bandwidth_hz, context.sensor.poles
    if not bandwidth:
        return 0.0
    return 1.0 - float((1.0 + (2.0 ** (1.0 / poles) - 1.0) * (frequency_hz / bandwidth) ** 2) ** (-0.5 * poles))


def shape_budget(
    subject: Steady,
    context: Context,
    folded: Folded,
    noise: float,
    frequency_hz: float,
    statistic: Callable[[Array, Array], float],
    sensitivities: tuple[float, float, float],
) -> tuple[Component, ...]:
    """Budget of a figure of the waveform's shape.

    Args:
        subject: the held level.
        context: of its group.
        folded: its waveform.
        noise: standard deviation of one sample.
        frequency_hz: fundamental.
        statistic: the figure as a function of both halves.
        sensitivities: of the figure to the noise of one phase bin, to the place of edges (see `edge_place`), to an offset; the
            first and last for a light in the subject's unit.
    """
    by_noise, by_edges, by_offset = sensitivities
    root3 = math.sqrt(3.0)
    loss = abs(statistic(*folded.halves())) * sensor_loss(frequency_hz, context) / root3
    at_bin = abs(by_noise) * bin_noise(folded, noise)
    lines = [
        unit_scatter(folded, statistic) or Component("noise of the samples", at_bin, float(folded.counts.sum()) - 1, "A"),
        Component("noise in the phase bins", at_bin),
        Component("place of the edges between samples", by_edges * edge_place(folded, folded.whole(), noise)),
        Component("dark level", by_offset * dark_u(subject, context), shared="dark"),
        Component("quantisation", abs(by_noise) * _digit(subject, noise, folded), distribution="rectangular"),
        Component("sensor bandwidth", loss, shared="sensor", distribution="rectangular"),
    ]
    return tuple(c for c in lines if c.effect)


def _digit(subject: Steady, noise: float, folded: Folded) -> float:
    """What the digitiser's steps leave in the mean of a phase bin: what noise does not dither away, and rounding."""
    return math.hypot(undithered(subject.quantum, noise), bin_noise(folded, subject.quantum / math.sqrt(12.0)))


def resolution(waveform: Array) -> float:
    """How far the phase bins may round off the extremes: how far each stands out from the nearer of its second neighbours.

    A peak of straight slopes s loses s w/4 to s w/2 in bins of width w, and stands out by s w to 1.75 s w; a plateau loses
    nothing.
    """
    rounded = 0.0
    for shape in (waveform, -waveform):
        i = int(np.argmax(shape))
        rounded += max(float(shape[i] - max(shape[i - 2], shape[(i + 2) % len(shape)])), 0.0)
    return rounded


def sampled_edges(folded: Folded, noise: float, frequency_hz: float, interval_s: float, periods: float) -> float:
    """Standard uncertainty of a line's relative amplitude from edges that fall anywhere between two samples.

    Each edge of height H moves the amplitude by 2 H f dt/sqrt(12); edges that meet other phases in every period average out.
    """
    waveform = folded.whole()
    height = edge_heights(waveform, bin_noise(folded, noise)) / math.sqrt(2.0)
    dense = folded.gap * folded.counts.shape[2] <= 2.0
    several = math.sqrt(max(periods, 1.0)) if dense else 1.0
    return 2.0 * height * frequency_hz * interval_s / math.sqrt(12.0) / several / float(np.mean(waveform))
