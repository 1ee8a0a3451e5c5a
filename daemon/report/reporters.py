"""Files that plugins write for a finished run, each reporter into a folder of its own: `reports/plugins/RUN/NAME`."""

from __future__ import annotations

from collections.abc import Sequence
from typing import overload

from greystep.daemon.archive.archive import Archive
from greystep.daemon.home import Home
from greystep.daemon.host import PluginHost
from greystep.schema.capture import Capture


class _Captures(Sequence[Capture]):
    """Captures of a run, each read when it is asked for: a run may be larger than the memory."""

    def __init__(self, archive: Archive, paths: Sequence[str]) -> None:
        self._archive = archive
        self._paths = paths

    def __len__(self) -> int:
        return len(self._paths)

    @overload
    def __getitem__(self, index: int) -> Capture: ...
    @overload
    def __getitem__(self, index: slice) -> Sequence[Capture]: ...
    def __getitem__(self, index: int | slice) -> Capture | Sequence[Capture]:
        if isinstance(index, slice):
            return _Captures(self._archive, self._paths[index])
        return self._archive.read(self._paths[index])


def run_reporters(home: Home, host: PluginHost, run: str) -> list[str]:
    """Call every reporter for a run.

    Returns:
        What went wrong, one line for each reporter that raised; the others have written their files.
    """
    if not host.reporters:
        return []
    archive = Archive(home.raw)
    paths = sorted(path for path in archive.scan() if path.split("/")[1] == run)
    problems = []
    for name, reporter in host.reporters.items():
        folder = home.reports / "plugins" / run / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            reporter(_Captures(archive, paths), folder)
        except Exception as exc:  # a plugin may raise anything, and must not stop the others
            origin = host.origins.get(f"reporters:{name}")
            problems.append(f"reporter {name} of {origin.package if origin else '?'}: {type(exc).__name__}: {exc}")
    return problems
