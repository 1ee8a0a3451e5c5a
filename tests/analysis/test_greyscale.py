"""Standard greyscale functions against reference-checks 3: numbers [verified: colour-science], formulas [memory]."""

from __future__ import annotations

import numpy as np
import pytest
from greystep.plugins.analysis.transition import greyscale as g

TABLE = [
    # code, sRGB linear, L* of that, BT.1886 Lb=0 Lw=100, BT.1886 Lb=0.1
    (0, 0.0, 0.0, 0.0, 0.1),
    (1, 0.0003035270, 0.274175, 0.000168, 0.116530),
    (10, 0.0030352698, 2.741748, 0.042102, 0.336586),
    (11, 0.0033465358, 3.022913, 0.052923, 0.369545),
    (51, 0.0331047666, 21.246731, 2.101222, 3.419358),
    (102, 0.1328683216, 43.192290, 11.090317, 13.469513),
    (128, 0.2158605001, 53.585013, 19.125266, 21.787046),
    (153, 0.3185467781, 63.222595, 29.346952, 32.057070),
    (192, 0.5271151257, 77.704364, 50.608855, 52.879056),
    (204, 0.6038273389, 82.045782, 58.535047, 60.529519),
    (255, 1.0, 100.0, 100.0, 100.0),
]


@pytest.mark.parametrize(("code", "srgb", "lightness", "dark0", "dark01"), TABLE)
def test_table_of_codes(code: int, srgb: float, lightness: float, dark0: float, dark01: float) -> None:
    v = np.array([code / 255])
    assert g.srgb_light(v)[0] == pytest.approx(srgb, abs=5e-10)
    assert g.lightness(g.srgb_light(v))[0] == pytest.approx(lightness, abs=5e-7)
    assert g.bt1886_light(v, 0.0, 100.0)[0] == pytest.approx(dark0, abs=5e-7)
    assert g.bt1886_light(v, 0.1, 100.0)[0] == pytest.approx(dark01, abs=5e-7)


def test_inverse_srgb() -> None:
    assert g.srgb_signal(np.array([0.18, 0.5])) == pytest.approx([0.46135613, 0.73535698], abs=5e-9)


PQ = [(0.25, 5.15417601), (0.5, 92.2457090), (0.508078, 99.99958), (0.58, 201.666262), (0.75, 983.377856), (1.0, 10000.0)]
PQ_INVERSE = [
    (0.1, 0.062336866),
    (1, 0.149945732),
    (10, 0.299699092),
    (100, 0.508078422),
    (203, 0.580688881),
    (400, 0.652578598),
    (1000, 0.751827096),
    (4000, 0.902572393),
]


def test_pq_both_ways() -> None:
    for signal, light in PQ:
        assert g.pq_light(np.array([signal]))[0] == pytest.approx(light, rel=1e-7)
    for light, signal in PQ_INVERSE:
        assert g.pq_signal(np.array([float(light)]))[0] == pytest.approx(signal, abs=1e-9)
    assert g.pq_light(np.array([0.0]))[0] == 0
    # The trap named there: the inverse of 0 is not 0.
    assert g.pq_signal(np.array([0.0]))[0] == pytest.approx(7.309559e-07, rel=1e-6)
    assert 64 + 876 * g.pq_signal(np.array([100.0, 203.0, 1000.0])) == pytest.approx([509.08, 572.68, 722.60], abs=5e-3)


def test_lightness_both_ways() -> None:
    assert g.lightness(np.array([0.18418651851]))[0] == pytest.approx(50, abs=1e-8)
    y = np.array([0.01, 0.10, 0.18, 0.20, 0.50])
    assert g.lightness(y) == pytest.approx([8.991442, 37.842430, 49.496108, 51.837212, 76.069261], abs=5e-7)
    l_star = np.array([10.0, 25.0, 75.0, 90.0, 8.0])
    assert 100 * g.relative_of_lightness(l_star) == pytest.approx(
        [1.126019927, 4.415476752, 48.278104371, 76.303353971, 0.885645168], abs=5e-10
    )


def test_against_colour_science() -> None:
    colour = pytest.importorskip("colour")
    v = np.linspace(0, 1, 257)
    assert g.srgb_light(v) == pytest.approx(colour.models.eotf_sRGB(v), rel=1e-9, abs=1e-15)
    assert g.bt1886_light(v, 0.1, 100.0) == pytest.approx(colour.models.eotf_BT1886(v, 0.1, 100.0), rel=1e-9)
    assert g.pq_light(v) == pytest.approx(colour.models.eotf_BT2100_PQ(v), rel=1e-9, abs=1e-9)
    assert g.lightness(v) == pytest.approx(colour.colorimetry.lightness_CIE1976(100 * v, 100), rel=1e-9, abs=1e-12)


@pytest.mark.parametrize("pair", [(g.srgb_light, g.srgb_signal), (g.bt1886_light, g.bt1886_signal), (g.pq_light, g.pq_signal)])
def test_each_curve_is_undone_by_its_inverse(pair) -> None:  # type: ignore[no-untyped-def]
    v = np.linspace(0.001, 1, 500)
    forward, backward = pair
    assert backward(forward(v)) == pytest.approx(v, rel=1e-7)
