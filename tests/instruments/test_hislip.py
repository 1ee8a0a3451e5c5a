"""HiSLIP, by the VISA library's own client on one side and the bench's server on the other (IVI-6.1)."""

from __future__ import annotations

import socket
import struct
import time
from collections.abc import Callable, Iterator
from typing import Any

import numpy as np
import pytest
import pyvisa
from greystep.plugins.visa.opening import open_link
from greystep.plugins.visa.resync import Words
from greystep.plugins.visa.session import Session
from greystep.schema.errors import InstrumentTimeoutError
from greystep.schema.roles import ChannelSetup, DigitiserSetup
from greystep.sim_instruments.testing import VirtualBench

Open = Callable[..., Any]
SETUP = DigitiserSetup(1e-6, 400_000, 0, 4, {1: ChannelSetup(10.0)}, trigger="immediate")


def session(bench: VirtualBench, role: str, **options: Any) -> Session:
    resource = bench.hislip[role]
    made = Session(lambda deadline: open_link(resource, deadline), role=role, resource=resource, **options)
    made.open()
    return made


@pytest.fixture
def bare(bench: VirtualBench) -> Iterator[Any]:
    """The library's own session, without anything of ours."""
    manager = pyvisa.ResourceManager("@py")
    resource = manager.open_resource(bench.hislip["power"])
    yield resource
    resource.close()


def test_the_librarys_client_talks_to_the_server(bare: Any) -> None:
    assert bare.query("*IDN?").startswith("Greystep Virtual Bench,Power")
    assert bare.read_stb() & 16 == 0
    bare.write("NONSENSE")
    assert bare.query("SYST:ERR?").startswith("-113")
    bare.clear()
    assert bare.query("*OPC?").strip() == "1"


def test_the_same_record_comes_over_both_transports(opened: Open, bench: VirtualBench) -> None:
    slow = {"timeout_s": 5.0}
    hislip = opened("digitiser", resource=bench.hislip["digitiser"], **slow)
    hislip.configure(SETUP)
    hislip.arm()
    assert hislip.wait(10.0) == 4
    one = hislip.fetch()
    tcp = opened("digitiser", **slow)
    tcp._set = hislip._set  # the memory is the same; configuring would empty it
    other = tcp.fetch()
    assert one.channels[1].codes.nbytes == 3_200_000
    np.testing.assert_array_equal(one.channels[1].codes, other.channels[1].codes)


def test_device_clear_brings_the_session_back_on_the_same_connection(bench: VirtualBench) -> None:
    for kind, options in (("silence", {}), ("half", {}), ("stale", {"delay_s": 0.35})):
        talk = session(bench, "power", timeout_s=0.3, open_timeout_s=2.0)
        link = talk._wire.link  # type: ignore[union-attr]
        number = bench.fault("power", kind, match="MEAS:POW?", **options)
        with pytest.raises(InstrumentTimeoutError):
            talk.query("MEAS:POW?")
        assert float(talk.query("MEAS:POW?")) > 0
        assert talk._wire.link is link, kind  # type: ignore[union-attr]
        assert bench.hits(number) == 1
        talk.close()
    bench.clear_faults()


def test_a_late_answer_is_dropped_by_its_message_number(bench: VirtualBench) -> None:
    talk = session(bench, "power", timeout_s=2.0, words=Words(guard=False))
    number = bench.fault("power", "stale", match="*IDN?", delay_s=0.4)
    talk.write("*IDN?")  # its answer comes late, after the next query was sent
    while bench.hits(number) == 0:  # a query that is still waiting to be run would be interrupted by the next
        time.sleep(0.01)
    assert float(talk.query("MEAS:POW?")) > 0
    time.sleep(0.5)
    assert talk.query("*OPC?") == "1"
    assert bench.hits(number) == 1
    bench.clear_faults()
    talk.close()


def test_a_lost_channel_is_opened_again(bench: VirtualBench) -> None:
    talk = session(bench, "power", timeout_s=0.5)
    number = bench.fault("power", "disconnect", match="MEAS:POW?")
    with pytest.raises(Exception, match=r"connection|dropped"):
        talk.query("MEAS:POW?")
    assert float(talk.query("MEAS:POW?")) > 0
    assert bench.hits(number) == 1
    bench.clear_faults()
    talk.close()


HEADER = struct.Struct("!2sBBIQ")


class Wire:
    """Bare HiSLIP channels, to say what no client says."""

    def __init__(self, bench: VirtualBench) -> None:
        self._address = (bench.hislip["power"].split("::")[1], int(bench.hislip["power"].split(",")[1].split("::")[0]))
        self.sockets: list[socket.socket] = []

    def channel(self) -> socket.socket:
        made = socket.create_connection(self._address, 2.0)
        self.sockets.append(made)
        return made

    def close(self) -> None:
        for made in self.sockets:
            made.close()

    @staticmethod
    def send(channel: socket.socket, kind: int, control: int = 0, parameter: int = 0, payload: bytes = b"") -> None:
        channel.sendall(HEADER.pack(b"HS", kind, control, parameter, len(payload)) + payload)

    @staticmethod
    def receive(channel: socket.socket) -> tuple[int, int, int, bytes]:
        data = b""
        while len(data) < HEADER.size:
            data += channel.recv(HEADER.size - len(data))
        _, kind, control, parameter, length = HEADER.unpack(data)
        payload = b""
        while len(payload) < length:
            payload += channel.recv(length - len(payload))
        return kind, control, parameter, payload

    def both(self) -> tuple[socket.socket, socket.socket]:
        one = self.channel()
        self.send(one, 0, 0, 0x01000000, b"hislip0")
        kind, _, parameter, _ = self.receive(one)
        assert kind == 1
        assert parameter >> 16 == 0x0100
        other = self.channel()
        self.send(other, 17, 0, parameter & 0xFFFF)
        assert self.receive(other)[0] == 18
        return one, other


@pytest.fixture
def wire(bench: VirtualBench) -> Iterator[Wire]:
    made = Wire(bench)
    yield made
    made.close()


# IVI-6.1 table of fatal errors: 1 poorly formed header, 2 used without both channels, 3 invalid initialisation.
def test_fatal_errors_of_the_specification(wire: Wire) -> None:
    channel = wire.channel()
    channel.sendall(b"GET / HTTP/1.1\r\nHost: x\r\n\r\n")
    assert wire.receive(channel)[:2] == (2, 1)
    channel = wire.channel()
    wire.send(channel, 0, 0, 0x01000000, b"hislip0")
    wire.receive(channel)
    wire.send(channel, 7, 0, 0xFFFFFF00, b"*IDN?\n")
    assert wire.receive(channel)[:2] == (2, 2)
    channel = wire.channel()
    wire.send(channel, 17, 0, 4711)
    assert wire.receive(channel)[:2] == (2, 3)


def test_an_unread_answer_is_interrupted_by_the_next_message(wire: Wire) -> None:
    one, other = wire.both()
    wire.send(one, 7, 0, 0xFFFFFF00, b"*CLS\n")
    wire.send(one, 7, 0, 0xFFFFFF02, b"*IDN?\n")
    assert wire.receive(one)[0] == 7
    wire.send(one, 7, 0, 0xFFFFFF04, b"SYST:ERR?\n")  # without the flag that the answer was read
    assert wire.receive(other)[0] == 14
    assert wire.receive(one)[0] == 13
    kind, _, parameter, payload = wire.receive(one)
    assert (kind, parameter) == (7, 0xFFFFFF04)
    assert payload.startswith(b"-410")


def test_messages_are_cut_to_the_clients_maximum_and_unknown_types_refused(wire: Wire) -> None:
    one, other = wire.both()
    wire.send(other, 15, 0, 0, struct.pack("!Q", 16 + 8))
    assert wire.receive(other)[0] == 16
    wire.send(one, 7, 0, 0xFFFFFF00, b"*IDN?\n")
    answer = b""
    while (message := wire.receive(one))[0] == 6:
        assert len(message[3]) <= 8
        answer += message[3]
    assert (answer + message[3]).startswith(b"Greystep Virtual Bench")
    wire.send(one, 99)
    assert wire.receive(one)[:2] == (3, 1)
    wire.send(other, 200)
    assert wire.receive(other)[:2] == (3, 3)
    wire.send(other, 4, 1, 0)
    assert wire.receive(other)[:2] == (5, 1)
    wire.send(other, 24)
    assert wire.receive(other)[:3] == (25, 1, 1)
