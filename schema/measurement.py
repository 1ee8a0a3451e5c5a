"""A measurement: a figure with its expanded uncertainty and where it came from."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

from .figure import Figure


@dataclass(frozen=True)
class Measurement:
    """One measured figure, as kept in the catalogue and handed on."""

    dut: str
    """DUT id."""
    run: str
    group: str
    """Condition within the run."""
    condition: str
    """Key of the condition, equal over runs."""
    capture: str
    """Capture id; empty for a figure of the whole group."""
    inputs: tuple[str, ...]
    """SHA-256 of every raw file that went in, sorted."""
    method: str
    fingerprint: str
    figure: Figure
    u: float
    """Combined standard uncertainty; NaN when there is none."""
    dof: float
    """Effective degrees of freedom (Welch-Satterthwaite)."""
    expanded_uncertainty: float
    """At 95 % coverage; NaN when there is none."""

    def as_row(self) -> dict[str, Any]:
        """Plain values for tables; None instead of NaN."""
        f = self.figure
        return {
            "dut": self.dut,
            "run": self.run,
            "group": self.group,
            "capture": self.capture or None,
            "from_level": f.from_level,
            "to_level": f.to_level,
            "quantity": f.quantity,
            "value": none_if_nan(f.value),
            "unit": f.unit,
            "bound": f.bound,
            "u": none_if_nan(self.u),
            "dof": none_if_nan(self.dof),
            "expanded_uncertainty": none_if_nan(self.expanded_uncertainty),
            "repeats": f.repeats,
            "method": self.method,
            "fingerprint": self.fingerprint,
            "flags": list(f.flags),
            "reason": f.reason,
        }


def none_if_nan(value: float) -> float | None:
    """None for NaN and infinity, which JSON and SQL don't know."""
    return value if math.isfinite(value) else None
