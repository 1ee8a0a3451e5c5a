"""Does one piece of work: raw files and methods in, results out. A pure function of both, whoever calls it, cached or not."""

from __future__ import annotations

import time
from collections import OrderedDict
from collections.abc import Callable, Collection, Mapping, Sequence
from dataclasses import replace
from typing import Any, Protocol

from greystep.daemon.catalogue import record
from greystep.daemon.catalogue.entries import Result
from greystep.daemon.catalogue.record import Record
from greystep.schema.capture import Capture
from greystep.schema.errors import ArchiveError, PluginError
from greystep.schema.figure import Figure
from greystep.schema.trace import Context, Estimator, Preparer, Subject
from pydantic import BaseModel

from .methods import ResolvedMethod
from .packing import rounded
from .prepared import PreparedCache
from .step import Step
from .work import Outcome, Sibling, Source, Summary, Unreadable, Wanted, Work, context_sources

_KEPT_CONTEXTS = 32
_MAX_REASON = 300


class Reader(Protocol):
    """What the engine needs of the archive."""

    def read(self, relative: str, channels: Collection[str] | None = None) -> Capture:
        """A capture with some or all of its channels. Raises ArchiveError."""


class _UnreadableError(Exception):
    def __init__(self, source: Source, reason: str) -> None:
        super().__init__(reason)
        self.source = source
        self.reason = reason


class Engine:
    """Plugins, the archive and the caches of one process."""

    def __init__(
        self,
        archive: Reader,
        estimators: Mapping[str, Estimator],
        preparers: Mapping[str, Preparer],
        cache: PreparedCache | None = None,
        announce: Callable[[Step], None] = lambda _: None,
    ) -> None:
        """
        Args:
            archive: reads raw captures.
            estimators: by id.
            preparers: by id.
            cache: of prepared traces; None: none.
            announce: told what is done next, so that it is known when the process dies of it.
        """
        self._archive = archive
        self._estimators = estimators
        self._preparers = preparers
        self._cache = cache
        self._announce = announce
        self._contexts: OrderedDict[tuple[str, tuple[str, ...]], Context] = OrderedDict()
        self._parameters: dict[tuple[str, str], BaseModel] = {}

    def perform(self, work: Work) -> Outcome:
        """Compute what is wanted.

        A raw file that can't be read ends the work early: what was computed before is handed back with the file's name, and
        the rest must be planned again without it. A plugin that raises gives results with a `failure`.

        Raises:
            PluginError: this process has not the plugins, in the versions, that the methods need; nothing was done.
        """
        for method in work.methods:
            self._check(method)
        started = time.monotonic()
        results: list[Result] = []
        unreadable: tuple[Unreadable, ...] = ()
        raw = _RawShelf(self._archive, self._announce)
        pace = _Pace()
        done = 0
        fresh: dict[tuple[int, int], tuple[Record, ...] | None] = {}
        try:
            for wanted in work.captures:
                for index, result in self._capture(work, wanted, raw, pace):
                    results.append(result)
                    fresh[index, wanted.source.row] = None if result.failure else result.records
                done += 1
            results += [self._summary(work, s, fresh, raw) for s in work.summaries]
        except _UnreadableError as exc:
            unreadable = (Unreadable(exc.source.id, exc.reason),)
        seconds = time.monotonic() - started
        return Outcome(tuple(results), unreadable, seconds, done, pace.rows(done, seconds))

    # One capture

    def _capture(self, work: Work, wanted: Wanted, raw: _RawShelf, pace: _Pace) -> list[tuple[int, Result]]:
        source, inputs = wanted.source, work.inputs_of(wanted.source)
        complete = work.steady_complete or source.kind not in ("step", "steady")
        out = []
        for index in wanted.methods:
            method = work.methods[index]
            try:
                records = self._figures(method, source, work.context_of(source), complete, raw, pace)
                result = Result(work.group, source.row, method.id, method.fingerprint, inputs, records)
            except (_UnreadableError, MemoryError):
                raise
            except Exception as exc:  # a plugin may raise anything; it costs this figure and no other
                result = Result(work.group, source.row, method.id, method.fingerprint, inputs, failure=_reason(exc, method))
            out.append((index, result))
        return out

    def _figures(
        self,
        method: ResolvedMethod,
        source: Source,
        about: tuple[Source, ...],
        complete: bool,
        raw: _RawShelf,
        pace: _Pace | None = None,
    ) -> tuple[Record, ...]:
        estimator = self._estimators[method.definition.estimator]
        context = replace(self._context(method, about, raw), complete=complete)
        subjects = self._subjects(method, source, about, raw)
        self._announce(Step("computing", source.path, method.id))
        parameters = self._model("estimator", method.fingerprint, estimator, method.parameters)
        flags = () if complete else ("incomplete",)
        began = time.monotonic()
        made = tuple(record.pack(f, flags) for s in subjects for f in estimator.estimate(s, context, parameters))
        if pace:
            pace.add(method.id, time.monotonic() - began)
        return made

    def _context(self, method: ResolvedMethod, sources: tuple[Source, ...], raw: _RawShelf) -> Context:
        hashes = tuple(s.sha256 for s in sources)
        key = (method.preparation_fingerprint, hashes)
        if key in self._contexts:
            self._contexts.move_to_end(key)
            return self._contexts[key]
        place = self._cache.place(method.preparation_fingerprint, "context", hashes) if self._cache else None
        known = self._cache.get(place) if self._cache and place else None
        if known:
            context: Context = known[0]
        else:
            preparer = self._preparers[method.preparer]
            captures = [raw.read(s, _channels(preparer)) for s in sources]
            self._announce(Step("preparing", sources[0].path, method.preparer))
            context = preparer.context(captures, self._model("preparer", key[0], preparer, method.preparation))
            if self._cache and place:
                self._cache.put(place, [context])
        self._contexts[key] = context
        if len(self._contexts) > _KEPT_CONTEXTS:
            self._contexts.popitem(last=False)
        return context

    def _subjects(self, method: ResolvedMethod, source: Source, about: tuple[Source, ...], raw: _RawShelf) -> list[Subject]:
        made = raw.subjects_of(source).get(method.preparation_fingerprint)
        if made is not None:
            return made
        hashes = (source.sha256, *(s.sha256 for s in about))
        place = self._cache.place(method.preparation_fingerprint, "subjects", hashes) if self._cache else None
        made = self._cache.get(place) if self._cache and place else None
        if made is None:
            preparer = self._preparers[method.preparer]
            context = self._context(method, about, raw)
            capture = raw.read(source, _channels(preparer))
            self._announce(Step("preparing", source.path, method.preparer))
            parameters = self._model("preparer", method.preparation_fingerprint, preparer, method.preparation)
            made = [rounded(s) for s in preparer.subjects(capture, context, parameters)]
            if self._cache and place:
                self._cache.put(place, made)
        raw.subjects_of(source)[method.preparation_fingerprint] = made
        return made

    # The whole group

    def _summary(
        self, work: Work, s: Summary, fresh: Mapping[tuple[int, int], tuple[Record, ...] | None], raw: _RawShelf
    ) -> Result:
        method = work.methods[s.method]
        place = (work.group, 0, method.id, method.fingerprint, s.inputs)
        try:
            parts = [s.known.get(c.row) if c.row in s.known else fresh.get((s.method, c.row)) for c in s.sources]
            complete = s.inputs.complete and all(p is not None for p in parts)
            figures = [record.unpack(r) for p in parts for r in p or ()]
            estimator = self._estimators[method.definition.estimator]
            context = self._context(method, context_sources(work.steady, s.sources[0]), raw)
            others = dict(context.others)
            if s.siblings:
                others["figures"] = self._sibling_figures(method, s.siblings, raw)
            self._announce(Step("computing", "", method.id))
            parameters = self._model("estimator", method.fingerprint, estimator, method.parameters)
            made = estimator.summarise(figures, replace(context, complete=complete, others=others), parameters)
            flags = () if complete else ("incomplete",)
            return Result(*place, records=tuple(record.pack(f, flags) for f in made))
        except (_UnreadableError, MemoryError):
            raise
        except Exception as exc:
            return Result(*place, failure=_reason(exc, method))

    def _sibling_figures(self, method: ResolvedMethod, siblings: Sequence[Sibling], raw: _RawShelf) -> dict[str, list[Figure]]:
        out: dict[str, list[Figure]] = {}
        for sibling in siblings:
            records = [r for s in sibling.sources for r in self._figures(method, s, (s,), True, raw)]
            out.setdefault(sibling.condition, []).extend(record.unpack(r) for r in records)
        return out

    # Plugins

    def _check(self, method: ResolvedMethod) -> None:
        _same_version("estimator", method.definition.estimator, self._estimators, method.estimator_version)
        _same_version("preparer", method.preparer, self._preparers, method.preparer_version)

    def _model(self, what: str, fingerprint: str, plugin: Any, values: Mapping[str, Any]) -> BaseModel:
        key = (what, fingerprint)
        if key not in self._parameters:
            made: BaseModel = plugin.Parameters.model_validate(values)
            self._parameters[key] = made
        return self._parameters[key]


class _Pace:
    """What each method cost."""

    def __init__(self) -> None:
        self._spent: dict[str, tuple[int, float]] = {}

    def add(self, method: str, seconds: float) -> None:
        """One capture."""
        n, before = self._spent.get(method, (0, 0.0))
        self._spent[method] = (n + 1, before + seconds)

    def rows(self, captures: int, seconds: float) -> tuple[tuple[str, int, float], ...]:
        """(method, captures, seconds), and the rest of the time under the empty name."""
        rest = max(0.0, seconds - sum(s for _, s in self._spent.values()))
        return (("", captures, rest), *((m, n, s) for m, (n, s) in self._spent.items()))


class _RawShelf:
    """Raw captures of the work in hand: each is read once, and memory stays bounded."""

    _KEPT_VALUES = 8_000_000

    def __init__(self, archive: Reader, announce: Callable[[Step], None]) -> None:
        self._archive = archive
        self._announce = announce
        self._kept: OrderedDict[tuple[str, frozenset[str] | None], Capture] = OrderedDict()
        self._subjects: tuple[str, dict[str, list[Subject]]] = ("", {})

    def subjects_of(self, source: Source) -> dict[str, list[Subject]]:
        """Subjects of the capture in hand by preparation; all methods with the same preparation share them."""
        if self._subjects[0] != source.id:
            self._subjects = (source.id, {})
        return self._subjects[1]

    def read(self, source: Source, channels: frozenset[str] | None) -> Capture:
        """The capture with these channels. Raises _UnreadableError."""
        key = (source.id, channels)
        if key in self._kept:
            return self._kept[key]
        self._announce(Step("reading", source.path))
        try:
            capture = self._archive.read(source.path, channels)
        except ArchiveError as exc:
            if exc.retryable:
                raise
            raise _UnreadableError(source, str(exc)) from exc
        self._kept[key] = capture
        while len(self._kept) > 1 and sum(c.segments * c.samples for c in self._kept.values()) > self._KEPT_VALUES:
            self._kept.popitem(last=False)
        return capture


def _channels(preparer: Preparer) -> frozenset[str] | None:
    """Channels that a preparer reads, where it says so; unpacking the others would be for nothing."""
    declared = getattr(preparer, "channels", None)
    return None if declared is None else frozenset(declared)


def _same_version(what: str, name: str, known: Mapping[str, Any], version: int) -> None:
    found = known.get(name)
    if found is None or found.version != version:
        have = "does not have it" if found is None else f"has version {found.version}"
        raise PluginError(
            f"the {what} {name!r} of version {version} is needed, this process {have}",
            todo="install the same plugins wherever analysis runs",
        )


def _reason(exc: BaseException, method: ResolvedMethod) -> str:
    first = (str(exc).splitlines() or [""])[0]
    return f"estimator {method.definition.estimator!r}: {type(exc).__name__}: {first}"[:_MAX_REASON]
