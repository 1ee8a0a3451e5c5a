"""One tree of errors. Each message says what happened, where, and what to do about it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass


class GreystepError(Exception):
    """Root of all errors that greystep raises on purpose.

    Attributes:
        what: what went wrong, in one sentence.
        where: file, address, or place in a file; empty when it is clear from `what`.
        todo: what the user can do; empty when nothing helps.
        retryable: whether the same call may succeed a moment later.
    """

    def __init__(self, what: str, *, where: str = "", todo: str = "", retryable: bool = False) -> None:
        super().__init__(what)
        self.what = what
        self.where = where
        self.todo = todo
        self.retryable = retryable

    def __str__(self) -> str:
        head = f"{self.where}: {self.what}" if self.where else self.what
        return f"{head} ({self.todo})" if self.todo else head

    def __reduce__(self) -> tuple[object, ...]:
        # The default pickles only `args`; errors cross process borders with all they know.
        return (_rebuild, (type(self), self.__dict__.copy(), self.args))


def _rebuild(cls: type[GreystepError], state: dict[str, object], args: tuple[object, ...]) -> GreystepError:
    error = cls.__new__(cls)
    Exception.__init__(error, *args)
    error.__dict__.update(state)
    return error


@dataclass(frozen=True)
class Problem:
    """One problem in something the user wrote."""

    message: str
    file: str = ""
    line: int | None = None
    column: int | str | None = None
    """Character position, or the name of a table column."""
    path: str = ""
    """Dotted path to the key, as in `condition.0.refresh_rate_hz`."""

    def __str__(self) -> str:
        place = ":".join(str(p) for p in (self.file, self.line, self.column) if p not in ("", None))
        key = f"{self.path}: " if self.path else ""
        return f"{place}: {key}{self.message}" if place else f"{key}{self.message}"


class InputError(GreystepError):
    """Something the user wrote can't be used; carries every problem found, not only the first."""

    def __init__(self, problems: Sequence[Problem], *, todo: str = "") -> None:
        self.problems = tuple(problems)
        super().__init__("\n".join(str(p) for p in problems), todo=todo)


class PlanError(InputError):
    """The plan can't be carried out as written."""


class BenchError(InputError):
    """`bench.toml` can't be used."""


class ManifestError(InputError):
    """An import manifest or one of its data files can't be used."""


class MethodError(InputError):
    """A method definition can't be used."""


class HomeError(GreystepError):
    """The home folder can't be used: not writable, held by another service, or of a newer version."""


class ArchiveError(GreystepError):
    """A raw capture could not be written, read or verified."""


class NoRoomError(ArchiveError):
    """The disk has too little room; nothing was lost and the run can go on when there is room."""


class CatalogueError(GreystepError):
    """The catalogue can't be used; it can always be rebuilt from the raw files."""


class PluginError(GreystepError):
    """A plugin could not be loaded or broke its contract."""


class InstrumentError(GreystepError):
    """An instrument did not do what was asked.

    Attributes:
        role: role of the instrument on the bench.
        sent: what was sent last.
        received: what came back, shortened.
    """

    def __init__(
        self,
        what: str,
        *,
        role: str = "",
        sent: str = "",
        received: str = "",
        where: str = "",
        todo: str = "",
        retryable: bool = False,
    ) -> None:
        super().__init__(what, where=where, todo=todo, retryable=retryable)
        self.role = role
        self.sent = sent
        self.received = received

    def __str__(self) -> str:
        parts = [f"{self.role}: " if self.role else "", super().__str__()]
        if self.sent:
            parts.append(f"; sent {self.sent!r}")
        if self.received:
            parts.append(f"; received {self.received!r}")
        return "".join(parts)


class InstrumentTimeoutError(InstrumentError):
    """No answer before the deadline. The session is dirty until it was resynchronised or reopened."""


class ConnectionLostError(InstrumentError):
    """The connection could not be opened or was closed by the other side."""


class ReplyError(InstrumentError):
    """The reply is not what the command asks for: garbage, wrong block length, wrong count."""


class RefusedError(InstrumentError):
    """The instrument reports an error of its own, as a rule from its error queue. Permanent unless said otherwise."""
