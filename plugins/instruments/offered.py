"""The list of built-in drivers."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

from greystep.plugins.serial_sensor.settings import SerialSensorSettings
from greystep.schema.bench import Role
from greystep.schema.roles import CheckResult, DialectInfo, DialogueSink, DriverSpec, FoundResource

from .settings import MeterSettings, ReplaySettings, ScpiSettings

SCPI: Final[dict[Role, tuple[str, str, type[ScpiSettings]]]] = {
    "digitiser": ("scpi-digitiser", "Oscilloscope or digitiser with SCPI commands", ScpiSettings),
    "pattern": ("scpi-pattern", "Pattern source with SCPI commands", ScpiSettings),
    "luminance": ("scpi-luminance", "Luminance meter with SCPI commands", MeterSettings),
    "power": ("scpi-power", "Power meter with SCPI commands", MeterSettings),
    "temperature": ("scpi-temperature", "Thermometer with SCPI commands", MeterSettings),
}


def offered_drivers() -> list[DriverSpec]:
    """All built-in drivers."""
    return [*(_scpi(role) for role in SCPI), _serial_sensor(), *(_replay(role) for role in SCPI)]


def _scpi(role: Role) -> DriverSpec:
    name, summary, model = SCPI[role]

    def open_it(settings: Any, dialogue: DialogueSink) -> Any:
        from .opening import open_scpi

        return open_scpi(role, settings, dialogue)

    return DriverSpec(name, role, summary, model, open_it, _check(role), _find, _dialects)


def _check(role: Role) -> Callable[[Any], Sequence[CheckResult]]:
    def check(instrument: Any) -> Sequence[CheckResult]:
        from .conformance.running import check_instrument

        return check_instrument(role, instrument)

    return check


def _find() -> Sequence[FoundResource]:
    from .finding import find_resources

    return find_resources()


def _dialects(extra: Sequence[Path]) -> Sequence[DialectInfo]:
    from .finding import list_dialects

    return list_dialects(extra)


def _replay(role: Role) -> DriverSpec:
    def open_it(settings: Any, dialogue: DialogueSink) -> Any:
        from .recorded import open_replay

        return open_replay(role, settings, dialogue)

    return DriverSpec(f"replay-{role}", role, f"Recording of a {role} instrument, played back", ReplaySettings, open_it)


def _serial_sensor() -> DriverSpec:
    def open_it(settings: Any, dialogue: DialogueSink) -> Any:
        from greystep.plugins.serial_sensor.driver import open_sensor

        return open_sensor(settings, dialogue)

    summary = "Light sensor with a microcontroller on a serial line, protocol 1"
    return DriverSpec("serial-sensor", "digitiser", summary, SerialSensorSettings, open_it, _check("digitiser"), _find)
