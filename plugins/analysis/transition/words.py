"""A method of the transition estimator in words, with its formula."""

from __future__ import annotations

from .parameters import TransitionParameters

_SCALES = {
    "luminance": "luminance (light above the sensor's dark output)",
    "code": "code value, through the code-to-light curve measured on the same display from steady captures (monotone cubic "
    "interpolation, fitted to the two state levels of the trace)",
    "lightness": "CIE 1976 lightness L* relative to the highest level",
    "srgb": "code value by the sRGB curve (assumed, IEC 61966-2-1)",
    "bt1886": "code value by the BT.1886 curve with zero black (assumed, ITU-R BT.1886)",
    "pq": "code value by the PQ curve (assumed, SMPTE ST 2084)",
}
_STARTS = {
    "last_exit": "the last time before the middle of the step at which the light leaves the start level past y1",
    "first_exit": "the first time at which the light leaves the start level past y1",
}
_ENDS = {
    "first_entry": "the first time after that at which it passes y2, even if it goes on past the end level and comes back",
    "settled": "the last time at which it enters the band around the end level whose near edge is y2, to stay there",
}
_LEVELS = {
    "auto": "means over the resting parts of the trace itself, checked against the steady captures",
    "trace": "means over the resting parts of the trace itself",
    "steady": "means of the steady captures",
    "histogram": "the modes of the two halves of the trace's histogram (IEEE Std 181)",
}


_FORMULAS = (
    "exponential 1 - exp(-t/T)",
    "ramp t/T",
    "Gaussian Phi(t/T)",
    "raised cosine (1 - cos(pi t/T))/2",
    "n = 3 or 4 equal poles P(n, t/T), the regularised incomplete gamma function",
    "2 poles 1 - (T1 exp(-t/T1) - T2 exp(-t/T2))/(T1 - T2)",
    "second order 1 - exp(-z w t) (cos(q w t) + (z/q) sin(q w t)), q = sqrt(1 - z^2)",
)


def explain_fit(p: TransitionParameters) -> str:
    """What a method does that takes the instants from a fitted formula."""
    return "\n".join(
        [
            f"Transition duration = t2 - t1. Scale: {_SCALES[p.domain]}. Reference levels: {_reference_levels(p)}.",
            "The mean of the repeats is fitted by least squares with y(t) = L + (H - L) e(t - t0): onset t0, state levels L "
            f"and H, and the shape e free. e(t) is one of: {'; '.join(_FORMULAS)}. t1 and t2 are the first times at which "
            "the fitted edge passes y1 and y2: t2 - t1 = ln 9 T = 2.197 T for the exponential from 10 to 90 %, 0.8 T for the "
            "ramp, 2.563 T for the Gaussian.",
            "A formula is accepted where noise alone would leave residuals as large with at least 5 % (chi-square test); of "
            "those accepted the one with the best information criterion (BIC) is taken. Where none is accepted there is no "
            "figure. Nor is there one for a record that has not come to rest, where the sensor's own response is longer than a "
            "tenth of the duration, where steps of the digitiser stand out from the noise, or where the formula lies more than "
            "two standard uncertainties from the crossings of the trace itself (those of the default).",
            "Uncertainty: scatter of the repeats (jackknife, Student t), spread of the formulas that are nearly as good, "
            "distance to the crossings, time base, sensor, quantisation, combined as the GUM says and expanded to 95 %. The "
            "shape is assumed, and each figure is flagged so.",
        ]
    )


def _reference_levels(p: TransitionParameters) -> str:
    if p.band is None:
        return (
            f"y1 = s1 + {p.start_fraction:g} (s2 - s1) and y2 = s1 + {p.end_fraction:g} (s2 - s1), "
            "s1 and s2 the state levels on that scale"
        )
    unit = "L*" if p.domain == "lightness" else "codes"
    return (
        f"y1 = s1 + {p.band:g} {unit} and y2 = s2 - {p.band:g} {unit} for a rising step (the other way round for a falling "
        "one), s1 and s2 the start and end level; refused where the band is wider than half the step"
    )


def explain(p: TransitionParameters) -> str:
    """What the method does, fit to be published beside the numbers."""
    parts = [
        f"Transition duration = t2 - t1. Scale: {_SCALES[p.domain]}. Reference levels: {_reference_levels(p)}.",
        f"t1 is {_STARTS[p.start_rule]}; t2 is {_ENDS[p.end_rule]}.",
        f"State levels: {_LEVELS[p.levels]}. A record that has not come to rest gives a lower bound, no figure.",
        "All repeats are averaged before the crossings are sought, and shifted together first when they scatter in time. "
        "Each crossing is the root of a polynomial fitted to a window that is as wide as noise and curvature allow; a crossing "
        "counts only when the light then goes clearly past the level.",
    ]
    if p.sensor == "correct":
        parts.append(
            "The response of the sensor is taken out by (1 + T d/dt)^n on that polynomial; a duration below 1.5 of the "
            "sensor's own or 3 samples is given as an upper bound."
        )
    tolerance = f"{p.band:g}" if p.band is not None else f"{100 * p.settling_tolerance:g} % of the step"
    parts.append(
        f"Settling duration: from the 50 % instant to the last entry into the end level +- {tolerance}. Overshoot, undershoot "
        "and preshoot: greatest excursion beyond the state level, as a part of the step on the same scale; one that noise "
        "would show by chance with 0.1 % is none, and is given as 'at most' (95 %, for excursions of an eighth of the "
        "transition and longer), or not at all where that is more than a quarter of the step. Completion: part of "
        "the step reached one refresh period after the onset (extrapolated from the instants t1, t2, t3 of three low levels, "
        "each three times the one before: t0 = t1 - (t2 - t1)^2 / (t3 - 2 t2 + t1)). Mean lag: area between the ideal step at "
        "the onset and the trace, divided by the step."
    )
    parts.append(
        "Uncertainty: scatter of the repeats (jackknife, Student t), state levels, curve, time base, sampling, quantisation, "
        "sensor, smoothing and ripple combined as the GUM says, expanded to 95 %."
    )
    if "supported_refresh_rate" in p.matrix or "within_refresh" in p.matrix:
        parts.append(
            "Within refresh: share of the transitions with t2 - t1 <= 1 / refresh rate. Supported refresh rate: 1 / the "
            f"duration that {100 * p.share:g} % of the transitions do not exceed."
        )
    return "\n".join(parts)
