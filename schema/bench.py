"""The bench: instruments by role, sensor, house method. The user writes it as `bench.toml` in the home folder."""

from __future__ import annotations

from typing import Annotated, Any, Literal

from pydantic import ConfigDict, Field

from .dut import Sensor, Text
from .model import Model
from .plan import Name

Role = Literal["digitiser", "pattern", "luminance", "power", "temperature"]


class InstrumentEntry(Model):
    """One instrument: which driver, and the driver's own settings (checked by the driver's model)."""

    model_config = ConfigDict(extra="allow", frozen=True, use_attribute_docstrings=True)

    driver: Annotated[str, Field(pattern=r"^[a-z0-9][a-z0-9-]{0,63}$")]
    """Name of the driver; `greystep plugins` lists them."""

    def settings(self) -> dict[str, Any]:
        """Everything but the driver's name."""
        return dict(self.model_extra or {})


class Bench(Model):
    """The instruments and their roles."""

    name: Text = "bench"
    """Name of the bench, kept with every capture."""
    operator: Text = ""
    """Who runs it, unless the plan says otherwise."""
    house_method: Name = "band-first-entry"
    """Method of the ranking."""
    methods: tuple[Name, ...] = ()
    """Methods computed for every new capture beside the house method; empty: all built-in ones."""
    sensor: Sensor = Sensor()
    """The photosensor."""
    light_channel: Annotated[int, Field(ge=1, le=64)] = 1
    """Channel of the digitiser that carries the photosensor."""
    sync_channel: Annotated[int, Field(ge=1, le=64)] | None = 2
    """Channel that carries the pattern source's sync output; None: not recorded."""
    light_range_v: Annotated[float, Field(gt=0)] | None = None
    """Full scale of the light channel, peak to peak, in V; None: found before each condition."""
    light_offset_v: float = 0.0
    """Centre of the light channel's range, in V, when `light_range_v` is given."""
    instruments: dict[Role, InstrumentEntry] = Field(default_factory=dict)
    """Instruments by role."""
