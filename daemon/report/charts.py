"""The chart specifications (Vega-Lite 6, written with altair). The page and the exported pictures are drawn from the same ones.

Each function returns a specification as plain JSON values without colours of a theme: `theme.chart_config` adds them.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

Row = dict[str, Any]
Spec = dict[str, Any]

COMMON_REFRESH_HZ: Final = (50.0, 60.0, 90.0, 120.0, 144.0, 165.0, 240.0, 360.0, 500.0)
WIDTH: Final = 640
ROOMY: Final = "where-there-is-room"
"""Name of layers that a narrow page leaves out."""


def _made(chart: Any, alt_text: str, **datasets: Sequence[Row]) -> Spec:
    """The specification with its data, which go in last: altair would check every row, which took longest of all."""
    spec: Spec = chart.to_dict()
    spec.pop("config", None)
    spec["width"] = "container" if "hconcat" not in spec and "vconcat" not in spec else spec.get("width", WIDTH)
    spec["autosize"] = {"type": "fit", "contains": "padding"}
    spec["description"] = alt_text
    if datasets:
        spec["datasets"] = {name: list(rows) for name, rows in datasets.items()}
    return spec


def _unit(unit: str) -> str:
    return unit.replace("cd/m2", "cd/m²")


def _zoom() -> Any:
    """Drag to move; the wheel zooms with Ctrl only, so that it goes on scrolling the page."""
    import altair as alt

    return alt.selection_interval(bind="scales", name="zoom", zoom="wheel![event.ctrlKey]")


def _series(field: str, names: Sequence[str]) -> tuple[Any, Any]:
    """Colour and shape of series with one legend for both: their scales must name the same domain, or it splits in two."""
    import altair as alt

    scale = alt.Scale(domain=list(dict.fromkeys(names)))
    return alt.Color(f"{field}:N", title=None, scale=scale), alt.Shape(f"{field}:N", title=None, scale=scale)


def trace_viewer(unit: str, methods: Sequence[str]) -> Spec:
    """One transition, zoomable: mean, extent of the repeats, extent before ripple removal, reference levels, marks.

    The datasets `mean`, `raw`, `references` and `marks` are filled by whoever draws it.
    """
    import altair as alt

    x = alt.X("t:Q", title="time from the level command, ms")
    y = alt.Y("low:Q", title=f"light, {_unit(unit)}", scale=alt.Scale(zero=False))
    zoom = _zoom()
    raw = alt.Chart(alt.NamedData(name="raw")).mark_area(opacity=0.16, clip=True).encode(x=x, y=y, y2="high:Q")
    band = alt.Chart(alt.NamedData(name="mean")).mark_area(opacity=0.3, clip=True).encode(x=x, y=y, y2="high:Q")
    line = alt.Chart(alt.NamedData(name="mean")).mark_line(clip=True).encode(x=x, y="mean:Q").add_params(zoom)
    levels = (
        alt.Chart(alt.NamedData(name="references"))
        .mark_rule(strokeDash=[4, 3], clip=True)
        .encode(y="light:Q", tooltip=["label:N", "light:Q"])
    )
    colour, shape = _series("method", methods)
    marks = alt.Chart(alt.NamedData(name="marks"))
    rules = marks.mark_rule(strokeWidth=1.2, clip=True).encode(x="t:Q", color=colour)
    points = marks.mark_point(size=80, opacity=1, clip=True).encode(
        x="t:Q",
        y="light:Q",
        color=colour,
        shape=shape,
        tooltip=["method:N", "which:N", alt.Tooltip("t:Q", title="ms", format=".4~f"), "text:N"],
    )
    chart = alt.layer(raw, band, line, levels, rules, points).properties(height=340)
    return _made(
        chart, "Light over time of one transition, with the reference levels and where each method sees start and end."
    )


def duration_distribution(rows: Sequence[Row]) -> Spec:
    """Transitions in order of their duration against the refresh periods of common rates.

    Args:
        rows: `share` in %, `ms`, `condition`, `step`.
    """
    import altair as alt

    top = max((r["ms"] for r in rows), default=20.0)
    shortest = 1e3 / max(COMMON_REFRESH_HZ)  # a fast display is shown against at least one period
    drawn = [f for f in COMMON_REFRESH_HZ if 1e3 / f <= max(1.6 * top, shortest)]
    # Names stand above the curves, in two rows, so that near ones don't overlap.
    periods = [{"ms": 1e3 / f, "label": f"{f:g} Hz", "at": 104 + 22 * (i % 2)} for i, f in enumerate(drawn)]
    x = alt.X("ms:Q", title="transition duration, ms", scale=alt.Scale(zero=True))
    base = alt.Chart(alt.NamedData(name="rows"))
    colour, shape = _series("condition", [r["condition"] for r in rows])
    axis = alt.Axis(values=[0, 20, 40, 60, 80, 100])
    y = alt.Y("share:Q", title="share of the transitions, %", scale=alt.Scale(domain=[0, 148]), axis=axis)
    line = base.mark_line(interpolate="step-after").encode(x=x, y=y, color=colour)
    tip = ["condition:N", "step:N", alt.Tooltip("ms:Q", format=".3~f")]
    points = base.mark_point(size=45, opacity=1).encode(x=x, y=y, color=colour, shape=shape, tooltip=tip)
    rules = alt.Chart(alt.NamedData(name="periods")).mark_rule(strokeDash=[2, 3]).encode(x="ms:Q")
    names = (
        alt.Chart(alt.NamedData(name="periods"))
        .mark_text(angle=270, align="left", baseline="bottom", dy=-3)
        .encode(x="ms:Q", y="at:Q", text="label:N")
    )
    return _made(
        alt.layer(rules, names, line, points).properties(height=300),
        "Cumulative share of the transitions over their duration, with the refresh periods of common rates as lines.",
        rows=rows,
        periods=periods,
    )


def methods_side_by_side(rows: Sequence[Row]) -> Spec:
    """The same traces under several methods.

    Args:
        rows: `step`, `method`, `ms`, `low`, `high`.
    """
    import altair as alt

    steps = list(dict.fromkeys(r["step"] for r in rows))
    base = alt.Chart(alt.NamedData(name="rows"))
    y = alt.Y("step:N", title="transition", sort=steps)
    colour, shape = _series("method", [r["method"] for r in rows])
    apart = alt.YOffset("method:N", sort=list(dict.fromkeys(r["method"] for r in rows)))
    whiskers = base.mark_rule().encode(x="low:Q", x2="high:Q", y=y, yOffset=apart, color=colour)
    points = base.mark_point(size=60, opacity=1).encode(
        x=alt.X("ms:Q", title="transition duration, ms", scale=alt.Scale(zero=True)),
        y=y,
        yOffset=apart,
        color=colour,
        shape=shape,
        tooltip=["step:N", "method:N", alt.Tooltip("ms:Q", format=".4~f")],
    )
    return _made(
        alt.layer(whiskers, points).properties(height=max(160, 80 + 7 * len(rows))),
        "Duration of every transition under each method, from the same raw traces.",
        rows=rows,
    )


def level_curve(rows: Sequence[Row], unit: str) -> Spec:
    """Measured code-to-light curve: `level`, `light`, `low`, `high`."""
    import altair as alt

    base = alt.Chart(alt.NamedData(name="rows"))
    x = alt.X("level:Q", title="level")
    line = base.mark_line().encode(x=x, y=alt.Y("light:Q", title=f"light above dark, {_unit(unit)}"))
    bars = base.mark_rule().encode(x=x, y="low:Q", y2="high:Q")
    points = base.mark_point().encode(x=x, y="light:Q", tooltip=["level:Q", alt.Tooltip("light:Q", format=".4~g")])
    return _made(
        alt.layer(bars, line, points).properties(height=240), "Light over level as measured with held levels.", rows=rows
    )


def lines(
    rows: Sequence[Row],
    x_title: str,
    y_title: str,
    alt_text: str,
    *,
    log: bool = False,
    height: int = 300,
    zoom: bool = True,
    names: Sequence[str] = (),
) -> Spec:
    """Curves: `x`, `y`, `series`; drawn in the order of the rows. `names`: all series that may come, for steady colours."""
    import altair as alt

    names = list(names) or list(dict.fromkeys(r["series"] for r in rows))

    kind = alt.Scale(type="log", nice=False) if log else alt.Scale(zero=False, nice=False)
    several = len(names) > 1
    extra: dict[str, Any] = {}
    if several:
        scale = alt.Scale(domain=names)
        extra = {
            "color": alt.Color("series:N", title=None, scale=scale),
            "strokeDash": alt.StrokeDash("series:N", title=None, scale=scale),
        }
    chart = (
        alt.Chart(alt.NamedData(name="rows"))
        .mark_line(clip=True)
        .encode(
            x=alt.X("x:Q", title=x_title, scale=kind),
            y=alt.Y("y:Q", title=y_title, scale=alt.Scale(zero=False, nice=True)),
            order="i:Q",
            tooltip=[
                "series:N",
                alt.Tooltip("x:Q", format=".4~g", title=x_title),
                alt.Tooltip("y:Q", format=".4~g", title=y_title),
            ],
            **extra,
        )
        .properties(height=height)
    )
    if zoom:
        chart = chart.add_params(_zoom())
    return _made(chart, alt_text, rows=rows)


def zone_plot(limits: Sequence[Row], found: Sequence[Row]) -> Spec:
    """Modulation depth over frequency on log axes with the limits of IEEE 1789.

    Args:
        limits: `hz`, `percent`, `limit`.
        found: `hz`, `percent`, `label`, `level`, `main` (whether it stands for the condition and not for one held level).
    """
    import altair as alt

    log = alt.Scale(type="log", nice=False)
    x = alt.X("hz:Q", title="frequency, Hz", scale=log)
    y = alt.Y("percent:Q", title="modulation depth, %", scale=log)
    borders = (
        alt.Chart(alt.NamedData(name="limits"))
        .mark_line(style="reference")
        .encode(
            x=x,
            y=y,
            strokeDash=alt.StrokeDash(
                "limit:N", title=None, scale=alt.Scale(domain=list(dict.fromkeys(r["limit"] for r in limits)))
            ),
        )
    )
    colour, shape = _series("label", [r["label"] for r in found])
    base = alt.Chart(alt.NamedData(name="found"))
    tip = ["label:N", "level:N", alt.Tooltip("hz:Q", format=".4~g"), alt.Tooltip("percent:Q", format=".3~g")]
    size = alt.Size("main:N", legend=None, scale=alt.Scale(domain=[False, True], range=[36, 150]))
    points = base.mark_point(opacity=0.85).encode(x=x, y=y, color=colour, shape=shape, size=size, tooltip=tip)
    return _made(
        alt.layer(borders, points).properties(height=300),
        "Modulation depth of each condition over its frequency, with the limits of IEEE Std 1789-2015.",
        limits=limits,
        found=found,
    )


def history(rows: Sequence[Row], title: str, revisions: Sequence[str]) -> Spec:
    """A figure over the revisions of a display: `revision`, `value`, `low`, `high`, `condition`, `text`."""
    import altair as alt

    colour, shape = _series("condition", [r["condition"] for r in rows])
    base = alt.Chart(alt.NamedData(name="rows"))
    x = alt.X("revision:N", title=None, sort=list(revisions), axis=alt.Axis(labelAngle=0))
    y = alt.Y("value:Q", title=title, scale=alt.Scale(zero=True))
    line = base.mark_line(strokeWidth=1.2, strokeDash=[3, 3]).encode(x=x, y=y, color=colour)
    bars = base.mark_rule(strokeWidth=3, opacity=0.5).encode(x=x, y="low:Q", y2="high:Q", color=colour)
    tip = ["revision:N", "condition:N", "text:N"]
    points = base.mark_point(size=80, opacity=1).encode(x=x, y=y, color=colour, shape=shape, tooltip=tip)
    spec = alt.layer(line, bars, points).properties(height=260)
    return _made(spec, f"{title} over the runs of the display, each with its interval of 95 % coverage.", rows=rows)


def ranking_chart(rows: Sequence[Row], title: str) -> Spec:
    """Displays with their intervals: `display`, `value`, `low`, `high`, `rank`."""
    import altair as alt

    names = [r["display"] for r in rows]
    room = 1.3 * max((r["high"] for r in rows), default=1.0)  # for the texts to the right of the points
    base = alt.Chart(alt.NamedData(name="rows"))
    y = alt.Y("display:N", title=None, sort=names)
    bars = base.mark_rule(strokeWidth=3, opacity=0.5).encode(x="low:Q", x2="high:Q", y=y)
    points = base.mark_point(size=80, opacity=1).encode(
        x=alt.X("value:Q", title=title, scale=alt.Scale(domain=[0, room], nice=False)),
        y=y,
        tooltip=["display:N", "rank:N", "text:N"],
    )
    names_at = base.mark_text(align="left", dx=10).encode(x="high:Q", y=y, text="text:N").properties(name=ROOMY)
    return _made(
        alt.layer(bars, points, names_at).properties(height=max(90, 32 * len(names))),
        "Displays in order, each with its interval of 95 % coverage.",
        rows=rows,
    )
