"""Instruments that speak differently are driven by a TOML file alone; a wrong file is told with its line."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from greystep.plugins.instruments.dialects import find_dialect, load_dialects, read_dialect
from greystep.plugins.instruments.opening import open_scpi
from greystep.plugins.instruments.settings import ScpiSettings
from greystep.schema.errors import InputError, InstrumentError, RefusedError
from greystep.schema.roles import ChannelSetup, DigitiserSetup

from .simulators.digitisers import EightUnsigned, PlainText, SixteenLittle, TalkingDigitiser
from .simulators.scripted import ScriptedInstrument
from .simulators.waveforms import Memory

DIALECTS = Path(__file__).with_name("dialects")
SPOKEN: dict[str, tuple[type[TalkingDigitiser], int, float]] = {
    "sixteen-little": (SixteenLittle, 3, 1 / 65536),
    "eight-unsigned": (EightUnsigned, 3, 1 / 256),
    "plain-text": (PlainText, 1, 1e-5),
}
"""Dialect -> simulator, segments, resolution as a fraction of full scale."""


def open_digitiser(instrument: ScriptedInstrument, dialect: str, **settings: Any) -> Any:
    checked = ScpiSettings(resource=instrument.resource, dialect=dialect, dialect_paths=(DIALECTS,), timeout_s=1.0, **settings)
    return open_scpi("digitiser", checked, lambda *_: None)


@pytest.fixture(params=SPOKEN)
def spoken(request: pytest.FixtureRequest) -> Iterator[tuple[str, Any, Memory]]:
    speaker, segments, _ = SPOKEN[request.param]
    memory = Memory(max_segments=64 if segments > 1 else 1)
    with ScriptedInstrument(speaker(memory)) as instrument:
        driver = open_digitiser(instrument, request.param)
        yield request.param, driver, memory
        driver.close()


def test_a_digitiser_is_driven_by_its_dialect_alone(spoken: tuple[str, Any, Memory]) -> None:
    name, driver, memory = spoken
    _, segments, resolution = SPOKEN[name]
    setup = DigitiserSetup(
        sample_interval_s=2e-5,
        samples=400,
        pretrigger=100,
        segments=segments,
        channels={1: ChannelSetup(10.0, 1.0), 2: ChannelSetup(2.0, -0.5)},
        trigger="sync",
    )
    if name == "plain-text":  # it has no offset
        setup = DigitiserSetup(2e-5, 400, 100, 1, {1: ChannelSetup(10.0), 2: ChannelSetup(2.0)})
    confirmed = driver.configure(setup)
    assert confirmed.sample_interval_s == pytest.approx(2e-5)
    assert (memory.points, memory.pretrigger, memory.segments) == (400, 100, segments)
    assert memory.range_v == {1: pytest.approx(10.0), 2: pytest.approx(2.0)}
    driver.arm()
    assert driver.wait(5.0) == segments
    record = driver.fetch()
    assert record.first_sample_s == pytest.approx(-100 * 2e-5)
    for number, channel in record.channels.items():
        assert channel.codes.shape == (segments, 400)
        volts = channel.codes * channel.scale + channel.offset
        for k in range(segments):
            # Half a code of the converter, and what the words round away.
            tolerance = 0.51 * memory.range_v[number] * resolution + 1e-4
            np.testing.assert_allclose(volts[k], memory.volts(number, k + 1), atol=tolerance)
    driver.abort()


def test_what_only_one_of_them_can_do(spoken: tuple[str, Any, Memory]) -> None:
    name, driver, _ = spoken
    segments = SPOKEN[name][1]
    driver.configure(DigitiserSetup(1e-5, 50, 0, segments, {1: ChannelSetup(10.0)}))
    driver.arm()
    driver.wait(5.0)
    record = driver.fetch()
    assert np.isnan(record.trigger_s).all() == (name != "sixteen-little")
    clipped = record.channels[1].clipped
    assert (clipped is None) == (name != "eight-unsigned")
    if clipped is not None:
        assert clipped.tolist() == [False, True, False]
    if segments == 1:
        chosen = driver.configure(DigitiserSetup(1e-5, 50, 0, 1, {1: ChannelSetup(3.0)}))
        assert chosen.channels[1].range_v == pytest.approx(10.0)  # the next larger one of its ranges
        with pytest.raises(RefusedError, match="full scale above 20"):
            driver.configure(DigitiserSetup(1e-5, 50, 0, 1, {1: ChannelSetup(30.0)}))
        with pytest.raises(RefusedError, match="2 segments; it holds 1"):
            driver.configure(DigitiserSetup(1e-5, 50, 0, 2, {1: ChannelSetup(10.0)}))
        with pytest.raises(RefusedError, match="trigger light; it has immediate, sync"):
            driver.configure(DigitiserSetup(1e-5, 50, 0, 1, {1: ChannelSetup(10.0)}, trigger="light"))


@pytest.mark.parametrize(("dialect", "speaker"), [("sixteen-little", EightUnsigned), ("eight-unsigned", SixteenLittle)])
def test_the_wrong_dialect_is_noticed_when_the_instrument_is_opened(dialect: str, speaker: type[TalkingDigitiser]) -> None:
    with ScriptedInstrument(speaker(Memory())) as instrument, pytest.raises(InstrumentError):
        open_digitiser(instrument, dialect)


def test_all_dialects_that_come_with_greystep_are_valid() -> None:
    known = load_dialects()
    assert "scpi-1999" in known
    assert [entry.problems for entry in known.values() if entry.problems] == []


def test_a_dialect_nearer_to_the_user_wins(tmp_path: Path) -> None:
    own = tmp_path / "mine.toml"
    own.write_text('dialect = 1\nname = "scpi-1999"\n[power]\nunit = "W"\nread = "P?"\n')
    assert find_dialect("scpi-1999", "power", (tmp_path,)).power.read.ask == "P?"  # type: ignore[union-attr]
    assert find_dialect(str(own), "power").name == "scpi-1999"
    with pytest.raises(InputError, match="no words for the role digitiser"):
        find_dialect("scpi-1999", "digitiser", (tmp_path,))


GOOD = """dialect = 1
name = "mine"
[digitiser]
channel = "C{channel} {range_v}"
sampling = "S {sample_interval_s}"
arm = "ARM"
count = "N?"
[digitiser.trigger]
sync = "T"
[digitiser.waveform]
fixed = { y_increment_v = 0.1 }
data = { ask = "D?" }
"""


@pytest.mark.parametrize(
    ("old", "new", "line", "message"),
    [
        ("{range_v}", "{range}", 4, "no value for {range}; known here: {channel}, {high_v}, {low_v}, {offset_v}, {range_v}"),
        ("{range_v}", "{range_v*x}", 4, "followed by * or / and a number"),
        ("{range_v}", "{range_v", 4, "expected '}'"),
        ('arm = "ARM"\n', "", 3, "missing"),
        ('arm = "ARM"', 'arm = "A\\nB"', 6, "one command is one line"),
        ('count = "N?"\n', "", 3, "nothing tells when a record is complete"),
        ("fixed = { y_increment_v = 0.1 }\n", "", 10, "codes can't become volts"),
        ('{ ask = "D?" }', '{ ask = "D?", bits = 12 }', 12, "8, 16, 32 or 64"),
        ('{ ask = "D?" }', '{ ask = "D?", coding = "float" }', 12, "32 or 64 bits"),
        ('count = "N?"', 'count = { ask = "N?", pattern = "(" }', 7, "not a regular expression"),
        ("[digitiser]", "colour = 1\n[digitiser]", 3, "unknown key"),
        ("dialect = 1", "dialect = 2", 1, "1"),
        ('name = "mine"', 'name = "My Scope"', 2, "match pattern"),
    ],
)
def test_a_mistake_is_told_with_its_line(tmp_path: Path, old: str, new: str, line: int, message: str) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD)
    read_dialect(path)
    path.write_text(GOOD.replace(old, new))
    with pytest.raises(InputError) as caught:
        read_dialect(path)
    told = [problem for problem in caught.value.problems if message in problem.message]
    assert told, [str(problem) for problem in caught.value.problems]
    assert told[0].line == line


def test_all_mistakes_are_told_at_once(tmp_path: Path) -> None:
    path = tmp_path / "mine.toml"
    path.write_text(GOOD.replace("{range_v}", "{range}").replace('"ARM"', '"ARM {x}"').replace("N?", "{y}?"))
    with pytest.raises(InputError) as caught:
        read_dialect(path)
    assert [problem.line for problem in caught.value.problems] == [4, 6, 7]


def test_a_broken_file_in_the_folder_does_not_hide_the_others(tmp_path: Path) -> None:
    (tmp_path / "broken.toml").write_text("dialect = ")
    known = load_dialects((tmp_path,))
    assert known["broken"].problems
    assert known["scpi-1999"].dialect is not None
    with pytest.raises(InputError, match="not valid TOML"):
        find_dialect("broken", "power", (tmp_path,))
