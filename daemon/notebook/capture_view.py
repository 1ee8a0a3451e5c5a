"""One capture from a notebook."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from greystep.daemon.catalogue.entries import CaptureEntry
from greystep.schema.capture import Capture, CaptureMeta
from greystep.schema.errors import MethodError, Problem
from greystep.schema.trace import Transition
from greystep.schema.uncertainty import combine
from pydantic import ValidationError

from .chart import Chart
from .signal import Signal

if TYPE_CHECKING:
    import pandas as pd

    from .archive_view import ArchiveView


@dataclass(frozen=True)
class CaptureView:
    """A raw capture; its file is read when it is first needed. Reading raises ArchiveError when the file is damaged."""

    entry: CaptureEntry
    _home: ArchiveView = field(repr=False)

    @cached_property
    def raw(self) -> Capture:
        """Codes, scale, flags, plan, dialogue: everything that the file holds."""
        return self._home.sources.archive.read(self.entry.path)

    @property
    def meta(self) -> CaptureMeta:
        """Display, condition, instruments and so on."""
        return self.raw.meta

    @property
    def light(self) -> Signal:
        """The first channel in physical units: light of step and steady captures, values of the others."""
        name = next(iter(self.raw.channels))
        return self.channel(name)

    def channel(self, name: str) -> Signal:
        """A channel by name. Raises KeyError."""
        channel = self.raw.channels[name]
        return Signal(channel.values(), channel.unit, self.raw.times_s, name)

    def transitions(self, method: str | None = None) -> list[Transition]:
        """Prepared traces, one a direction, as the method's preparation gives them."""
        resolved = self._home.method(method)
        group = self._home.neighbours(self.entry)
        return [s for s in self._home.sources.traces.subjects(resolved, self.entry, group) if isinstance(s, Transition)]

    def estimate(self, method: str | None = None, **parameters: Any) -> pd.DataFrame:
        """Run a method on this capture, here and now, with other parameters if wanted. Nothing is stored.

        Raises:
            MethodError: no such method, or a parameter that its estimator does not take.
        """
        import pandas as pd

        resolved = self._home.method(method)
        estimator = self._home.sources.host.estimators[resolved.definition.estimator]
        try:
            chosen = estimator.Parameters.model_validate({**resolved.parameters, **parameters})
        except ValidationError as exc:
            problems = [Problem(e["msg"], resolved.id, path=".".join(map(str, e["loc"]))) for e in exc.errors()]
            raise MethodError(problems) from exc
        group = self._home.neighbours(self.entry)
        context = self._home.sources.traces.context(resolved, self.entry, group)
        rows = []
        for subject in self._home.sources.traces.subjects(resolved, self.entry, group):
            for f in estimator.estimate(subject, context, chosen):
                expanded = combine(f.budget).expanded
                rows.append(
                    {
                        "from_level": f.from_level,
                        "to_level": f.to_level,
                        "quantity": f.quantity,
                        "value": f.value,
                        "unit": f.unit,
                        "expanded_uncertainty": expanded,
                        "bound": f.bound,
                        "flags": list(f.flags),
                        "reason": f.reason,
                    }
                )
        return pd.DataFrame(rows)

    def chart(self) -> Chart:
        """The light over time."""
        return self.light.chart()

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        return self.light._repr_mimebundle_() | {"text/plain": repr(self)}

    def __repr__(self) -> str:
        e = self.entry
        return f"<capture {e.key} of {e.dut}, run {e.run}: {e.segments} segments of {e.samples} samples>"
