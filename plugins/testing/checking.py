"""Run checks on an instrument: each is a function of it that returns (perhaps with a remark) or raises."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from greystep.schema.errors import GreystepError
from greystep.schema.roles import CheckResult

Check = Callable[[Any], str | None]
"""Its docstring's first line is the promise."""
Overhear = Callable[[], tuple[str, str]]
"""Called after each check; returns what was sent and received during it."""


class CheckFailedError(AssertionError):
    """The instrument does not keep the promise."""


class NotSupportedError(Exception):
    """The promise can't be tested here, or the instrument has no such thing."""


def promise(check: Check) -> str:
    """First line of the check's docstring."""
    return (check.__doc__ or check.__name__).strip().splitlines()[0].rstrip(".")


def run_checks(checks: Sequence[Check], instrument: Any, overhear: Overhear | None = None) -> list[CheckResult]:
    """Run all checks, also after failures; an error of the instrument is a failure of the check, nothing else is caught."""
    results = []
    for check in checks:
        outcome, detail = _run(check, instrument)
        sent, received = overhear() if overhear else ("", "")
        results.append(CheckResult(promise(check), outcome, detail, sent, received))  # type: ignore[arg-type]
    return results


def _run(check: Check, instrument: Any) -> tuple[str, str]:
    try:
        return "pass", check(instrument) or ""
    except NotSupportedError as exc:
        return "not supported", str(exc)
    except CheckFailedError as exc:
        return "fail", str(exc)
    except GreystepError as exc:
        return "fail", f"{type(exc).__name__}: {exc}"


def expect(condition: bool, otherwise: str) -> None:
    """Raises CheckFailedError unless the condition holds."""
    if not condition:
        raise CheckFailedError(otherwise)


def refused(call: Callable[[], object], what: str, *errors: type[BaseException]) -> None:
    """Raises CheckFailedError unless the call is refused."""
    try:
        call()
    except errors:
        return
    raise CheckFailedError(f"{what} was accepted")
