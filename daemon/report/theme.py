"""How charts look: one configuration for light, one for dark, and larger type where it is asked for.

Series colours keep a contrast of at least 3 to 1 against their ground (WCAG 2.2, SC 1.4.11) and differ in lightness as well as
in hue; series also differ in dash or shape.
"""

from __future__ import annotations

from typing import Any, Final

SERIES: Final = {
    "light": ("#0b5c9e", "#a4480b", "#54308c", "#00695c", "#7a5c00", "#9c1458"),
    "dark": ("#7cc1ff", "#ffab70", "#c9a9ff", "#5fd6c2", "#e6c84f", "#ff9cc8"),
}
GROUND: Final = {"light": "#ffffff", "dark": "#14181d"}
INK: Final = {"light": "#1a2027", "dark": "#e8ecf1"}
QUIET: Final = {"light": "#59636e", "dark": "#a4afbb"}
GRID: Final = {"light": "#dfe3e8", "dark": "#2c343d"}
FONT: Final = "system-ui, 'Segoe UI', 'Noto Sans', 'DejaVu Sans', sans-serif"


def chart_config(theme: str = "light", type_scale: float = 1.0) -> dict[str, Any]:
    """Vega-Lite `config`.

    Args:
        theme: light or dark.
        type_scale: factor on the size of all type; 1.6 suits a video.
    """
    ink, quiet, grid = INK[theme], QUIET[theme], GRID[theme]
    small = 12 * type_scale
    return {
        "background": GROUND[theme],
        "font": FONT,
        "view": {"stroke": None},
        "axis": {
            "labelColor": ink,
            "titleColor": ink,
            "labelFontSize": small,
            "titleFontSize": small,
            "titleFontWeight": "normal",
            "labelOverlap": "greedy",
            "labelSeparation": 8,
            "labelFlush": False,
            "gridColor": grid,
            "domainColor": quiet,
            "tickColor": quiet,
        },
        "axisY": {"labelLimit": 420},
        "legend": {
            "labelColor": ink,
            "titleColor": ink,
            "labelFontSize": small,
            "titleFontSize": small,
            "orient": "bottom",
            "labelLimit": 420,
            "columns": 2 if type_scale < 1.3 else 1,
            "layout": {"bottom": {"direction": "vertical", "anchor": "start"}},
        },
        "title": {"color": ink, "fontSize": 14 * type_scale, "anchor": "start", "fontWeight": 600},
        "text": {"color": ink, "fontSize": small},
        "rule": {"color": quiet},
        "style": {"reference": {"color": quiet}},
        "line": {"color": SERIES[theme][0], "strokeWidth": 1.8},
        "point": {"color": SERIES[theme][0], "filled": True, "size": 50},
        "area": {"color": SERIES[theme][0]},
        "range": {"category": list(SERIES[theme])},
    }
