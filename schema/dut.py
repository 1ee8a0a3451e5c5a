"""The display under test and the condition it was set to."""

from __future__ import annotations

from typing import Annotated

from pydantic import Field, StringConstraints, field_validator

from .ids import short_hash, slug
from .model import Model

Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=200)]
Scalar = str | bool | int | float


class DUT(Model):
    """Display under test. Maker, model and serial say which device it is; the rest says what was in it at the time."""

    maker: Text = ""
    """Who made it; free text."""
    model: Annotated[Text, StringConstraints(min_length=1)]
    """Model name; required."""
    serial: Text = ""
    """Serial number, when two of a model are on the bench."""
    panel: Text = ""
    """Panel technology, such as LCD, IPS LCD, OLED; free text."""
    firmware: Text = ""
    """Firmware version at the time of the run."""
    hardware_revision: Text = ""
    """Hardware revision."""

    @field_validator("maker", "model", "serial", "panel", "firmware", "hardware_revision")
    @classmethod
    def _printable(cls, text: str) -> str:
        bad = next((c for c in text if not c.isprintable()), None)
        if bad is not None:
            raise ValueError(f"holds the control or formatting character U+{ord(bad):04X}")
        return text

    @property
    def id(self) -> str:
        """Folder-safe name of the device: the same for every firmware and revision of one device."""
        named = " ".join(p for p in (self.maker, self.model, self.serial) if p)
        return f"{slug(named)}-{short_hash(self.maker, self.model, self.serial)}"

    @property
    def title(self) -> str:
        """Name for people."""
        return " ".join(p for p in (self.maker, self.model, self.serial) if p)


class Condition(Model):
    """All that was set on the DUT for a group of captures."""

    refresh_rate_hz: Annotated[float, Field(gt=0, le=2000)]
    """Refresh rate in Hz."""
    overdrive: Text = "default"
    """Name of the overdrive mode, as the DUT calls it."""
    luminance_cd_m2: Annotated[float, Field(gt=0, le=20000)] | None = None
    """Luminance of the top level that was set, in cd/m2; None: as found."""
    vrr: bool = False
    """Whether the variable refresh rate was on."""
    settings: dict[str, Scalar] = Field(default_factory=dict, max_length=32)
    """Any other setting of the DUT by its name."""

    @property
    def title(self) -> str:
        """One line for people."""
        parts = [f"{self.refresh_rate_hz:g} Hz", f"overdrive {self.overdrive}"]
        if self.luminance_cd_m2:
            parts.append(f"{self.luminance_cd_m2:g} cd/m\N{SUPERSCRIPT TWO}")
        if self.vrr:
            parts.append("VRR")
        return ", ".join(parts + [f"{k} {v}" for k, v in self.settings.items()])

    @property
    def key(self) -> str:
        """Hash of the condition: equal conditions have equal keys, over all runs."""
        from .canonical import fingerprint

        return fingerprint(self.model_dump(mode="json"))[:12]

    def driven(self) -> dict[str, Scalar]:
        """The settings that the pattern source is asked to apply, by name."""
        out: dict[str, Scalar] = {"refresh_rate_hz": self.refresh_rate_hz}
        if self.overdrive != "default":
            out["overdrive"] = self.overdrive
        if self.luminance_cd_m2 is not None:
            out["luminance_cd_m2"] = self.luminance_cd_m2
        if self.vrr:
            out["vrr"] = True
        return out | self.settings


class Sensor(Model):
    """The photosensor in front of the DUT."""

    name: Text = ""
    """Name or serial of the sensor."""
    bandwidth_hz: Annotated[float, Field(gt=0)] | None = None
    """-3 dB bandwidth in Hz; None when unknown."""
    poles: Annotated[int, Field(ge=1, le=8)] = 1
    """Number of equal low-pass poles that describe the sensor."""
    responsivity_v_per_cd_m2: Annotated[float, Field(gt=0)] | None = None
    """Volts per cd/m2; None: found from the luminance meter, or light stays in volts."""
    responsivity_rel_u: Annotated[float, Field(ge=0, lt=1)] = 0.02
    """Relative standard uncertainty of the responsivity."""
    dark_v: float = 0.0
    """Output without light, in volts."""
    dark_u_v: Annotated[float, Field(ge=0)] = 0.0
    """Standard uncertainty of the dark output, in volts."""
    scan_fraction: Annotated[float, Field(ge=0, le=1)] = 0.5
    """Vertical place of the sensor: 0 at the first scanned line, 1 at the last."""
    patch_area_sr: Annotated[float, Field(gt=0, le=6.3)] | None = None
    """Solid angle of the changing patch as seen by a person at the bench; None: full screen."""
