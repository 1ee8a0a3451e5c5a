"""What a process is doing, and how it came to an end: so that a death can be laid at the right door."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Step:
    """What a process does now; announced before it is done."""

    verb: str = ""
    """reading, preparing, computing; empty: the process has not begun yet."""
    path: str = ""
    """Raw file in hand; empty for figures of a whole group."""
    method: str = ""
    """Id of the method, or of the preparer."""

    def __str__(self) -> str:
        return " ".join(p for p in (self.verb or "starting", self.method, "of" if self.method else "", self.path) if p)


@dataclass(frozen=True)
class Death:
    """Why a batch came back without outcomes."""

    step: Step
    """What was being done."""
    how: str
    """died, hung, or what was raised; in words."""
    blameless: bool = False
    """The process never began its work: another one may do it."""

    def __str__(self) -> str:
        return f"while {self.step}: {self.how}"
