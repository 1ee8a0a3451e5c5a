"""What a person sees: static pages and charts that open from disk, and text for the terminal.

`build` joins the parts: `evidence` reads catalogue and archive, `run_page` and its neighbours shape what a page shows, `charts`
holds the chart specifications, `pages/` the templates with style and script.
"""

from .build import build_report

__all__ = ["build_report"]
