"""Charts as pictures for an article or a video: the same specifications as on the pages, drawn without a browser."""

from __future__ import annotations

import copy
from pathlib import Path
from typing import Any, Final, Literal

from greystep.daemon.home import Home
from greystep.schema.errors import GreystepError

from .charted import Charted
from .evidence import gather_run, open_sources
from .run_page import run_page
from .theme import chart_config

Format = Literal["svg", "png", "pdf"]
_PNG_DPI: Final = 144.0


def picture(
    spec: dict[str, Any], form: Format = "svg", *, theme: str = "light", width: int = 800, type_scale: float = 1.0
) -> bytes:
    """One chart as a picture.

    Args:
        spec: as from `charts`.
        form: svg, png or pdf.
        theme: light or dark.
        width: in pixels.
        type_scale: factor on all type; 1.6 suits a video.
    """
    import vl_convert

    sized = copy.deepcopy(spec)
    sized["width"] = width
    if isinstance(sized.get("height"), (int, float)):  # larger type needs more room, or titles and names are cut
        sized["height"] = round(sized["height"] * max(1.0, type_scale))
    config = chart_config(theme, type_scale)
    if form == "svg":
        return str(vl_convert.vegalite_to_svg(sized, config=config)).encode()
    if form == "png":
        return bytes(vl_convert.vegalite_to_png(sized, config=config, ppi=_PNG_DPI))
    if form == "pdf":
        return bytes(vl_convert.vegalite_to_pdf(sized, config=config))
    raise GreystepError(f"no picture of the form {form!r}", todo="choose svg, png or pdf")


def export_figures(
    home: Home,
    run: str,
    folder: Path,
    form: Format = "svg",
    *,
    theme: str = "light",
    width: int = 800,
    type_scale: float = 1.0,
) -> list[Path]:
    """All charts of a run's page as files in a folder. Raises GreystepError for an unknown run."""
    with open_sources(home.require()) as sources:
        page = run_page(sources, gather_run(sources, run))
    folder.mkdir(parents=True, exist_ok=True)
    out = []
    for chart in [*page["charts"].values(), *(p.curve for p in page["parts"] if p.curve), *_traces(page["viewer"])]:
        path = folder / f"{chart.id}.{form}"
        path.write_bytes(picture(chart.spec, form, theme=theme, width=width, type_scale=type_scale))
        out.append(path)
    return out


def _traces(viewer: Charted | None) -> list[Charted]:
    """The widest step of each condition, as the viewer first shows it."""
    if viewer is None:
        return []
    out = []
    for i, group in enumerate(viewer.datasets["groups"], 1):
        widest = max(group["transitions"], key=lambda t: abs(t["to"] - t["from"]))
        spec = copy.deepcopy(viewer.spec)
        spec["datasets"] = trace_datasets(widest)
        spec["layer"] = [layer for layer in spec["layer"] if spec["datasets"].get(layer.get("data", {}).get("name"), True)]
        out.append(Charted(f"trace-{i}-{widest['from']}-{widest['to']}", spec, group["title"]))
    return out


def trace_datasets(record: dict[str, Any]) -> dict[str, list[dict[str, Any]]]:
    """Datasets of the viewer's specification for one transition, within its window."""
    begin, end = record["window"]
    inside = [i for i, t in enumerate(record["t"]) if begin <= t <= end]

    def rows(low: str, high: str) -> list[dict[str, Any]]:
        names = (("t", "t"), ("mean", "mean"), ("low", low), ("high", high))
        return [{name: record[key][i] for name, key in names} for i in inside]

    marks = [
        {"method": m["method"], "which": which, "t": m[which], "light": m[f"{which}Light"], "text": m["text"]}
        for m in record["marks"]
        for which in ("start", "end")
        if m[f"{which}Light"] is not None
    ]
    first = next(iter(record["marks"]), None)
    levels = [first["startLight"], first["endLight"]] if first else []
    references = [{"light": v, "label": first["method"]} for v in levels if v is not None and first]
    raw = rows("rawLow", "rawHigh") if "rawLow" in record else []
    return {"mean": rows("low", "high"), "raw": raw, "references": references, "marks": marks}
