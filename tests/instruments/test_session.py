"""A session never hangs beyond its deadline and never believes a stale reply."""

from __future__ import annotations

import socket
import threading
import time
from collections.abc import Callable
from typing import Any

import numpy as np
import pytest
from greystep.plugins.visa.link import LinkTimeout
from greystep.plugins.visa.opening import open_link
from greystep.plugins.visa.resync import Words
from greystep.plugins.visa.session import Session
from greystep.schema.errors import ConnectionLostError, InstrumentError, InstrumentTimeoutError, ReplyError

from .simulators.scripted import ScriptedInstrument, conforming, split_guard

UNGUARDED = Words(guard=False)


def session_with(instrument: ScriptedInstrument, **options: Any) -> Session:
    resource = instrument.resource
    settings = {"timeout_s": 0.3, "open_timeout_s": 1.0, **options}
    session = Session(lambda deadline: open_link(resource, deadline), role="digitiser", resource=resource, **settings)
    session.open()
    return session


def took(call: Callable[[], Any]) -> float:
    started = time.monotonic()
    with pytest.raises(InstrumentError):
        call()
    return time.monotonic() - started


@pytest.mark.parametrize("words", [Words(), UNGUARDED], ids=["guarded", "unguarded"])
def test_reply_that_comes_after_the_time_out_is_never_believed(words: Words) -> None:
    """Every reply carries the number of its query; after each time-out only the number asked for counts."""
    asked = conforming({})

    def late_every_third(instrument: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        guard, query = split_guard(text)
        if not query.startswith("NUMB? "):
            asked(instrument, peer, text)
            return
        number = query.removeprefix("NUMB? ")
        if int(number) % 3 == 0:
            time.sleep(0.15)
        peer.sendall(f"{guard}{number}\n".encode())

    with ScriptedInstrument(late_every_third) as instrument:
        session = session_with(instrument, words=words, timeout_s=0.1)
        believed = []
        for number in range(1, 31):
            try:
                reply = session.query(f"NUMB? {number}")
            except InstrumentTimeoutError:
                assert number % 3 == 0
                assert session.doubt
                continue
            assert reply == str(number)
            believed.append(number)
        session.close()
    assert len(believed) == 20
    assert session.resyncs >= 9


def test_stale_replies_of_a_gateway_that_survive_reconnection_are_drained() -> None:
    """A serial gateway answers to whoever is connected: here the late reply comes over the next connection."""
    asked = conforming({"SLOW?": "1"})
    state = {"late": b""}

    def gateway(instrument: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        if "SLOW?" in text and not state["late"]:
            state["late"] = b"4711\n4712\n"
            return
        if state["late"] and instrument.connections > 1 and state["late"] != b"-":
            late, state["late"] = state["late"], b"-"
            peer.sendall(late)
        asked(instrument, peer, text)

    with ScriptedInstrument(gateway) as instrument:
        session = session_with(instrument, words=UNGUARDED)
        with pytest.raises(InstrumentTimeoutError):
            session.query("SLOW?")
        assert session.query("SLOW?") == "1"
        assert state["late"] == b"-"  # the fault did happen
        session.close()


def test_replies_that_slipped_by_one_are_noticed_by_their_number() -> None:
    """The instrument answers each query with the answer to the one before: every single reply looks plausible."""
    before = {"reply": "0;0"}

    def slipped(_: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        guard, query = split_guard(text)
        reply, before["reply"] = before["reply"], f"{guard}{query.removeprefix('NUMB? ')}"
        peer.sendall(reply.encode() + b"\n")

    with ScriptedInstrument(slipped) as instrument:
        session = session_with(instrument)
        for number in range(5):
            with pytest.raises(ReplyError, match=r"earlier query|something else"):
                session.query(f"NUMB? {number}")
        session.close()


def test_bytes_that_nobody_asked_for_are_not_taken_for_the_next_reply() -> None:
    asked = conforming({"A?": "1\n2", "B?": "3"})
    with ScriptedInstrument(asked) as instrument:
        session = session_with(instrument, words=UNGUARDED)
        assert session.query("A?") == "1"
        with pytest.raises(ReplyError, match="nobody asked"):
            session.query("B?")
        assert session.query("B?") == "3"
        session.close()


def test_silent_instrument_costs_the_deadline_and_no_more() -> None:
    with ScriptedInstrument(lambda *_: None) as instrument:
        session = session_with(instrument)
        assert 0.25 < took(lambda: session.query("A?")) < 0.6
        assert took(lambda: session.query("A?")) < 0.3 + 1.0 + 0.3 + 0.5  # resynchronisation and the call itself
        session.close()


def test_dripping_reply_ends_at_the_deadline_although_every_byte_is_on_time() -> None:
    def drip(_: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        for _byte in range(100):
            peer.sendall(b"1")
            time.sleep(0.02)

    with ScriptedInstrument(drip) as instrument:
        session = session_with(instrument, words=UNGUARDED)
        assert took(lambda: session.query("A?")) < 0.6
        session.close()


def test_instrument_that_reads_nothing_does_not_block_a_write_for_ever() -> None:
    def hold(*_: Any) -> None:
        time.sleep(1.2)

    with ScriptedInstrument(hold) as instrument:
        session = session_with(instrument)
        session.write("HOLD")
        elapsed = took(lambda: session.write("X" * 40_000_000))
        assert elapsed < 0.8
        session.close()


def test_peer_that_closes_is_told_at_once_and_a_new_connection_is_made() -> None:
    asked = conforming({"A?": "1"})

    def leave(instrument: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        if instrument.connections == 1:
            peer.shutdown(socket.SHUT_RDWR)
        else:
            asked(instrument, peer, text)

    with ScriptedInstrument(leave) as instrument:
        session = session_with(instrument)
        started = time.monotonic()
        with pytest.raises(ConnectionLostError, match="closed the connection") as caught:
            session.query("A?")
        assert time.monotonic() - started < 0.2
        assert caught.value.retryable
        assert session.query("A?") == "1"
        assert instrument.connections == 2
        session.close()


def test_another_instrument_at_the_address_is_not_believed() -> None:
    first, second = conforming({"A?": "1"}), conforming({"A?": "2", "*IDN?": "Maker,Other,9,1.0"})

    def swap(instrument: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        if text == "LEAVE":
            peer.shutdown(socket.SHUT_RDWR)
        else:
            (first if instrument.connections == 1 else second)(instrument, peer, text)

    with ScriptedInstrument(swap) as instrument:
        session = session_with(instrument)
        session.know(session.query("*IDN?"))
        session.write("LEAVE")
        with pytest.raises(ConnectionLostError):
            session.query("A?")
        for _ in range(2):
            with pytest.raises(InstrumentError, match=r"another instrument.*Other"):
                session.query("A?")
        session.close()


def test_library_call_that_never_returns_is_left_behind() -> None:
    """The open hangs in the library: the caller comes back, and the late connection is closed when it is made after all."""
    release = threading.Event()
    closed = threading.Event()

    class Late:
        ends = False

        def close(self) -> None:
            closed.set()

    def hang(_: float) -> Any:
        release.wait(10)
        return Late()

    session = Session(hang, role="power", resource="X", timeout_s=0.1, open_timeout_s=0.2)
    assert took(session.open) < 1.0
    release.set()
    assert closed.wait(5)
    session.close()


def test_two_threads_on_one_session_never_get_each_others_reply() -> None:
    def echo(_: ScriptedInstrument, peer: socket.socket, text: str) -> None:
        guard, query = split_guard(text)
        peer.sendall(f"{guard}{query}\n".encode())

    wrong: list[str] = []
    with ScriptedInstrument(echo) as instrument:
        session = session_with(instrument, timeout_s=5.0)

        def ask(name: str) -> None:
            queries = [f"{name}{k}?" for k in range(300)]
            wrong.extend(query for query in queries if session.query(query) != query)

        threads = [threading.Thread(target=ask, args=(name,)) for name in "AB"]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        session.close()
    assert wrong == []


@pytest.mark.parametrize("words", [Words(), UNGUARDED], ids=["guarded", "unguarded"])
def test_block_full_of_newlines_and_hashes_is_read_by_its_length(words: Words) -> None:
    payload = b"\n#" * 500_000
    reply = b"#7%07d" % len(payload) + payload
    with ScriptedInstrument(conforming({"DATA?": reply})) as instrument:
        session = session_with(instrument, timeout_s=5.0, words=words)
        data = session.query_block("DATA?", expected=len(payload))
        assert data.dtype == np.uint8
        assert data.tobytes() == payload
        assert session.query("*OPC?") == "1"
        session.close()


@pytest.mark.parametrize(
    ("reply", "message"),
    [(b"#15abcde", "5 bytes, 4 were expected"), (b"#14abcdX", "terminator"), (b"abcd", "not a block"), (b"#04abcd", "no end")],
)
def test_block_that_is_not_as_announced_is_refused_and_the_session_doubted(reply: bytes, message: str) -> None:
    with ScriptedInstrument(conforming({"DATA?": reply})) as instrument:
        session = session_with(instrument)
        with pytest.raises(ReplyError, match=message):
            session.query_block("DATA?", expected=4)
        assert session.doubt
        assert session.query("*OPC?") == "1"
        session.close()


def test_a_closed_session_says_so_and_closes_twice() -> None:
    with ScriptedInstrument(conforming({})) as instrument:
        session = session_with(instrument)
        session.close()
        session.close()
        with pytest.raises(ConnectionLostError, match="closed"):
            session.query("*OPC?")


def test_unreachable_address_ends_with_the_open_time_out() -> None:
    """TEST-NET-1 (RFC 5737) answers nobody; a sandbox without a route says so at once."""
    started = time.monotonic()
    with pytest.raises((InstrumentTimeoutError, ConnectionLostError)):
        Session(
            lambda deadline: open_link("TCPIP::192.0.2.1::5025::SOCKET", deadline),
            role="power",
            resource="TCPIP::192.0.2.1::5025::SOCKET",
            open_timeout_s=0.3,
        ).open()
    assert time.monotonic() - started < 1.5


def test_a_deadline_in_the_past_sends_nothing() -> None:
    with ScriptedInstrument(conforming({})) as instrument:
        link = open_link(instrument.resource, time.monotonic() + 1)
        with pytest.raises(LinkTimeout):
            link.write(b"*RST\n", time.monotonic() - 1)
        link.close()
    assert instrument.messages == []
