"""What a runner is given by the service."""

from __future__ import annotations

import shutil
import threading
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from greystep.daemon.archive.archive import Archive
from greystep.daemon.failpoints import Failpoints, NoFailpoints
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.schema.capture import CaptureHeader
from greystep.schema.ids import IdSource

from .rig import Recordings, not_recorded


@dataclass(frozen=True)
class RunnerParts:
    """What a runner needs; passed in by the service."""

    home: Home
    host: PluginHost
    archive: Archive
    ids: IdSource
    archived: Callable[[CaptureHeader], None] = lambda _: None
    """Told of every archived capture, in the writer's thread."""
    shutdown: threading.Event = field(default_factory=threading.Event)
    failpoints: Failpoints = field(default_factory=NoFailpoints)
    software: dict[str, str] = field(default_factory=dict)
    log: Callable[..., None] = lambda *_args, **_fields: None
    retry_wait_s: float = 1.0
    record: Recordings = not_recorded
    free_bytes: Callable[[Path], int] = lambda path: shutil.disk_usage(path).free
