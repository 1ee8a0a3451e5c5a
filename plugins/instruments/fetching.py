"""Fetch the records of one arming: preamble, samples, timestamps, clipped flags, each checked against the setup."""

from __future__ import annotations

from collections.abc import Callable
from functools import partial
from typing import Any, TypeVar

import numpy as np
from greystep.schema.errors import ReplyError
from greystep.schema.roles import ChannelRecord, DigitiserSetup, Record
from numpy.typing import NDArray

from .ask import Ask
from .digitiser_words import DigitiserWords
from .port import Port
from .template import fill
from .waveform import decode_block, decode_text, read_preamble, scaling

T = TypeVar("T")
TEXT_BYTES_PER_VALUE = 32
"""Longest number in a text reply that is believed."""


class Fetcher:
    """Reads a digitiser's memory in the words of its dialect."""

    def __init__(self, port: Port, words: DigitiserWords, slowest_bytes_s: float) -> None:
        self._port = port
        self._words = words
        self._slowest_bytes_s = slowest_bytes_s

    def record(self, setup: DigitiserSetup, complete: int) -> Record:
        """The first `complete` segments of all channels. Raises ReplyError when a count or length doesn't agree."""
        interval, first = setup.sample_interval_s, -setup.pretrigger * setup.sample_interval_s
        channels: dict[int, ChannelRecord] = {}
        for number in sorted(setup.channels):
            values = self._quantities(number, setup, complete) if complete else {}
            interval, first = values.get("x_increment_s", interval), values.get("x_origin_s", first)
            channels[number] = self._channel(number, setup, complete, values)
        return Record(channels, interval, first, self._instants(complete), complete)

    def _channel(self, number: int, setup: DigitiserSetup, complete: int, values: dict[str, float]) -> ChannelRecord:
        waveform = self._words.waveform
        low, high = waveform.code_limits()
        if complete == 0:
            return ChannelRecord(np.empty((0, setup.samples), waveform.data.dtype), 1.0, 0.0, low, high)
        scale, offset = self._read(waveform.data.ask, lambda: scaling(values, waveform))
        if waveform.fetch == "all":
            codes = self._samples(number, 1, complete, setup)
        else:
            codes = np.concatenate([self._samples(number, k, 1, setup) for k in range(1, complete + 1)])
        return ChannelRecord(codes, scale, offset, low, high, self._clipped(number, complete))

    def _quantities(self, number: int, setup: DigitiserSetup, complete: int) -> dict[str, float]:
        waveform, name = self._words.waveform, self._name(number)
        values: dict[str, float] = {str(name): value for name, value in waveform.fixed.items()}
        if (preamble := waveform.preamble) is not None:
            sent = fill(preamble.ask, {"channel": name})
            reply = self._port.session.query(sent)
            values |= self._read(sent, partial(read_preamble, reply, preamble, waveform.fields))
        for quantity, query in waveform.queries.items():
            values[quantity] = self._port.ask(query, "number", channel=name)
        self._agree("points", values.get("points"), (setup.samples,))
        self._agree("segments", values.get("segments"), (complete, setup.segments))
        return values

    def _agree(self, what: str, value: float | None, allowed: tuple[int, ...]) -> None:
        if value is not None and value not in allowed:
            error = ReplyError(f"the preamble speaks of {value:g} {what}, {allowed[0]} were expected", received=f"{value:g}")
            raise self._port.distrusted(error, "")

    def _samples(self, number: int, first: int, count: int, setup: DigitiserSetup) -> NDArray[Any]:
        samples = self._words.waveform.data
        places = {
            "channel": self._name(number),
            "first": first,
            "count": count,
            "segment": first,
            "points": count * setup.samples,
            "samples": setup.samples,
        }
        self._port.send(self._words.waveform.select, **places)
        sent = fill(samples.ask, places)
        session = self._port.session
        if samples.form == "block":
            size = samples.block_bytes(count, setup.samples)
            payload = session.query_block(sent, expected=size, timeout_s=self._allowed_s(size))
            return self._read(sent, lambda: decode_block(payload, samples, count, setup.samples))
        size = TEXT_BYTES_PER_VALUE * count * setup.samples
        reply = session.query(sent, limit=size, timeout_s=self._allowed_s(size))
        return self._read(sent, lambda: decode_text(reply, samples, count, setup.samples))

    def _allowed_s(self, size: int) -> float:
        return self._port.session.timeout_s + size / self._slowest_bytes_s

    def _instants(self, complete: int) -> NDArray[np.float64]:
        if self._words.timestamps is None or complete == 0:
            return np.full(complete, np.nan)
        return np.array(self._list(self._words.timestamps, complete), np.float64)

    def _clipped(self, number: int, complete: int) -> NDArray[np.bool_] | None:
        if self._words.clipped is None:
            return None
        flags = self._list(self._words.clipped, complete, channel=self._name(number))
        return np.array([flag != 0 for flag in flags], np.bool_)

    def _list(self, ask: Ask, complete: int, **values: Any) -> list[float]:
        numbers: list[float] = self._port.ask(ask, "numbers", **values)
        if len(numbers) < complete:
            error = ReplyError(f"the list has {len(numbers)} items for {complete} segments")
            raise self._port.distrusted(error, fill(ask.ask, values))
        return numbers[:complete]

    def _name(self, number: int) -> str:
        return self._words.channel_names.get(str(number), str(number))

    def _read(self, sent: str, reading: Callable[[], T]) -> T:
        return self._port.read(sent, reading)
