"""Settings of the serial light sensor in `bench.toml`."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from greystep.schema.model import Model
from pydantic import Field


class SerialSensorSettings(Model):
    """A light sensor on a serial line."""

    resource: Annotated[str, Field(min_length=4, max_length=256, pattern=r"^ASRL[!-~]+::INSTR$")]
    """VISA resource string, such as `ASRL/dev/ttyACM0::INSTR` or `ASRL3::INSTR`."""
    baud_rate: Annotated[int, Field(ge=1200, le=20_000_000)] = 921600
    """Bits a second; without meaning for a USB device that only looks like a serial line."""
    timeout_s: Annotated[float, Field(gt=0, le=60)] = 1.0
    """Longest wait for a reply or the next packet in s."""
    open_timeout_s: Annotated[float, Field(gt=0, le=60)] = 5.0
    """Longest wait for the port in s; many boards restart when it is opened."""
    record: Path | None = None
    """Write everything that goes over the line into this file, to be played back later."""
    slowest_transfer_bytes_s: Annotated[float, Field(ge=100)] = 5000.0
    """Slowest transfer of samples that is waited for, in bytes a second."""
