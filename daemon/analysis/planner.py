"""What is missing or out of date in one group, as work. The out-of-date rule stands here and nowhere else.

A result is up to date exactly when its fingerprint is the method's and the digest of its inputs is that of the raw files that
are there now.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import CaptureEntry, GroupEntry
from greystep.daemon.catalogue.inputs import Inputs
from greystep.schema.capture import Kind

from .methods import ResolvedMethod
from .work import Sibling, Source, Summary, Wanted, Work, capture_inputs

Known = Mapping[tuple[str, str], Mapping[int, bytes]]


@dataclass(frozen=True)
class GroupPlan:
    """What to do for one group."""

    group: GroupEntry
    works: tuple[Work, ...] = ()
    waiting: bool = False
    """Whether something can't be computed before more captures come."""

    @property
    def covered(self) -> bool:
        """Whether every figure is there and up to date."""
        return not self.works and not self.waiting


@dataclass(frozen=True)
class _Group:
    entry: GroupEntry
    sources: tuple[Source, ...]
    steady: tuple[Source, ...]
    steady_complete: bool
    whole: bool

    @classmethod
    def of(cls, entry: GroupEntry, captures: Sequence[CaptureEntry]) -> _Group:
        usable = [c for c in captures if not c.reason]
        steady = [c for c in usable if c.kind == "steady"]
        return cls(
            entry,
            tuple(Source.of(c) for c in usable),
            tuple(Source.of(c) for c in steady),
            len(steady) >= max((c.steady_total for c in usable), default=0),
            len(usable) >= max((c.group_total for c in usable), default=0),
        )

    def inputs(self, kind: Kind) -> Inputs:
        return capture_inputs(self.steady, self.steady_complete, kind)


def plan_group(
    catalogue: Catalogue,
    methods: Sequence[ResolvedMethod],
    row: int,
    *,
    settled: bool,
    share: int = 0,
) -> GroupPlan:
    """Work that brings a group up to date.

    Args:
        catalogue: tells what is there.
        methods: to be applied.
        row: of the group.
        settled: no more captures are expected; figures are made from what is there. Otherwise light is not interpreted before
            the steady captures are all there, nor the group summed up before it is complete.
        share: at most so many captures a piece of work, so that several processes can share a group; 0: all in one.
    """
    entry = catalogue.group(row)
    group = _Group.of(entry, catalogue.group_captures(row))
    known = catalogue.standing(row)
    wanted, waiting = _wanted(group, methods, known, settled=settled)
    whole = group.whole or settled
    waiting = waiting or not whole
    size = share or max(1, len(wanted))
    pieces = [tuple(wanted[i : i + size]) for i in range(0, len(wanted), size)] or [()]
    sums: tuple[Summary, ...] = ()
    if whole and not waiting and len(pieces) <= 1:
        sums = tuple(_summaries(catalogue, group, methods, known, frozenset(w.source.row for w in wanted)))
    works = [_work(group, methods, piece, sums) for piece in pieces if piece or sums]
    return GroupPlan(entry, tuple(works), waiting or len(pieces) > 1)


def _work(group: _Group, methods: Sequence[ResolvedMethod], captures: tuple[Wanted, ...], sums: tuple[Summary, ...]) -> Work:
    entry = group.entry
    return Work(
        group=entry.row,
        version=entry.version,
        name=f"{entry.run}, {entry.group}",
        methods=tuple(methods),
        steady=group.steady,
        steady_complete=group.steady_complete,
        captures=captures,
        summaries=sums,
    )


def _wanted(group: _Group, methods: Sequence[ResolvedMethod], known: Known, *, settled: bool) -> tuple[list[Wanted], bool]:
    """Captures with methods whose figures are missing or out of date, and whether some must wait."""
    out, waiting = [], False
    for source in group.sources:
        digest = group.inputs(source.kind).digest
        stale = tuple(i for i, m in enumerate(methods) if source.kind in m.kinds and _digest(known, m, source.row) != digest)
        if not stale:
            continue
        if source.kind in ("step", "steady") and not group.steady_complete and not settled:
            waiting = True
            continue
        out.append(Wanted(source, stale))
    return out, waiting


def _digest(known: Known, method: ResolvedMethod, row: int) -> bytes | None:
    return known.get((method.id, method.fingerprint), {}).get(row)


def _summaries(
    catalogue: Catalogue, group: _Group, methods: Sequence[ResolvedMethod], known: Known, coming: frozenset[int]
) -> list[Summary]:
    out = []
    siblings: tuple[Sibling, ...] | None = None
    for i, method in enumerate(methods):
        sources = tuple(s for s in group.sources if s.kind in method.kinds)
        if not sources:
            continue
        if method.reads_siblings and siblings is None:
            siblings = _siblings(catalogue, group.entry)
        beside = siblings if method.reads_siblings and siblings else ()
        hashes = [s.sha256 for s in sources] + [h for s in sources for h in group.inputs(s.kind).hashes]
        hashes += [s.sha256 for b in beside for s in b.sources]
        inputs = Inputs.of(hashes, complete=group.whole)
        fresh = {s.row for s in sources if s.row not in coming or _digest(known, method, s.row) == group.inputs(s.kind).digest}
        if fresh == {s.row for s in sources} and _digest(known, method, 0) == inputs.digest:
            continue
        have = {row: catalogue.records(group.entry.row, row, method.id, method.fingerprint) for row in sorted(fresh)}
        out.append(Summary(i, sources, inputs, {row: r for row, r in have.items() if r is not None}, beside))
    return out


def _siblings(catalogue: Catalogue, entry: GroupEntry) -> tuple[Sibling, ...]:
    """Other groups of the run with their power captures."""
    out = []
    for other in catalogue.run_groups(entry.run):
        if other.row != entry.row:
            found = [Source.of(c) for c in catalogue.group_captures(other.row) if c.kind == "power" and not c.reason]
            if found:
                out.append(Sibling(other.condition, tuple(found)))
    return tuple(out)
