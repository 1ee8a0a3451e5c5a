"""Slow meters: luminance, electrical power, temperature. Each reading is a mean over an aperture."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np

from ..scpi.instrument import Identity, Instrument
from ..scpi.parameters import SECONDS, Number
from ..scpi.tree import Command, setting
from ..world import World

APERTURE = Number(1e-3, 100.0, 0.2, SECONDS)


class Meter(Instrument):
    """A meter with an aperture; a reading begins when it is asked for and takes that long."""

    def __init__(self, name: str, identity: Identity, world: World, stream: int) -> None:
        self.world = world
        self.aperture_s = APERTURE.default
        self._random = np.random.Generator(np.random.SFC64([world.seed, stream]))
        super().__init__(name, identity, world.clock)

    def reset(self) -> None:
        self._put_aperture(APERTURE.default)

    def _put_aperture(self, aperture_s: float) -> None:
        self.aperture_s = aperture_s

    def aperture(self, header: str) -> Command:
        """The aperture setting under a header."""
        return setting(header, APERTURE, lambda: self.aperture_s, self._put_aperture)

    async def measured(self) -> tuple[float, float, float]:
        """Wait for one aperture; its start, its end and the mean luminance within, cd/m2."""
        start_s = self.world.advance()
        end_s = start_s + self.aperture_s
        await self.clock.sleep_until(end_s)
        self.world.advance()
        return start_s, end_s, self.world.mounted.mean_luminance_cd_m2(start_s, end_s)

    def noise(self, rms: float) -> float:
        """One sample of noise."""
        return float(rms * self._random.standard_normal())


class LuminanceMeter(Meter):
    """Spot luminance meter: calibrated within its gain error, whatever the sensor's responsivity is."""

    GAIN = 1.002
    """Its own calibration error: 0.2 %."""

    def __init__(self, world: World) -> None:
        super().__init__("luminance", Identity("Greystep Virtual Bench", "Luminance Meter VL1", "VB-L-0001", "1.0"), world, 101)

    def commands(self) -> Iterable[Command]:
        return (
            Command("READ", query=self._read),
            Command("MEASure:LUMinance", query=self._read),
            self.aperture("[SENSe:]LUMinance:APERture"),
        )

    async def _read(self) -> str:
        _, _, mean = await self.measured()
        return f"{max(0.0, mean * self.GAIN * (1 + self.noise(5e-4)) + self.noise(2e-3)):.5E}"


class PowerMeter(Meter):
    """Mains power of the display."""

    def __init__(self, world: World) -> None:
        super().__init__("power", Identity("Greystep Virtual Bench", "Power Meter VW1", "VB-W-0001", "1.0"), world, 102)

    def commands(self) -> Iterable[Command]:
        return (
            Command("READ", query=self._read),
            Command("MEASure:POWer", query=self._read),
            self.aperture("[SENSe:]POWer:APERture"),
        )

    async def _read(self) -> str:
        _, _, mean = await self.measured()
        return f"{self.world.mounted.display.power_w(mean) * (1 + self.noise(1e-3)) + self.noise(2e-3):.5E}"


class Thermometer(Meter):
    """Temperature: input 1 the air of the room, input 2 the surface of the display."""

    def __init__(self, world: World) -> None:
        super().__init__("temperature", Identity("Greystep Virtual Bench", "Thermometer VT1", "VB-T-0001", "1.0"), world, 103)

    def commands(self) -> Iterable[Command]:
        return (Command("READ", query=lambda: self._read(1)), Command("MEASure:TEMPerature<1:2>", query=self._read))

    def _read(self, place: int) -> str:
        now_s = self.world.advance()
        celsius = self.world.room_c if place == 1 else self.world.mounted.display.temperature_c(now_s)
        return f"{celsius + self.noise(0.02):.3f}"
