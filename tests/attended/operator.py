"""An operator at a virtual bench: reads the terminal, changes levels by hand, takes time, and makes mistakes."""

from __future__ import annotations

import re
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np


@dataclass
class Operator:
    """A terminal whose other end is a person with the device in the other hand.

    The person acts in a thread, so that changes come while the digitiser waits.
    """

    pattern: Any
    """Driver of the pattern source, standing for the device's own menu."""
    settle_s: float
    """Host time to wait after each change."""
    rng: np.random.Generator = field(default_factory=lambda: np.random.default_rng(7))
    mistakes: float = 0.0
    """How often another level than the one asked for is shown."""
    script: dict[int, str] = field(default_factory=dict)
    """After so many accepted records: what to type."""
    stray: tuple[int, ...] = ()
    """Levels shown by mistake that are not in the plan."""
    silent: bool = False
    """Only watches."""
    said: list[str] = field(default_factory=list)
    _lines: list[str] = field(default_factory=list)
    _lock: threading.Lock = field(default_factory=threading.Lock)
    _acting: threading.Thread | None = None
    accepted: int = 0

    def say(self, text: str) -> None:
        self.said.append(text)
        if self.silent:
            return
        if "Accepted" in text:
            self.accepted += 1
            if self.accepted in self.script:
                with self._lock:
                    self._lines.append(self.script.pop(self.accepted))
        show = re.search(r"[Ss]how level (\d+)", text)
        if show and "press Enter" in text:
            self._act(lambda: self._show(int(show[1]), enter=True))
        elif "Then press Enter" in text or "then press Enter" in text or "press Enter (again" in text:
            self._act(self._enter)
        elif change := re.search(r"Change (?:UP|DOWN) to ([\d, ()a-z]+)\.", text):
            levels = [int(v) for v in re.findall(r"(\d+) \(\d+ left\)", change[1])]
            self._act(lambda: self._change(levels))
        elif go := re.search(r"; go to (\d+)\.", text):
            self._act(lambda: self._show(int(go[1])))

    def line(self, timeout_s: float) -> str | None:
        if timeout_s:
            time.sleep(min(timeout_s, 0.02))
        with self._lock:
            return self._lines.pop(0) if self._lines else None

    def _act(self, what: Callable[[], None]) -> None:
        if self._acting is not None:
            self._acting.join(10)
        self._acting = threading.Thread(target=what, daemon=True)
        self._acting.start()

    def _enter(self) -> None:
        time.sleep(self.settle_s)
        with self._lock:
            self._lines.append("")

    def _show(self, level: int, *, enter: bool = False) -> None:
        time.sleep(self.settle_s * (1 + self.rng.random()))
        self.pattern.level(level)
        if enter:
            self._enter()

    def _change(self, levels: list[int]) -> None:
        chosen = int(self.rng.choice(levels))
        if self.rng.random() < self.mistakes:
            chosen = int(self.rng.choice([*self.stray, 0, 128, 255]))
        self._show(chosen)

    def end(self) -> None:
        if self._acting is not None:
            self._acting.join(10)
