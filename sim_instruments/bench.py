"""The whole bench: the world, the instruments, their servers and the side door, put together."""

from __future__ import annotations

import asyncio
import contextlib
from dataclasses import dataclass, field

from .clock import Clock
from .faults.order import FaultList
from .hislip.server import HislipServer
from .instruments.digitiser import Digitiser
from .instruments.meters import LuminanceMeter, PowerMeter, Thermometer
from .instruments.pattern import PatternSource
from .scpi.instrument import Instrument
from .scpi.server import InstrumentServer
from .sensor import Photosensor
from .side_door import SideDoor
from .world import World

WATCHDOG_PERIOD_S = 0.02
"""How often the watchdog of the pattern source is looked at, host seconds."""
ROLES = ("digitiser", "pattern", "luminance", "power", "temperature")


@dataclass(frozen=True)
class BenchOptions:
    """How the bench is started."""

    panel: str = "vireth-10x"
    speed: float | str = 1.0
    seed: int = 1
    host: str = "127.0.0.1"
    ports: dict[str, int] = field(default_factory=dict)
    """Port of each role, and of "side_door"; 0 or absent for any free one."""
    sensor: Photosensor = field(default_factory=Photosensor)
    room_c: float = 23.0


class Bench:
    """A running bench; create it inside an event loop."""

    def __init__(self, options: BenchOptions) -> None:
        self.options = options
        self.clock = Clock(options.speed)
        self.world = World(self.clock, options.panel, options.seed, options.sensor, options.room_c)
        self.pattern = PatternSource(self.world)
        self.digitiser = Digitiser(self.world)
        instruments: tuple[Instrument, ...] = (
            self.digitiser,
            self.pattern,
            LuminanceMeter(self.world),
            PowerMeter(self.world),
            Thermometer(self.world),
        )
        self.servers = {
            instrument.name: InstrumentServer(instrument, FaultList(), options.host, options.ports.get(instrument.name, 0))
            for instrument in instruments
        }
        self.hislip = {role: HislipServer(server, options.host) for role, server in self.servers.items()}
        self.side_door = SideDoor(self, options.host, options.ports.get("side_door", 0))
        self.stopping = asyncio.Event()

    async def start(self) -> dict[str, object]:
        """Open all ports; returns what a client needs to know. Raises OSError for a port in use."""
        for server in self.servers.values():
            server.listen()
        for hislip in self.hislip.values():
            await hislip.listen()
        await self.side_door.listen()
        return self.addresses()

    @property
    def resources(self) -> dict[str, str]:
        """VISA resource names by role, over plain TCP."""
        return {role: server.resource for role, server in self.servers.items()}

    def addresses(self) -> dict[str, object]:
        """VISA resource names by role, and the side door."""
        return {
            "resources": self.resources,
            "hislip": {role: server.resource for role, server in self.hislip.items()},
            "side_door": {"host": self.options.host, "port": self.side_door.port},
            "panel": self.world.mounted.spec.name,
        }

    async def run(self) -> None:
        """Until `stopping` is set."""
        while not self.stopping.is_set():
            self.pattern.check_watchdog()
            with contextlib.suppress(TimeoutError):
                await asyncio.wait_for(self.stopping.wait(), WATCHDOG_PERIOD_S)

    async def close(self) -> None:
        """Close everything."""
        for hislip in self.hislip.values():
            await hislip.close()
        for server in self.servers.values():
            await server.close()
        await self.side_door.close()
