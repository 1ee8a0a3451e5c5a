"""Samples with their unit and times."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from greystep.schema.trace import Array

from .chart import Chart

_POINTS = 800


@dataclass(frozen=True)
class Signal:
    """A channel of a capture; numpy functions take it as the array of its values."""

    values: Array
    """[segment, sample] in `unit`."""
    unit: str
    """UDUNITS string."""
    times_s: Array
    """[sample] relative to the trigger."""
    name: str = "light"

    def __array__(self, dtype: Any = None, copy: bool | None = None) -> Any:
        return np.array(self.values, dtype=dtype, copy=copy) if copy else np.asarray(self.values, dtype=dtype)

    @property
    def shape(self) -> tuple[int, ...]:
        """(segments, samples)."""
        return self.values.shape

    def __getitem__(self, rows: Any) -> Signal:
        """Some segments."""
        return Signal(np.atleast_2d(self.values[rows]), self.unit, self.times_s, self.name)

    def chart(self) -> Chart:
        """Mean of the segments over time, with their extent kept on few points."""
        from greystep.daemon.report import charts
        from greystep.daemon.report.decimate import bin_edges, envelope

        made = envelope(self.times_s, self.values, bin_edges(self.times_s, None, _POINTS, 0))
        rows = [
            {"x": 1e3 * t, "y": y, "series": kind, "i": i}
            for kind, values in (("mean", made.mean), ("least", made.low), ("greatest", made.high))
            for i, (t, y) in enumerate(zip(made.times_s.tolist(), values.tolist(), strict=True))
        ]
        title = f"{self.name}, {self.unit}"
        return Chart(charts.lines(rows, "time from the trigger, ms", title, f"{title} over time."))

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        return self.chart()._repr_mimebundle_() | {"text/plain": repr(self)}

    def __repr__(self) -> str:
        segments, samples = self.values.shape
        return f"<{self.name}: {segments} segments of {samples} samples in {self.unit}>"
