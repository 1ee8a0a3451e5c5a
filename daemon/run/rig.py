"""The opened bench: instruments by role, opened by their drivers, left safe on every way out."""

from __future__ import annotations

import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, cast

from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.daemon.host.carried_over import with_new_members
from greystep.schema.bench import Bench, InstrumentEntry, Role
from greystep.schema.capture import InstrumentRecord, Reading
from greystep.schema.errors import BenchError, GreystepError, InstrumentError, Problem
from greystep.schema.roles import DialogueSink, Digitiser, Meter, PatternSource
from pydantic import ValidationError

from .journal import utc_now

Recordings = Callable[[Role], Path | None]
"""Where the dialogue with an instrument is recorded, bulk data included; None: not, or as `bench.toml` says."""
KEEP_ALIVE_S = 30.0
"""The pattern source goes dark by itself when the host has been silent for so long, where it can."""
_MAX_DIALOGUE = 20_000


class Dialogue:
    """Commands and replies since the last capture, without bulk data."""

    def __init__(self, clock: Callable[[], float] = time.monotonic) -> None:
        self._lines: list[str] = []
        self._clock = clock
        self._lock = threading.Lock()  # drivers may speak from threads of their own

    def note(self, role: str, direction: str, text: str) -> None:
        """The sink that drivers call."""
        line = f"{self._clock():.6f} {role} {direction} {text}".replace("\n", "\\n").replace("\r", "\\r")
        with self._lock:
            if len(self._lines) < _MAX_DIALOGUE:
                self._lines.append(line)

    def take(self) -> tuple[str, ...]:
        """All lines since the last call."""
        with self._lock:
            lines, self._lines = self._lines, []
        return tuple(lines)


@dataclass
class Rig:
    """Opened instruments. One thread owns it."""

    bench: Bench
    bench_text: str
    dialogue: Dialogue
    opened: dict[Role, Any] = field(default_factory=dict)
    records: dict[Role, InstrumentRecord] = field(default_factory=dict)

    @property
    def digitiser(self) -> Digitiser:
        """The digitiser."""
        return cast(Digitiser, self.opened["digitiser"])

    @property
    def pattern(self) -> PatternSource:
        """The pattern source."""
        return cast(PatternSource, self.opened["pattern"])

    def meter(self, role: Role) -> Meter | None:
        """A meter, when it is on the bench."""
        return cast("Meter | None", self.opened.get(role))

    def read(self, role: Role, aperture_s: float) -> Reading | None:
        """One reading of a meter; None when it is not on the bench."""
        meter = self.meter(role)
        if meter is None:
            return None
        got = meter.read(aperture_s)
        return Reading(role=role, quantity=role, value=got.value, unit=got.unit, u=got.u, utc=utc_now())

    def instruments(self) -> tuple[InstrumentRecord, ...]:
        """Every instrument with the settings that it confirmed last."""
        return tuple(
            record.model_copy(update={"settings": dict(self.opened[role].settings())}) for role, record in self.records.items()
        )

    def recover(self) -> None:
        """Bring every instrument back to a known state after trouble; the display goes dark first."""
        self.go_dark(1)  # each instrument is brought back below: a silent one costs its time-outs once
        for instrument in self.opened.values():
            instrument.recover()

    def go_dark(self, tries: int = 2) -> str:
        """Level 0, as hard as possible. Returns the trouble, empty when it worked."""
        pattern = self.opened.get("pattern")
        if pattern is None:
            return ""
        trouble = ""
        for attempt in range(tries):
            try:
                if attempt:
                    pattern.recover()
                pattern.safe()
                return ""
            except Exception as exc:  # nothing may keep the others from being closed
                trouble = str(exc)
        return trouble

    def close(self) -> str:
        """Level 0, then release everything. Returns the trouble with going dark, if any."""
        trouble = self.go_dark()
        for instrument in self.opened.values():
            try:
                instrument.close()
            except Exception as exc:
                trouble = trouble or str(exc)
        self.opened.clear()
        return trouble


def not_recorded(role: Role) -> Path | None:
    """No recording beyond what `bench.toml` asks for."""
    return None


def recorded_into(folder: Path | None) -> Recordings:
    """A file a role in the folder; a role that is opened again gets another file."""
    return not_recorded if folder is None else lambda role: folder / f"{role}.jsonl"


def open_rig(
    home: Home,
    host: PluginHost,
    *,
    need: tuple[Role, ...] = ("digitiser", "pattern"),
    others: bool = True,
    record: Recordings = not_recorded,
) -> Rig:
    """Open every instrument of `bench.toml`, or only those that are needed.

    The pattern source is opened first: whatever fails later, the display can be made dark. Instruments whose driver has no
    recording are opened without one.

    Raises:
        BenchError: the bench file can't be used, or a needed role is missing.
        InstrumentError: an instrument does not answer; everything opened before is released.
    """
    bench, text = home.bench()
    missing = [role for role in need if role not in bench.instruments]
    if missing:
        raise BenchError(
            [
                Problem(f"no instrument for the role {role}", str(home.bench_file), path=f"instruments.{role}")
                for role in missing
            ],
            todo="'greystep demo' shows a bench file that works",
        )
    rig = Rig(bench, text, Dialogue())
    try:
        for role, entry in sorted(bench.instruments.items(), key=lambda item: item[0] != "pattern"):
            if role in need or others:
                _open(rig, role, _recorded(entry, host, record(role)), home, host)
    except BaseException:
        rig.close()
        raise
    return rig


def _recorded(entry: InstrumentEntry, host: PluginHost, file: Path | None) -> InstrumentEntry:
    if file is None or "record" not in host.driver(entry.driver).settings.model_fields:
        return entry
    return InstrumentEntry.model_validate({"driver": entry.driver, **entry.settings(), "record": file})


def _open(rig: Rig, role: Role, entry: InstrumentEntry, home: Home, host: PluginHost) -> None:
    instrument, resource, origin = open_instrument(role, entry, home, host, rig.dialogue.note)
    rig.opened[role] = instrument
    rig.records[role] = InstrumentRecord(
        role=role,
        driver=entry.driver,
        driver_version=origin,
        identity=instrument.identify(),
        resource=resource,
    )


def open_instrument(
    role: Role, entry: InstrumentEntry, home: Home, host: PluginHost, dialogue: DialogueSink
) -> tuple[Any, str, str]:
    """Open one instrument of the bench.

    Returns:
        The instrument, its address, and package and version that its driver came from.

    Raises:
        BenchError: its entry can't be used.
        InstrumentError: it does not answer.
    """
    spec = host.driver(entry.driver)
    file = str(home.bench_file)
    if spec.role != role:
        problem = f"driver {entry.driver} is for the role {spec.role}"
        raise BenchError([Problem(problem, file, path=f"instruments.{role}")])
    given = entry.settings()
    if "dialect_paths" in spec.settings.model_fields:
        given["dialect_paths"] = [*given.get("dialect_paths", ()), *host.dialect_files, home.dialects]
    try:
        settings = spec.settings.model_validate(given)
    except ValidationError as exc:
        problems = [
            Problem(str(e["msg"]), file, path=".".join(["instruments", role, *(str(p) for p in e["loc"])]))
            for e in exc.errors()
        ]
        raise BenchError(problems) from exc
    try:
        instrument = with_new_members(spec.open(settings, dialogue), role, f"driver {entry.driver}")
    except GreystepError:
        raise
    except Exception as exc:  # a driver of a third party may raise anything
        where = f"{file}: instruments.{role}"
        raise InstrumentError(f"driver {entry.driver}: {type(exc).__name__}: {exc}", role=role, where=where) from exc
    origin = host.origins.get(f"drivers:{entry.driver}")
    return instrument, str(given.get("resource", "")), f"{origin.package} {origin.version}" if origin else ""
