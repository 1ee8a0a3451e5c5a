"""Overshoot, undershoot, preshoot (IEEE 181 aberrations): the farthest excursion beyond a state level, or at most how far.

Whether there is an excursion at all is asked of the light, where the noise is the same everywhere, and not of the method's
scale: near black a code is so little light that noise alone moves by many codes. The farthest of N independent places goes
beyond z(N) standard deviations by chance with a probability of `CHANCE` (z = 3.1 for one place, 4.3 for a hundred). What
stays below is no excursion of zero: it is one that could not be seen, and is given as "at most".
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
from greystep.schema.figure import Figure, flags_of
from greystep.schema.uncertainty import combine, t_factor

from .excursion import Place
from .jackknife import leave_one_out, standard_error
from .outcome import refused
from .refusal import Refusal
from .rest import RESTING
from .shares import share
from .transit import GAPS_NEAR, Transit

CHANCE = 1e-3
"""Probability that noise alone passes for an excursion, a figure."""
MOST = 0.25
"""An upper bound above this part of the step says nothing: the figure is refused."""
WIDE = 0.05
"""One above this is flagged as noisy."""


@dataclass(frozen=True)
class _Sort:
    """One sort of aberration: sign * ((light - start) / step - origin) is how far it goes, as a part of the step in light."""

    quantity: str
    origin: float
    """Part of the step at the state level: 0 start, 1 end."""
    sign: float


OVERSHOOT = _Sort("overshoot", 1.0, 1.0)
UNDERSHOOT = _Sort("undershoot", 1.0, -1.0)
PRESHOOT = _Sort("preshoot", 0.0, -1.0)


def overshoot(transit: Transit) -> Figure:
    """Greatest excursion beyond the end level after the middle of the transition, as a part of the step."""
    return _excursion(transit, OVERSHOOT, transit.peak)


def undershoot(transit: Transit) -> Figure:
    """Greatest excursion back below the end level after the overshoot; where no overshoot is seen, bounded as that is."""
    above = overshoot(transit)
    peak = transit.peak
    if peak is None or not above.measurable or above.bound == "<=":
        text = f"no overshoot was seen that it could follow ({above.reason})" if above.measurable else above.reason
        return replace(above, quantity="undershoot", reason=text)
    top = math.copysign(1.0, transit.rest.step)
    place = transit.extreme(math.ceil(peak.position), transit.observation.samples, -top)
    return _excursion(transit, UNDERSHOOT, place)


def preshoot(transit: Transit) -> Figure:
    """Greatest excursion against the step, before the transition (within three of its durations)."""
    top = math.copysign(1.0, transit.rest.step)
    onset = transit.onset
    end = transit.middle.place if isinstance(onset, Refusal) else onset.timing.samples
    last = math.floor(end)
    first = max(0, math.floor(last - 4 * transit.middle.width - 8))
    return _excursion(transit, PRESHOOT, transit.extreme(first, last, -top))


def _excursion(transit: Transit, sort: _Sort, place: Place | None) -> Figure:
    """An excursion as a part of the step, or at most how large it is."""
    hindrance = _hindrance(transit, place)
    if place is None or hindrance is not None:
        few = Refusal("too few samples before or after the transition", ("few_samples",))
        return refused(transit, sort.quantity, "1", hindrance or few)
    figure = share(transit, sort.quantity, place, sort.origin, sort.sign)
    beyond = sort.sign * ((place.value - transit.rest.start) / transit.rest.step - sort.origin)
    u = _seen(transit, sort, place)
    # Below `RESTING` the levels themselves are not told apart.
    seen = beyond > max(t_factor(math.inf, 1 - 2 * CHANCE / max(1.0, place.tried)) * u, RESTING)
    if "clipped" in figure.flags:
        least = figure.value if seen else 0.0
        text = "samples at the end of the digitiser's range hide the peak"
        return replace(figure, value=max(least, 0.0), bound=">=", budget=(), reason=text)
    return figure if seen else _at_most(transit, sort, figure, place)


def _hindrance(transit: Transit, place: Place | None) -> Refusal | None:
    if place is None:
        return None
    if not transit.rest.settled:
        return Refusal("the light has not come to rest: there is no state level to go beyond", ("not_settled",))
    dark = max(GAPS_NEAR * transit.subject.gap_s, transit.subject.smoothing_s)
    if transit.middle.width * transit.observation.interval_s < dark:
        text = "the transition is as short as the backlight's period: what lies beyond the levels can't be told"
        return Refusal(text, ("ripple_residual",))
    return None


def _seen(transit: Transit, sort: _Sort, place: Place) -> float:
    """Standard uncertainty of the distance between a place and its state level, as a part of the step in light.

    The scatter of a few repeats may come out small by chance, so that the noise of the trace counts where it is larger.
    """
    o, rest = transit.observation, transit.rest
    noise = place.u_noise
    if o.repeats > 1:
        levels = rest.starts if sort.origin == 0 else rest.ends
        scatter = standard_error(place.replicates - leave_one_out(np.asarray(levels)))
        noise = max(noise, scatter) if math.isfinite(scatter) else noise
    return math.hypot(noise, _others(transit, sort, place)) / abs(rest.step)


def _others(transit: Transit, sort: _Sort, place: Place) -> float:
    """What the state level and the ripple contribute to that, in light."""
    o, rest = transit.observation, transit.rest
    window = rest.pre if sort.origin == 0 else o.samples - rest.post
    level = rest.u_start if sort.origin == 0 else rest.u_end
    ripple = transit.ripple.peak / math.sqrt(3)
    if "ripple" in transit.flags:
        ripple = math.hypot(ripple, abs(place.value) * math.hypot(transit.context.ripple.u_waveform, transit.ripple.phase))
    return math.hypot(o.noise / math.sqrt(max(window, 1)), level, ripple)


def _at_most(transit: Transit, sort: _Sort, figure: Figure, place: Place) -> Figure:
    """The upper limit (95 %, one-sided) of an excursion that does not stand out, on the method's scale.

    One that lasts an eighth of the transition would have raised the mean over as long. So it is no higher than the farthest of
    these means, and what noise may have taken off it. The place of the farthest sample says less: it may lie anywhere.
    """
    rest, d = transit.rest, transit.domain
    means = transit.scaled.means(max(1, int(min(transit.middle.width / 8, (place.last - place.first) / 4))))
    farthest = means.greatest(place.first, place.last, sort.sign) - sort.sign * sort.origin
    u = math.hypot(transit.scaled_noise / math.sqrt(means.width), _others(transit, sort, place) / rest.step)
    most = max(farthest, 0.0) + t_factor(combine(figure.budget).dof if figure.budget else math.inf, 0.9) * u
    light = rest.start + (sort.origin + sort.sign * most) * rest.step
    limit = sort.sign * ((float(d.value(np.array([light]))[0]) - d.start) / d.step - sort.origin)
    if not limit <= MOST:
        text = f"{'an' if sort.quantity[0] in 'ou' else 'a'} {sort.quantity}"
        hidden = Refusal(f"noise and the uncertainty of the level would hide {text} of a quarter of the step", ("noisy",))
        return refused(transit, sort.quantity, "1", hidden)
    text = f"no {sort.quantity} stands out from the noise and the uncertainty of the level: a larger one would have been seen"
    # What was found at the place is noise, and so are the marks of where it lies.
    flags = flags_of([f for f in figure.flags if f != "outside_curve"], ("noisy",) if limit > WIDE else ())
    return replace(figure, value=max(limit, 0.0), bound="<=", budget=(), reason=text, flags=flags)
