"""Methods: TOML definitions checked against their estimator and preparer, defaults resolved, fingerprinted."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from greystep.schema.capture import Kind
from greystep.schema.errors import InputError, MethodError, Problem
from greystep.schema.method import MethodDefinition, method_fingerprint, preparation_fingerprint
from greystep.schema.toml_source import TomlSource
from greystep.schema.trace import Estimator, Preparer
from pydantic import BaseModel

DEFAULT_PREPARER: Final = "light"
"""Preparer of a method whose `[preparation]` names none by the key `preparer`."""


@dataclass(frozen=True)
class ResolvedMethod:
    """A method with every parameter written out; plain data that crosses process borders."""

    definition: MethodDefinition
    estimator_version: int
    kinds: frozenset[Kind]
    """Capture kinds that the estimator reads."""
    parameters: dict[str, Any]
    """Of the estimator, defaults included, as JSON values."""
    preparer: str
    preparer_version: int
    preparation: dict[str, Any]
    """Of the preparer, defaults included, as JSON values."""
    preparation_fingerprint: str
    fingerprint: str
    reads_siblings: bool = False
    """Whether the group's figures may compare with the other groups of the run: those that read power captures do."""
    source: str = ""
    """File that it came from."""

    @property
    def id(self) -> str:
        """Name in commands and files."""
        return self.definition.id

    def record(self) -> dict[str, Any]:
        """All that the fingerprint stands for, as JSON values, to be kept beside the figures."""
        return {
            **self.definition.model_dump(mode="json"),
            "estimator_version": self.estimator_version,
            "parameters": self.parameters,
            "preparer": self.preparer,
            "preparer_version": self.preparer_version,
            "preparation": self.preparation,
            "preparation_fingerprint": self.preparation_fingerprint,
            "fingerprint": self.fingerprint,
            "kinds": sorted(self.kinds),
        }


@dataclass(frozen=True)
class MethodSet:
    """The methods that can be used, and why others can't."""

    methods: Mapping[str, ResolvedMethod]
    """By id, in the order of their ids."""
    problems: tuple[Problem, ...] = field(default=())
    """Of definitions that were left out."""

    def require(self, *ids: str) -> list[ResolvedMethod]:
        """The methods of these ids, or all. Raises MethodError for an unknown id, with what is wrong with its file if known."""
        unknown = [i for i in ids if i not in self.methods]
        if unknown:
            known = ", ".join(self.methods) or "none"
            problems = [Problem(f"there is no method {i!r}") for i in unknown] + list(self.problems)
            raise MethodError(problems, todo=f"known methods: {known}")
        return [self.methods[i] for i in dict.fromkeys(ids)] if ids else list(self.methods.values())


def load_methods(files: Iterable[Path], estimators: Mapping[str, Estimator], preparers: Mapping[str, Preparer]) -> MethodSet:
    """Load definitions. A broken or doubled one is left out and its problems are kept; the others are not affected."""
    loaded: dict[str, ResolvedMethod] = {}
    problems: list[Problem] = []
    for path in files:
        try:
            method = load_method(path, estimators, preparers)
        except InputError as exc:
            problems += exc.problems
            continue
        if method.id in loaded:
            first = loaded[method.id].source
            problems.append(Problem(f"the id {method.id!r} is already used by {first}", str(path), 1, path="id"))
        else:
            loaded[method.id] = method
    return MethodSet(dict(sorted(loaded.items())), tuple(problems))


def method_files(built_in: Iterable[Path], home: Path | None) -> list[Path]:
    """Definitions of the plugins, then those of `HOME/methods`."""
    own = sorted((home / "methods").glob("*.toml")) if home is not None else []
    return [*built_in, *own]


def load_method(path: Path, estimators: Mapping[str, Estimator], preparers: Mapping[str, Preparer]) -> ResolvedMethod:
    """Load and check one definition. Raises MethodError with every problem at its line."""
    return resolve(TomlSource.read(path, MethodError), estimators, preparers)


def resolve(source: TomlSource, estimators: Mapping[str, Estimator], preparers: Mapping[str, Preparer]) -> ResolvedMethod:
    """Check a parsed definition against the plugins and write out its defaults. Raises MethodError."""
    definition = source.validate(MethodDefinition, MethodError)
    problems: list[Problem] = []
    preparation = dict(definition.preparation)
    preparer_id = preparation.pop("preparer", DEFAULT_PREPARER)
    estimator = _find("estimator", definition.estimator, estimators, source, ("estimator",), problems)
    preparer = _find("preparer", preparer_id, preparers, source, ("preparation", "preparer"), problems)
    parameters = _parameters(source, "parameters", definition.parameters, estimator, problems)
    prepared = _parameters(source, "preparation", preparation, preparer, problems)
    if problems or estimator is None or preparer is None:
        raise MethodError(problems)
    try:
        prep_print = preparation_fingerprint(preparer.id, preparer.version, prepared)
        print_ = method_fingerprint(estimator.id, estimator.version, parameters, prep_print)
    except ValueError as exc:
        raise MethodError([source.problem(("parameters",), "a parameter is not a finite number")]) from exc
    return ResolvedMethod(
        definition=definition,
        estimator_version=estimator.version,
        kinds=frozenset(estimator.kinds),
        parameters=parameters,
        preparer=preparer.id,
        preparer_version=preparer.version,
        preparation=prepared,
        preparation_fingerprint=prep_print,
        fingerprint=print_,
        reads_siblings="power" in estimator.kinds,
        source=source.name,
    )


def _find(
    what: str, name: Any, known: Mapping[str, Any], source: TomlSource, loc: tuple[str, ...], problems: list[Problem]
) -> Any:
    if isinstance(name, str) and name in known:
        return known[name]
    names = ", ".join(sorted(known)) or "none"
    problems.append(source.problem(loc, f"there is no {what} {str(name)[:60]!r}; loaded are: {names}"))
    return None


def _parameters(source: TomlSource, table: str, values: dict[str, Any], plugin: Any, problems: list[Problem]) -> dict[str, Any]:
    """The parameters with their defaults, as JSON values; problems at the lines of the table's keys."""
    if plugin is None:
        return {}
    model: type[BaseModel] = plugin.Parameters
    part = TomlSource(source.text, source.name, values, {})
    try:
        return part.validate(model, MethodError).model_dump(mode="json")
    except MethodError as exc:
        for problem in exc.problems:
            loc = tuple(int(p) if p.isdecimal() else p for p in problem.path.split(".") if p)
            problems.append(replace(source.problem((table, *loc), problem.message), path=f"{table}.{problem.path}".strip(".")))
        return {}
