"""One transition, found in its record: repeats, state levels, place, scale."""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from greystep.schema.figure import flags_of
from greystep.schema.trace import Context, Transition
from numpy.typing import NDArray

from .crossing import SHARP, Smear
from .domain import Domain, domain_of
from .excursion import Place, extreme
from .instant import Instant, instant_at
from .observation import Observation, aligned, observe
from .parameters import TransitionParameters
from .reference import Reference, band_refusal, references
from .refusal import Refusal
from .rest import Rest, rest_of
from .search import Middle, despiked, find_end, find_middle, find_start, has_landing
from .timing import Timing, ripple_left

Array = NDArray[np.float64]

NOISY = 1 / 3
"""Noise of the smoothed trace over the distance between level and rest, above which a crossing can't be told."""


@dataclass(frozen=True)
class Transit:
    """What all figures of one transition rest on."""

    subject: Transition
    context: Context
    parameters: TransitionParameters
    observation: Observation
    rest: Rest
    middle: Middle
    scaled: Array
    """[sample] mean trace without spikes, 0 at rest before and 1 at rest after."""
    domain: Domain
    smear: Smear
    ripple: float
    """Amplitude of ripple left in the mean trace, in light."""
    flags: tuple[str, ...]

    @property
    def scaled_noise(self) -> float:
        """Noise of one sample of `scaled`."""
        return self.observation.noise / abs(self.rest.step)

    def seconds(self, samples: float) -> float:
        """Time relative to the sync edge of a position in the record."""
        return self.observation.start_s + samples * self.observation.interval_s

    def reference(self, scale: float) -> Reference:
        """Reference level at a value of the method's scale."""
        return self._references(self.domain, scale)

    def light_reference(self, ratio: float) -> Reference:
        """Reference level at a part of the step in light."""
        plain = domain_of("luminance", 0, 1, self.rest.start, self.rest.end, self.context, self.subject.unit)
        return self._references(plain, self.rest.start + ratio * self.rest.step)

    def _references(self, domain: Domain, scale: float) -> Reference:
        s = self.subject
        rebuild = None
        if domain.name == "lightness":

            def rebuild(start: float, end: float) -> Domain:
                return domain_of("lightness", s.from_level, s.to_level, start, end, self.context, s.unit)

        return references(domain, np.array([scale]), self.rest.start, self.rest.end, rebuild)[0]

    @cached_property
    def onset(self) -> tuple[Timing, float] | Refusal:
        """Where the light begins to change: the line through the 5 % and 15 % instants, extended to 0 %; in samples.

        Unlike a first visible change it does not depend on the noise. Exponential: 0.004 time constants early.
        """
        five = self.start_of(self.light_reference(0.05))
        if isinstance(five, Refusal):
            return five
        fifteen = self.start_of(self.light_reference(0.15))
        if isinstance(fifteen, Refusal):
            return fifteen
        timing = Timing(((1.5, five), (-0.5, fifteen)))
        return timing, timing.samples

    @cached_property
    def peak(self) -> Place | None:
        """Farthest point in the direction of the step, after its middle."""
        top = math.copysign(1.0, self.rest.step)
        first = math.ceil(self.middle.place)
        return self.extreme(first, self.observation.samples, top)

    def extreme(self, first: int, last: int, top: float) -> Place | None:
        """Farthest point of the light upwards (`top` +1) or downwards (-1) between two samples."""
        sign = top * math.copysign(1.0, self.rest.step)
        return extreme(self.observation, self.scaled * sign, first, last, top, self.narrow, self.smear)

    @property
    def narrow(self) -> float:
        """Samples to average in search of an extremum: as few as noise allows, never over an eighth of the transition."""
        return max(1.0, min((self.scaled_noise / 0.003) ** 2, self.middle.width / 8))

    def start_of(self, reference: Reference) -> Instant | Refusal:
        """The instant at which the trace leaves a level near the start."""
        place, doubt = find_start(self.scaled, reference.ratio, self.scaled_noise, self.middle, self.parameters.start_rule)
        return self._instant(reference, place, doubt, True)

    def end_of(self, reference: Reference, far: Reference | None = None, rule: str | None = None) -> Instant | Refusal:
        """The instant at which the trace enters a band around the end; through its far edge when it overshoots.

        Args:
            reference: near edge.
            far: far edge; None: as far beyond the end.
            rule: instead of the method's end rule.
        """
        chosen = rule or self.parameters.end_rule
        ceiling = None if far is None else far.ratio
        found = find_end(self.scaled, reference.ratio, self.scaled_noise, self.middle, chosen, ceiling)  # type: ignore[arg-type]
        if found is None:
            return Refusal("the light never reaches the end level within the record", ("not_settled",))
        place, doubt, from_far = found
        if from_far:
            edge = far if far is not None else self.light_reference(2 - reference.ratio)
            return self._instant(edge, place, doubt, False)
        return self._instant(reference, place, doubt, True)

    def middle_instant(self, ratio: float = 0.5) -> Instant | Refusal:
        """The crossing of a part of the step in light, at the first passage."""
        return self._instant(self.light_reference(ratio), self.middle.place, 0.0, True)

    def _instant(self, reference: Reference, place: float, doubt: float, upwards: bool) -> Instant | Refusal:
        if doubt > NOISY:
            return Refusal("the level can't be told from the noise", ("noisy",))
        # A window much wider than the transition and its tail up to here holds nothing but curvature.
        useful = 2 * self.middle.width + abs(place - self.middle.place) + 64
        widest = max(3, int(min(useful, self.parameters.widest_fit * self.observation.samples)))
        found = instant_at(self.observation, self.rest, reference, place, self.smear, upwards=upwards, widest=widest)
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
    observation = observe(subject)
    if isinstance(observation, Refusal):
        return observation
    located = _locate(observation, subject, context, p)
    if isinstance(located, Refusal):
        return located
    observation, rest, middle = located
    scaled = despiked((observation.mean - rest.start) / rest.step)
    domain = domain_of(p.domain, subject.from_level, subject.to_level, rest.start, rest.end, context, subject.unit)
    if p.band is not None and (refused := band_refusal(domain, p.band)) is not None:
        return Refusal(refused.reason, flags_of(rest.flags, refused.flags))
    smear = sensor_smear(context, subject.smoothing_s, observation.interval_s, p.sensor == "correct")
    ripple = ripple_left(observation, rest, context.ripple.frequency_hz)
    landing = has_landing(scaled, observation.noise / abs(rest.step), middle)
    found = [("ripple_residual", ripple > 1e-3 * abs(rest.step)), ("multiple_transitions", landing)]
    flags = flags_of(rest.flags, domain.flags, [name for name, holds in found if holds])
    return Transit(subject, context, p, observation, rest, middle, scaled, domain, smear, ripple, flags)


def _locate(
    observation: Observation, subject: Transition, context: Context, p: TransitionParameters
) -> tuple[Observation, Rest, Middle] | Refusal:
    """Repeats brought together, their state levels, and the middle of the transition."""
    for turn in range(2):
        rest = rest_of(observation, subject.from_level, subject.to_level, context.curve, p.levels, subject.quantum)
        if isinstance(rest, Refusal):
            return rest
        noise = observation.noise / abs(rest.step)
        middle = find_middle(despiked((observation.mean - rest.start) / rest.step), noise)
        if isinstance(middle, Refusal):
            return Refusal(middle.reason, flags_of(rest.flags, middle.flags))
        if turn:
            break
        together = aligned(observation, rest.pre, rest.post, rest.step, middle.width)
        if together is observation:
            break
        observation = together
    return observation, rest, middle
