"""A chart that a notebook shows by itself."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path
from typing import Any

MIME = "application/vnd.vegalite.v6+json"


@dataclass(frozen=True)
class Chart:
    """A Vega-Lite specification."""

    spec: dict[str, Any]

    def _repr_mimebundle_(self, **_: Any) -> dict[str, Any]:
        from greystep.daemon.report.exported import picture

        return {MIME: self.spec, "image/svg+xml": picture(self.spec).decode(), "text/plain": repr(self)}

    def __repr__(self) -> str:
        return f"<chart: {self.spec.get('description', '')}>"

    def save(self, path: str | Path, *, theme: str = "light", width: int = 800, type_scale: float = 1.0) -> Path:
        """Write a picture; the form is that of the name: .svg, .png or .pdf. Raises GreystepError for another one."""
        from greystep.daemon.report.exported import picture

        target = Path(path)
        form: Any = target.suffix.removeprefix(".").lower()
        target.write_bytes(picture(self.spec, form, theme=theme, width=width, type_scale=type_scale))
        return target
