"""The SQLite file: opening, version, and words that stand once."""

from __future__ import annotations

import sqlite3
from importlib.resources import files
from pathlib import Path
from typing import Final

from greystep.schema.errors import CatalogueError

VERSION: Final = 2
"""Of the tables; a catalogue of another version is set aside and built anew."""
_REBUILD: Final = "move it away and run 'greystep archive rebuild'"
_MAX_WORDS: Final = 200_000


class Texts(dict[int, str]):
    """Texts by id; read from the file when they are first asked for."""

    def __init__(self, db: Database) -> None:
        super().__init__()
        self._db = db

    def __missing__(self, word: int) -> str:
        if len(self) > _MAX_WORDS:
            self.clear()
        found = str(self._db.sql.execute("SELECT text FROM word WHERE id = ?", (word,)).fetchone()[0])
        self[word] = found
        return found


class Database:
    """One connection. The writer's makes the tables; readers open the file read-only."""

    def __init__(self, path: Path, *, write: bool) -> None:
        """Open.

        Raises:
            CatalogueError: missing (for a reader), damaged, or of another version.
        """
        self.path = path
        self.write = write
        self._words: dict[str, int] = {}
        self.texts = Texts(self)
        if not write and not path.is_file():
            raise CatalogueError("there is no catalogue yet", where=str(path), todo="run 'greystep archive rebuild'")
        try:
            self.sql = self._connect()
        except sqlite3.DatabaseError as exc:
            raise CatalogueError(f"can't be opened: {exc}", where=str(path), todo=_REBUILD) from exc
        try:
            self._check()
            self._tune()
        except (sqlite3.DatabaseError, CatalogueError) as exc:
            self.sql.close()
            if isinstance(exc, CatalogueError):
                raise
            raise CatalogueError(f"can't be opened: {exc}", where=str(path), todo=_REBUILD) from exc

    def _connect(self) -> sqlite3.Connection:
        # autocommit is left to SQLite: every transaction is begun by hand, so that none is left open by accident.
        mode = "rwc" if self.write else "ro"
        return sqlite3.connect(
            f"{self.path.absolute().as_uri()}?mode={mode}", uri=True, isolation_level=None, check_same_thread=False, timeout=30
        )

    def _tune(self) -> None:
        # After the check, so that a file of another version is not touched.
        sql = self.sql
        if self.write:
            # The catalogue is disposable: losing the last commits in a power cut costs a rescan, not data.
            sql.execute("PRAGMA journal_mode = WAL")
            sql.execute("PRAGMA synchronous = NORMAL")
        else:
            sql.execute("PRAGMA query_only = ON")
        sql.execute("PRAGMA cache_size = -65536")
        sql.execute("PRAGMA temp_store = MEMORY")

    def _check(self) -> None:
        tables = self.sql.execute("SELECT count(*) FROM sqlite_master").fetchone()[0]
        if tables == 0 and self.write:
            script = files("greystep.daemon.catalogue").joinpath("schema.sql").read_text("utf-8")
            self.sql.executescript(f"BEGIN IMMEDIATE;\n{script}\nINSERT INTO meta VALUES ('version', '{VERSION}');\nCOMMIT;")
            return
        try:
            found = self.sql.execute("SELECT value FROM meta WHERE key = 'version'").fetchone()
        except sqlite3.OperationalError:
            found = None
        if found is None or found[0] != str(VERSION):
            shown = found[0] if found else "unknown"
            raise CatalogueError(
                f"the catalogue is of version {shown}, this greystep needs {VERSION}", where=str(self.path), todo=_REBUILD
            )

    def close(self) -> None:
        """Close; safe to call twice."""
        self.sql.close()

    def word(self, text: str) -> int:
        """Id of a text, added when new (writer only)."""
        known = self._words.get(text)
        if known is not None:
            return known
        found = self.find_word(text)
        if found is None:
            cursor = self.sql.execute("INSERT INTO word (text) VALUES (?)", (text,))
            found = int(cursor.lastrowid or 0)
        if len(self._words) > _MAX_WORDS:
            self._words.clear()
        self._words[text] = found
        return found

    def find_word(self, text: str) -> int | None:
        """Id of a text; None when it was never used."""
        row = self.sql.execute("SELECT id FROM word WHERE text = ?", (text,)).fetchone()
        return int(row[0]) if row else None

    def text(self, word: int) -> str:
        """Text of an id."""
        return self.texts[word]

    def forget_words(self) -> None:
        """After a rollback: words that were added in it are gone."""
        self._words.clear()
        self.texts.clear()


def set_aside(path: Path) -> Path | None:
    """Move a catalogue out of the way, with what SQLite keeps beside it. Returns where it is now."""
    if not path.exists():
        return None
    number = 1
    while path.with_name(f"{path.name}.aside-{number}").exists():
        number += 1
    for suffix in ("", "-wal", "-shm"):
        old = path.with_name(path.name + suffix)
        if old.exists():
            old.rename(path.with_name(f"{path.name}.aside-{number}{suffix}"))
    return path.with_name(f"{path.name}.aside-{number}")
