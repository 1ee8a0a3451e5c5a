"""The settings of a display as words on the wire: names, allowed values, parsing."""

from __future__ import annotations

from ..panel.model import Condition, PanelSpec
from ..scpi.errors import ScpiError
from ..scpi.parameters import number_text

KEYS = {
    "refresh_rate_hz": "refresh_rate_hz",
    "overdrive": "overdrive",
    "luminance": "luminance_percent",
    "vrr": "vrr",
    "strobe": "strobe",
}
"""Name on the wire -> field of the condition."""


def setting_names(spec: PanelSpec) -> list[str]:
    """Settings that this display has."""
    names = ["refresh_rate_hz", "overdrive"]
    if spec.luminance_percent[0] < spec.luminance_percent[1]:
        names.append("luminance")
    return names + ["vrr"] * spec.vrr + ["strobe"] * (spec.strobe is not None)


def _known(spec: PanelSpec, name: str) -> str:
    lowered = name.lower()
    if lowered not in setting_names(spec):
        raise ScpiError(-224, f"no setting {name}; there are {','.join(setting_names(spec))}")
    return lowered


def allowed_values(spec: PanelSpec, name: str) -> str:
    """`a,b,c` or `low:high`. Raises -224 for an unknown setting."""
    name = _known(spec, name)
    if name == "refresh_rate_hz":
        return ",".join(number_text(rate) for rate in spec.refresh_rates_hz)
    if name == "overdrive":
        return ",".join(spec.overdrive)
    if name == "luminance":
        return ":".join(number_text(limit) for limit in spec.luminance_percent)
    return "off,on"


def parse_setting(spec: PanelSpec, name: str, value: str) -> tuple[str, float | str | bool]:
    """Field of the condition and its value. Raises -224 for an unknown setting or word, -222 out of range."""
    name = _known(spec, name)
    allowed = allowed_values(spec, name)
    if name in ("refresh_rate_hz", "luminance"):
        try:
            number = float(value)
        except ValueError:
            raise ScpiError(-104, f"{name} {value}") from None
        inside = number in spec.refresh_rates_hz if name == "refresh_rate_hz" else _between(number, spec.luminance_percent)
        if not inside:
            raise ScpiError(-222, f"{name} {value} is not among {allowed}")
        return KEYS[name], number
    if value.lower() not in allowed.split(","):
        raise ScpiError(-224, f"{name} {value} is none of {allowed}")
    return KEYS[name], value.lower() if name == "overdrive" else value.lower() == "on"


def _between(number: float, limits: tuple[float, float]) -> bool:
    return limits[0] <= number <= limits[1]


def setting_text(spec: PanelSpec, condition: Condition, name: str) -> str:
    """Present value as it is answered. Raises -224 for an unknown setting."""
    value = getattr(condition, KEYS[_known(spec, name)])
    if isinstance(value, bool):
        return "on" if value else "off"
    return value if isinstance(value, str) else number_text(value)
