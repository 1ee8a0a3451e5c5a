"""All measurements of a run beside its page: a page to search in, CSV with its table schema, and JSON."""

from __future__ import annotations

import csv
import json
from pathlib import Path
from typing import Any, Final

from greystep.daemon.catalogue.entries import Filter
from greystep.daemon.catalogue.query import ROW
from greystep.schema.quantities import QUANTITIES

from .evidence import RunEvidence, Sources
from .matrix import describe
from .rendering import render
from .rounding import figure_text, quantity_of

CSV_NAME: Final = "measurements.csv"
JSON_NAME: Final = "measurements.json"
SCHEMA_NAME: Final = "measurements.schema.json"
PARQUET_NAME: Final = "measurements.parquet"
_NUMBERS: Final = {"refresh_rate_hz", "value", "u", "dof", "expanded_uncertainty"}
_WHOLE: Final = {"from_level", "to_level", "repeats"}
_MEANING: Final = {
    "dut": "id of the display",
    "run": "id of the run",
    "group": "condition within the run",
    "condition": "key of the condition, equal over runs",
    "refresh_rate_hz": "refresh rate in Hz",
    "overdrive": "name of the overdrive mode",
    "capture": "id of the raw capture; empty for a figure of the whole condition",
    "capture_sha256": "SHA-256 of the raw file",
    "method": "id of the method",
    "fingerprint": "hash of everything in the method that can change a figure",
    "quantity": "name of the quantity",
    "unit": "UDUNITS string",
    "from_level": "level before the step",
    "to_level": "level after the step, or the held level",
    "value": "in `unit`; empty when not measurable",
    "u": "combined standard uncertainty in `unit`",
    "dof": "effective degrees of freedom",
    "expanded_uncertainty": "at 95 % coverage, in `unit`",
    "bound": "`<=`: at most, `>=`: at least; empty for a value",
    "flags": "names separated by spaces",
    "reason": "why it is a bound or not measurable",
    "repeats": "observations that went in",
}


def table_schema() -> dict[str, Any]:
    """Frictionless Table Schema of the CSV file."""
    fields = []
    for name in ROW:
        kind = "number" if name in _NUMBERS else "integer" if name in _WHOLE else "string"
        field: dict[str, Any] = {"name": name, "type": kind, "description": _MEANING[name]}
        if name in ("dut", "run", "group", "method", "fingerprint", "quantity", "unit"):
            field["constraints"] = {"required": True}
        elif name in _WHOLE:
            field["constraints"] = {"minimum": 0}
        elif name == "bound":
            field["constraints"] = {"enum": ["", "<=", ">="]}
        fields.append(field)
    return {"fields": fields, "missingValues": [""]}


def json_rows(rows: list[tuple[Any, ...]]) -> list[dict[str, Any]]:
    """Rows as objects; flags as a list."""
    out = []
    for row in rows:
        item = dict(zip(ROW, row, strict=True))
        item["flags"] = item["flags"].split()
        out.append(item)
    return out


def run_rows(sources: Sources, run: str) -> list[tuple[Any, ...]]:
    """Measurements of a run under the current methods, in the order of `ROW`."""
    columns = sources.catalogue.columns(Filter(run=(run,)))
    return list(zip(*(columns[name] for name in ROW), strict=True))


def write_csv(path: Path, rows: list[tuple[Any, ...]]) -> None:
    """RFC 4180, UTF-8."""
    with path.open("w", encoding="utf-8", newline="") as stream:
        writer = csv.writer(stream, lineterminator="\r\n")
        writer.writerow(ROW)
        writer.writerows(["" if v is None else v for v in row] for row in rows)


def write_run_parquet(sources: Sources, run: str, folder: Path) -> bool:
    """Write the Parquet file where the package for it is installed. Returns whether it is there."""
    from greystep.daemon.catalogue.export import has_parquet, write_parquet

    if not has_parquet():
        return False
    write_parquet(sources.catalogue, folder / PARQUET_NAME, Filter(run=(run,)))
    return True


def write_run_tables(sources: Sources, run: RunEvidence, folder: Path, frame: dict[str, Any]) -> None:
    """Write all of them into the run's folder."""
    rows = run_rows(sources, run.run)
    write_csv(folder / CSV_NAME, rows)
    (folder / JSON_NAME).write_text(json.dumps(json_rows(rows), indent=1, ensure_ascii=False), encoding="utf-8")
    (folder / SCHEMA_NAME).write_text(json.dumps(table_schema(), indent=1), encoding="utf-8")
    parquet = write_run_parquet(sources, run.run, folder)
    page = render("measurements.html.j2", **frame, parquet=parquet, run=run, rows=_lines(run), quantities=QUANTITIES)
    (folder / "measurements.html").write_text(page, encoding="utf-8")


def _lines(run: RunEvidence) -> list[dict[str, Any]]:
    keys = {c.id: c.key for g in run.groups for c in g.captures}
    out = []
    for group in run.groups:
        of_group = [((m, ""), stated) for m, stated in group.of_group.items()]
        for (method, capture), stated in [*of_group, *group.of_captures.items()]:
            for s in stated:
                f = s.figure
                out.append(
                    {
                        "condition": group.title,
                        "capture": keys.get(capture, "whole condition"),
                        "step": "–" if f.from_level is None and f.to_level is None else _levels(f.from_level, f.to_level),
                        "quantity": quantity_of(f.quantity, f.unit).title,
                        "text": figure_text(f.quantity, f.value, s.expanded, f.unit, f.bound),
                        "method": method,
                        "flags": "; ".join([*(flag.replace("_", " ") for flag in f.flags), *([f.reason] if f.reason else [])]),
                        "note": describe(s),
                    }
                )
    return out


def _levels(from_level: int | None, to_level: int | None) -> str:
    return f"{from_level} to {to_level}" if from_level is not None else f"{to_level}"
