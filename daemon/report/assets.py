"""Files that the pages share: style, script, and the chart library, so that no page needs a network."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from greystep.daemon.archive.durable import replace_text

from .rendering import asset_text

OWN: Final = ("report.css", "report.js")


def write_assets(reports: Path) -> Path:
    """Bring `assets/` up to date; the chart library is only written when its version isn't there yet."""
    folder = reports / "assets"
    folder.mkdir(parents=True, mode=0o700, exist_ok=True)
    for name in OWN:
        text = asset_text(name)
        place = folder / name
        if not place.exists() or place.read_text(encoding="utf-8") != text:
            replace_text(place, text, durable=False, mode=0o644)
    _chart_library(folder)
    return folder


def _chart_library(folder: Path) -> None:
    """Vega, Vega-Lite and Vega-Embed (BSD 3-Clause) as one script, out of the package vl-convert-python."""
    from importlib.metadata import version

    note = folder / "charts.version"
    mark = f"vl-convert-python {version('vl-convert-python')}\n"
    if (folder / "charts.js").exists() and note.exists() and note.read_text(encoding="utf-8") == mark:
        return
    import vl_convert

    bundle: Any = vl_convert.javascript_bundle  # its stub asks for an argument that it does not need
    replace_text(folder / "charts.js", bundle(), durable=False, mode=0o644)
    replace_text(note, mark, durable=False, mode=0o644)
