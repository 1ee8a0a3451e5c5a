"""`greystep plan`."""

from __future__ import annotations

import json
from pathlib import Path
from typing import TYPE_CHECKING

import click

from .ending import DONE, FLAGGED, debug_option, home_option, told
from .shown import chosen_home, printable
from .status import duration

if TYPE_CHECKING:
    from greystep.daemon.run.spool import Checked

TEMPLATE = """# A plan says what to measure. 'greystep plan check FILE' lists every problem; 'greystep submit FILE' queues it.
name = "first look"
operator = ""
priority = 0                      # higher goes first
flash_acknowledged = false        # true once everybody near the bench knows that the screen will flash
methods = []                      # empty: the house method and those of bench.toml

[dut]                             # the display under test
maker = ""
model = "name of the display"     # required
serial = ""
panel = "LCD"                     # panel technology, free text
firmware = ""
hardware_revision = ""

[[condition]]                     # one block a condition
refresh_rate_hz = 60.0
overdrive = "default"             # name of the mode as the display calls it
# luminance_cd_m2 = 200.0
# vrr = false

[levels]
bits = 8
step = [0, 64, 128, 192, 255]     # every transition between these, both directions
# pairs = [[0, 255], [64, 192]]   # or only these
# steady = [0, 16, 32]            # levels held for the code-to-light curve; default: 17 over the range

[capture]
repeats = 10                      # of each direction of each pair
hold_s = 0.34                     # how long each level is held: longer than the slowest transition
pretrigger_s = 0.02               # record before each change
sample_rate_hz = 50e3
steady_s = 0.2                    # length of a steady record

# [power]                         # needs a power meter on the bench
# readings = 10
# battery_wh = 19.0

# [warm_up]                       # wait until the light is stable; needs a luminance meter
# minimum_s = 600.0
# maximum_s = 3600.0
# tolerance_percent = 0.5
"""


@click.group(epilog="Example: greystep plan new > plan.toml && greystep plan check plan.toml")
def plan() -> None:
    """Make and check plans."""


@plan.command(epilog="Example: greystep plan new > plan.toml")
@click.option("--output", type=click.Path(path_type=Path), help="Write to this new file instead of standard output.")
@debug_option
@told
def new(output: Path | None, debug: bool) -> int:
    """Print a commented template that passes the check."""
    if output is None:
        click.echo(TEMPLATE, nl=False)
        return DONE
    from greystep.schema.errors import GreystepError

    try:
        with output.open("x", encoding="utf-8") as stream:
            stream.write(TEMPLATE)
    except OSError as exc:
        raise GreystepError(f"can't be written: {exc.strerror}", where=str(output), todo="choose another name") from exc
    return DONE


@plan.command(epilog="Example: greystep plan check plan.toml")
@click.argument("file", type=click.Path(path_type=Path))
@home_option
@debug_option
@told
def check(file: Path, home_dir: str | None, debug: bool) -> int:
    """Check FILE and list every problem with its line; say how long it will take and whether it flashes."""
    from greystep.daemon.run.spool import check_plan_file

    bench, _ = chosen_home(home_dir).bench()
    checked = check_plan_file(file, bench.sensor.patch_area_sr)
    click.echo(outline(checked))
    return FLAGGED if checked.flash.above_threshold else DONE


@plan.command(epilog="Example: greystep plan schema plan > plan.schema.json")
@click.argument("which", type=click.Choice(["plan", "bench", "method", "manifest", "capture"]), default="plan")
@debug_option
@told
def schema(which: str, debug: bool) -> int:
    """Print the JSON Schema of a plan, bench file, method, import manifest or capture record: editors check files with it."""
    from greystep.daemon.importing.manifest import Manifest
    from greystep.schema.bench import Bench
    from greystep.schema.capture import CaptureMeta
    from greystep.schema.method import MethodDefinition
    from greystep.schema.plan import Plan
    from pydantic import BaseModel

    models: dict[str, type[BaseModel]] = {"plan": Plan, "bench": Bench, "method": MethodDefinition}
    models |= {"manifest": Manifest, "capture": CaptureMeta}
    click.echo(json.dumps(models[which].model_json_schema(), indent=1, ensure_ascii=False))
    return DONE


def outline(checked: Checked) -> str:
    """What a checked plan comes to, in a few lines."""
    from greystep.daemon.run.flash import CAUTION
    from greystep.daemon.run.planned import bytes_needed, planned_captures

    items = planned_captures(checked.plan)
    time_s = duration(sum(i.estimate_s for i in items))
    count = len(checked.plan.condition)
    conditions = "1 condition" if count == 1 else f"{count} conditions"
    lines = [
        f"{checked.plan.name}: {checked.plan.dut.title}, {conditions}, {len(items)} captures, "
        f"about {time_s} at the bench, up to {bytes_needed(checked.plan) / 1e6:.0f} MB before packing"
    ]
    if checked.flash.above_threshold:
        lines.append(f"caution: {checked.flash.reason}. {CAUTION}")
    return "\n".join(printable(line) for line in lines)
