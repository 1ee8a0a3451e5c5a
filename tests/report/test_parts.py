"""Numbers, colours and decimation."""

import math

import numpy as np
import pytest
from greystep.daemon.report.decimate import bin_edges, envelope, thinned
from greystep.daemon.report.rendering import worded
from greystep.daemon.report.rounding import compact, figure_text, interval_text
from greystep.daemon.report.shades import shade
from greystep.daemon.report.theme import GROUND, INK, QUIET, SERIES
from hypothesis import given
from hypothesis import strategies as st


def luminance(colour):
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    r, g, b = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in parts)
    return 0.2126 * r + 0.7152 * g + 0.0722 * b


def contrast(a, b):
    low, high = sorted((luminance(a), luminance(b)))
    return (high + 0.05) / (low + 0.05)


def test_text_in_every_cell_has_the_contrast_of_wcag_aa():
    assert min(contrast(*shade(i / 200)) for i in range(201)) >= 4.5


def test_shades_darken_evenly():
    """Equal steps of the number are equal steps of lightness (CIE L*), within the curvature between OKLab and L*."""
    light = [116 * luminance(shade(i / 10)[0]) ** (1 / 3) - 16 for i in range(11)]
    steps = -np.diff(light)
    assert (steps > 0).all()
    assert steps.max() / steps.min() < 1.35


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_chart_colours_stand_out_from_the_ground(theme):
    assert all(contrast(c, GROUND[theme]) >= 3 for c in SERIES[theme])
    assert contrast(INK[theme], GROUND[theme]) >= 7
    assert contrast(QUIET[theme], GROUND[theme]) >= 4.5


def test_values_are_rounded_to_their_uncertainty():
    assert interval_text(4.21356, 0.1234, "ms") == "4.21 ± 0.12 ms"
    assert interval_text(1234.56, 23.4, "Hz") == "1235 ± 23 Hz"
    assert interval_text(0.9876, math.nan, "ms", "<=") == "≤ 0.988 ms"
    assert figure_text("transition_duration", 0.0042, 0.0001) == "4.20 ± 0.10 ms"
    assert figure_text("transition_duration", math.nan, math.nan) == "–"
    assert [compact(x) for x in (0, 0.01234, 1.234, 12.34, 1234.0)] == ["0", "0.012", "1.23", "12.3", "1234"]
    assert [compact(99.97), compact(9.996), compact(0.895, 2)] == ["100", "10.0", "0.90"]


@given(st.integers(2, 5000), st.integers(1, 80), st.integers(1, 40), st.integers(0, 2**32 - 1))
def test_decimation_hides_no_peak(samples, fine, coarse, seed):
    rng = np.random.default_rng(seed)
    light = rng.normal(size=(3, samples))
    light[rng.integers(3), rng.integers(samples)] = 1e3
    light[rng.integers(3), rng.integers(samples)] -= 5e3
    times = np.arange(samples) * 1e-5
    window = tuple(sorted(rng.uniform(-0.1 * times[-1], 1.1 * times[-1], 2)))
    edges = bin_edges(times, window, fine, coarse)
    made = envelope(times, light, edges)
    assert made.high.max() == light.max()
    assert made.low.min() == light.min()
    assert len(made.mean) <= fine + coarse + 3
    assert (np.diff(made.times_s) > 0).all()
    assert float(np.sum(made.mean * np.diff(edges))) == pytest.approx(float(light.mean(axis=0).sum()), abs=1e-6 * samples)


@given(st.integers(1, 3000), st.integers(4, 400), st.integers(0, 2**32 - 1))
def test_a_thinned_curve_keeps_its_peaks_where_they_are(samples, points, seed):
    rng = np.random.default_rng(seed)
    x = np.cumsum(rng.uniform(0.1, 1, samples))
    y = rng.normal(size=samples)
    kept_x, kept_y = thinned(x, y, points)
    assert len(kept_x) <= max(points, 4)
    known = dict(zip(x.tolist(), y.tolist(), strict=True))
    assert all(known[a] == b for a, b in zip(kept_x.tolist(), kept_y.tolist(), strict=True))
    assert (np.diff(kept_x) > 0).all()
    assert (kept_y.min(), kept_y.max()) == (y.min(), y.max())
    assert (kept_x[0], kept_x[-1]) == (x[0], x[-1])


def test_a_ramp_needs_its_corners_only():
    x = np.linspace(-10, 10, 401)
    kept_x, kept_y = thinned(x, np.clip(x / 8 + 0.5, 0, 1), 160)
    assert len(kept_x) <= 6
    np.testing.assert_allclose(np.interp(x, kept_x, kept_y), np.clip(x / 8 + 0.5, 0, 1), atol=1e-9)


def test_zones_are_told_in_words():
    assert figure_text("ieee1789_zone", 1.0, math.nan, "1") == "low risk"
    assert figure_text("ieee1789_zone", 1.0, math.nan, "1", ">=") == "at least low risk"
    assert figure_text("ieee1789_zone", 0.0, math.nan, "1", ">=") == "not decided"
    assert figure_text("ieee1789_zone", 0.0, math.nan, "1", "<=") == "no observable effect"


def test_names_in_backticks_become_code_and_markup_stays_text():
    assert str(worded("as `a<b>` and <i>")) == "as <code>a&lt;b&gt;</code> and &lt;i&gt;"
    assert str(worded("one ` alone")) == "one ` alone"


def test_larger_type_in_a_picture_gets_more_height():
    import re

    from greystep.daemon.report import charts
    from greystep.daemon.report.exported import picture

    rows = [{"share": 50.0, "ms": 4.0, "condition": "60 Hz", "step": "0 to 255"}]
    spec = charts.duration_distribution(rows)
    heights = [int(re.search(r'height="(\d+)', picture(spec, type_scale=scale).decode()).group(1)) for scale in (1.0, 1.6)]
    assert heights[1] >= 1.5 * heights[0]
    assert "60 Hz" in picture(spec).decode()
