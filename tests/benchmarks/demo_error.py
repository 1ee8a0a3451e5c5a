"""Worst and mean error of a demo's transition durations against the simulator's truth.

python -m tests.benchmarks.demo_error HOME...     (each made by `greystep demo --home HOME`; several are pooled)
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

from greystep.daemon.catalogue import Catalogue
from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.demo.scenario import DISPLAYS, DemoDisplay
from greystep.daemon.home import Home
from greystep.sim_instruments.testing import VirtualBench

METHODS = {
    "duration-10-90": "duration_10_90_s",
    "band-first-entry": "code_first_entry_duration_s",
    "band-settled": "code_settled_duration_s",
}


@dataclass(frozen=True)
class Error:
    """One transition."""

    display: str
    condition: str
    levels: tuple[int, int]
    value_s: float
    truth_s: float
    expanded_s: float

    @property
    def relative(self) -> float:
        """Part of the truth."""
        return self.value_s / self.truth_s - 1


def errors_of(home: Home, bench: VirtualBench, displays: Sequence[DemoDisplay], method: str, truth: str) -> list[Error]:
    """Errors of every measured transition; bounds are left out."""
    with Catalogue(home.catalogue) as catalogue:
        found = catalogue.results(Filter(method=(method,), quantity=("transition_duration",)))
    made = []
    for display in displays:
        name = display.model.lower().replace(" ", "-")
        bench.mount(display.panel)
        for number, (rate, overdrive) in enumerate(display.conditions, 1):
            _set(bench, rate, overdrive)
            for m in found:
                if m.group != f"c{number:02d}" or f"-{name}-{display.serial.lower()}" not in m.dut or m.figure.bound:
                    continue
                a, b = m.figure.from_level, m.figure.to_level
                exact = bench.transition(a, b)[truth]
                condition = f"{rate:g} Hz {overdrive or ''}".strip()
                made.append(Error(display.panel, condition, (a, b), m.figure.value, exact, m.expanded_uncertainty))
    return made


def _set(bench: VirtualBench, rate_hz: float, overdrive: str | None) -> None:
    """Set the condition over the pattern source's own socket."""
    import socket

    commands = [f"DISP:SETT refresh_rate_hz,{rate_hz:g}"] + ([f"DISP:SETT overdrive,{overdrive}"] if overdrive else [])
    with socket.create_connection(bench.address("pattern"), 10) as link:
        for command in commands:
            link.sendall(f"{command};*OPC?\n".encode())
            assert link.recv(64).strip() == b"1", command


def main() -> None:
    """Print the table."""
    homes = [Home(Path(name)) for name in sys.argv[1:]]
    print(f"{'method':18} {'display':14} {'n':>3} {'mean |error|':>13} {'worst':>9}  {'within U95':>16}")
    with VirtualBench(panel=DISPLAYS[0].panel, speed="max") as bench:
        for method, truth in METHODS.items():
            errors = [e for home in homes for e in errors_of(home, bench, DISPLAYS, method, truth)]
            for name in [*dict.fromkeys(e.display for e in errors), "all"]:
                part = [e for e in errors if name in ("all", e.display)]
                worst = max(part, key=lambda e: abs(e.relative))
                mean = sum(abs(e.relative) for e in part) / len(part)
                inside = sum(abs(e.value_s - e.truth_s) <= e.expanded_s for e in part)
                print(
                    f"{method:18} {name:14} {len(part):3} {mean:12.3%} {worst.relative:9.3%}  "
                    f"{inside:4}/{len(part)} ({inside / len(part):.1%})",
                    worst.levels,
                )


if __name__ == "__main__":
    main()
