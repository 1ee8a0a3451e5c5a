"""Find and read dialect files. A file nearer to the user wins over a built-in one of the same name."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from greystep.schema.errors import InputError, Problem
from greystep.schema.toml_source import TomlSource

from .dialect import Dialect

BUILT_IN: Final = Path(__file__).parent.parent / "dialects"


@dataclass(frozen=True)
class DialectFile:
    """One file: the dialect, or why it can't be used."""

    path: Path
    dialect: Dialect | None
    problems: tuple[Problem, ...] = ()

    @property
    def name(self) -> str:
        """Name of the dialect, or of the file when it can't be read."""
        return self.dialect.name if self.dialect else self.path.stem


def built_in_dialects() -> list[Path]:
    """Files that come with greystep."""
    return sorted(BUILT_IN.glob("*.toml"))


def read_dialect(path: Path) -> Dialect:
    """Read one file. Raises InputError with every problem and its line."""
    return TomlSource.read(path).validate(Dialect)


def load_dialects(extra: Iterable[Path] = ()) -> dict[str, DialectFile]:
    """All dialects by name: the built-in ones, then those of `extra` (files, or folders of *.toml), later ones win."""
    found: dict[str, DialectFile] = {}
    for path in [*built_in_dialects(), *_files(extra)]:
        try:
            entry = DialectFile(path, read_dialect(path))
        except InputError as exc:
            entry = DialectFile(path, None, exc.problems)
        found[entry.name] = entry
    return found


def find_dialect(name: str, role: str, extra: Sequence[Path] = ()) -> Dialect:
    """The dialect of this name, or in this file when the name ends in `.toml`. Raises InputError."""
    if name.endswith(".toml"):
        dialect = read_dialect(Path(name).expanduser())
    else:
        known = load_dialects(extra)
        entry = known.get(name)
        if entry is None:
            raise InputError([Problem(f"no dialect {name!r}; there are: {', '.join(sorted(known))}", path="dialect")])
        if entry.dialect is None:
            raise InputError(entry.problems)
        dialect = entry.dialect
    if dialect.words(role) is None:
        has = ", ".join(dialect.roles())
        raise InputError(
            [Problem(f"dialect {dialect.name!r} has no words for the role {role} (it has: {has})", path="dialect")]
        )
    return dialect


def _files(extra: Iterable[Path]) -> list[Path]:
    out: list[Path] = []
    for path in extra:
        place = Path(path).expanduser()
        out += sorted(place.glob("*.toml")) if place.is_dir() else [place] if place.exists() else []
    return out
