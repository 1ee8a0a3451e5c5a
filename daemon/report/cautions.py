"""What a reader of a page must know before trusting a figure: flags in words with how often, and what could not be used."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass

from greystep.schema.flags import FIGURE_FLAGS

from .evidence import RunEvidence


@dataclass(frozen=True)
class Caution:
    """One flag."""

    flag: str
    meaning: str
    figures: int
    """How many figures of transitions, levels and series carry it."""
    of: int
    steps: str
    """The first transitions that carry it."""


def make_cautions(run: RunEvidence) -> list[Caution]:
    """Flags of a run, the most frequent first."""
    counts: Counter[str] = Counter()
    places: dict[str, dict[str, None]] = {}
    total = 0
    for group in run.groups:
        for stated in (*group.of_captures.values(), *group.of_group.values()):
            for s in stated:
                total += 1
                for flag in s.figure.flags:
                    counts[flag] += 1
                    if s.figure.from_level is not None:
                        places.setdefault(flag, {})[f"{s.figure.from_level} to {s.figure.to_level}"] = None
    return [Caution(f, FIGURE_FLAGS.get(f, f), n, total, _some(list(places.get(f, {})))) for f, n in counts.most_common()]


def _some(names: list[str]) -> str:
    return ", ".join(names[:6]) + (f" and {len(names) - 6} more" if len(names) > 6 else "")
