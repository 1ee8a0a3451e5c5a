"""`greystep pattern`: files and a page for displays that can't be driven by wire."""

from __future__ import annotations

from pathlib import Path

import click

from .ending import DONE, FLAGGED, WRONG_USE, debug_option, home_option, told


@click.group(
    short_help="Pictures, videos and a page of levels, for displays without a wire.",
    epilog="Example: greystep pattern export handheld.toml --out levels",
)
def pattern() -> None:
    """Levels on displays that can't be driven by wire."""


@pattern.command(epilog="Example: greystep pattern export handheld.toml --out levels --rate 60")
@click.argument("plan", type=click.Path(path_type=Path))
@click.option("--out", type=click.Path(path_type=Path), required=True, help="Folder for the files.")
@click.option(
    "--rate", type=click.Choice(["24", "25", "30", "50", "60"]), default="60", show_default=True, help="Frames a second."
)
@click.option(
    "--repeats", type=click.IntRange(1, 100), default=5, show_default=True, help="How often each transition is shown."
)
@click.option("--size", default="1280x720", show_default=True, metavar="WxH", help="Pixels.")
@click.option("--pictures", is_flag=True, help="Pictures only, no video.")
@debug_option
@told
def export(plan: Path, out: Path, rate: str, repeats: int, size: str, pictures: bool, debug: bool) -> int:
    """Write a PNG of each level of PLAN, a video of all transitions, and its manifest.

    The manifest says which level every moment of the video really has; `greystep import` reads it beside a long record.
    """
    from greystep.daemon.patterns.export import MANIFEST
    from greystep.daemon.patterns.export import export as write
    from greystep.schema.errors import PlanError
    from greystep.schema.plan import Plan
    from greystep.schema.toml_source import TomlSource

    width, cross, height = size.partition("x")
    if not (cross and width.isdecimal() and height.isdecimal()):
        click.echo(f"--size {size}: needs width and height, such as 1280x720", err=True)
        return WRONG_USE
    read = TomlSource.read(plan, PlanError).validate(Plan, PlanError)
    rate_hz = None if pictures else int(rate)
    done = write(read, out, rate_hz=rate_hz, repeats=repeats, width=int(width), height=int(height))
    click.echo(f"{len(done.pictures)} pictures in {out}")
    if done.shown is None:
        return DONE
    seconds = done.shown.frames / done.shown.frame_rate_hz
    click.echo(f"{done.shown.file}: {seconds:.0f} s at {rate} frames a second; {MANIFEST} says what it shows")
    click.echo("Caution: the video flashes. Keep it out of sight of people with photosensitive epilepsy.")
    for asked, shown in done.shifted:
        click.echo(f"level {asked} is shown as {shown}: limited-range video has no code for it", err=True)
    return FLAGGED if done.shifted else DONE


@pattern.command(epilog="Example: greystep pattern page --address 192.0.2.10")
@click.option("--address", default="127.0.0.1", show_default=True, help="Address of this machine on the display's network.")
@click.option("--port", type=click.IntRange(0, 65535), default=8017, show_default=True, help="TCP port; 0: any free one.")
@home_option
@debug_option
@told
def page(address: str, port: int, home_dir: str | None, debug: bool) -> int:
    """Try the pattern page: type a level, see it on the display; an empty line ends."""
    from greystep.daemon.host import PluginHost

    spec = PluginHost.load().driver("pattern-page")
    source = spec.open(spec.settings.model_validate({"address": address, "port": port}), lambda *_: None)
    try:
        while text := click.prompt("Level 0 to 255 (empty: end)", default="", show_default=False).strip():
            if not text.isdecimal() or not 0 <= int(text) <= 255:
                click.echo("a whole number from 0 to 255", err=True)
                continue
            source.level(int(text))
            facts = source.settings()
            click.echo(f"shown; the browser draws {facts['refresh_rate_hz']:.2f} frames a second")
    finally:
        source.close()
    return DONE
