"""Recordings of instruments: started by the setting `record`, played back by the drivers `replay-ROLE`."""

from __future__ import annotations

from pathlib import Path
from typing import Any

from greystep.plugins.visa.recording import Recorder
from greystep.plugins.visa.replay import Recording, ReplayPlayer
from greystep.schema.errors import InputError, InstrumentError, Problem
from greystep.schema.roles import DialogueSink
from pydantic import ValidationError

from .dialect import Dialect
from .settings import MeterSettings, ReplaySettings, ScpiSettings


def start_recorder(path: Path, role: str, settings: ScpiSettings, dialect: Dialect) -> Recorder:
    """Start a recording that holds everything needed to play it back. Raises InstrumentError when the file can't be written."""
    about = {
        "role": role,
        "settings": settings.model_dump(mode="json", exclude={"record", "dialect_paths"}, exclude_unset=True),
        # As JSON and not as the text of its file: the recording must not depend on files that may change.
        "dialect": dialect.model_dump(mode="json", exclude_unset=True),
    }
    try:
        return Recorder(path.expanduser(), about)
    except OSError as exc:
        what = f"the recording can't be written: {exc.strerror or exc}"
        raise InstrumentError(what, role=role, where=str(path), todo="choose another file for `record`") from exc


def open_replay(role: str, settings: ReplaySettings, dialogue: DialogueSink) -> Any:
    """The driver that was recorded, over the recording. Raises InputError when the file is none of this role."""
    from .opening import open_over

    recording = Recording.read(settings.file.expanduser())
    about, name = recording.about, str(settings.file)
    if about.get("role") != role:
        raise InputError([Problem(f"this is a recording of the role {about.get('role')!r}, not {role!r}", name, 1)])
    try:
        dialect = Dialect.model_validate(about.get("dialect"))
        model = ScpiSettings if role in ("digitiser", "pattern") else MeterSettings
        scpi = model.model_validate({**dict(about["settings"]), "timeout_s": settings.timeout_s})
    except (ValidationError, KeyError, TypeError, ValueError) as exc:
        raise InputError([Problem(f"the recording's head can't be used: {exc}", name, 1)]) from exc
    player = ReplayPlayer(recording, dialect.session.echo)
    return open_over(player.open, role, scpi, dialect, dialogue)
