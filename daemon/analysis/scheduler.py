"""Feeds a backend with work and stores what comes back. The one writer of measurements, for live work and recompute alike."""

from __future__ import annotations

from collections import OrderedDict, deque
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Covered, GroupEntry, MethodEntry, Result
from greystep.schema.errors import GreystepError

from .backend import Backend, Batch, Done
from .methods import ResolvedMethod
from .planner import plan_group
from .step import Death
from .work import Outcome, Source, Work

BATCH_VALUES = 20_000_000
"""Samples a batch: about half a second of work, so that handing it over costs nothing."""
_MOST_WORKS = 32
"""Pieces of work a batch: bounds what is in memory when captures are tiny."""
_TRIES = 2
_STARTS = 3


def declare(catalogue: Catalogue, methods: Iterable[ResolvedMethod]) -> None:
    """Make these the current methods of the catalogue. All that are loaded, not only those that will be applied."""
    catalogue.set_methods(MethodEntry(m.id, m.fingerprint, m.definition.title, m.record()) for m in methods)


@dataclass
class Progress:
    """What a scheduler has done since it began."""

    captures: int = 0
    results: int = 0
    groups: int = 0
    """Groups brought up to date."""
    busy_s: float = 0.0
    """Time that workers spent."""
    deaths: int = 0
    quarantined: list[str] = field(default_factory=list)
    """What was given up, and why."""


class Scheduler:
    """Groups in, figures into the catalogue. Used by one thread."""

    def __init__(
        self,
        catalogue: Catalogue,
        methods: Sequence[ResolvedMethod],
        backend: Backend,
        *,
        settled: Callable[[GroupEntry], bool] = lambda _: True,
        stored: Callable[[Sequence[Result]], None] = lambda _: None,
    ) -> None:
        """
        Args:
            catalogue: a writer.
            methods: to apply; the catalogue must know them (see `declare`).
            backend: carries the work.
            settled: whether no more captures of a group are expected.
            stored: told of each lot of results after they were stored.
        """
        self._catalogue = catalogue
        self._methods = tuple(methods)
        self._backend = backend
        self._settled = settled
        self._stored = stored
        self._queue: OrderedDict[int, None] = OrderedDict()
        self._ready: deque[tuple[Work, int]] = deque()
        self._returned: deque[Done] = deque()
        self._flying: dict[int, int] = {}
        self._again: set[int] = set()
        self._tries: dict[int, int] = {}
        self._starts = 0
        self.progress = Progress()

    @property
    def keys(self) -> frozenset[str]:
        """The methods in use, as `id@fingerprint`."""
        return frozenset(f"{m.id}@{m.fingerprint}" for m in self._methods)

    def use(self, methods: Sequence[ResolvedMethod]) -> None:
        """Apply these from now on."""
        self._methods = tuple(methods)

    def offer(self, groups: Iterable[int], *, first: bool = False) -> None:
        """Groups to be looked at. A group in hand is looked at again when its work is back."""
        for row in groups:
            if row in self._flying:
                self._again.add(row)
                continue
            self._queue.setdefault(row, None)
            if first:
                self._queue.move_to_end(row, last=False)

    @property
    def idle(self) -> bool:
        """Whether nothing is waiting or in hand."""
        return not (self._queue or self._ready or self._flying)

    @property
    def waiting(self) -> int:
        """Groups that wait to be looked at."""
        return len(self._queue)

    def turn(self, timeout_s: float) -> None:
        """Hand out work while there is room, wait for what comes back, store it.

        Raises:
            GreystepError: the workers can't start at all.
            CatalogueError: nothing was lost; a later turn stores what came back.
        """
        self._fill()
        self._returned += self._backend.wait(timeout_s if self._flying and not self._returned else 0.0)
        self._take()

    # Handing out

    def _fill(self) -> None:
        while self._backend.room() > 0:
            batch = self._next_batch()
            if not batch:
                return
            self._backend.submit(batch)

    def _next_batch(self) -> Batch:
        batch: list[Work] = []
        values = 0
        # Not more than a fair share of what is left, or the other workers would stand idle at the end.
        most = 1 + (len(self._ready) + len(self._queue)) // (2 * self._backend.workers)
        most = min(most, _MOST_WORKS)
        while values < BATCH_VALUES and len(batch) < most and (self._ready or self._queue):
            if not self._ready and not self._plan(next(iter(self._queue))):
                continue
            work, tries = self._ready[0]
            if tries and batch:
                break
            self._ready.popleft()
            batch.append(work)
            values += work.values
            if tries:
                break
        return tuple(batch)

    def _plan(self, row: int) -> bool:
        """Turn a group into work. Returns whether there was any."""
        del self._queue[row]
        entry = self._catalogue.group(row)
        # Few groups and many processes: share a group out, and sum it up when all its parts are back.
        share = max(1, entry.captures // (2 * self._backend.workers)) if len(self._queue) < self._backend.workers > 1 else 64
        share = share if share < entry.captures else 0
        plan = plan_group(self._catalogue, self._methods, row, settled=self._settled(entry), share=share)
        if plan.works:
            self._flying[row] = len(plan.works)
            self._ready.extend((w, 0) for w in plan.works)
            # What was not part of this plan is found when the group is looked at again.
            self._again.add(row)
        elif plan.covered:
            self._catalogue.store((), [Covered(row, entry.version, self.keys)])
            self.progress.groups += 1
        return bool(plan.works)

    # Taking back

    def _take(self) -> None:
        """Store what came back; when that fails it is tried again with the next turn."""
        while self._returned:
            item = self._returned[0]
            landed: list[Work] = []
            results = self._after_death(item.batch, item.death, landed) if item.death else []
            results += [r for o in item.outcomes for r in o.results]
            self._catalogue.store(results, (), [p for o in item.outcomes for p in o.paces])
            for outcome in item.outcomes:
                self._account(outcome)
                self._starts = 0
            self._returned.popleft()
            self.progress.results += len(results)
            for work in landed if item.death else item.batch:
                self._land(work)
            if results:
                self._stored(results)

    def _account(self, outcome: Outcome) -> None:
        self.progress.busy_s += outcome.seconds
        self.progress.captures += outcome.captures
        for item in outcome.unreadable:
            self._catalogue.mark_unreadable(item.id, item.reason)
            self.progress.quarantined.append(f"capture {item.id}: {item.reason}")

    def _land(self, work: Work) -> None:
        self._tries.pop(id(work), None)
        self._flying[work.group] -= 1
        if self._flying[work.group] == 0:
            del self._flying[work.group]
            if work.group in self._again:
                self._again.discard(work.group)
                self.offer([work.group], first=True)

    # Deaths

    def _after_death(self, batch: Batch, death: Death, landed: list[Work]) -> list[Result]:
        """Try each work of a dead batch once more alone; the second time, give up what the process died of."""
        self.progress.deaths += 1
        if death.blameless:
            self._starts += 1
            if self._starts >= _STARTS:
                raise GreystepError(f"analysis can't start: {death.how}", todo="'greystep plugins' shows what is loaded")
            self._ready.extendleft((w, 1) for w in batch)
            return []
        self._starts = 0
        results: list[Result] = []
        for work in batch:
            tries = self._tries[id(work)] = self._tries.get(id(work), 0) + 1
            if tries < _TRIES:
                self._ready.appendleft((work, tries))
            elif not death.step.verb and len(work.captures) > 1:
                self._split(work, landed)
            else:
                results += self._give_up(work, death)
                landed.append(work)
        return results

    def _split(self, work: Work, landed: list[Work]) -> None:
        """It is not known what the process died of (a cluster doesn't tell): each capture for itself shows it."""
        parts = [replace(work, captures=(c,), summaries=()) for c in work.captures]
        self._flying[work.group] += len(parts)
        self._ready.extendleft((p, 1) for p in parts)
        landed.append(work)

    def _give_up(self, work: Work, death: Death) -> list[Result]:
        """Results that say why there are none, or a capture marked as unreadable; the group is planned again without them."""
        words = f"analysis gave up {death}"
        self.progress.quarantined.append(f"{work.name}: {words}")
        source = next((s for s in _sources(work) if s.path == death.step.path), None)
        if source is not None and death.step.verb in ("reading", "preparing"):
            self._catalogue.mark_unreadable(source.id, words)
            return []
        blamed = {death.step.method} if death.step.verb == "computing" else {m.id for m in work.methods}
        return list(_failures(work, source, blamed, words))


def _sources(work: Work) -> Iterable[Source]:
    yield from (w.source for w in work.captures)
    yield from work.steady
    for summary in work.summaries:
        yield from summary.sources
        for sibling in summary.siblings:
            yield from sibling.sources


def _failures(work: Work, source: Source | None, blamed: set[str], words: str) -> Iterable[Result]:
    """Results without figures: of the capture in hand, or of the group when there was none."""
    of_capture = source is not None and any(w.source.row == source.row for w in work.captures)
    for wanted in work.captures:
        if of_capture and source is not None and source.row != wanted.source.row:
            continue
        for method in (work.methods[i] for i in wanted.methods if work.methods[i].id in blamed):
            if of_capture or not work.summaries:
                inputs = work.inputs_of(wanted.source)
                yield Result(work.group, wanted.source.row, method.id, method.fingerprint, inputs, failure=words)
    for summary in () if of_capture else work.summaries:
        method = work.methods[summary.method]
        if method.id in blamed:
            yield Result(work.group, 0, method.id, method.fingerprint, summary.inputs, failure=words)
