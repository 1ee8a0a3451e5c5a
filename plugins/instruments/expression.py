"""A regular expression in a dialect file, checked when the file is read."""

from __future__ import annotations

import re
from typing import Annotated

from pydantic import AfterValidator


def _compiles(value: str) -> str:
    try:
        re.compile(value)
    except re.error as exc:
        raise ValueError(f"not a regular expression: {exc}") from exc
    return value


Expression = Annotated[str, AfterValidator(_compiles)]
"""Text of a regular expression; one that does not compile is refused at its line."""
