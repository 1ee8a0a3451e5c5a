"""Colours of matrix cells: a straight line in the OKLab space, so that equal steps of a number are equal steps to the eye.

Lightness alone tells the order, which every kind of colour vision keeps; the number is always written in the cell as well.
OKLab: B. Ottosson, "A perceptual color space for image processing" (2020). Contrast: WCAG 2.2, relative luminance.
"""

from __future__ import annotations

from typing import Final

_LIGHT: Final = (0.965, -0.004, 0.028)
_DARK: Final = (0.33, -0.012, -0.125)
"""Ends of the line in OKLab: pale sand and deep blue."""


def shade(part: float) -> tuple[str, str]:
    """Background and text colour as `#rrggbb` for a value between 0 (lightest) and 1 (darkest)."""
    part = min(1.0, max(0.0, part))
    lab = tuple(a + (b - a) * part for a, b in zip(_LIGHT, _DARK, strict=True))
    linear = _linear_srgb(*lab)
    luminance = 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]
    text = "#000000" if (luminance + 0.05) / 0.05 >= 1.05 / (luminance + 0.05) else "#ffffff"
    return "#" + "".join(f"{_code(c):02x}" for c in linear), text


def _linear_srgb(L: float, a: float, b: float) -> tuple[float, float, float]:
    l_ = (L + 0.3963377774 * a + 0.2158037573 * b) ** 3
    m_ = (L - 0.1055613458 * a - 0.0638541728 * b) ** 3
    s_ = (L - 0.0894841775 * a - 1.2914855480 * b) ** 3
    made = (
        4.0767416621 * l_ - 3.3077115913 * m_ + 0.2309699292 * s_,
        -1.2684380046 * l_ + 2.6097574011 * m_ - 0.3413193965 * s_,
        -0.0041960863 * l_ - 0.7034186147 * m_ + 1.7076147010 * s_,
    )
    return tuple(min(1.0, max(0.0, c)) for c in made)  # type: ignore[return-value]


def _code(linear: float) -> int:
    encoded = 12.92 * linear if linear <= 0.0031308 else 1.055 * linear ** (1 / 2.4) - 0.055
    return round(255 * encoded)
