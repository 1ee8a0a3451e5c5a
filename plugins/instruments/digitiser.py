"""Digitiser driver: configure, arm, wait, fetch, in the words of a dialect."""

from __future__ import annotations

from dataclasses import asdict, replace
from typing import Any

from greystep.plugins.visa.polling import until
from greystep.schema.errors import RefusedError, ReplyError
from greystep.schema.roles import ChannelSetup, DigitiserLimits, DigitiserSetup, Record

from .digitiser_words import DigitiserWords
from .fetching import Fetcher
from .instrument import ScpiInstrument
from .port import Port
from .settings import ScpiSettings
from .values import channel_values, impossible, next_range, sampling_values

REARM_TIMEOUTS = 3.0
"""Arming may take this many reply time-outs: some instruments allocate memory first."""


class ScpiDigitiser(ScpiInstrument):
    """A digitiser behind a session."""

    def __init__(self, port: Port, settings: ScpiSettings, dialect: str, words: DigitiserWords) -> None:
        super().__init__(port, settings, dialect)
        self._words = words
        self._limits = DigitiserLimits()
        self._asked: DigitiserSetup | None = None
        self._set: DigitiserSetup | None = None
        self._resyncs = 0
        self._armed = False

    def begin(self) -> None:
        """Read the limits."""
        words = self._words
        self._limits = DigitiserLimits(
            max_segments=self._limit(words.max_segments, "whole"),
            max_samples=self._limit(words.max_samples, "whole"),
            min_interval_s=self._limit(words.min_interval_s, "number"),
            ranges_v=words.ranges_v,
            channels=words.channels,
            min_range_v=min(words.ranges_v) if words.ranges_v else self._limit(words.min_range_v, "number"),
        )

    def limits(self) -> DigitiserLimits:
        """What it can do."""
        return self._limits

    def confirmed(self) -> dict[str, Any]:
        """The setup as the instrument confirmed it."""
        return {} if self._set is None else _plain(self._set)

    def configure(self, setup: DigitiserSetup) -> DigitiserSetup:
        """Set it up and read back what was set. Raises RefusedError when it can't, with the instrument's own words."""
        self._refuse_impossible(setup)
        self._set = None
        self._armed = False
        words, port = self._words, self.port
        port.do("preparing the digitiser", words.prepare)
        for number in range(1, words.channels + 1):
            if number in setup.channels:
                channel = next_range(setup.channels[number], words.ranges_v)
                port.do(f"setting channel {number}", words.channel, **channel_values(words, number, channel))
            else:
                port.do(f"switching channel {number} off", words.channel_off, channel=self._name(number))
        port.do("setting the time base and memory", words.sampling, **sampling_values(setup))
        port.do(
            f"setting the trigger to {setup.trigger}",
            words.trigger[setup.trigger],
            trigger_level_v=setup.trigger_level_v,
            trigger_channel=self._name(setup.trigger_channel),
            slope=words.slopes.get(setup.slope, ""),
        )
        confirmed = self._confirm(setup)
        if problem := impossible(confirmed):
            raise port.distrusted(
                ReplyError(f"the digitiser confirms {problem}, which can't be", received=str(confirmed)[:200]), ""
            )
        self._asked, self._set, self._resyncs = setup, confirmed, port.session.resyncs
        return confirmed

    def arm(self) -> None:
        """Start waiting for the first trigger; returns when the instrument says that it does. Raises InstrumentError."""
        if self._asked is None:
            raise RefusedError("the digitiser was armed before it was configured", role=self.port.role)
        if self._set is None or self._resyncs != self.port.session.resyncs:
            # It may have been restarted behind the broken session: the setup can't be taken for granted.
            before = self._set
            again = self.configure(self._asked)
            if before is not None and again != before:
                raise RefusedError("the digitiser takes the same setup differently than before", role=self.port.role)
        self.port.do("arming", self._words.arm, segments=self._setup().segments)
        self._armed = True
        if not until(REARM_TIMEOUTS * self._settings.timeout_s, self._is_armed):
            raise self.port.late("the digitiser did not get ready for the trigger")

    def wait(self, deadline_s: float) -> int:
        """Wait until all segments are filled or the deadline passes; how many are filled. Raises InstrumentError."""
        wanted = self._setup().segments
        filled = -1

        def full() -> bool:
            nonlocal filled
            now = self._count()
            # Only changes are noted: hundreds of equal answers would bury the dialogue.
            if now != filled:
                self.port.session.note("!", f"{now} of {wanted} segments")
            filled = now
            return now >= wanted

        until(deadline_s, full)
        return min(filled, wanted)

    def fetch(self) -> Record:
        """The filled segments of all channels. Raises ReplyError when anything doesn't agree with the setup."""
        setup = self._setup()
        complete = min(self._count(), setup.segments)
        return Fetcher(self.port, self._words, self._settings.slowest_transfer_bytes_s).record(setup, complete)

    def abort(self) -> None:
        """Back to idle. Idempotent."""
        self._armed = False
        self.port.do("aborting", self._words.abort)

    def recover(self) -> None:
        """Resynchronise, back to idle; the setup is sent again before the next arming."""
        super().recover()
        self._armed = False
        self.port.do("aborting", self._words.abort)

    # Inside ----------------------------------------------------------------------------------------------------

    def _setup(self) -> DigitiserSetup:
        if self._set is None:
            raise RefusedError("the digitiser is not configured", role=self.port.role)
        return self._set

    def _name(self, number: int) -> str:
        return self._words.channel_names.get(str(number), str(number))

    def _limit(self, value: Any, kind: str) -> Any:
        return self.port.ask(value, kind) if hasattr(value, "ask") else value

    def _is_armed(self) -> bool:
        setup = self._setup()
        if self._words.armed is None:
            self.port.ready()
            return True
        if self.port.holds(self._words.armed, noted=False):
            return True
        # A free-running trigger, or a light edge that came at once, may have filled the record already.
        return (setup.trigger != "sync" or self._words.count is not None) and self._count() > 0

    def _count(self) -> int:
        words, port = self._words, self.port
        if words.count is not None:
            count = port.ask(words.count, "whole", noted=False)
            if not 0 <= count <= max(self._limits.max_segments or 1, self._setup().segments):
                error = ReplyError(f"{count} complete segments can't be", received=str(count))
                raise port.distrusted(error, words.count.ask)
            return int(count)
        assert words.done is not None  # the dialect's validation saw to that
        return self._setup().segments if port.holds(words.done, noted=False) else 0

    def _confirm(self, setup: DigitiserSetup) -> DigitiserSetup:
        queries, port = self._words.confirm, self.port

        def answer(name: str, asked: float, kind: str = "number", **values: Any) -> Any:
            query = getattr(queries, name)
            return asked if query is None else port.ask(query, kind, **values)

        ranges = self._words.ranges_v
        channels = {
            number: ChannelSetup(
                answer("range_v", next_range(channel, ranges).range_v, channel=self._name(number)),
                answer("offset_v", channel.offset_v, channel=self._name(number)),
            )
            for number, channel in setup.channels.items()
        }
        level = setup.trigger_level_v
        if setup.trigger == "light":
            level = answer("trigger_level_v", level, trigger_channel=self._name(setup.trigger_channel))
        return replace(
            setup,
            sample_interval_s=answer("sample_interval_s", setup.sample_interval_s),
            samples=answer("samples", setup.samples, "whole"),
            pretrigger=answer("pretrigger", setup.pretrigger, "whole"),
            segments=answer("segments", setup.segments, "whole"),
            channels=channels,
            trigger_level_v=level,
        )

    def _refuse_impossible(self, setup: DigitiserSetup) -> None:
        limits, words = self._limits, self._words
        problem = ""
        if not setup.channels or not all(1 <= number <= words.channels for number in setup.channels):
            problem = f"channels {sorted(setup.channels)} of a digitiser with {words.channels}"
        elif setup.trigger not in words.trigger:
            problem = f"trigger {setup.trigger}; it has {', '.join(sorted(words.trigger))}"
        elif setup.trigger != "immediate" and setup.slope not in words.slopes:
            problem = f"slope {setup.slope}; it has {', '.join(sorted(words.slopes))}"
        elif not 0 <= setup.pretrigger <= setup.samples or setup.samples < 1 or setup.segments < 1:
            problem = f"{setup.segments} segments of {setup.samples} samples, {setup.pretrigger} of them before the trigger"
        elif setup.segments > limits.max_segments:
            problem = f"{setup.segments} segments; it holds {limits.max_segments}"
        elif limits.max_samples is not None and setup.samples > limits.max_samples:
            problem = f"{setup.samples} samples; it holds {limits.max_samples}"
        elif limits.min_interval_s is not None and setup.sample_interval_s < limits.min_interval_s * (1 - 1e-6):
            problem = f"an interval of {setup.sample_interval_s:g} s; its shortest is {limits.min_interval_s:g} s"
        elif limits.ranges_v is not None and max(c.range_v for c in setup.channels.values()) > limits.ranges_v[-1] * (1 + 1e-6):
            problem = f"a full scale above {limits.ranges_v[-1]:g} V"
        if problem:
            raise RefusedError(f"the digitiser can't do {problem}", role=self.port.role, where=self._settings.resource)


def _plain(setup: DigitiserSetup) -> dict[str, Any]:
    values = asdict(setup)
    values["channels"] = {str(number): asdict(channel) for number, channel in setup.channels.items()}
    return values
