"""The grid of transitions still to take: which pairs are wanted, what was taken, and how it looks on a terminal. Pure."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

Pair = tuple[int, int]


@dataclass(frozen=True)
class Grid:
    """Places for every ordered pair of levels."""

    wanted: Mapping[Pair, int]
    """(from, to) -> repeats."""
    taken: tuple[Pair, ...] = field(default_factory=tuple)
    """In the order in which they were taken."""

    @classmethod
    def of(cls, pairs: Sequence[Pair], repeats: int) -> Grid:
        """Both directions of each pair."""
        return cls({p: repeats for a, b in pairs for p in ((a, b), (b, a))})

    def count(self, pair: Pair) -> int:
        """How many of a pair were taken."""
        return self.taken.count(pair)

    def missing(self, pair: Pair) -> int:
        """How many of a pair are still wanted."""
        return max(self.wanted.get(pair, 0) - self.count(pair), 0)

    def take(self, pair: Pair) -> Grid:
        """With one more of a pair."""
        return replace(self, taken=(*self.taken, pair))

    def undo(self) -> Grid:
        """Without the last one."""
        return replace(self, taken=self.taken[:-1])

    def with_repeats(self, repeats: int) -> Grid:
        """With another number of repeats wanted."""
        return replace(self, wanted=dict.fromkeys(self.wanted, repeats))

    @property
    def left(self) -> int:
        """Records still to take."""
        return sum(self.missing(p) for p in self.wanted)

    @property
    def levels(self) -> list[int]:
        """All levels, ascending."""
        return sorted({v for p in self.wanted for v in p})

    def next_levels(self, level: int, *, up: bool) -> list[int]:
        """Levels wanted from here, above or below."""
        return [b for b in self.levels if (b > level) == up and self.missing((level, b))]

    def way(self, level: int) -> list[int]:
        """Shortest way from a level to one from which something is wanted, without the start; empty when nothing is.

        A level that no transition of the plan touches leads straight to the nearest that has something left.
        """
        frontier: list[list[int]] = [[level]]
        seen = {level}
        while frontier:
            path = frontier.pop(0)
            if any(self.missing((path[-1], b)) for b in self.levels):
                return path[1:]
            for pair in self.wanted:
                if pair[0] == path[-1] and pair[1] not in seen:
                    seen.add(pair[1])
                    frontier.append([*path, pair[1]])
        rest = [a for a in self.levels if any(self.missing((a, b)) for b in self.levels)]
        return [min(rest, key=lambda a: abs(a - level))] if rest else []

    def text(self, here: int | None = None) -> str:
        """The grid as plain text, rows from, columns to; the row of the present level is marked."""
        levels = self.levels
        head = "from \\ to |" + "".join(f"{v:>7}" for v in levels)
        rows = [head, "-" * len(head)]
        for a in levels:
            cells = "".join(f"{self._cell((a, b)):>7}" for b in levels)
            rows.append(f"{'>' if a == here else ' '}{a:>8} |{cells}")
        return "\n".join(rows)

    def _cell(self, pair: Pair) -> str:
        if pair not in self.wanted:
            return "." if pair[0] != pair[1] else ""
        return "done" if not self.missing(pair) else f"{self.count(pair)}/{self.wanted[pair]}"
