"""Commands and packets over a session, each command with a tag that its reply must bear."""

from __future__ import annotations

import random
import re
import time

import numpy as np
from greystep.plugins.visa.link import LinkTimeout
from greystep.plugins.visa.session import Session
from greystep.plugins.visa.wire import Wire
from greystep.schema.errors import InstrumentError, RefusedError, ReplyError
from numpy.typing import NDArray

from .protocol import Packet, PacketReader

TRIES = 3
"""How often a lost packet is asked for again."""
_REPLY = re.compile(r"@(\d+) (ok|error)(?: (.*))?")


class SensorPort:
    """One sensor on a session. Raises InstrumentError everywhere."""

    def __init__(self, session: Session) -> None:
        self.session = session
        self._tag = random.randrange(65536)

    def command(self, text: str) -> str:
        """What the sensor says after `ok`. Raises RefusedError with its words after `error`."""
        sent, tag = self._tagged(text)

        def read(wire: Wire, deadline: float) -> str:
            # A late reply to an earlier command may come first; its tag gives it away.
            while _is_earlier(reply := wire.text(deadline), tag):
                self.session.note("!", f"late reply passed over: {reply}")
            self.session.note("<", reply)
            return self._said(reply, tag, sent)

        return self.session.exchange(sent, read)

    def samples(self, count: int, allowed_s: float) -> NDArray[np.uint16]:
        """`count` samples of the record, interleaved. Lost packets are asked for again; raises ReplyError when in vain."""
        packets, announced = self._receive("stream", allowed_s)
        for _ in range(TRIES):
            missing = [number for number in range(announced) if number not in packets]
            for number in missing:
                self.session.note("!", f"packet {number} of {announced} was lost or damaged")
                packets.update(self._receive(f"packet {number}", self.session.timeout_s)[0])
            if not missing:
                break
        if lost := [number for number in range(announced) if number not in packets]:
            raise self._doubted(ReplyError(f"packets {lost[:8]} of {announced} are lost, also when asked for again"), "stream")
        samples = np.concatenate([packets[number].samples for number in range(announced)] or [np.empty(0, np.uint16)])
        if samples.size != count:
            raise self._doubted(ReplyError(f"{samples.size} samples came, {count} were expected"), "stream")
        return samples

    def _receive(self, text: str, allowed_s: float) -> tuple[dict[int, Packet], int]:
        """Good packets by number, and how many were announced."""
        sent, tag = self._tagged(text)
        reader = PacketReader()

        def read(wire: Wire, deadline: float) -> tuple[dict[int, Packet], int]:
            # The reply line is read to its end and no further: packets follow without a pause.
            said = self._said(wire.before(b"\n", deadline, limit=200).rstrip("\r"), tag, sent)
            if not said.isdecimal() or int(said) > 65536:
                raise ReplyError("the number of packets can't be read", received=said)
            packets: dict[int, Packet] = {}
            passed = 0
            while passed < int(said):
                try:
                    data = wire.some(min(deadline, time.monotonic() + self.session.timeout_s))
                except LinkTimeout:
                    break  # the rest is lost; what came is good
                for packet in reader.feed(data):
                    packets[packet.number] = packet
                passed = len(packets)
            return packets, int(said)

        packets, announced = self.session.exchange(sent, read, timeout_s=allowed_s)
        self.session.note("<", f"{len(packets)} of {announced} packets, {reader.damaged} damaged")
        return packets, announced

    def _tagged(self, text: str) -> tuple[str, int]:
        self._tag = (self._tag + 1) % 65536
        return f"@{self._tag} {text}", self._tag

    def _said(self, reply: str, tag: int, sent: str) -> str:
        found = _REPLY.fullmatch(reply)
        if not found:
            raise ReplyError("that is no reply of a light sensor", received=reply[:200])
        if int(found[1]) != tag:
            raise ReplyError("the reply belongs to an earlier command", received=reply[:200])
        if found[2] == "error":
            raise RefusedError(found[3] or "refused", role=self.session.role, where=self.session.resource, sent=sent)
        return found[3] or ""

    def _doubted(self, error: InstrumentError, sent: str) -> InstrumentError:
        self.session.distrust(error.what)
        error.role, error.where, error.sent = self.session.role, self.session.resource, error.sent or sent
        error.retryable = True
        return error


def _is_earlier(reply: str, tag: int) -> bool:
    """Whether the reply bears one of the tags before this one."""
    found = _REPLY.fullmatch(reply)
    return bool(found and 0 < (tag - int(found[1])) % 65536 < 1000)
