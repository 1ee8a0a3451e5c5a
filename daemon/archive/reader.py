"""Read a capture: the one reader of the layout in `schema.layout`, for every version that was ever released.

Only the expected names are opened. Links that lead outside, virtual or external storage and oversized shapes are refused
before a sample is read, because a file may come from elsewhere.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from functools import lru_cache
from pathlib import Path
from typing import Any, Final

import h5py
import numpy as np
from greystep.schema import layout as at
from greystep.schema.capture import Capture, CaptureMeta, Channel
from greystep.schema.errors import ArchiveError
from numpy.typing import NDArray
from pydantic import ValidationError

from .chunks import decode, decode_into, ends, inflate

_CHAIN: Final = [h5py.h5z.FILTER_SHUFFLE, h5py.h5z.FILTER_DEFLATE, h5py.h5z.FILTER_FLETCHER32]


def read(path: Path, relative: str = "", channels: Collection[str] | None = None) -> Capture:
    """A whole capture, or only some of its channels.

    Args:
        path: the file.
        relative: name for messages.
        channels: names of the channels to unpack; names that the file doesn't have are passed over; None: all.

    Raises:
        ArchiveError: when the file is not a capture, is damaged, or of a newer version.
    """
    shown = relative or str(path)
    try:
        with h5py.File(path, "r", locking=False) as file:
            return _capture(file, shown, channels)
    except (OSError, KeyError, RuntimeError, ValueError, TypeError) as exc:
        raise ArchiveError(f"can't be read: {str(exc).splitlines()[0][:200]}", where=shown) from exc


def read_meta(path: Path, relative: str = "") -> tuple[CaptureMeta, int, int]:
    """Metadata, number of segments and of samples, for files whose header block was cut."""
    shown = relative or str(path)
    try:
        with h5py.File(path, "r", locking=False) as file:
            meta = _meta(file, shown)
            signal = _dataset(file, f"{at.DATA}/{_names(file, shown)[0]}", shown, 2)
            return meta, int(signal.shape[0]), int(signal.shape[1])
    except (OSError, KeyError, RuntimeError, ValueError, TypeError) as exc:
        raise ArchiveError(f"can't be read: {str(exc).splitlines()[0][:200]}", where=shown) from exc


def _capture(file: Any, shown: str, wanted: Collection[str] | None) -> Capture:
    meta = _meta(file, shown)
    names = [n for n in _names(file, shown) if wanted is None or n in wanted]
    if not names:
        raise ArchiveError("none of the channels asked for", where=shown)
    channels = {name: _channel(file, name, shown) for name in names}
    segments, samples = channels[names[0]].codes.shape
    if any(c.codes.shape != (segments, samples) for c in channels.values()):
        raise ArchiveError("channels of different shapes", where=shown)
    even = meta.kind in ("step", "steady") and samples > 1
    time = _ends_of_time(file, samples, shown) if even else _vector(file, at.TIME, samples, np.float64, shown)
    interval = float((time[-1] - time[0]) / (samples - 1)) if samples > 1 else 1.0
    return Capture(
        meta=meta,
        channels=channels,
        start_s=float(time[0]) if samples else 0.0,
        interval_s=interval,
        from_level=_vector(file, at.FROM_LEVEL, segments, np.int32, shown),
        to_level=_vector(file, at.TO_LEVEL, segments, np.int32, shown),
        flags=_vector(file, at.FLAGS, segments, np.uint32, shown),
        trigger_s=_vector(file, at.TRIGGER, segments, np.float64, shown),
        time_s=None if even else time,
        plan_text=_text(file, at.PLAN, shown),
        bench_text=_text(file, at.BENCH, shown),
        dialogue=tuple(_text(file, at.DIALOGUE, shown).splitlines()),
        path=shown,
    )


def _meta(file: Any, shown: str) -> CaptureMeta:
    group = file.get(at.COLLECTION)
    if not isinstance(group, h5py.Group):
        raise ArchiveError("not a greystep capture", where=shown)
    version = int(group.attrs.get("schema_version", 0))
    if version > at.SCHEMA_VERSION or version < 1:
        raise ArchiveError(
            f"capture of schema version {version}, this greystep reads 1 to {at.SCHEMA_VERSION}",
            where=shown,
            todo="update greystep" if version > 0 else "",
        )
    try:
        return CaptureMeta.model_validate_json(_text(file, at.METADATA, shown))
    except ValidationError as exc:
        first = exc.errors()[0]
        raise ArchiveError(f"metadata {'.'.join(map(str, first['loc']))}: {first['msg']}", where=shown) from exc


def _names(file: Any, shown: str) -> list[str]:
    attrs = file[at.DATA].attrs
    names = [str(attrs["signal"]), *(str(n) for n in np.atleast_1d(attrs.get("auxiliary_signals", [])))]
    bad = [n for n in names if n not in at.CHANNELS]
    if bad or len(set(names)) != len(names):
        raise ArchiveError(f"unknown channel {bad[:1]}", where=shown)
    return names


def _dataset(file: Any, name: str, shown: str, ndim: int) -> Any:
    """Low-level id of a data set after all checks. (h5py's own objects take as long to make as a small array takes to read.)"""
    parts = name.split("/")
    if not all(_is_hard_link(file, "/".join(parts[: i + 1])) for i in range(len(parts))):
        raise ArchiveError(f"{name} is missing or a link", where=shown)
    made = h5py.h5o.open(file.id, name.encode())
    if not isinstance(made, h5py.h5d.DatasetID):
        raise ArchiveError(f"{name} is not stored in the file itself", where=shown)
    how = made.get_create_plist()
    if how.get_layout() == h5py.h5d.VIRTUAL or how.get_external_count():
        raise ArchiveError(f"{name} is not stored in the file itself", where=shown)
    shape, dtype = made.shape, made.dtype
    # An empty data space has no shape at all.
    if shape is None or len(shape) != ndim or dtype.kind not in "iufb":
        raise ArchiveError(f"{name} has the wrong shape or type", where=shown)
    size = math.prod(shape)
    limits = (at.MAX_SEGMENTS, at.MAX_SAMPLES)[2 - ndim :] if ndim else ()
    if size > at.MAX_ELEMENTS or any(n > limit for n, limit in zip(shape, limits, strict=True)):
        raise ArchiveError(f"{name} claims the shape {shape}", where=shown)
    # A shape that no stored bytes could fill is a bomb: deflate packs at most about 1032 to 1.
    if size * dtype.itemsize > 1100 * (made.get_storage_size() + 1024):
        raise ArchiveError(f"{name} claims the shape {shape} but stores too few bytes for it", where=shown)
    return made


def _read(made: Any) -> NDArray[Any]:
    """All of a data set."""
    out = np.empty(made.shape, made.dtype)
    if out.size:
        made.read(h5py.h5s.ALL, h5py.h5s.ALL, out)
    return out


def _is_hard_link(file: Any, name: str) -> bool:
    # The call below h5py's own, which looks the name up twice: half of the time of reading a small capture went there.
    try:
        info = file.id.links.get_info(name.encode())
    except (KeyError, RuntimeError, ValueError):
        return False
    return bool(info.type == h5py.h5l.TYPE_HARD)


def _channel(file: Any, name: str, shown: str) -> Channel:
    signal = _dataset(file, f"{at.DATA}/{name}", shown, 2)
    scale = float(_read(_dataset(file, f"{at.DATA}/{name}{at.SCALE_SUFFIX}", shown, 0)))
    offset = float(_read(_dataset(file, f"{at.DATA}/{name}{at.OFFSET_SUFFIX}", shown, 0)))
    attrs = h5py.Dataset(signal).attrs
    return Channel(
        codes=_codes(signal, shown),
        scale=scale,
        offset=offset,
        unit=str(attrs.get("units", "V")),
        code_min=float(attrs["valid_min"]) if "valid_min" in attrs else None,
        code_max=float(attrs["valid_max"]) if "valid_max" in attrs else None,
    )


def _own_chunks(made: Any) -> tuple[int, ...] | None:
    """Shape of the chunks of a data set with our own filter chain; None for any other."""
    how = made.get_create_plist()
    if how.get_layout() != h5py.h5d.CHUNKED or [how.get_filter(i)[0] for i in range(how.get_nfilters())] != _CHAIN:
        return None
    return tuple(how.get_chunk())


def _codes(signal: Any, shown: str) -> NDArray[Any]:
    """Chunks of our own filter chain are decoded here (three times as fast); anything else is left to HDF5."""
    segments, samples = signal.shape
    dtype, chunks = signal.dtype, _own_chunks(signal)
    if chunks is None or chunks[0] != 1:
        return _read(signal)
    width = chunks[1]
    out = np.empty((segments, samples), dtype)
    for row in range(segments):
        for start in range(0, samples, width):
            mask, stored = signal.read_direct_chunk((row, start))
            if mask:
                return _read(signal)
            where = f"{shown}, segment {row}"
            if start + width <= samples:
                decode_into(stored, out[row, start : start + width], where=where)
            else:
                out[row, start:] = decode(stored, dtype, (width,), where=where)[: samples - start]
    return out


def _vector(file: Any, name: str, length: int, dtype: Any, shown: str) -> NDArray[Any]:
    made = _dataset(file, f"{at.DATA}/{name}", shown, 1)
    if made.shape[0] != length:
        raise ArchiveError(f"{name} has {made.shape[0]} entries, {length} expected", where=shown)
    return np.asarray(_read(made), dtype=dtype)


def _ends_of_time(file: Any, samples: int, shown: str) -> NDArray[np.float64]:
    """First and last entry of an even time axis: the rest need not be put together."""
    made = _dataset(file, f"{at.DATA}/{at.TIME}", shown, 1)
    if made.shape[0] == samples and made.dtype.str == "<f8" and _own_chunks(made) == (samples,):
        mask, stored = made.read_direct_chunk((0,))
        if not mask:
            try:
                return np.array(_ends(stored, samples))
            except ArchiveError as exc:
                raise ArchiveError(exc.what, where=f"{shown}, {at.TIME}", todo=exc.todo) from exc
    time: NDArray[np.float64] = _vector(file, at.TIME, samples, np.float64, shown)
    return time[[0, -1]]


@lru_cache(maxsize=8)
def _ends(stored: bytes, samples: int) -> tuple[float, float]:
    """First and last entry of a packed time axis: the same for most captures of a run."""
    first, last = ends(inflate(stored, 8 * samples), np.dtype("<f8"))
    return float(first), float(last)


def _text(file: Any, name: str, shown: str) -> str:
    made = _dataset(file, f"{at.COLLECTION}/{name}", shown, 1)
    if made.shape[0] > at.MAX_TEXT_BYTES:
        raise ArchiveError(f"{name} is longer than {at.MAX_TEXT_BYTES} bytes", where=shown)
    return bytes(np.asarray(_read(made), np.uint8)).decode("utf-8").rstrip("\0")
