"""Transports that can't be made here are driven through the VISA library's own calls: the same driver, another address."""

from __future__ import annotations

import gc
import os
import threading
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from greystep.plugins.instruments.offered import offered_drivers
from greystep.plugins.visa.message_link import MessageLink
from greystep.schema.errors import ConnectionLostError, InstrumentTimeoutError, ReplyError

SIMULATED = f"{Path(__file__).parent / 'simulators' / 'usb-meter.yaml'}@sim"
SPEC = next(spec for spec in offered_drivers() if spec.name == "scpi-temperature")
DIALECT = """dialect = 1
name = "usb-thermometer"
[session]
echo = ""
echo_end = ""
[temperature]
unit = "degC"
read = "MEAS:TEMP?"
"""


@pytest.fixture(params=["USB::0x1111::0x2222::0x2468::INSTR", "GPIB::9::INSTR"])
def thermometer(request: pytest.FixtureRequest, tmp_path: Path) -> Any:
    (tmp_path / "usb.toml").write_text(DIALECT)
    settings = SPEC.settings(
        resource=request.param, visa_library=SIMULATED, dialect=str(tmp_path / "usb.toml"), timeout_s=0.3, open_timeout_s=1.0
    )
    driver = SPEC.open(settings, lambda *_: None)
    yield driver
    driver.close()


def test_usbtmc_and_gpib_are_a_matter_of_the_address(thermometer: Any) -> None:
    session = thermometer.port.session
    assert isinstance(session._wire.link, MessageLink)
    assert thermometer.identify() == "Example,USB Thermometer,7,1.0"
    assert thermometer.read(0.1).value == 23.25
    assert session.query_block("BLOCK?", expected=5).tobytes() == b"hello"


def test_their_faults_are_the_same_errors(thermometer: Any) -> None:
    session = thermometer.port.session
    with pytest.raises(InstrumentTimeoutError):
        session.query("*CLS")  # it has no answer
    with pytest.raises(ReplyError):
        session.query_block("*IDN?")
    assert thermometer.read(0.1).value == 23.25


def test_an_address_that_the_library_does_not_know_is_told() -> None:
    with pytest.raises(ConnectionLostError, match="no connection") as caught:
        SPEC.open(SPEC.settings(resource="NONSENSE::1::INSTR", open_timeout_s=1.0), lambda *_: None)
    assert caught.value.where == "NONSENSE::1::INSTR"


def test_opening_and_closing_many_times_leaves_nothing_behind(opened: Callable[..., Any]) -> None:
    def counts() -> tuple[int, int]:
        gc.collect()
        return threading.active_count(), len(os.listdir("/proc/self/fd"))

    opened("temperature").close()
    before = counts()
    for _ in range(30):
        driver = opened("temperature")
        driver.port.session.resynchronise()
        driver.close()
    assert counts() == before
