"""How fast greystep is on this machine: one command, one table.

    python tests/benchmarks/run.py [--quick] [--captures N] [--only wire,archive,analysis,...

Each row: ours, the plain-script way, and a limit of the machine, all measured in this run; ratios are ours over theirs.
The goals are those of the project; where one is not met, the note or the limit says what stands in the way.
`--captures 1000000` fills the catalogue with eight million measurements first (about ten minutes).
"""

from __future__ import annotations

import argparse
import json
import sys
import tempfile
import time
import warnings
from collections.abc import Callable
from dataclasses import asdict
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from tests.benchmarks.speed import (
    acquisition_rows,
    analysis_rows,
    archive_rows,
    catalogue_rows,
    cluster_rows,
    machine,
    memory_rows,
    scene,
    wire_rows,
)
from tests.benchmarks.speed.row import Row


def main() -> int:
    """Run the rows asked for and print the table."""
    arguments = _arguments()
    warnings.simplefilter("ignore")
    began = time.monotonic()
    samples = 12_500 if arguments.quick else 50_000
    print(machine.describe(), file=sys.stderr)
    with tempfile.TemporaryDirectory(prefix="greystep-benchmark-") as folder:
        root = Path(folder)
        small = scene.build(root / "small", samples)
        many = scene.build(root / "many", 12_500, 2 if arguments.quick else 6)
        parts: dict[str, Callable[[], list[Row]]] = {
            "wire": wire_rows.rows,
            "acquisition": lambda: acquisition_rows.rows(root),
            "archive": lambda: archive_rows.rows(small, root),
            "analysis": lambda: analysis_rows.rows(scene.build(root / "some", samples, 1 if arguments.quick else 4), root),
            "parallel": lambda: analysis_rows.parallel_rows(many, root),
            "cluster": lambda: cluster_rows.rows(many, root),
            "memory": lambda: memory_rows.rows(root, samples, 2 if arguments.quick else 6),
            "rebuild": lambda: catalogue_rows.rebuild_rows(many, root),
            "catalogue": lambda: catalogue_rows.rows(root, arguments.captures or (5_000 if arguments.quick else 100_000)),
        }
        chosen = arguments.only.split(",") if arguments.only else list(parts)
        rows: list[Row] = []
        for name in chosen:
            print(f"... {name}", file=sys.stderr, flush=True)
            rows += parts[name]()
    print(table(rows))
    print(f"\n{machine.describe()}; {time.monotonic() - began:.0f} s")
    if arguments.json:
        Path(arguments.json).write_text(json.dumps([asdict(r) for r in rows], indent=1))
    return 0


def _arguments() -> argparse.Namespace:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--quick", action="store_true", help="smaller captures and catalogue")
    parser.add_argument("--captures", type=int, help="captures in the catalogue")
    parser.add_argument("--only", default="", help="parts to run, with commas between")
    parser.add_argument("--json", help="also write the rows to this file")
    return parser.parse_args()


def table(rows: list[Row]) -> str:
    """The rows as text."""
    lines = [
        "| what | unit | ours | script | limit | / script | / limit | goal | met |",
        "|---|---|--:|--:|--:|--:|--:|---|---|",
    ]
    for r in rows:
        numbers = [_number(r.ours), _number(r.script), _number(r.limit), _times(r.ratio(r.script)), _times(r.ratio(r.limit))]
        what = f"{r.what}; limit: {r.limit_is}" if r.limit_is else r.what
        what = f"{what}; {r.note}" if r.note else what
        met = "" if r.met is None else "yes" if r.met else "NO"
        lines.append(f"| {what} | {r.unit} | {' | '.join(numbers)} | {r.goal} | {met} |")
    return "\n".join(lines)


def _number(value: float | None) -> str:
    if value is None:
        return ""
    return f"{value:,.0f}" if value >= 100 else f"{value:.3g}"


def _times(value: float | None) -> str:
    return "" if value is None else f"{value:.2g}" if value < 100 else f"{value:.0f}"


if __name__ == "__main__":
    raise SystemExit(main())
