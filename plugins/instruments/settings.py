"""Settings of the SCPI drivers, as `bench.toml` gives them. Kept light: nothing here opens anything."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from greystep.schema.model import Model
from pydantic import Field

Seconds = Annotated[float, Field(gt=0, le=600)]


class ScpiSettings(Model):
    """An instrument that speaks SCPI or something that a dialect can describe."""

    resource: Annotated[str, Field(min_length=4, max_length=256, pattern=r"^[!-~]+(::[!-~]+)+$")]
    """VISA resource string, such as `TCPIP::192.0.2.7::5025::SOCKET`, `TCPIP::192.0.2.7::hislip0::INSTR`,
    `USB::0x1234::0x5678::SERIAL::INSTR` or `ASRL/dev/ttyUSB0::INSTR`."""
    dialect: Annotated[str, Field(min_length=1, max_length=4096)] = "scpi-1999"
    """Name of the dialect, or a path that ends in `.toml`."""
    dialect_paths: tuple[Path, ...] = ()
    """More dialect files, or folders of them; a later one wins over an earlier or built-in one of the same name.
    The service adds those of plugins and the home folder."""
    timeout_s: Seconds = 2.0
    """Longest wait for one reply in s; for a block, the time on the wire comes on top."""
    open_timeout_s: Seconds = 5.0
    """Longest wait for a connection in s."""
    slowest_transfer_bytes_s: Annotated[float, Field(ge=100)] = 1e6
    """Slowest transfer of samples that is waited for, in bytes a second."""
    reset: bool = False
    """Bring the instrument to its start values when it is opened."""
    startup: tuple[Annotated[str, Field(max_length=1000)], ...] = ()
    """More commands to send when it is opened, such as an input impedance."""
    visa_library: str = "@py"
    """VISA library: `@py` is the one in Python; a path or `@ivi` another that is installed."""
    baud_rate: Annotated[int, Field(ge=50, le=20_000_000)] = 115200
    """Serial line: bits a second."""
    data_bits: Literal[7, 8] = 8
    """Serial line: data bits."""
    parity: Literal["none", "even", "odd"] = "none"
    """Serial line: parity."""
    stop_bits: Literal[1, 2] = 1
    """Serial line: stop bits."""
    record: Path | None = None
    """Write everything that goes over the wire into this file, to be played back later."""


class MeterSettings(ScpiSettings):
    """A meter, with its specification."""

    u_relative: Annotated[float, Field(ge=0, le=1)] | None = None
    """Standard uncertainty by the meter's specification, as a fraction of the reading."""
    u_absolute: Annotated[float, Field(ge=0)] | None = None
    """The same, in the unit of the reading; both together are added in squares."""


class ReplaySettings(Model):
    """An instrument played back from a recording."""

    file: Path
    """The recording, as `record = "FILE"` of another driver wrote it."""
    timeout_s: Seconds = 2.0
    """Longest wait for one reply in s; a recorded time-out comes at once."""
