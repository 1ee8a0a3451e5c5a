"""Find the plugins of the entry-point group and collect what they offer."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from importlib.metadata import EntryPoint, entry_points
from pathlib import Path
from typing import Any

import pluggy
from greystep.schema import deprecation, hooks
from greystep.schema.errors import PluginError
from greystep.schema.roles import DriverSpec
from greystep.schema.trace import Estimator, Preparer

from .carried_over import function_of, old_hooks

_MAX_REASON = 300


@dataclass(frozen=True)
class PluginInfo:
    """One entry point of the group, loaded or not."""

    name: str
    package: str
    version: str
    module: str
    hooks: tuple[str, ...] = ()
    failure: str = ""
    """Why it was switched off; empty when it works."""
    remarks: tuple[str, ...] = ()
    """What its author should change before a later release."""


@dataclass(frozen=True)
class PluginHost:
    """Everything that the loaded plugins offer, by name."""

    plugins: tuple[PluginInfo, ...]
    drivers: Mapping[str, DriverSpec] = field(default_factory=dict)
    dialect_files: tuple[Path, ...] = ()
    importers: Mapping[str, Callable[..., Any]] = field(default_factory=dict)
    preparers: Mapping[str, Preparer] = field(default_factory=dict)
    estimators: Mapping[str, Estimator] = field(default_factory=dict)
    method_files: tuple[Path, ...] = ()
    reporters: Mapping[str, Callable[..., Any]] = field(default_factory=dict)
    origins: Mapping[str, PluginInfo] = field(default_factory=dict)
    """`kind:name` of everything offered -> the plugin that offers it."""

    @classmethod
    def load(cls, entries: Iterable[EntryPoint] | None = None) -> PluginHost:
        """Load every plugin. One that raises is named in `plugins` with its reason and left out.

        Args:
            entries: entry points to load; None: all of the group `greystep`.
        """
        chosen = sorted(entry_points(group=hooks.PROJECT) if entries is None else entries, key=lambda e: (e.group, e.name))
        loaded = [_Loaded.of(entry) for entry in chosen]
        found = _Collector()
        infos = []
        for item in loaded:
            info = item.info
            if not info.failure:
                reason = found.collect(item.module, info)
                info = replace(info, failure=reason)
            infos.append(info)
        return cls(plugins=tuple(infos), **found.result())

    @property
    def failures(self) -> tuple[PluginInfo, ...]:
        """Plugins that were switched off."""
        return tuple(p for p in self.plugins if p.failure)

    def driver(self, name: str) -> DriverSpec:
        """A driver by name. Raises PluginError with the near names when there is none."""
        if name in self.drivers:
            return self.drivers[name]
        from difflib import get_close_matches

        near = get_close_matches(name, self.drivers)
        todo = f"did you mean {near[0]!r}?" if near else "'greystep plugins' lists the drivers"
        raise PluginError(f"no driver named {name!r}", todo=todo)


@dataclass(frozen=True)
class _Loaded:
    module: Any
    info: PluginInfo

    @classmethod
    def of(cls, entry: EntryPoint) -> _Loaded:
        package = entry.dist.name if entry.dist else ""
        version = entry.dist.version if entry.dist else ""
        try:
            module = entry.load()
            manager = pluggy.PluginManager(hooks.PROJECT)
            manager.add_hookspecs(hooks)
            if (old := old_hooks()) is not None:
                manager.add_hookspecs(old)
            manager.register(module, name=entry.name)
            manager.check_pending()
            names = tuple(sorted(c.name for c in manager.get_hookcallers(module) or ()))
            reason = "" if names else "implements none of the hooks"
            reason, remarks = _interface(module, reason)
        except BaseException as exc:  # a plugin may raise anything, SystemExit included
            if isinstance(exc, KeyboardInterrupt):
                raise
            return cls(None, PluginInfo(entry.name, package, version, entry.value, failure=_reason(exc)))
        who = f"plugin {entry.name} of {package or '?'}"
        remarks += [deprecation.warn(n, deprecation.HOOKS[n], who) for n in names if n in deprecation.HOOKS]
        return cls(module, PluginInfo(entry.name, package, version, entry.value, names, reason, tuple(remarks)))


class _Collector:
    """Gathers offers one plugin at a time: a plugin's offers count only when all of them could be read."""

    def __init__(self) -> None:
        self._named: dict[str, dict[str, Any]] = {
            k: {} for k in ("drivers", "importers", "preparers", "estimators", "reporters")
        }
        self._files: dict[str, list[Path]] = {"dialect_files": [], "method_files": []}
        self._origins: dict[str, PluginInfo] = {}

    def collect(self, module: Any, info: PluginInfo) -> str:
        """Take all offers of a plugin; returns the reason when it must be switched off."""
        try:
            named = {
                "drivers": {d.name: d for d in _call(module, "greystep_drivers")},
                "importers": dict(_call(module, "greystep_importers") or {}),
                "preparers": {p.id: p for p in _call(module, "greystep_preparers")},
                "estimators": {e.id: e for e in _call(module, "greystep_estimators")},
                "reporters": dict(_call(module, "greystep_reporters") or {}),
            }
            files = {
                "dialect_files": [Path(p) for p in _call(module, "greystep_dialects")],
                "method_files": [Path(p) for p in _call(module, "greystep_methods")],
            }
        except Exception as exc:
            return _reason(exc)
        for kind, offers in named.items():
            for name in offers:
                if name in self._named[kind]:
                    other = self._origins[f"{kind}:{name}"]
                    return f"offers {kind[:-1]} {name!r}, which {other.name} of {other.package} offers already"
        for kind, offers in named.items():
            self._named[kind].update(offers)
            self._origins.update({f"{kind}:{name}": info for name in offers})
        for kind, paths in files.items():
            self._files[kind] += paths
        return ""

    def result(self) -> dict[str, Any]:
        """Arguments for the host."""
        return {**self._named, **{k: tuple(v) for k, v in self._files.items()}, "origins": self._origins}


def _interface(module: Any, reason: str) -> tuple[str, list[str]]:
    """Whether a plugin that says for which interface it was made can be used: the reason why not, and remarks."""
    made_for = getattr(module, "GREYSTEP_API", hooks.API_VERSION)
    if made_for == hooks.API_VERSION:
        return reason, []
    words = f"made for version {made_for} of the plugin interface, this greystep has {hooks.API_VERSION}"
    newer = not isinstance(made_for, int) or made_for > hooks.API_VERSION
    return (f"{words}: update greystep", []) if newer else (reason, [f"{words}: CHANGELOG says what has changed"])


def _call(module: Any, hook: str) -> Any:
    function = function_of(module, hook)
    return (function() if function else None) or ()


def _reason(exc: BaseException) -> str:
    text = f"{type(exc).__name__}: {exc}".splitlines()[0]
    return text[:_MAX_REASON]
