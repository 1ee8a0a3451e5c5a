"""A level sequence as a video that plays on almost anything (H.264, 4:2:0, limited range, MP4), and what it became.

Limited range has 220 codes for 256 levels, so that some levels come out one beside; and an encoder may add its own error. What
a decoder really gives is therefore read back from the finished file, frame by frame, and that is what the manifest says.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from fractions import Fraction
from pathlib import Path
from typing import Any, Final

import numpy as np
from greystep.schema.errors import GreystepError
from numpy.typing import NDArray

from .caution import caution_picture
from .sequence import Held
from .timeline import Shown

CAUTION_S: Final = 6.0
RATES_HZ: Final = (24, 25, 30, 50, 60)
_OPTIONS: Final = {
    "crf": "6",
    "preset": "veryfast",
    "profile": "main",
    # Nothing that spreads an error in time or in the picture: flat frames need none of it.
    "x264-params": "aq-mode=0:mbtree=0:weightp=0:no-deblock=1:bframes=0:scenecut=0"
    ":colorprim=bt709:transfer=bt709:colormatrix=bt709",
}


class VideoError(GreystepError):
    """A video can't be written, or doesn't show what was asked."""


def to_limited(level: int) -> int:
    """Luma code of a full-range level (ITU-R BT.709: 16 is black, 235 white)."""
    return round(16 + 219 * level / 255)


def to_full(code: float) -> int:
    """Full-range level that a decoder shows for a luma code."""
    return int(min(max(round((code - 16) * 255 / 219), 0), 255))


def write_video(path: Path, held: Sequence[Held], rate_hz: int, width: int, height: int, marker: int) -> Shown:
    """Write the video and read it back.

    Args:
        path: of the new MP4 file.
        held: levels and their frames, the start marker first.
        rate_hz: frames a second.
        width, height: even numbers of pixels.
        marker: how many of `held` are the start marker.

    Returns:
        What a decoder gives, for the manifest. The caution screen counts as level 0.

    Raises:
        VideoError: no encoder, the file can't be written, or a decoded frame isn't one flat level.
    """
    av = _library()
    try:
        with av.open(str(path), "w", format="mp4", options={"movflags": "+faststart"}) as container:
            stream = container.add_stream("libx264", rate=rate_hz, options=_OPTIONS)
            stream.width, stream.height, stream.pix_fmt = width, height, "yuv420p"
            stream.codec_context.color_range = 1  # limited
            stream.codec_context.gop_size = rate_hz
            for number, frame in enumerate(_frames(av, held, rate_hz, width, height)):
                frame.pts, frame.time_base = number, Fraction(1, rate_hz)
                for packet in stream.encode(frame):
                    container.mux(packet)
            for packet in stream.encode():
                container.mux(packet)
    except (av.FFmpegError, OSError, ValueError) as exc:
        raise VideoError(f"the video can't be written: {exc}", where=str(path)) from exc
    return _read_back(path, held, rate_hz, marker)


def _library() -> Any:
    try:
        import av
    except ImportError as exc:
        raise VideoError("writing videos needs the extra 'video'", todo="pip install 'greystep[video]'") from exc
    return av


def _frames(av: Any, held: Sequence[Held], rate_hz: int, width: int, height: int) -> Iterator[Any]:
    """Every frame in order; the first of each level is a key frame, so that a change is whole at once."""
    caution = np.vectorize(to_limited, otypes=[np.uint8])(np.arange(256))[caution_picture(width, height)]
    parts = [
        (caution, round(CAUTION_S * rate_hz)),
        *((np.full((height, width), to_limited(h.level), np.uint8), h.frames) for h in held),
    ]
    chroma = np.full((height // 2, width), 128, np.uint8)
    for luma, count in parts:
        picture = np.vstack([luma, chroma])
        for i in range(count):
            frame = av.VideoFrame.from_ndarray(picture, format="yuv420p")
            frame.pict_type = 1 if i == 0 else 0
            yield frame


def _read_back(path: Path, held: Sequence[Held], rate_hz: int, marker: int) -> Shown:
    caution = round(CAUTION_S * rate_hz)
    wanted = [-1] * caution + [h.level for h in held for _ in range(h.frames)]
    got: list[int] = []
    for number, luma in enumerate(_decoded(path)):
        if number < caution:
            got.append(0)
            continue
        low, high = int(luma.min()), int(luma.max())
        if to_full(high) - to_full(low) > 1:
            raise VideoError(f"frame {number} is not flat: luma {low} to {high}", where=str(path))
        got.append(to_full(float(np.median(luma))))
    if len(got) != len(wanted):
        raise VideoError(f"{len(got)} frames can be read back of {len(wanted)} written", where=str(path))
    return _shown(path.name, got, wanted, rate_hz, marker)


def _shown(name: str, got: Sequence[int], wanted: Sequence[int], rate_hz: int, marker: int) -> Shown:
    starts = [0] + [i for i in range(1, len(got)) if wanted[i] != wanted[i - 1]]
    asked = [max(wanted[i], 0) for i in starts]
    ends = [*starts[1:], len(got)]
    level = []
    for a, b in zip(starts, ends, strict=True):
        seen = set(got[a:b])
        if len(seen) > 1:
            raise VideoError(f"frames {a} to {b - 1} show the levels {sorted(seen)} instead of one", where=name)
        level.append(seen.pop())
    return Shown(
        file=name,
        frame_rate_hz=float(rate_hz),
        frames=len(got),
        start_s=tuple(i / rate_hz for i in starts),
        level=tuple(level),
        asked=tuple(asked),
        marker_levels=marker + 1,  # the caution screen stands before it
    )


def _decoded(path: Path) -> Iterator[NDArray[np.uint8]]:
    """[y, x] luma of each frame, in order of time."""
    av = _library()
    try:
        with av.open(str(path)) as container:
            for frame in container.decode(video=0):
                plane = frame.planes[0]
                whole = np.frombuffer(plane, np.uint8).reshape(plane.height, plane.line_size)
                yield whole[:, : plane.width]
    except av.FFmpegError as exc:
        raise VideoError(f"the video can't be read back: {exc}", where=str(path)) from exc
