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


def _made(chart: Any, alt_text: str) -> Spec:
    spec: Spec = chart.to_dict()
    spec.pop("config", None)
    spec["width"] = "container" if "hconcat" not in spec and "vconcat" not in spec else spec.get("width", WIDTH)
    spec["autosize"] = {"type": "fit", "contains": "padding"}
    spec["description"] = alt_text
    return spec


def trace_viewer(unit: str) -> Spec:
    """One transition, zoomable: mean, extent of the repeats, extent before ripple removal, reference levels, marks.

    The datasets `mean`, `raw`, `references` and `marks` are filled by whoever draws it.
    """
    import altair as alt

    x = alt.X("t:Q", title="time from the level command, ms")
    y = alt.Y("low:Q", title=f"light, {unit}", scale=alt.Scale(zero=False))
    zoom = alt.selection_interval(bind="scales", name="zoom")
    raw = alt.Chart(alt.NamedData(name="raw")).mark_area(opacity=0.16, clip=True).encode(x=x, y=y, y2="high:Q")
    band = alt.Chart(alt.NamedData(name="mean")).mark_area(opacity=0.3, clip=True).encode(x=x, y=y, y2="high:Q")
    line = alt.Chart(alt.NamedData(name="mean")).mark_line(clip=True).encode(x=x, y="mean:Q").add_params(zoom)
    levels = (
        alt.Chart(alt.NamedData(name="references"))
        .mark_rule(strokeDash=[4, 3], clip=True)
        .encode(y="light:Q", tooltip=["label:N", "light:Q"])
    )
    colour = alt.Color("method:N", title="method")
    marks = alt.Chart(alt.NamedData(name="marks"))
    rules = marks.mark_rule(strokeWidth=1.2, clip=True).encode(x="t:Q", color=colour)
    points = marks.mark_point(size=80, clip=True).encode(
        x="t:Q",
        y="light:Q",
        color=colour,
        shape=alt.Shape("method:N", title="method"),
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
    periods = [{"ms": 1e3 / f, "label": f"{f:g} Hz, {1e3 / f:.3g} ms"} for f in COMMON_REFRESH_HZ if 1e3 / f <= 1.6 * top]
    x = alt.X("ms:Q", title="transition duration, ms", scale=alt.Scale(zero=True))
    base = alt.Chart(alt.Data(values=list(rows)))
    y = alt.Y("share:Q", title="share of the transitions, %", scale=alt.Scale(domain=[0, 104]))
    line = base.mark_line(interpolate="step-after").encode(
        x=x, y=y, color=alt.Color("condition:N", title=None), strokeDash=alt.StrokeDash("condition:N", title=None)
    )
    tip = ["condition:N", "step:N", alt.Tooltip("ms:Q", format=".3~f")]
    points = base.mark_point(size=45).encode(
        x=x, y=y, color=alt.Color("condition:N", title=None), shape=alt.Shape("condition:N", title=None), tooltip=tip
    )
    rules = alt.Chart(alt.Data(values=periods)).mark_rule(strokeDash=[2, 3]).encode(x="ms:Q")
    names = (
        alt.Chart(alt.Data(values=periods))
        .mark_text(angle=270, align="left", baseline="bottom", dy=-3, dx=4)
        .encode(x="ms:Q", y=alt.datum(2), text="label:N")
    )
    return _made(
        alt.layer(rules, names, line, points).properties(height=300),
        "Cumulative share of the transitions over their duration, with the refresh periods of common rates as lines.",
    )


def methods_side_by_side(rows: Sequence[Row]) -> Spec:
    """The same traces under several methods.

    Args:
        rows: `step`, `method`, `ms`, `low`, `high`.
    """
    import altair as alt

    steps = list(dict.fromkeys(r["step"] for r in rows))
    base = alt.Chart(alt.Data(values=list(rows)))
    y = alt.Y("step:N", title="transition", sort=steps)
    colour = alt.Color("method:N", title="method")
    whiskers = base.mark_rule().encode(x="low:Q", x2="high:Q", y=y, color=colour)
    points = base.mark_point(size=60).encode(
        x=alt.X("ms:Q", title="transition duration, ms", scale=alt.Scale(zero=True)),
        y=y,
        color=colour,
        shape=alt.Shape("method:N", title="method"),
        tooltip=["step:N", "method:N", alt.Tooltip("ms:Q", format=".4~f")],
    )
    return _made(
        alt.layer(whiskers, points).properties(height=max(160, 17 * len(steps))),
        "Duration of every transition under each method, from the same raw traces.",
    )


def level_curve(rows: Sequence[Row], unit: str) -> Spec:
    """Measured code-to-light curve: `level`, `light`, `low`, `high`."""
    import altair as alt

    base = alt.Chart(alt.Data(values=list(rows)))
    x = alt.X("level:Q", title="level")
    line = base.mark_line().encode(x=x, y=alt.Y("light:Q", title=f"light above dark, {unit}"))
    bars = base.mark_rule().encode(x=x, y="low:Q", y2="high:Q")
    points = base.mark_point().encode(x=x, y="light:Q", tooltip=["level:Q", alt.Tooltip("light:Q", format=".4~g")])
    return _made(alt.layer(bars, line, points).properties(height=240), "Light over level as measured with held levels.")


def lines(
    rows: Sequence[Row], x_title: str, y_title: str, alt_text: str, *, log: bool = False, height: int = 240, zoom: bool = True
) -> Spec:
    """Curves: `x`, `y`, `series`; drawn in the order of the rows."""
    import altair as alt

    kind = alt.Scale(type="log", nice=False) if log else alt.Scale(zero=False, nice=False)
    several = len({r["series"] for r in rows}) > 1
    extra: dict[str, Any] = {}
    if several:
        extra = {"color": alt.Color("series:N", title=None), "strokeDash": alt.StrokeDash("series:N", title=None)}
    chart = (
        alt.Chart(alt.Data(values=list(rows)))
        .mark_line(clip=True)
        .encode(
            x=alt.X("x:Q", title=x_title, scale=kind),
            y=alt.Y("y:Q", title=y_title, scale=alt.Scale(zero=False)),
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
        chart = chart.add_params(alt.selection_interval(bind="scales", name="zoom"))
    return _made(chart, alt_text)


def zone_plot(limits: Sequence[Row], found: Sequence[Row]) -> Spec:
    """Modulation depth over frequency on log axes with the limits of IEEE 1789.

    Args:
        limits: `hz`, `percent`, `limit`.
        found: `hz`, `percent`, `label`.
    """
    import altair as alt

    log = alt.Scale(type="log", nice=False)
    x = alt.X("hz:Q", title="frequency, Hz", scale=log)
    y = alt.Y("percent:Q", title="modulation depth, %", scale=log)
    borders = (
        alt.Chart(alt.Data(values=list(limits)))
        .mark_line()
        .encode(x=x, y=y, color=alt.Color("limit:N", title=None), strokeDash=alt.StrokeDash("limit:N", title=None))
    )
    base = alt.Chart(alt.Data(values=list(found)))
    points = base.mark_point(size=110, shape="diamond").encode(x=x, y=y, tooltip=["label:N", "hz:Q", "percent:Q"])
    names = base.mark_text(align="left", dx=9).encode(x=x, y=y, text="label:N")
    return _made(
        alt.layer(borders, points, names).properties(height=300),
        "Modulation depth of each condition over its frequency, with the limits of IEEE Std 1789-2015.",
    )


def ranking_chart(rows: Sequence[Row], title: str) -> Spec:
    """Displays with their intervals: `display`, `value`, `low`, `high`, `rank`."""
    import altair as alt

    names = [r["display"] for r in rows]
    base = alt.Chart(alt.Data(values=list(rows)))
    y = alt.Y("display:N", title=None, sort=names, axis=alt.Axis(labelLimit=320))
    bars = base.mark_rule(strokeWidth=3, opacity=0.5).encode(x="low:Q", x2="high:Q", y=y)
    points = base.mark_point(size=80).encode(
        x=alt.X("value:Q", title=title, scale=alt.Scale(zero=True)),
        y=y,
        tooltip=["display:N", "rank:N", "text:N"],
    )
    names_at = base.mark_text(align="left", dx=10).encode(x="high:Q", y=y, text="text:N")
    return _made(
        alt.layer(bars, points, names_at).properties(height=max(90, 32 * len(names))),
        "Displays in order, each with its interval of 95 % coverage.",
    )
