"""Tell somebody that a run has ended, by a command of the user's choice."""

from __future__ import annotations

import subprocess
import threading
from collections.abc import Callable, Sequence
from typing import Final

_LIMIT_S: Final = 60.0


def notify(command: Sequence[str], run: str, state: str, log: Callable[..., None]) -> threading.Thread:
    """Start the command with the run and its state as last arguments. It may fail or hang without harm."""

    def work() -> None:
        try:
            done = subprocess.run(
                [*command, run, state],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=subprocess.DEVNULL,
                timeout=_LIMIT_S,
                check=False,
            )
            trouble = f"exit code {done.returncode}" if done.returncode else ""
        except (OSError, ValueError, subprocess.TimeoutExpired) as exc:
            trouble = str(exc)
        if trouble:
            log("notification failed", level="warning", command=command[0], error=trouble)

    thread = threading.Thread(target=work, name="greystep-notify", daemon=True)
    thread.start()
    return thread
