"""The serial light sensor as a digitiser with one segment."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import asdict
from typing import Any

import numpy as np
from greystep.plugins.visa.link import Link
from greystep.plugins.visa.polling import until
from greystep.plugins.visa.recording import recording_opener, start_recorder
from greystep.plugins.visa.resync import Words
from greystep.plugins.visa.session import Opener, Session
from greystep.schema.errors import InstrumentError, InstrumentTimeoutError, RefusedError, ReplyError
from greystep.schema.roles import ChannelRecord, ChannelSetup, DialogueSink, DigitiserLimits, DigitiserSetup, Record

from .limits import SensorLimits, parse_identity, parse_limits
from .port import SensorPort
from .settings import SerialSensorSettings

NO_WORDS = Words(identity="", echo="", echo_end="", ready="", next_error="", guard=False)
"""Nothing of IEEE 488.2: the tags of the protocol prove that replies are fresh."""
FULL = ("done",)


class SerialSensor:
    """Light on channel 1; the sync input, where the sensor has a second channel, on channel 2."""

    def __init__(self, port: SensorPort, resource: str, slowest_bytes_s: float) -> None:
        self._port = port
        self._resource = resource
        self._slowest_bytes_s = slowest_bytes_s
        self._identity = parse_identity(port.command("id"))
        self._sensor: SensorLimits = parse_limits(port.command("limits"))
        self._set: DigitiserSetup | None = None
        self._gain = 1

    def identify(self) -> str:
        """Maker, model, serial number, firmware. Raises InstrumentError when another sensor answers than before."""
        identity = parse_identity(self._port.command("id"))
        if identity != self._identity:
            raise InstrumentError(f"another sensor answers now: {identity!r} instead of {self._identity!r}", role="digitiser")
        return identity

    def limits(self) -> DigitiserLimits:
        """What it can do."""
        sensor = self._sensor
        ranges = sorted(sensor.vref_v / gain for gain in sensor.gains)
        return DigitiserLimits(1, sensor.samples, 1 / sensor.high_hz, ranges, sensor.channels, ranges[0])

    def settings(self) -> dict[str, Any]:
        """Address, gain, and the setup as confirmed."""
        found: dict[str, Any] = {"resource": self._resource, "gain": self._gain, "limits": asdict(self._sensor)}
        if self._set is not None:
            found |= asdict(self._set) | {"channels": {str(n): asdict(c) for n, c in self._set.channels.items()}}
        return found

    def configure(self, setup: DigitiserSetup) -> DigitiserSetup:
        """Set rate and gain; the range starts at 0 V, so the offset is always half of it. Raises RefusedError."""
        self._refuse_impossible(setup)
        self._set = None
        self.abort()
        top_v = max(channel.offset_v + channel.range_v / 2 for channel in setup.channels.values())
        gain = max(gain for gain in self._sensor.gains if self._sensor.vref_v / gain >= top_v * (1 - 1e-6))
        self._gain = int(self._number("gain", f"gain {gain}"))
        rate_hz = self._number("rate", f"rate {1 / setup.sample_interval_s:.10g}")
        full_v = self._sensor.vref_v / self._gain
        self._set = DigitiserSetup(
            sample_interval_s=1 / rate_hz,
            samples=setup.samples,
            pretrigger=setup.pretrigger,
            segments=1,
            channels={number: ChannelSetup(full_v, full_v / 2) for number in setup.channels},
            trigger=setup.trigger,
            trigger_level_v=setup.trigger_level_v,
            trigger_channel=setup.trigger_channel,
            slope=setup.slope,
        )
        return self._set

    def arm(self) -> None:
        """Start waiting; returns when the sensor says that it does."""
        setup = self._setup()
        edge = "+" if setup.slope == "positive" else "-"
        how = {"immediate": "now", "sync": f"sync{edge}"}.get(setup.trigger)
        if how is None:
            step_v = self._sensor.vref_v / self._gain / (1 << self._sensor.bits)
            how = f"light{edge} {round(setup.trigger_level_v / step_v)}"
        self._port.command(f"arm {setup.samples} {setup.pretrigger} {how}")
        if not until(self._port.session.timeout_s, lambda: self._state() != "idle"):
            raise InstrumentTimeoutError("the sensor did not start waiting", role="digitiser", retryable=True)

    def wait(self, deadline_s: float) -> int:
        """1 when the record is full, 0 when the deadline passed."""
        self._setup()
        return int(until(deadline_s, lambda: self._state() in FULL))

    def fetch(self) -> Record:
        """The record, if it is full. Raises ReplyError when packets stay lost."""
        setup, sensor = self._setup(), self._sensor
        complete = int(self._state() in FULL)
        count = setup.samples * sensor.channels
        allowed_s = self._port.session.timeout_s + 3 * count / self._slowest_bytes_s
        samples = self._port.samples(count, allowed_s) if complete else np.empty(0, np.uint16)
        step_v = sensor.vref_v / self._gain / (1 << sensor.bits)
        top = float((1 << sensor.bits) - 1)
        table = samples.reshape(complete, setup.samples, sensor.channels)
        channels = {
            number: ChannelRecord(np.ascontiguousarray(table[:, :, number - 1]), step_v, 0.0, 0.0, top)
            for number in setup.channels
        }
        first_s = -setup.pretrigger * setup.sample_interval_s
        return Record(channels, setup.sample_interval_s, first_s, np.full(complete, np.nan), complete)

    def abort(self) -> None:
        """Back to idle."""
        self._port.command("abort")

    def recover(self) -> None:
        """Open the line again, drain it, and see that the same sensor answers; the setup must be sent again."""
        self._port.session.resynchronise()
        self.identify()
        self.abort()
        if self._set is not None:
            self.configure(self._set)

    def on_close(self, call: Callable[[], None]) -> None:
        """Call this when the sensor is closed."""
        self._port.session.on_close = call

    def close(self) -> None:
        """Release the line."""
        self._port.session.close()

    def _setup(self) -> DigitiserSetup:
        if self._set is None:
            raise RefusedError("the sensor is not configured", role="digitiser", where=self._resource)
        return self._set

    def _state(self) -> str:
        state = self._port.command("state")
        if state not in ("idle", "waiting", "filling", "done"):
            raise ReplyError("that is no state of a light sensor", role="digitiser", received=state)
        return state

    def _number(self, what: str, command: str) -> float:
        reply = self._port.command(command)
        try:
            value = float(reply)
        except ValueError:
            value = 0.0
        if not 0 < value < 1e12:
            raise ReplyError(f"the sensor's {what} can't be read", role="digitiser", sent=command, received=reply)
        return value

    def _refuse_impossible(self, setup: DigitiserSetup) -> None:
        sensor = self._sensor
        full_v = sensor.vref_v / min(sensor.gains)
        problem = ""
        if not setup.channels or not all(1 <= number <= sensor.channels for number in setup.channels):
            problem = f"channels {sorted(setup.channels)}; the sensor has {sensor.channels}"
        elif setup.segments != 1:
            problem = f"{setup.segments} segments; the sensor holds one"
        elif not 1 <= setup.samples <= sensor.samples or not 0 <= setup.pretrigger <= setup.samples:
            problem = (
                f"{setup.samples} samples, {setup.pretrigger} of them before the trigger; the sensor holds {sensor.samples}"
            )
        elif not sensor.low_hz * (1 - 1e-6) <= 1 / setup.sample_interval_s <= sensor.high_hz * (1 + 1e-6):
            problem = f"{1 / setup.sample_interval_s:.6g} Hz is outside of {sensor.low_hz:g} to {sensor.high_hz:g} Hz"
        elif setup.slope == "either" and setup.trigger != "immediate":
            problem = "a trigger on either slope; the sensor has one slope at a time"
        elif max(max(c.range_v, c.offset_v + c.range_v / 2) for c in setup.channels.values()) > full_v * (1 + 1e-6):
            problem = f"voltages above {full_v:g} V"
        if problem:
            raise RefusedError(f"the sensor can't do that: {problem}", role="digitiser", where=self._resource)


def open_sensor(settings: SerialSensorSettings, dialogue: DialogueSink) -> SerialSensor:
    """Open the line and greet the sensor. Raises InstrumentError."""

    def by_visa(deadline: float) -> Link:
        from greystep.plugins.visa.opening import SerialLine, open_link

        return open_link(settings.resource, deadline, line=SerialLine(settings.baud_rate))

    if settings.record is None:
        return open_over(by_visa, settings, dialogue)
    about = {"role": "digitiser", "driver": "serial-sensor", "settings": settings.model_dump(mode="json", exclude={"record"})}
    recorder = start_recorder(settings.record, about)
    try:
        sensor = open_over(recording_opener(by_visa, recorder), settings, dialogue)
    except BaseException:
        recorder.close()
        raise
    sensor.on_close(recorder.close)
    return sensor


def open_over(opener: Opener, settings: SerialSensorSettings, dialogue: DialogueSink) -> SerialSensor:
    """The sensor behind links of any kind. Raises InstrumentError."""
    session = Session(
        opener,
        role="digitiser",
        resource=settings.resource,
        timeout_s=settings.timeout_s,
        open_timeout_s=settings.open_timeout_s,
        words=NO_WORDS,
        note=lambda direction, text: dialogue("digitiser", direction, text),
    )
    try:
        session.open()
        session.verify()
        return SerialSensor(SensorPort(session), settings.resource, settings.slowest_transfer_bytes_s)
    except BaseException:
        session.close()
        raise
