"""The files of a bundle besides the raw captures: measurements, methods, pictures, and words for whoever unpacks it."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any, Final

from greystep.daemon.home import Home
from greystep.daemon.report.evidence import RunEvidence, Sources
from greystep.daemon.report.exported import export_figures
from greystep.daemon.report.tables import (
    CSV_NAME,
    JSON_NAME,
    SCHEMA_NAME,
    json_rows,
    run_rows,
    table_schema,
    write_csv,
    write_run_parquet,
)

METHODS: Final = "methods"
FINGERPRINTS: Final = "methods/fingerprints.json"

_README = """# {title}, run {run}

Raw captures, measurements, method definitions and pictures of one measurement of a display. The folder is an RO-Crate 1.1:
`ro-crate-metadata.json` lists every file with its SHA-256.

    raw/             captures as they came from the digitiser: HDF5 (NeXus), readable with any HDF5 tool
    measurements.*   every figure with its expanded uncertainty (95 % coverage); the columns are in measurements.schema.json;
                     a Parquet file is among them where the package pyarrow was installed
    methods/         the definitions that turned traces into figures, and their fingerprints
    figures/         pictures
    plan.toml        what was asked for
    SHA256SUMS       checksums: `sha256sum --check SHA256SUMS`

## Compute the figures again

    pip install greystep=={version}
    greystep --home again import .
    greystep --home again recompute
    greystep --home again results {run} --format csv

The same version gives the same figures to the last digit. Another version says by its fingerprints where it differs.
"""

_CITATION = """cff-version: 1.2.0
message: If you use these data, please cite them as below.
type: dataset
title: {title}
authors:
  - name: {author}
date-released: {date}
version: {run}
"""


def write_contents(sources: Sources, home: Home, run: RunEvidence, folder: Path, version: str) -> list[Path]:
    """Everything but the raw captures and the metadata. Returns the files."""
    rows = run_rows(sources, run.run)
    write_csv(folder / CSV_NAME, rows)
    _json(folder / JSON_NAME, json_rows(rows))
    _json(folder / SCHEMA_NAME, table_schema())
    write_run_parquet(sources, run.run, folder)
    meta = run.groups[0].meta
    title = json.dumps(f"Response measurement of {run.title}", ensure_ascii=False)
    author = json.dumps(meta.operator or meta.bench or "unknown", ensure_ascii=False)
    (folder / "README.md").write_text(_README.format(title=run.title, run=run.run, version=version), encoding="utf-8")
    citation = _CITATION.format(title=title, author=author, date=run.started_utc[:10], run=run.run)
    (folder / "CITATION.cff").write_text(citation, encoding="utf-8")
    _write_methods(sources, folder)
    text = sources.archive.read(run.groups[0].captures[0].path).plan_text
    if text:
        (folder / "plan.toml").write_text(text, encoding="utf-8")
    export_figures(home, run.run, folder / "figures")
    return sorted(p for p in folder.rglob("*") if p.is_file())


def _write_methods(sources: Sources, folder: Path) -> None:
    (folder / METHODS).mkdir()
    for method in sources.methods.methods.values():
        text = Path(method.source).read_text(encoding="utf-8")
        (folder / METHODS / f"{method.id}.toml").write_text(text, encoding="utf-8")
    _json(folder / FINGERPRINTS, {m.id: m.record() for m in sources.methods.methods.values()})


def _json(path: Path, value: Any) -> None:
    path.write_text(json.dumps(value, indent=1, ensure_ascii=False), encoding="utf-8")
