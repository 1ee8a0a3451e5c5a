"""The estimator `flicker`: modulation of the light of each held level, and of the brightest for the group."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Annotated, ClassVar

import numpy as np
from greystep.schema.capture import Kind
from greystep.schema.drawn import DrawnCurve
from greystep.schema.figure import Figure, flags_of
from greystep.schema.model import Model
from greystep.schema.trace import Array, Context, Steady, Subject
from pydantic import BaseModel, Field

from .budget import dark_u
from .curves import flicker_curves
from .fundamental import find_fundamental, hidden_amplitude
from .ieee1789 import no_effect_limit
from .modulated import Modulated
from .stroboscopic import CURVE_SOURCE, HIGHEST_HZ, LOWEST_HZ, Curve, threshold

QUANTITIES = ("flicker_frequency", "modulation_depth", "flicker_index", "stroboscopic_visibility", "ieee1789_zone")
FEWEST_PERIODS = 4
FEWEST_SAMPLES = 64


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
        return Modulated.of(subject, context, parameters.svm_curve, found).figures()

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

    def curves(self, subject: Subject, context: Context, parameters: BaseModel) -> list[DrawnCurve]:
        """Cycle, spectrum and limits of a held level for pictures."""
        assert isinstance(parameters, FlickerParameters)
        del context
        return flicker_curves(subject, parameters.lowest_hz) if isinstance(subject, Steady) else []

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
