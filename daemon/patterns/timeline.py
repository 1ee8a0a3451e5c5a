"""The manifest beside exported pattern files: which level stands on the screen from which moment on."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal, Self

import numpy as np
from greystep.schema.errors import ManifestError
from greystep.schema.model import Model
from greystep.schema.toml_source import TomlSource
from numpy.typing import NDArray
from pydantic import Field, model_validator

Level = Annotated[int, Field(ge=0, le=255)]


@dataclass(frozen=True)
class Timeline:
    """What a played file shows when: level `levels[k]` from `starts_s[k]` on."""

    starts_s: NDArray[np.float64]
    """[entry] ascending."""
    levels: tuple[int, ...]
    end_s: float


class Shown(Model):
    """What the video shows, as decoded again after it was written."""

    file: str
    """The video."""
    frame_rate_hz: Annotated[float, Field(gt=0)]
    frames: Annotated[int, Field(ge=1)]
    start_s: tuple[Annotated[float, Field(ge=0)], ...]
    """Start of each held level since the first frame, in s."""
    level: tuple[Level, ...]
    """Level that a decoder gives, in 8-bit full range."""
    asked: tuple[Level, ...]
    """Level that was asked for; differs where the limited range of video has no code for it."""
    marker_levels: Annotated[int, Field(ge=0)] = 0
    """How many of the first levels are the start marker."""

    @model_validator(mode="after")
    def _consistent(self) -> Self:
        if not len(self.start_s) == len(self.level) == len(self.asked) > 0:
            raise ValueError("start_s, level and asked need the same number of entries, at least one")
        if any(b <= a for a, b in zip(self.start_s[:-1], self.start_s[1:], strict=True)):
            raise ValueError("start_s doesn't increase")
        return self

    def timeline(self) -> Timeline:
        """For the importer of long records."""
        return Timeline(np.array(self.start_s), self.level, self.frames / self.frame_rate_hz)


class PatternManifest(Model):
    """The whole manifest."""

    greystep_pattern: Literal[1]
    """Version of this format."""
    video: Shown


def read_timeline(path: Path) -> Timeline:
    """Timeline of a pattern manifest. Raises ManifestError with every problem."""
    return TomlSource.read(path, ManifestError).validate(PatternManifest, ManifestError).video.timeline()


def write_manifest(shown: Shown) -> str:
    """The manifest as TOML."""
    return (
        "# What the video shows, as decoded again after it was written.\n"
        "# `greystep import` reads this file beside a long record:\n"
        '#   [[capture]]\n#   kind = "record"\n#   file = "record.csv"\n#   pattern = "pattern.toml"\n'
        "greystep_pattern = 1\n\n[video]\n"
        f'file = "{shown.file}"\n'
        f"frame_rate_hz = {shown.frame_rate_hz!r}\n"
        f"frames = {shown.frames}\n"
        f"marker_levels = {shown.marker_levels}\n"
        f"start_s = {_list([f'{s:.6f}' for s in shown.start_s])}\n"
        f"level = {_list(shown.level)}\n"
        f"asked = {_list(shown.asked)}\n"
    )


def _list(items: Sequence[object]) -> str:
    return "[" + ", ".join(str(i) for i in items) + "]"
