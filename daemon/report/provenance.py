"""Where every number of a page came from: raw files by hash, methods by fingerprint, instruments, versions."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from greystep.daemon.analysis.methods import ResolvedMethod

from .evidence import GroupEvidence, RunEvidence, Sources


@dataclass(frozen=True)
class MethodWords:
    """A method as it is published beside its numbers."""

    id: str
    title: str
    standard: str
    description: str
    words: str
    """By its estimator, with the formula."""
    estimator: str
    fingerprint: str
    parameters: tuple[tuple[str, str], ...]


def methods_in_words(sources: Sources, run: RunEvidence) -> list[MethodWords]:
    """Every method that gave figures for the run."""
    used = {m for g in run.groups for m, stated in g.of_group.items() if stated}
    used |= {m for g in run.groups for (m, _), stated in g.of_captures.items() if stated}
    return [method_words(sources, m) for m in sources.methods.methods.values() if m.id in used]


def method_words(sources: Sources, method: ResolvedMethod) -> MethodWords:
    """One method."""
    d = method.definition
    estimator = sources.host.estimators[d.estimator]
    try:
        words = estimator.explain(estimator.Parameters.model_validate(method.parameters))
    except Exception as exc:  # a plugin may raise anything; its figures stand all the same
        words = f"The estimator gives no explanation ({type(exc).__name__})."
    origin = sources.host.origins.get(f"estimators:{d.estimator}")
    package = f", {origin.package} {origin.version}" if origin else ""
    numbers = [*method.parameters.items(), *((f"preparation: {k}", v) for k, v in method.preparation.items())]
    return MethodWords(
        method.id,
        d.title,
        " ".join(d.standard.split()),
        " ".join(d.description.split()),
        words,
        f"{d.estimator} version {method.estimator_version}{package}",
        method.fingerprint,
        tuple((k, _plain(v)) for k, v in numbers),
    )


def _plain(value: Any) -> str:
    if isinstance(value, (list, tuple)):
        return ", ".join(map(str, value))
    return "none" if value is None else str(value)


def instruments_of(group: GroupEvidence) -> list[dict[str, str]]:
    """Instruments of a condition: role, identity, driver, settings."""
    return [
        {
            "role": i.role,
            "identity": i.identity or "–",
            "driver": f"{i.driver} ({i.driver_version})" if i.driver_version else i.driver,
            "settings": "; ".join(f"{k} = {_plain(v)}" for k, v in i.settings.items() if k not in ("resource",)),
        }
        for i in group.meta.instruments
    ]
