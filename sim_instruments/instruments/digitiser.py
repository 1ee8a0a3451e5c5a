"""Two-channel digitiser: channel 1 the photosensor, channel 2 the sync line of the pattern source."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable

from ..scpi.errors import ScpiError
from ..scpi.instrument import Buffer, Identity, Instrument
from ..scpi.parameters import SECONDS, VOLTS, Choice, Number, number_text
from ..scpi.tree import Command, setting
from ..world import World
from .acquisition import Acquisition, Setup
from .readout import Format, block, preamble
from .record import Memory

IDENTITY = Identity("Greystep Virtual Bench", "Digitiser VD2", "VB-D-0001", "1.0")
MEMORY_SAMPLES = 32_000_000
"""Samples a channel that the memory holds."""
TICK_S = 1e-8
"""The sample interval is a multiple of this."""
KEPT_ACQUISITIONS = 2000
"""How many acquisitions the truth is kept of."""
MEASURING, WAITING = 16, 32

RANGE = Number(0.01, 40.0, 20.0, VOLTS)
OFFSET = Number(-20.0, 20.0, 0.0, VOLTS)
INTERVAL = Number(1e-7, 1.0, 1e-5, SECONDS)
POINTS = Number(2, 4_000_000, 10_000, integer=True)
PRETRIGGER = Number(0, 4_000_000, 0, integer=True)
SEGMENTS = Number(1, 4096, 1, integer=True)
LEVEL = Number(-20.0, 20.0, 1.5, VOLTS)
CHANNEL = Number(1, 2, 1, integer=True)
FIRST = Number(1, 4096, 1, integer=True, optional=True)
COUNT = Number(1, 4096, 1, integer=True, optional=True)
SOURCES = Choice(("IMMediate", "EXTernal", "INTernal1", "INTernal2", "BUS"))
SLOPES = Choice(("POSitive", "NEGative", "EITHer"))


class Digitiser(Instrument):
    """Settings take effect with the next INITiate; what is in memory keeps those it was taken with."""

    def __init__(self, world: World) -> None:
        self.world = world
        self._jams = 0
        self.history: deque[Acquisition] = deque(maxlen=KEPT_ACQUISITIONS)
        self.taken = 0
        """Acquisitions started since the bench did."""
        self._memory: Memory | None = None
        self._range: dict[int, float] = {}
        self._offset: dict[int, float] = {}
        self._numbers: dict[str, float] = {}
        self._defaults()
        super().__init__("digitiser", IDENTITY, world.clock)
        world.on_mount.append(self.stop)

    def _defaults(self) -> None:
        self._range.update({1: RANGE.default, 2: RANGE.default})
        self._offset.update({1: OFFSET.default, 2: OFFSET.default})
        start = {"interval": INTERVAL, "points": POINTS, "pre": PRETRIGGER, "segments": SEGMENTS, "level": LEVEL}
        self._numbers.update({key: number.default for key, number in start.items()})
        self._source, self._slope = "IMM", "POS"
        self._format = Format()

    def commands(self) -> Iterable[Command]:
        return (
            setting("[SENSe:]VOLTage<1:2>:RANGe:PTPeak", RANGE, self._range.__getitem__, self._range.__setitem__),
            setting("[SENSe:]VOLTage<1:2>:RANGe:OFFSet", OFFSET, self._offset.__getitem__, self._offset.__setitem__),
            self._numeric("[SENSe:]SWEep:TINTerval", INTERVAL, "interval"),
            self._numeric("[SENSe:]SWEep:POINts", POINTS, "points"),
            self._numeric("[SENSe:]SWEep:OREFerence:POINts", PRETRIGGER, "pre"),
            self._numeric("[SENSe:]SWEep:COUNt", SEGMENTS, "segments"),
            Command("TRIGger[:SEQuence]:SOURce", lambda v: setattr(self, "_source", v), lambda: self._source, (SOURCES,)),
            self._numeric("TRIGger[:SEQuence]:LEVel", LEVEL, "level"),
            Command("TRIGger[:SEQuence]:SLOPe", lambda v: setattr(self, "_slope", v), lambda: self._slope, (SLOPES,)),
            Command("INITiate[:IMMediate]", self._start),
            Command("ABORt", self.stop),
            Command("FORMat[:DATA]", self._put_format, lambda: str(self._format), Format.PARAMETERS),
            Command("FORMat:BORDer", self._put_order, lambda: self._format.order, (Choice(("NORMal", "SWAPped")),)),
            Command("TRACe:COUNt", query=self._count),
            Command("TRACe:POINts", query=lambda: str(self._acquired().setup.points)),
            Command("TRACe:PREamble", query=self._preamble, query_parameters=(CHANNEL,)),
            Command("TRACe[:DATA]", query=self._data, query_parameters=(CHANNEL, FIRST, COUNT)),
            Command("TRACe:TIMestamps", query=self._timestamps),
            Command("TRACe:CLIPped", query=self._clipped, query_parameters=(CHANNEL,)),
        )

    def _numeric(self, header: str, number: Number, key: str) -> Command:
        def put(value: float) -> None:
            if key == "interval":
                value = round(round(value / TICK_S) * TICK_S, 9)
            self._numbers[key] = value

        return setting(header, number, lambda: self._numbers[key], put)

    def reset(self) -> None:
        self.stop()
        self._memory = None
        self._defaults()

    # Running ---------------------------------------------------------------------------------------------------

    @property
    def acquisition(self) -> Acquisition | None:
        """The one in memory."""
        return self._memory.acquisition if self._memory else None

    def _start(self) -> None:
        now_s = self.world.advance()
        if self.acquisition is not None and self.condition(now_s):
            raise ScpiError(-213)
        values = self._numbers
        if values["pre"] >= values["points"]:
            raise ScpiError(-221, "more samples before the trigger than in the record")
        if values["points"] * values["segments"] > MEMORY_SAMPLES:
            raise ScpiError(-225, f"{MEMORY_SAMPLES} samples a channel")
        setup = Setup(
            values["interval"],
            int(values["points"]),
            int(values["pre"]),
            int(values["segments"]),
            self._source,
            values["level"],
            self._slope,
            dict(self._range),
            dict(self._offset),
        )
        stuck, self._jams = self._jams > 0, max(0, self._jams - 1)
        self.taken += 1
        acquisition = Acquisition(self.world, setup, self.taken, now_s, stuck)
        self._memory = Memory(acquisition)
        self.history.append(acquisition)
        self.clock.announce()

    def jam(self) -> None:
        self._jams += 1

    def stop(self) -> None:
        """ABORt: back to idle; complete segments stay readable."""
        if self.acquisition is not None and self.condition(self.world.advance()):
            self.acquisition.abort(self.clock.now())
            self.clock.announce()

    def trigger(self) -> None:
        now_s = self.world.advance()
        if self.acquisition is None:
            raise ScpiError(-211)
        self.acquisition.force(now_s)
        self.clock.announce()

    def condition(self, now_s: float) -> int:
        now_s = self.world.advance()
        if self.acquisition is None:
            return 0
        waiting = WAITING if self.acquisition.is_waiting(now_s) else 0
        return waiting | (MEASURING if self.acquisition.is_measuring(now_s) else 0)

    def busy_until(self, now_s: float) -> float:
        now_s = self.world.advance()
        return now_s if self.acquisition is None else self.acquisition.ends_s(now_s)

    def next_event(self, now_s: float) -> float:
        now_s = self.world.advance()
        return now_s if self.acquisition is None else self.acquisition.next_event(now_s)

    # Reading out -----------------------------------------------------------------------------------------------

    def _acquired(self) -> Acquisition:
        if self.acquisition is None:
            raise ScpiError(-230, "nothing acquired")
        return self.acquisition

    def _complete(self) -> int:
        return self._acquired().complete(self.world.advance())

    def _count(self) -> str:
        if self.acquisition is None:
            return "0"
        self.poll()
        return str(self._complete())

    def _put_format(self, kind: str, bits: float | None = None) -> None:
        self._format = self._format.changed(kind, None if bits is None else int(bits))

    def _put_order(self, order: str) -> None:
        self._format = Format(self._format.kind, self._format.bits, order)

    def _preamble(self, channel: float) -> str:
        return preamble(self._acquired().setup, int(channel), self._complete(), self._format)

    def _data(self, channel: float, first: float = 1, count: float | None = None) -> list[Buffer]:
        complete = self._complete()
        if not complete:
            raise ScpiError(-230, "no segment is complete")
        wanted = int(count) if count is not None else complete - int(first) + 1
        if int(first) + wanted - 1 > complete or wanted < 1:
            raise ScpiError(-222, f"{complete} segments are complete")
        assert self._memory is not None
        held = self._memory.segments(int(channel), int(first) - 1, wanted)
        return block(held, self._acquired().setup, int(channel), self._format)

    def _timestamps(self) -> str:
        acquisition = self._acquired()
        taken = acquisition.triggers[: self._complete()]
        return ",".join(number_text(trigger.t_s - acquisition.start_s) for trigger in taken) or "9.91E37"

    def _clipped(self, channel: float) -> str:
        complete = self._complete()
        assert self._memory is not None
        return ",".join(str(int(flag)) for flag in self._memory.clipped(int(channel), complete)) or "9.91E37"
