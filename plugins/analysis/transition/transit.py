"""One transition, found in its record: repeats, state levels, place, scale."""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import Any, cast

import numpy as np
from greystep.schema.figure import flags_of
from greystep.schema.trace import Context, Transition
from numpy.typing import NDArray

from ..findings import shared
from .crossing import BACK, BACK_FAINT
from .domain import Domain, domain_of
from .excursion import Place, extreme
from .instant import Instant, instant_at
from .leftover import Left, ripple_left
from .observation import Observation, aligned, observe
from .onset import ONSET_HIGHEST, ONSET_RATIO, Onset, find_onset, hidden_instant
from .parameters import TransitionParameters
from .polynomial import SHARP, Smear
from .record import Record, despiked
from .reference import Reference, band_refusal, references
from .refusal import Refusal
from .rest import LevelSource, Rest, rest_of
from .search import EndRule, Middle, find_end, find_middle, find_start, has_landing

Array = NDArray[np.float64]

NOISY = 1 / 3
"""Noise of the smoothed trace over the distance between level and rest, above which a crossing can't be told."""
FAINT = 6e-4
"""Noise of the mean over the transition, as a part of the step, above which the corners of an edge can't be seen."""
VISIBLE = 3.0
"""A level is told from the rest from this many standard deviations of the smoothed trace."""
HIDDEN = Refusal("the level can't be told from the noise", ("noisy",))


GAPS_NEAR = 4.0
"""A duration below this many dark parts of the backlight's period is given as an upper bound."""


@dataclass(frozen=True)
class Transit:
    """What all figures of one transition rest on."""

    subject: Transition
    context: Context
    parameters: TransitionParameters
    observation: Observation
    rest: Rest
    middle: Middle
    scaled: Record
    """Mean trace without spikes, 0 at rest before and 1 at rest after."""
    domain: Domain
    smear: Smear
    ripple: Left
    """Ripple left in the mean trace."""
    flags: tuple[str, ...]
    found: dict[tuple[object, ...], Any] = field(default_factory=dict, compare=False, repr=False)
    """Reference levels and instants worked out before: several figures rest on the same ones."""
    common: dict[tuple[object, ...], Any] = field(default_factory=dict, compare=False, repr=False)
    """Instants and extremes, which are the same for every method that finds the same state levels: see `Located`."""

    @property
    def scaled_noise(self) -> float:
        """Noise of one sample of `scaled`."""
        return self.observation.noise / abs(self.rest.step)

    def seconds(self, samples: float) -> float:
        """Time relative to the sync edge of a position in the record."""
        return self.observation.start_s + samples * self.observation.interval_s

    def reference(self, scale: float) -> Reference:
        """Reference level at a value of the method's scale."""
        key = ("scale", scale)
        if key not in self.found:
            self.found[key] = self._references(self.domain, scale)
        return cast(Reference, self.found[key])

    def light_reference(self, ratio: float) -> Reference:
        """Reference level at a part of the step in light."""
        level = self.rest.start + ratio * self.rest.step
        exact = (level - self.rest.start) / self.rest.step
        return Reference(level, level, exact, 1 - exact, exact)

    def _references(self, domain: Domain, scale: float) -> Reference:
        s = self.subject
        rebuild = None
        if domain.name == "lightness":

            def rebuild(start: float, end: float) -> Domain:
                return domain_of("lightness", s.from_level, s.to_level, start, end, self.context, s.unit)

        return references(domain, np.array([scale]), self.rest.start, self.rest.end, rebuild)[0]

    @cached_property
    def onset(self) -> Onset | Refusal:
        """Where the light begins to change."""
        smooth = self.scaled_noise / math.sqrt(max(1.0, self.middle.width / 16))
        return find_onset(lambda ratio: self.start_of(self.light_reference(ratio), visible=True), smooth)

    @cached_property
    def peak(self) -> Place | None:
        """Farthest point in the direction of the step, after its middle."""
        top = math.copysign(1.0, self.rest.step)
        first = math.ceil(self.middle.place)
        return self.extreme(first, self.observation.samples, top)

    def extreme(self, first: int, last: int, top: float) -> Place | None:
        """Farthest point of the light upwards (`top` +1) or downwards (-1) between two samples."""
        upwards = top * math.copysign(1.0, self.rest.step) > 0
        key = ("extreme", first, last, top, self.narrow, self.smear)
        if key not in self.common:
            self.common[key] = extreme(self.observation, self.scaled, first, last, top, upwards, self.narrow, self.smear)
        return cast("Place | None", self.common[key])

    @property
    def narrow(self) -> float:
        """Samples to average in search of an extremum: as few as noise allows, never over an eighth of the transition."""
        return max(1.0, min((self.scaled_noise / 0.003) ** 2, self.middle.width / 8))

    def start_of(self, reference: Reference, visible: bool = False) -> Instant | Refusal:
        """The instant at which the trace leaves a level near the start.

        Args:
            visible: refuse a level that the noise hides.
        """
        rule = self.parameters.start_rule
        place, doubt = find_start(self.scaled, reference.ratio, self.scaled_noise, self.middle, rule)
        if doubt <= NOISY:
            return self._instant(reference, place, True)
        return HIDDEN if visible else self._start_within_noise(reference, doubt * abs(reference.ratio))

    def _start_within_noise(self, reference: Reference, sigma: float) -> Instant | Refusal:
        """The instant of a level that the noise hides, from those of two that can be seen."""
        # Lower down a fit would need a window that reaches back over the corner of the onset: early by far at 1 % noise.
        lowest = max(reference.ratio + VISIBLE * sigma, ONSET_HIGHEST)
        first = self.start_of(self.light_reference(lowest), visible=True)
        second = self.start_of(self.light_reference(ONSET_RATIO * lowest), visible=True)
        if isinstance(first, Refusal) or isinstance(second, Refusal):
            return HIDDEN
        if not 0 <= second.position - first.position <= self.middle.width:
            return HIDDEN
        return hidden_instant(first, second, reference)

    def end_of(self, reference: Reference, far: Reference | None = None, rule: EndRule | None = None) -> Instant | Refusal:
        """The instant at which the trace enters a band around the end; through its far edge when it overshoots.

        Args:
            reference: near edge.
            far: far edge; None: as far beyond the end.
            rule: instead of the method's end rule.
        """
        chosen = rule or self.parameters.end_rule
        key = (chosen, reference.ratio, far.ratio if far is not None else None)
        if key not in self.found:
            self.found[key] = self._end_by(reference, far, chosen)
        return cast("Instant | Refusal", self.found[key])

    def _end_by(self, reference: Reference, far: Reference | None, chosen: EndRule) -> Instant | Refusal:
        ceiling = None if far is None else far.ratio
        found = find_end(self.scaled, reference.ratio, self.scaled_noise, self.middle, chosen, ceiling)
        if found is not None and found[1] <= NOISY:
            place, _, from_far = found
            if not from_far:
                return self._instant(reference, place, True)
            return self._instant(far if far is not None else self.light_reference(2 - reference.ratio), place, False)
        if not self.rest.settled:
            return Refusal("the light never reaches the end level within the record", ("not_settled",))
        return self._end_within_noise(reference)

    def _end_within_noise(self, reference: Reference) -> Instant | Refusal:
        """The last level before the end that the noise lets be seen: the end level is reached then or later."""
        sigma = self.scaled_noise / math.sqrt(max(1.0, self.middle.width / 4))
        seen = self.light_reference(min(reference.ratio, 1 - VISIBLE * sigma) - VISIBLE * sigma)
        found = find_end(self.scaled, seen.ratio, self.scaled_noise, self.middle, "first_entry")
        if found is None or found[1] > NOISY:
            return HIDDEN
        visible = self._instant(seen, found[0], True)
        return visible if isinstance(visible, Refusal) else replace(visible, at_least=True)

    def middle_instant(self, ratio: float = 0.5) -> Instant | Refusal:
        """The crossing of a part of the step in light, at the first passage."""
        return self._instant(self.light_reference(ratio), self.middle.place, True)

    def _instant(self, reference: Reference, place: float, upwards: bool) -> Instant | Refusal:
        # A window much wider than the transition and its tail up to here holds nothing but curvature.
        useful = 2 * self.middle.width + abs(place - self.middle.place) + 64
        widest = max(3, int(min(useful, self.parameters.widest_fit * self.observation.samples)))
        key = ("instant", reference, place, upwards, widest, self.smear)
        if key not in self.common:
            self.common[key] = instant_at(
                self.observation,
                self.rest,
                reference,
                place,
                self.smear,
                upwards=upwards,
                widest=widest,
                back=BACK_FAINT if self.scaled_noise > FAINT * math.sqrt(self.middle.width) else BACK,
            )
        found = cast("Instant | None", self.common[key])
        if found is None:
            return Refusal("no crossing of the level can be fitted to the trace", ("noisy",))
        return found


def sensor_smear(context: Context, smoothing_s: float, interval_s: float, correct: bool) -> Smear:
    """Sensor and preparation window, in samples."""
    window = smoothing_s / interval_s
    bandwidth = context.sensor.bandwidth_hz
    if not correct or bandwidth is None:
        return Smear(window=window) if window else SHARP
    poles = context.sensor.poles
    pole = math.sqrt(2 ** (1 / poles) - 1) / (2 * math.pi * bandwidth) / interval_s
    # Below a thousandth of a sample the inversion is the identity in double precision, or nearly so.
    return Smear(pole, poles, window) if pole > 1e-3 else Smear(window=window) if window else SHARP


def find_transit(subject: Transition, context: Context, p: TransitionParameters) -> Transit | Refusal:
    """The transition in its record, or why there is none that a figure could be given of."""
    if "strobed" in subject.flags or context.ripple.kind == "strobe":
        return Refusal(
            "the backlight is strobed: the light of a frame is a flash, and a transition between held levels has no meaning",
            flags_of(subject.flags, ("strobed",)),
        )
    # The context's own parts hold for all methods of one preparation; the context itself is made anew for each.
    parts = (context.curve, context.ripple, p.levels)
    located = shared(subject, "located", parts, lambda: locate(subject, context, p.levels))
    if isinstance(located, Refusal):
        return located
    observation, rest = located.observation, located.rest
    domain = domain_of(p.domain, subject.from_level, subject.to_level, rest.start, rest.end, context, subject.unit)
    if not (math.isfinite(domain.start) and math.isfinite(domain.end) and domain.step):
        text = f"light of {rest.start:.4g} and {rest.end:.4g} {subject.unit} at rest has no place on the scale of the method"
        return Refusal(text, flags_of(rest.flags, domain.flags, ("levels_disagree",)))
    if p.band is not None and (refused := band_refusal(domain, p.band)) is not None:
        return Refusal(refused.reason, flags_of(rest.flags, refused.flags))
    smear = sensor_smear(context, subject.smoothing_s, observation.interval_s, p.sensor == "correct")
    seen = [("ripple_residual", located.ripple.peak > 2e-3 * abs(rest.step)), ("multiple_transitions", located.landing)]
    flags = flags_of(rest.flags, domain.flags, [name for name, holds in seen if holds])
    found = (observation, rest, located.middle, located.scaled)
    return Transit(subject, context, p, *found, domain, smear, located.ripple, flags, common=located.common)


@dataclass(frozen=True)
class Located:
    """A transition in its record, as far as it depends on no reference level: the same for many methods."""

    observation: Observation
    """Repeats brought together."""
    rest: Rest
    middle: Middle
    scaled: Record
    """Mean trace without spikes, 0 at rest before and 1 at rest after."""
    ripple: Left
    """Ripple left in the mean trace."""
    landing: bool
    """Whether it rests on the way."""
    common: dict[tuple[object, ...], Any] = field(default_factory=dict, compare=False, repr=False)
    """Instants and extremes that were worked out."""


def locate(subject: Transition, context: Context, levels: LevelSource) -> Located | Refusal:
    """Find a transition in its record."""
    observation = observe(subject)
    if isinstance(observation, Refusal):
        return observation
    found = _rest_and_middle(observation, subject, context, levels)
    if isinstance(found, Refusal):
        return found
    rest, middle, scaled = found
    together = aligned(observation, rest.pre, rest.post, rest.step, middle.width)
    if together is not observation:
        again = _rest_and_middle(together, subject, context, levels)
        if isinstance(again, Refusal):
            return again
        rest, middle, scaled = again
    ripple = ripple_left(together, rest, context.ripple)
    landing = has_landing(scaled, together.noise / abs(rest.step), middle)
    return Located(together, rest, middle, scaled, ripple, landing)


def _rest_and_middle(
    observation: Observation, subject: Transition, context: Context, levels: LevelSource
) -> tuple[Rest, Middle, Record] | Refusal:
    period = 1 / (context.ripple.frequency_hz * observation.interval_s) if context.ripple.frequency_hz > 0 else 0.0
    rest = rest_of(observation, subject.from_level, subject.to_level, context.curve, levels, subject.quantum, period)
    if isinstance(rest, Refusal):
        return rest
    noise = observation.noise / abs(rest.step)
    scaled = Record(despiked((observation.mean - rest.start) / rest.step))
    middle = find_middle(scaled, noise)
    if isinstance(middle, Refusal):
        return Refusal(middle.reason, flags_of(rest.flags, middle.flags))
    return rest, middle, scaled
