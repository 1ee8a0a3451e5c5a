"""The home folder: where everything of one bench lives, and the lock that keeps it to one service."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from greystep.schema.bench import Bench
from greystep.schema.errors import BenchError, HomeError
from greystep.schema.toml_source import TomlSource

ENVIRONMENT: Final = "GREYSTEP_HOME"
_FOLDERS: Final = ("inbox", "inbox/rejected", "runs", "raw", "quarantine", "reports", "methods", "dialects", "logs")


@dataclass(frozen=True)
class Home:
    """Paths of a home folder."""

    root: Path

    @classmethod
    def find(cls, given: str | Path | None = None) -> Home:
        """The home asked for: `--home`, else `GREYSTEP_HOME`, else the platform's user data folder."""
        chosen = given or os.environ.get(ENVIRONMENT)
        if not chosen:
            from platformdirs import user_data_path

            chosen = user_data_path("greystep", appauthor=False)
        return cls(Path(chosen).expanduser().absolute())

    def create(self) -> Home:
        """Make missing folders, readable by nobody else. Raises HomeError when the place can't be written."""
        try:
            self.root.mkdir(parents=True, mode=0o700, exist_ok=True)
            for name in _FOLDERS:
                (self.root / name).mkdir(mode=0o700, exist_ok=True)
            probe = self.root / f".part-probe-{os.getpid()}"
            probe.touch()
            probe.unlink()
        except OSError as exc:
            raise HomeError(
                f"can't be written: {exc.strerror}", where=str(self.root), todo="choose another place with --home"
            ) from exc
        return self

    def require(self) -> Home:
        """This home, which must be there. Raises HomeError otherwise."""
        if not (self.root / "runs").is_dir():
            raise HomeError("no home here yet", where=str(self.root), todo="'greystep serve' and 'greystep demo' make one")
        return self

    @property
    def bench_file(self) -> Path:
        """`bench.toml`."""
        return self.root / "bench.toml"

    @property
    def inbox(self) -> Path:
        """Plans waiting."""
        return self.root / "inbox"

    @property
    def rejected(self) -> Path:
        """Plans that could not be accepted, each with its reason."""
        return self.root / "inbox" / "rejected"

    @property
    def runs(self) -> Path:
        """One folder a run."""
        return self.root / "runs"

    @property
    def raw(self) -> Path:
        """The archive."""
        return self.root / "raw"

    @property
    def quarantine(self) -> Path:
        """What could not be read."""
        return self.root / "quarantine"

    @property
    def reports(self) -> Path:
        """Static pages."""
        return self.root / "reports"

    @property
    def methods(self) -> Path:
        """House methods."""
        return self.root / "methods"

    @property
    def dialects(self) -> Path:
        """Instrument dialects of the user."""
        return self.root / "dialects"

    @property
    def prepared(self) -> Path:
        """Prepared traces; disposable."""
        return self.root / "prepared"

    @property
    def catalogue(self) -> Path:
        """The index; disposable."""
        return self.root / "catalogue.sqlite"

    @property
    def logs(self) -> Path:
        """Log files."""
        return self.root / "logs"

    def bench(self) -> tuple[Bench, str]:
        """The bench and its text; an empty bench when there is no file. Raises BenchError with every problem."""
        if not self.bench_file.exists():
            return Bench(), ""
        source = TomlSource.read(self.bench_file, BenchError)
        return source.validate(Bench, BenchError), source.text

    @contextmanager
    def lock(self, name: str = "service", holder: str = "the service") -> Iterator[None]:
        """Hold a lock that the kernel releases with the process.

        Args:
            name: `service` for the home as a whole, `bench` for its instruments.
            holder: who holds it now, in words, for those who find it taken.

        Raises:
            HomeError: another process holds it; names who, as far as that process has told.
        """
        from filelock import FileLock, Timeout

        lock = FileLock(self.root / f".{name}.lock", timeout=0, mode=0o600)
        try:
            lock.acquire()
        except Timeout as exc:
            place = "at this bench" if name == "bench" else "in this home"
            todo = "stop it first" + ("" if name == "bench" else ", or use another --home")
            raise HomeError(f"{self._holder(name)} works {place}", where=str(self.root), todo=todo) from exc
        told = self.root / f".{name}.holder"
        try:
            with suppress(OSError):  # it only explains; a full disk must not keep anybody from going on
                told.touch(mode=0o600)
                told.write_text(f"{os.getpid()} {holder}\n", encoding="utf-8")
            yield
        finally:
            lock.release()

    def _holder(self, name: str) -> str:
        """What the holder has told about itself."""
        try:
            number, words = (self.root / f".{name}.holder").read_text(encoding="utf-8").split(maxsplit=1)
            return f"{words.strip()} (process {int(number)})"
        except (OSError, ValueError):
            return "another process"

    def locked(self, name: str = "service") -> bool:
        """Whether another process holds the lock now."""
        try:
            with self.lock(name):
                return False
        except HomeError:
            return True
