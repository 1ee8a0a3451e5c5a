"""Recordings of instruments: started by the setting `record`, played back by the drivers `replay-ROLE`."""

from __future__ import annotations

from typing import Any

from greystep.plugins.visa.replay import Recording, ReplayPlayer
from greystep.schema.errors import InputError, Problem
from greystep.schema.roles import DialogueSink
from pydantic import ValidationError

from .dialect import Dialect
from .settings import MeterSettings, ReplaySettings, ScpiSettings


def recording_head(role: str, settings: ScpiSettings, dialect: Dialect) -> dict[str, Any]:
    """Everything needed to play the recording back."""
    return {
        "role": role,
        "driver": f"scpi-{role}",
        "settings": settings.model_dump(mode="json", exclude={"record", "dialect_paths"}, exclude_unset=True),
        # As data and not as the name of its file: the recording must not depend on files that may change.
        "dialect": dialect.model_dump(mode="json", exclude_unset=True),
    }


def open_replay(role: str, settings: ReplaySettings, dialogue: DialogueSink) -> Any:
    """The driver that was recorded, over the recording. Raises InputError when the file is none of this role."""
    recording = Recording.read(settings.file.expanduser())
    about, name = recording.about, str(settings.file)
    if about.get("role") != role:
        raise InputError([Problem(f"this is a recording of the role {about.get('role')!r}, not {role!r}", name, 1)])
    try:
        if about.get("driver") == "serial-sensor":
            return _sensor(recording, settings, dialogue)
        return _scpi(role, recording, settings, dialogue)
    except (ValidationError, KeyError, TypeError, ValueError) as exc:
        raise InputError([Problem(f"the recording's head can't be used: {exc}", name, 1)]) from exc


def _scpi(role: str, recording: Recording, settings: ReplaySettings, dialogue: DialogueSink) -> Any:
    from .opening import open_over

    dialect = Dialect.model_validate(recording.about["dialect"])
    model = ScpiSettings if role in ("digitiser", "pattern") else MeterSettings
    checked = model.model_validate({**dict(recording.about["settings"]), "timeout_s": settings.timeout_s})
    return open_over(ReplayPlayer(recording, dialect.session.echo).open, role, checked, dialect, dialogue)


def _sensor(recording: Recording, settings: ReplaySettings, dialogue: DialogueSink) -> Any:
    from greystep.plugins.serial_sensor.driver import open_over
    from greystep.plugins.serial_sensor.settings import SerialSensorSettings

    checked = SerialSensorSettings.model_validate({**dict(recording.about["settings"]), "timeout_s": settings.timeout_s})
    return open_over(ReplayPlayer(recording, "@{token} ").open, checked, dialogue)
