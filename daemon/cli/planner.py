"""`greystep planner`: sample rate, record length and repeats for a wanted uncertainty."""

from __future__ import annotations

import click

from .ending import DONE, FLAGGED, WRONG_USE, debug_option, told


@click.command(
    epilog="Example: greystep planner --fastest-ms 2 --slowest-ms 60 --noise-percent 0.5 --uncertainty-percent 2",
    short_help="Sample rate, record length and repeats for a wanted uncertainty.",
)
@click.option(
    "--fastest-ms", type=click.FloatRange(0, min_open=True), required=True, help="Shortest 10-90 % transition expected."
)
@click.option(
    "--slowest-ms", type=click.FloatRange(0, min_open=True), required=True, help="Longest 10-90 % transition expected."
)
@click.option(
    "--uncertainty-percent", type=click.FloatRange(0.01, 100), default=2.0, show_default=True, help="Wanted, at 95 %."
)
@click.option(
    "--noise-percent", type=click.FloatRange(0, 100), default=0.5, show_default=True, help="Of a sample, in % of the step."
)
@click.option("--scatter-percent", type=click.FloatRange(0, 100), default=0.0, show_default=True, help="Of the display itself.")
@click.option("--ripple-hz", type=click.FloatRange(0), default=0.0, help="PWM or refresh frequency of the light.")
@click.option("--bandwidth-khz", type=click.FloatRange(0, min_open=True), default=None, help="Of the sensor.")
@click.option("--format", "form", type=click.Choice(["table", "csv", "json"]), default="table", show_default=True)
@debug_option
@told
def planner(
    fastest_ms: float,
    slowest_ms: float,
    uncertainty_percent: float,
    noise_percent: float,
    scatter_percent: float,
    ripple_hz: float,
    bandwidth_khz: float | None,
    form: str,
    debug: bool,
) -> int:
    """How to set a capture for a slow or a fast panel, and how many repeats a wanted uncertainty needs.

    The table ends with lines for the [capture] part of a plan.
    """
    from greystep.daemon.planner.advice import Wanted, advise

    if slowest_ms < fastest_ms:
        click.echo("--slowest-ms is below --fastest-ms", err=True)
        return WRONG_USE
    wanted = Wanted(
        fastest_s=fastest_ms / 1e3,
        slowest_s=slowest_ms / 1e3,
        uncertainty=uncertainty_percent / 100,
        noise=noise_percent / 100,
        scatter=scatter_percent / 100,
        ripple_hz=ripple_hz,
        bandwidth_hz=bandwidth_khz * 1e3 if bandwidth_khz else None,
    )
    advice = advise(wanted)
    rows = {
        "sample_rate_hz": advice.sample_rate_hz,
        "hold_s": advice.hold_s,
        "pretrigger_s": advice.pretrigger_s,
        "repeats": advice.repeats,
        "expected_uncertainty_percent": round(100 * advice.expected, 3),
        "samples_a_record": advice.record_samples,
    }
    _print(rows, form, advice.notes)
    return FLAGGED if advice.notes else DONE


def _print(rows: dict[str, float | int | None], form: str, notes: tuple[str, ...]) -> None:
    if form == "json":
        import json

        click.echo(json.dumps({**rows, "notes": notes}))
        return
    if form == "csv":
        click.echo(",".join(rows))
        click.echo(",".join("" if v is None else f"{v:g}" for v in rows.values()))
    else:
        for name, value in rows.items():
            click.echo(f"{name:30} {'none is enough' if value is None else f'{value:g}'}")
        click.echo("\n[capture]")
        for name in ("sample_rate_hz", "hold_s", "pretrigger_s", "repeats"):
            if rows[name] is not None:
                click.echo(f"{name} = {rows[name]}")
    for note in notes:
        click.echo(f"note: {note}", err=True)
