"""Prepared subjects of a capture as the methods saw them, from the home's cache where it has them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from greystep.daemon.analysis.methods import ResolvedMethod
from greystep.daemon.analysis.packing import rounded
from greystep.daemon.analysis.prepared import PreparedCache
from greystep.daemon.analysis.work import Source, context_sources
from greystep.daemon.archive.archive import Archive
from greystep.daemon.catalogue.entries import CaptureEntry
from greystep.daemon.host import PluginHost
from greystep.schema.trace import Context, Subject


@dataclass
class PreparedTraces:
    """Prepares traces of groups; contexts are kept while it lives. Any call may raise ArchiveError for a damaged file."""

    archive: Archive
    host: PluginHost
    cache: PreparedCache
    _contexts: dict[tuple[str, ...], Context] = field(default_factory=dict)

    def context(self, method: ResolvedMethod, capture: CaptureEntry, group: Sequence[CaptureEntry]) -> Context:
        """What holds for the group under the method's preparation."""
        about = context_sources(_steady(group), Source.of(capture))
        hashes = tuple(s.sha256 for s in about)
        key = (method.preparation_fingerprint, *hashes)
        if key not in self._contexts:
            place = self.cache.place(method.preparation_fingerprint, "context", hashes)
            known = self.cache.get(place)
            self._contexts[key] = known[0] if known else self._make_context(method, about)
        return self._contexts[key]

    def subjects(self, method: ResolvedMethod, capture: CaptureEntry, group: Sequence[CaptureEntry]) -> list[Subject]:
        """The capture's transitions, held level or series."""
        source = Source.of(capture)
        about = context_sources(_steady(group), source)
        hashes = (source.sha256, *(s.sha256 for s in about))
        known = self.cache.get(self.cache.place(method.preparation_fingerprint, "subjects", hashes))
        if known is not None:
            return known
        preparer, parameters = self._preparer(method)
        context = self.context(method, capture, group)
        return [rounded(s) for s in preparer.subjects(self.archive.read(source.path), context, parameters)]

    def _make_context(self, method: ResolvedMethod, about: Sequence[Source]) -> Context:
        preparer, parameters = self._preparer(method)
        made: Context = preparer.context([self.archive.read(s.path) for s in about], parameters)
        return made

    def _preparer(self, method: ResolvedMethod) -> tuple[Any, Any]:
        preparer = self.host.preparers[method.preparer]
        return preparer, preparer.Parameters.model_validate(method.preparation)


def _steady(group: Sequence[CaptureEntry]) -> tuple[Source, ...]:
    return tuple(Source.of(c) for c in group if c.kind == "steady" and not c.reason)
