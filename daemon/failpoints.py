"""Named points at which a test can kill the process or make a step fail. Off in normal use."""

from __future__ import annotations

import os
import signal
from collections.abc import Mapping
from typing import Final, Protocol

FAILPOINTS: Final = (
    "spool.accept.before-rename",
    "spool.accept.after-rename",
    "spool.accept.after-plan",
    "spool.reject.before-rename",
    "run.begin",
    "run.capture.before-acquire",
    "run.capture.after-acquire",
    "archive.before-write",
    "archive.after-write",
    "archive.after-fsync",
    "archive.after-rename",
    "archive.after-folder-fsync",
    "archive.after-sums",
    "run.journal.before-append",
    "run.journal.after-append",
    "run.end.before-journal",
    "run.end.after-journal",
    "catalogue.before-capture",
    "catalogue.after-capture",
    "catalogue.before-store",
    "catalogue.after-store",
)
"""Every durable step of spool, runner, archive and catalogue, in the order in which a run meets them."""


class Failpoints(Protocol):
    """What the durable steps call."""

    def hit(self, name: str) -> None:
        """Pass the point, or not."""


class NoFailpoints:
    """Normal use."""

    def hit(self, name: str) -> None:
        """Do nothing."""


class ArmedFailpoints:
    """Kill the process, or raise OSError, at the n-th pass of a point."""

    def __init__(self, orders: Mapping[str, str]) -> None:
        """Args: orders: point -> `kill@N` or `error@N`, N from 1."""
        self._left: dict[str, tuple[str, int]] = {}
        for name, order in orders.items():
            if name not in FAILPOINTS:
                raise ValueError(f"unknown failpoint {name!r}")
            action, _, count = order.partition("@")
            if action not in ("kill", "error"):
                raise ValueError(f"unknown action {action!r} of failpoint {name!r}")
            self._left[name] = (action, int(count or 1))

    def hit(self, name: str) -> None:
        """Count down; act at zero."""
        if name not in self._left:
            return
        action, left = self._left[name]
        self._left[name] = (action, left - 1)
        if left != 1:
            return
        if action == "kill":
            os.kill(os.getpid(), signal.SIGKILL)
        raise OSError(5, f"failpoint {name}")


def failpoints_from(text: str) -> Failpoints:
    """Read `name=kill@3,other=error@1`; nothing armed for an empty text."""
    orders = dict(part.split("=", 1) for part in text.split(",") if part)
    return ArmedFailpoints(orders) if orders else NoFailpoints()
