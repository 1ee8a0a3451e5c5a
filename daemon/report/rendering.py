"""Templates to files. Everything is escaped; data for scripts stands in blocks that no browser runs."""

from __future__ import annotations

import json
import math
from functools import lru_cache
from importlib import resources
from pathlib import Path
from typing import Any

from greystep.daemon.archive.durable import replace_text


@lru_cache(maxsize=1)
def _environment() -> Any:
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("greystep.daemon.report", "pages"),
        autoescape=True,
        undefined=StrictUndefined,
        trim_blocks=True,
        lstrip_blocks=True,
    )
    made.filters["data"] = data_block
    made.filters["sentence"] = sentence
    made.filters["worded"] = worded
    return made


def sentence(text: str) -> str:
    """With a capital at the beginning and all else as it is."""
    return text[:1].upper() + text[1:]


def worded(text: str) -> Any:
    """Escaped, with names between backticks set as code."""
    from markupsafe import Markup, escape

    parts = [str(escape(part)) for part in text.split("`")]
    if len(parts) % 2 == 0:  # one that is not closed is only a sign
        return Markup("`".join(parts))
    return Markup("".join(f"<code>{part}</code>" if i % 2 else part for i, part in enumerate(parts)))


def data_block(value: Any) -> Any:
    """JSON that can't end its script element: `<`, `>` and `&` are written as escapes of JSON itself."""
    from markupsafe import Markup

    text = json.dumps(_finite(value), separators=(",", ":"), ensure_ascii=False, allow_nan=False)
    for sign in "<>&\u2028\u2029":
        text = text.replace(sign, f"\\u{ord(sign):04x}")
    return Markup(text)


def _finite(value: Any) -> Any:
    if isinstance(value, dict):
        return {str(k): _finite(v) for k, v in value.items()}
    if isinstance(value, (list, tuple)):
        return [_finite(v) for v in value]
    return None if isinstance(value, float) and not math.isfinite(value) else value


def render(template: str, **values: Any) -> str:
    """A page as text."""
    text: str = _environment().get_template(template).render(**values)
    return text


def write_page(path: Path, template: str, **values: Any) -> Path:
    """A page as a file, replaced at once."""
    path.parent.mkdir(parents=True, mode=0o700, exist_ok=True)
    replace_text(path, render(template, **values), durable=False, mode=0o644)
    return path


def asset_text(name: str) -> str:
    """A style or script of ours."""
    return resources.files("greystep.daemon.report.pages").joinpath(name).read_text(encoding="utf-8")
