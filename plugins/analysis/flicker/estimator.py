"""The estimator `flicker`: modulation of the light of each held level, and of the brightest for the group."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import partial
from typing import Annotated, ClassVar

import numpy as np
from greystep.schema.capture import Kind
from greystep.schema.figure import Bound, Component, Figure, flags_of
from greystep.schema.model import Model
from greystep.schema.trace import Array, Context, Steady, Subject
from greystep.schema.uncertainty import combine
from pydantic import BaseModel, Field

from ..transition.jackknife import standard_error
from .budget import dark_u, resolution, sampled_edges, sensor_loss, shape_budget
from .extent import depth_at, extremes_at, places_of, unbiased_index
from .fundamental import Fundamental, find_fundamental, hidden_amplitude
from .ieee1789 import ABOVE, no_effect_limit, zone
from .spectrum import harmonics, line_powers, other_lines
from .stroboscopic import CURVE_SOURCE, HIGHEST_HZ, LOWEST_HZ, Curve, stroboscopic_visibility, threshold
from .waveform import COARSEST, FINEST, Folded, bins_for, fold

QUANTITIES = ("flicker_frequency", "modulation_depth", "flicker_index", "stroboscopic_visibility", "ieee1789_zone")
FEWEST_PERIODS = 4
FEWEST_SAMPLES = 64
Budget = tuple[Component, ...]
Statistic = Callable[[Array, Array], float]


class FlickerParameters(Model):
    """Parameters of the flicker figures."""

    lowest_hz: Annotated[float, Field(gt=0, le=1000)] = 20.0
    """Slower changes are drift, in Hz; raised where a record holds fewer than four periods."""
    svm_curve: Curve = "power-law"
    """Threshold curve of the stroboscopic visibility measure; curves differ, so every report names it."""


class FlickerEstimator:
    """Fundamental, modulation depth, flicker index, stroboscopic visibility and IEEE 1789 zone of each held level.

    M = (max - min)/(max + min), FI = area above the mean / whole area, both over whole periods of the folded record;
    SVM = (sum (C_m/T_m)^3.7)^(1/3.7) from 80 Hz to 2 kHz. All dimensionless but the frequency (Hz). Sources in `extent`,
    `stroboscopic`, `ieee1789`. PstLM is not given: its weighting filter (IEC TR 61547-1) is not part of this estimator.
    """

    id: ClassVar[str] = "flicker"
    version: ClassVar[int] = 1
    title: ClassVar[str] = "Temporal light modulation of held levels"
    kinds: ClassVar[frozenset[Kind]] = frozenset({"steady"})
    Parameters: ClassVar[type[BaseModel]] = FlickerParameters

    def estimate(self, subject: Subject, context: Context, parameters: BaseModel) -> list[Figure]:
        """Figures of one held level; bounds where no modulation stands above the noise, reasons where nothing can be said."""
        assert isinstance(parameters, FlickerParameters)
        if not isinstance(subject, Steady):
            return []
        light = subject.light[np.isfinite(subject.light).all(axis=1)] if subject.light.size else subject.light
        flags = flags_of(subject.flags, ("bad_samples",) if len(light) < len(subject.light) else ())
        reason, more = _unusable(light, subject, context)
        if reason:
            return _refused(subject, reason, flags_of(flags, more))
        subject = replace(subject, light=light, flags=flags)
        length_s = light.shape[1] * subject.interval_s
        lowest_hz = max(parameters.lowest_hz, FEWEST_PERIODS / length_s)
        found = find_fundamental(light, subject.interval_s, lowest_hz)
        if found is None:
            return _not_found(subject, parameters, lowest_hz)
        return _Modulated.of(subject, context, parameters, found).figures()

    def summarise(self, figures: Sequence[Figure], context: Context, parameters: BaseModel) -> list[Figure]:
        """The figures of the brightest (highest) held level, without level: the custom is to state flicker at full level."""
        del context, parameters
        out = []
        for quantity in QUANTITIES:
            found = [f for f in figures if f.quantity == quantity and f.to_level is not None]
            if found:
                top = max(found, key=lambda f: f.to_level or 0)
                detail = {**top.detail, "level": float(top.to_level or 0)}
                out.append(replace(top, from_level=None, to_level=None, detail=detail))
        return out

    def explain(self, parameters: BaseModel) -> str:
        """The method in words with its formula."""
        assert isinstance(parameters, FlickerParameters)
        return (
            "The fundamental frequency is that of the greatest power of the Hann-windowed record, refined between the "
            "bins. The record is folded over whole periods into one cycle. Modulation depth M = (max − min)/(max + "
            "min); flicker index = area above the mean / whole area. Extremes and signs are chosen in the even "
            "periods and read in the odd ones and the other way round, so that noise does not pose as modulation; "
            "where no modulation stands above the noise the largest that could have hidden is given as a bound. "
            f"Stroboscopic visibility SVM = (Σ (C/T)^3.7)^(1/3.7) over the components C from {LOWEST_HZ:g} Hz to "
            f"{HIGHEST_HZ:g} Hz relative to the mean, with the threshold curve {parameters.svm_curve} "
            f"({CURVE_SOURCE[parameters.svm_curve]}). IEEE 1789-2015 zones (limits from memory): no observable effect "
            "up to M % = 0.01 f below 90 Hz and 0.0333 f to 3000 Hz; low risk up to 0.025 f below 90 Hz and 0.08 f to "
            "1250 Hz. Uncertainty: scatter over the cycles (jackknife), noise, place of edges between samples, dark "
            "level, quantisation, sensor bandwidth, time base. PstLM is not given."
        )


def _unusable(light: Array, subject: Steady, context: Context) -> tuple[str, tuple[str, ...]]:
    if not light.size or not len(light):
        return "no record without missing or infinite samples", ()
    if light.shape[1] < FEWEST_SAMPLES:
        return f"only {light.shape[1]} samples in the record", ("few_samples",)
    mean = float(np.mean(light))
    u_mean = float(np.std(light)) / math.sqrt(light.size)
    if mean <= max(5.0 * u_mean, 3.0 * dark_u(subject, context), 2.0 * subject.quantum / math.sqrt(light.size)) or mean <= 0:
        return "there is no light above the dark level: a relative modulation is undefined", ("noisy",)
    return "", ()


def _refused(subject: Steady, reason: str, flags: tuple[str, ...]) -> list[Figure]:
    units = {q: "Hz" if q == "flicker_frequency" else "1" for q in QUANTITIES}
    n = len(subject.light)
    return [Figure(q, math.nan, u, None, subject.level, reason=reason, flags=flags, repeats=n) for q, u in units.items()]


def _not_found(subject: Steady, p: FlickerParameters, lowest_hz: float) -> list[Figure]:
    """Bounds: the amplitude of a sine that would have been found."""
    mean = float(np.mean(subject.light))
    hidden = max(hidden_amplitude(subject.light, subject.interval_s, lowest_hz), subject.quantum / (2.0 * mean))
    reason = "no periodic modulation above the noise; a deeper sine would have been found"
    place, flags, n = (None, subject.level), subject.flags, len(subject.light)
    lowest_t = float(np.min(threshold(np.array([LOWEST_HZ, 100.0, 120.0]), p.svm_curve)))
    bounds = {"modulation_depth": hidden, "flicker_index": hidden / math.pi, "stroboscopic_visibility": hidden / lowest_t}
    out = [Figure("flicker_frequency", math.nan, "Hz", *place, reason=reason, flags=flags, repeats=n)]
    for quantity, value in bounds.items():
        out.append(Figure(quantity, value, "1", *place, (), "<=", reason, flags, n, {"mean": mean}))
    safe = hidden <= no_effect_limit(lowest_hz)
    why = "" if safe else "the noise hides modulations above the limit of the lowest frequency searched"
    return [*out, Figure("ieee1789_zone", 0.0 if safe else math.nan, "1", *place, reason=why, flags=flags, repeats=n)]


@dataclass(frozen=True)
class _Modulated:
    """A held level with a modulation, and what its figures share."""

    subject: Steady
    context: Context
    parameters: FlickerParameters
    frequency_hz: float
    u_frequency_hz: float
    folded: Folded
    noise: float
    bound: Bound
    reason: str
    flags: tuple[str, ...]

    @classmethod
    def of(cls, subject: Steady, context: Context, parameters: FlickerParameters, found: Fundamental) -> _Modulated:
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
        return cls(subject, context, parameters, frequency_hz, u_hz, folded, noise, bound, reason, flags_of(flags))

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
            return self._figure("modulation_depth", math.nan, "1", (), {})
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
        curve = self.parameters.svm_curve

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
            return self._figure("ieee1789_zone", math.nan, "1", (), {})
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
