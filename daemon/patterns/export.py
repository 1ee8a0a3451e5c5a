"""Write pattern files into a folder: a picture of each level, a video of the whole sequence, and its manifest."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from greystep.schema.errors import GreystepError
from greystep.schema.plan import Plan

from .picture import grey_png
from .sequence import MAX_LEVELS, levels_of, timed
from .timeline import Shown, write_manifest

VIDEO: Final = "pattern.mp4"
MANIFEST: Final = "pattern.toml"


@dataclass(frozen=True)
class Exported:
    """What was written."""

    pictures: tuple[str, ...]
    shown: Shown | None
    """Of the video; None when only pictures were wanted."""

    @property
    def shifted(self) -> tuple[tuple[int, int], ...]:
        """(asked, shown) of the levels that the video can't show exactly."""
        if self.shown is None:
            return ()
        return tuple(sorted({(a, b) for a, b in zip(self.shown.asked, self.shown.level, strict=True) if a != b}))


def export(
    plan: Plan,
    folder: Path,
    *,
    rate_hz: int | None,
    repeats: int,
    width: int,
    height: int,
    progress: Callable[[str], None] = lambda _text: None,
) -> Exported:
    """Write the files of a plan's levels; existing ones are replaced.

    Args:
        plan: levels and hold.
        folder: made when missing.
        rate_hz: frames a second of the video; None: pictures only.
        repeats: how often the video shows each transition.
        width, height: in pixels; even.
        progress: told what happens.

    Raises:
        GreystepError: levels of more than 8 bits, too long a sequence, or a file can't be written.
    """
    if plan.levels.bits != 8:
        raise GreystepError(f"pattern files show 8 bits, the plan has {plan.levels.bits}", todo="set bits = 8 in [levels]")
    if width % 2 or height % 2 or not (64 <= width <= 7680 and 64 <= height <= 4320):
        raise GreystepError(f"{width}x{height} pixels; even numbers from 64x64 to 7680x4320 can be written")
    order = levels_of(plan, repeats)
    if len(order) > MAX_LEVELS:
        raise GreystepError(f"{len(order)} levels in one video, at most {MAX_LEVELS}", todo="ask for fewer repeats or levels")
    try:
        folder.mkdir(parents=True, exist_ok=True)
        pictures = []
        for level in sorted({0, 255, *order, *plan.levels.steady_levels()}):
            name = f"level-{level:03d}.png"
            (folder / name).write_bytes(grey_png(level, width, height))
            pictures.append(name)
        if rate_hz is None:
            return Exported(tuple(pictures), None)
        from .video import write_video

        held, marker = timed(order, plan.capture.hold_s, rate_hz)
        progress(f"writing {sum(h.frames for h in held)} frames")
        temporary = folder / f".part-{VIDEO}"
        shown = write_video(temporary, held, rate_hz, width, height, marker)
        temporary.replace(folder / VIDEO)
        shown = shown.model_copy(update={"file": VIDEO})
        (folder / MANIFEST).write_text(write_manifest(shown), encoding="utf-8")
    except OSError as exc:
        raise GreystepError(f"can't be written: {exc.strerror}", where=str(folder)) from exc
    return Exported(tuple(pictures), shown)
