"""Standard greyscale functions.

Sources: sRGB IEC 61966-2-1:1999; ITU-R BT.1886 (03/2011); PQ ITU-R BT.2100-2 / SMPTE ST 2084:2014; CIE 1976 lightness,
CIE 015 / ISO/CIE 11664-4. Light is relative (1 is white) except for PQ, which is in cd/m2.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]

_M1, _M2 = 2610 / 16384, 2523 / 4096 * 128
_C1, _C2, _C3 = 3424 / 4096, 2413 / 4096 * 32, 2392 / 4096 * 32


def srgb_light(signal: Array) -> Array:
    """Relative light of an sRGB signal in 0..1."""
    v = np.asarray(signal, dtype=np.float64)
    return np.asarray(np.where(v <= 0.04045, v / 12.92, (np.maximum(v + 0.055, 0) / 1.055) ** 2.4))


def srgb_signal(light: Array) -> Array:
    """sRGB signal of a relative light."""
    y = np.asarray(light, dtype=np.float64)
    return np.asarray(np.where(y <= 0.0031308, 12.92 * y, 1.055 * np.maximum(y, 0) ** (1 / 2.4) - 0.055))


def bt1886_light(signal: Array, black: float = 0.0, white: float = 1.0) -> Array:
    """Light of a BT.1886 signal in 0..1 on a display with this black and white."""
    root_b, root_w = black ** (1 / 2.4), white ** (1 / 2.4)
    a, b = (root_w - root_b) ** 2.4, root_b / (root_w - root_b)
    return np.asarray(a * np.maximum(np.asarray(signal, dtype=np.float64) + b, 0) ** 2.4)


def bt1886_signal(light: Array, black: float = 0.0, white: float = 1.0) -> Array:
    """BT.1886 signal of a light."""
    root_b, root_w = black ** (1 / 2.4), white ** (1 / 2.4)
    a, b = (root_w - root_b) ** 2.4, root_b / (root_w - root_b)
    return np.asarray((np.maximum(np.asarray(light, dtype=np.float64), 0) / a) ** (1 / 2.4) - b)


def pq_light(signal: Array) -> Array:
    """Luminance in cd/m2 of a PQ signal in 0..1."""
    e = np.maximum(np.asarray(signal, dtype=np.float64), 0) ** (1 / _M2)
    return np.asarray(10000 * (np.maximum(e - _C1, 0) / (_C2 - _C3 * e)) ** (1 / _M1))


def pq_signal(light_cd_m2: Array) -> Array:
    """PQ signal of a luminance in cd/m2. That of 0 is 7.3e-7, not 0: so says the formula."""
    y = (np.maximum(np.asarray(light_cd_m2, dtype=np.float64), 0) / 10000) ** _M1
    return np.asarray(((_C1 + _C2 * y) / (1 + _C3 * y)) ** _M2)


def lightness(relative: Array) -> Array:
    """CIE 1976 lightness L* of Y/Yn. The straight part goes on below zero, so that noise around black stays monotone."""
    t = np.asarray(relative, dtype=np.float64)
    joint = (6 / 29) ** 3
    return np.asarray(np.where(t > joint, 116 * np.cbrt(np.maximum(t, joint)) - 16, (29 / 3) ** 3 * t))


def relative_of_lightness(value: Array) -> Array:
    """Y/Yn of a CIE 1976 lightness."""
    v = np.asarray(value, dtype=np.float64)
    return np.asarray(np.where(v > 8, ((v + 16) / 116) ** 3, v * (3 / 29) ** 3))
