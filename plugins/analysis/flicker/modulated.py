"""A held level with a modulation, and the figures that come of it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from greystep.schema.figure import Bound, Component, Figure, flags_of
from greystep.schema.trace import Array, Context, Steady
from greystep.schema.uncertainty import combine

from ..transition.jackknife import standard_error
from .budget import dark_u, resolution, sampled_edges, sensor_loss, shape_budget
from .extent import depth_at, extremes_at, places_of, unbiased_index
from .fundamental import Fundamental
from .ieee1789 import ABOVE, no_effect_limit, zone
from .spectrum import harmonics, line_powers, other_lines
from .stroboscopic import HIGHEST_HZ, LOWEST_HZ, Curve, stroboscopic_visibility, threshold
from .waveform import COARSEST, FINEST, Folded, bins_for, fold

Budget = tuple[Component, ...]
Statistic = Callable[[Array, Array], float]


@dataclass(frozen=True)
class Modulated:
    """A held level with a modulation, and what its figures share."""

    subject: Steady
    context: Context
    svm_curve: Curve
    frequency_hz: float
    u_frequency_hz: float
    folded: Folded
    noise: float
    bound: Bound
    reason: str
    flags: tuple[str, ...]

    @classmethod
    def of(cls, subject: Steady, context: Context, svm_curve: Curve, found: Fundamental) -> Modulated:
        """Fold at a resolution that suits the noise, and see what limits the figures."""
        frequency_hz = found.frequency_hz
        finest = fold(subject.light, subject.interval_s, frequency_hz, FINEST)
        noise = finest.noise()
        coarse = finest.coarser(FINEST // COARSEST).halves()
        top, bottom = extremes_at(*coarse, places_of(*coarse))
        bins = bins_for(noise, max(top - bottom, 1e-300), int(finest.counts.sum()))
        folded = finest.coarser(FINEST // bins)
        flags = list(subject.flags)
        if len(subject.light) < 2:
            flags.append("few_repeats")
        if 1.0 / (frequency_hz * subject.interval_s) < 20:
            flags.append("few_samples")
        bound: Bound = ""
        reason = ""
        if sensor_loss(frequency_hz, context) > 0.05:
            bound, reason = ">=", "the sensor is too slow for this frequency and flattens the modulation"
            flags.append("below_sensor")
        elif "clipped" in subject.flags:
            bound, reason = ">=", "the top of the waveform is clipped"
        elif not found.coherent:
            bound, reason = ">=", "the phase of the modulation wanders within a record, which flattens its mean cycle"
            flags.append("dithered")
        u_hz = found.u_frequency_hz
        return cls(subject, context, svm_curve, frequency_hz, u_hz, folded, noise, bound, reason, flags_of(flags))

    def figures(self) -> list[Figure]:
        """All figures of the level."""
        depth, index = self._depth(), self._index()
        return [self._frequency(), depth, index, self._visibility(), self._zone(depth)]

    def _figure(
        self, quantity: str, value: float, unit: str, budget: tuple[Component, ...], detail: dict[str, float]
    ) -> Figure:
        limited = quantity not in ("flicker_frequency", "ieee1789_zone")
        bound: Bound = self.bound if limited else ""
        return Figure(
            quantity,
            value,
            unit,
            None,
            self.subject.level,
            () if bound else budget,
            bound,
            self.reason if limited else "",
            self.flags,
            len(self.subject.light),
            detail,
        )

    def _frequency(self) -> Figure:
        n, length_s = len(self.subject.light), self.subject.light.shape[1] * self.subject.interval_s
        u = self.u_frequency_hz if math.isfinite(self.u_frequency_hz) else 1.0 / length_s
        lines = (
            Component("phase over the record", u, 7.0 * n, "A"),
            Component("time base", self.frequency_hz * self.context.timebase_rel_u, shared="timebase"),
        )
        return self._figure("flicker_frequency", self.frequency_hz, "Hz", lines, {"periods": length_s * self.frequency_hz})

    def _depth(self) -> Figure:
        places = places_of(*self.folded.halves())
        top, bottom = extremes_at(*self.folded.halves(), places)
        if top + bottom <= 0:
            reason = "the extremes of the cycle are not above the dark level: a relative modulation is undefined"
            return replace(self._figure("modulation_depth", math.nan, "1", (), {}), bound="", reason=reason)
        by_noise = 2.0 * math.hypot(top, bottom) / (top + bottom) ** 2
        by_offset = -2.0 * (top - bottom) / (top + bottom) ** 2
        round_off = resolution(self.folded.whole()) / (top + bottom) / math.sqrt(3.0)
        resolved = Component("width of the phase bins", round_off, distribution="rectangular")
        budget = (*self._budget(partial(depth_at, places=places), (by_noise, 0.0, by_offset)), resolved)
        detail = {"maximum": top, "minimum": bottom, "mean": float(np.mean(self.folded.whole())), "noise": self.noise}
        figure = self._figure("modulation_depth", (top - bottom) / (top + bottom), "1", budget, detail)
        u = combine(budget).u
        if figure.value > u or figure.bound:
            return figure
        reason = "the modulation is no larger than its uncertainty"
        return replace(figure, value=max(figure.value, 0.0) + 2.0 * u, bound="<=", reason=reason, budget=())

    def _index(self) -> Figure:
        value = unbiased_index(*self.folded.halves())
        mean = float(np.mean(self.folded.whole()))
        by_noise = 1.0 / (2.0 * mean * math.sqrt(self.folded.occupied))
        budget = self._budget(unbiased_index, (by_noise, 1.0, -value / mean))
        return self._figure("flicker_index", value, "1", budget, {"mean": mean, "phase_gap": self.folded.gap})

    def _budget(self, statistic: Statistic, sensitivities: tuple[float, float, float]) -> Budget:
        return shape_budget(self.subject, self.context, self.folded, self.noise, self.frequency_hz, statistic, sensitivities)

    def _visibility(self) -> Figure:
        light, dt = self.subject.light, self.subject.interval_s
        nyquist_hz = 0.5 / dt
        known = harmonics(self.frequency_hz, min(HIGHEST_HZ, 0.98 * nyquist_hz))
        extra = other_lines(light, dt, known, LOWEST_HZ, min(HIGHEST_HZ, 0.98 * nyquist_hz))
        frequencies = np.concatenate((known, extra))
        units = _units(light, self.frequency_hz * dt)
        powers = line_powers(units, dt, frequencies, self.noise)
        curve = self.svm_curve

        def svm(mean_powers: Array) -> float:
            return stroboscopic_visibility(frequencies, np.sqrt(np.maximum(mean_powers, 0.0)), curve)

        value = svm(powers.mean(axis=0))
        n = len(powers)
        lines = []
        if n > 1:
            without = np.array([svm((powers.sum(axis=0) - row) / (n - 1)) for row in powers])
            lines.append(Component("scatter over the records", standard_error(without), n - 1, "A", distribution="t"))
        mean = float(np.mean(light))
        lowest_t = float(threshold(np.clip([self.frequency_hz], LOWEST_HZ, HIGHEST_HZ), curve)[0])
        periods = light.size * dt * self.frequency_hz
        edges = sampled_edges(self.folded, self.noise, self.frequency_hz, dt, periods)
        # Noise of a line's amplitude, Hann window: sigma sqrt(3 / samples) / mean; over the lowest threshold it is the most.
        lines += [
            Component("noise of the lines", self.noise * math.sqrt(3.0 / light.size) / mean / lowest_t),
            Component("edges between samples", edges / lowest_t, distribution="rectangular"),
            Component("dark level", -value / mean * dark_u(self.subject, self.context), shared="dark"),
            Component("sensor bandwidth", value * sensor_loss(self.frequency_hz, self.context), shared="sensor"),
        ]
        figure = self._figure(
            "stroboscopic_visibility",
            value,
            "1",
            tuple(c for c in lines if c.effect),
            {"lines": float(len(frequencies)), "logistic_curve": float(curve == "logistic")},
        )
        if nyquist_hz < HIGHEST_HZ and not figure.bound:
            reason = f"sampled too slowly to see components above {nyquist_hz:.0f} Hz"
            return replace(figure, bound=">=", reason=reason, budget=())
        return figure

    def _zone(self, depth: Figure) -> Figure:
        """By the fundamental and the depth; not given where the depth is a lower bound that does not settle it."""
        if not depth.measurable:
            return replace(self._figure("ieee1789_zone", math.nan, "1", (), {}), reason=depth.reason)
        expanded = combine(depth.budget).expanded if depth.budget else 0.0
        low, found, high = (zone(self.frequency_hz, depth.value + d) for d in (-expanded, 0.0, expanded))
        limit = min(no_effect_limit(self.frequency_hz), 1.0)
        detail = {"no_effect_limit": limit, "depth": depth.value, "lowest_zone": float(low), "highest_zone": float(high)}
        figure = self._figure("ieee1789_zone", float(found), "1", (), detail)
        if depth.bound == ">=" and found < ABOVE and limit < 1.0:
            return replace(figure, bound=">=", reason=depth.reason)
        return figure


def _units(light: Array, turns_per_sample: float) -> Array:
    """[unit, sample] records, or stretches of at least eight whole periods of each where there are fewer than four records."""
    if len(light) >= 4:
        return light
    samples = light.shape[1]
    periods = samples * turns_per_sample
    parts = int(max(1, min(-(-8 // len(light)), periods // 8)))
    size = samples // parts
    return light[:, : parts * size].reshape(-1, size)
