"""What an attended session has taken so far, durable record by record, so that it goes on after a pause or a power cut.

HOME/attended/RUN/   plan.toml, journal.jsonl (held, step, undo, repeats, group, finished), NNNN.npy (codes as sent)
"""

from __future__ import annotations

import io
import time
from collections.abc import Iterator
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from greystep.daemon.archive.durable import fsync_folder, replace_text, write_once
from greystep.daemon.run.journal import Journal, utc_now

from .driving import Taken

FOLDER: Final = "attended"
PLAN: Final = "plan.toml"


@dataclass(frozen=True)
class Kept:
    """One kept record."""

    event: str
    """held or step."""
    group: str
    from_level: int
    to_level: int
    light: float
    """Of a held level, in V; else 0."""
    taken: Taken
    utc: str
    monotonic_s: float


class Store:
    """The folder of one session."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.journal = Journal(folder)

    @classmethod
    def open(cls, home: Path, plan_text: str, new_run: str) -> tuple[Store, bool]:
        """The unfinished session of the same plan, else a new one. Returns (store, whether it goes on)."""
        root = home / FOLDER
        root.mkdir(mode=0o700, parents=True, exist_ok=True)
        for folder in sorted((p for p in root.iterdir() if p.is_dir()), reverse=True):
            store = cls(folder)
            if store._plan() == plan_text and not store.finished:
                return store, True
        folder = root / new_run
        folder.mkdir(mode=0o700)
        replace_text(folder / PLAN, plan_text)
        fsync_folder(root)
        return cls(folder), False

    @property
    def run(self) -> str:
        """Run id."""
        return self.folder.name

    @property
    def finished(self) -> bool:
        """Whether its captures are in the archive."""
        return any(e.event == "finished" for e in self.journal.entries())

    def _plan(self) -> str:
        try:
            return (self.folder / PLAN).read_text(encoding="utf-8")
        except OSError:
            return ""

    def keep(self, event: str, group: str, levels: tuple[int, int], light: float, taken: Taken) -> None:
        """Keep one record; it is on the disk when this returns."""
        number = sum(1 for _ in self.folder.glob("*.npy")) + 1
        name = f"{number:05d}.npy"
        buffer = io.BytesIO()
        np.save(buffer, np.ascontiguousarray(taken.codes), allow_pickle=False)
        write_once(self.folder / name, [buffer.getvalue()])
        facts = {k: v for k, v in asdict(replace(taken, codes=np.empty(0))).items() if k != "codes"}
        self.journal.append(
            event, file=name, group=group, levels=list(levels), light=light, monotonic_s=time.monotonic(), **facts
        )

    def note(self, event: str, **data: Any) -> None:
        """Note an event without a record."""
        self.journal.append(event, at=utc_now(), **data)

    def kept(self, group: str) -> Iterator[Kept]:
        """Records of a group that count: the last of each held level, all steps that weren't undone."""
        held: dict[int, Any] = {}
        steps: list[Any] = []
        for entry in self.journal.entries():
            if entry.data.get("group") != group:
                continue
            if entry.event == "held":
                held[entry.data["levels"][0]] = entry
            elif entry.event == "step":
                steps.append(entry)
            elif entry.event == "undo" and steps:
                steps.pop()
        for entry in [*(held[v] for v in sorted(held)), *steps]:
            yield self._load(entry)

    def repeats(self) -> int | None:
        """The number of repeats asked for last."""
        asked = [int(e.data["repeats"]) for e in self.journal.entries() if e.event == "repeats"]
        return asked[-1] if asked else None

    def range_of(self, group: str) -> tuple[float, float] | None:
        """The range in use for a group."""
        found = [
            (e.data["range_v"], e.data["offset_v"])
            for e in self.journal.entries()
            if e.event == "range" and e.data.get("group") == group
        ]
        return found[-1] if found else None

    def groups_done(self) -> int:
        """How many conditions were finished."""
        return sum(1 for e in self.journal.entries() if e.event == "group")

    def _load(self, entry: Any) -> Kept:
        d = entry.data
        codes = np.load(self.folder / d["file"], allow_pickle=False)
        facts = {k: d[k] for k in ("scale", "offset", "code_min", "code_max", "start_s", "interval_s")}
        return Kept(
            entry.event,
            d["group"],
            d["levels"][0],
            d["levels"][1],
            d["light"],
            Taken(codes, **facts),
            entry.utc,
            d["monotonic_s"],
        )
