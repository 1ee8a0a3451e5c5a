"""Build the HDF5 image of a capture in memory: the one writer of the layout in `schema.layout`.

Made in memory, the image is complete before a byte touches the disk, can be hashed first, and is the same bytes every time.
"""

from __future__ import annotations

import json
from functools import lru_cache
from typing import Any

import h5py
import numpy as np
from greystep.schema import layout as at
from greystep.schema.capture import Capture, Channel
from h5py import h5ds
from numpy.typing import NDArray

from .chunks import encode, pack
from .objects import Identified, chunked, put_number, put_text, scalar, vector

_MAX_CHUNK_BYTES = 8 * 1024 * 1024
_TITLES = {"light": "sensor voltage", "sync": "sync voltage", "value": "meter reading"}


def build(capture: Capture) -> bytes:
    """The HDF5 file of a capture, without the header block."""
    with h5py.File("capture", "w", driver="core", backing_store=False, libver=at.LIBVER, track_order=True) as file:
        _root(file, capture)
        _data(file.create_group(at.DATA).id, capture)
        _things(file, capture)
        _texts(file.create_group(at.COLLECTION).id, capture)
        file.flush()
        return bytes(file.id.get_file_image())


def _root(file: Any, capture: Capture) -> None:
    meta = capture.meta
    put_text(file.id, "NX_class", "NXroot")
    put_text(file.id, "default", at.ENTRY)
    put_text(file.id, "creator", "greystep")
    entry = file.create_group(at.ENTRY).id
    put_text(entry, "NX_class", "NXentry")
    put_text(entry, "default", "data")
    scalar(entry, "title", f"{meta.dut.title}: {meta.key}")
    scalar(entry, "start_time", meta.started_utc)
    scalar(entry, "experiment_identifier", meta.run)
    put_text(scalar(entry, "program_name", "greystep"), "version", meta.software.get("greystep", ""))


def _data(group: Identified, capture: Capture) -> None:
    put_text(group, "NX_class", "NXdata")
    names = list(capture.channels)
    put_text(group, "signal", names[0])
    if names[1:]:
        put_text(group, "auxiliary_signals", names[1:])
    put_text(group, "axes", [at.SEGMENT, at.TIME])
    put_number(group, f"{at.SEGMENT}_indices", 0)
    put_number(group, f"{at.TIME}_indices", 1)
    times_s = np.ascontiguousarray(capture.times_s, "<f8")
    stored = _packed_axis(times_s.tobytes()) if times_s.nbytes <= _MAX_CHUNK_BYTES else None
    time = _vector(group, at.TIME, times_s, "s", "time after the trigger", stored)
    segment = _vector(group, at.SEGMENT, np.arange(capture.segments, dtype=np.int32), "1", "segment")
    h5ds.set_scale(time, at.TIME.encode())
    h5ds.set_scale(segment, at.SEGMENT.encode())
    for name, channel in capture.channels.items():
        signal = _codes(group, name, channel)
        h5ds.attach_scale(signal, segment, 0)
        h5ds.attach_scale(signal, time, 1)
    _vector(group, at.FROM_LEVEL, capture.from_level.astype(np.int32), "1", "level before the segment's change")
    _vector(group, at.TO_LEVEL, capture.to_level.astype(np.int32), "1", "level after the segment's change")
    _vector(group, at.FLAGS, capture.flags.astype(np.uint32), "1", "segment flags (bit mask)")
    _vector(group, at.TRIGGER, capture.trigger_s.astype(np.float64), "s", "trigger instant since the start")


@lru_cache(maxsize=2)
def _packed_axis(times_s: bytes) -> bytes:
    """The stored form of a time axis: the same for most captures of a run."""
    return encode(np.frombuffer(times_s, "<f8"))


def _vector(
    group: Identified, name: str, values: NDArray[Any], unit: str, title: str, stored: bytes | None = None
) -> Identified:
    made = vector(group, name, values, stored)
    put_text(made, "units", unit)
    put_text(made, "long_name", title)
    return made


def _codes(group: Identified, name: str, channel: Channel) -> Identified:
    codes = np.ascontiguousarray(channel.codes, channel.codes.dtype.newbyteorder("<"))
    segments, samples = codes.shape
    width = max(1, min(samples, _MAX_CHUNK_BYTES // codes.dtype.itemsize))
    signal = chunked(group, name, codes.shape, codes.dtype, (1, width))
    places = [(row, start) for row in range(segments) for start in range(0, samples, width)]
    for place in places:  # threads gave nothing: the cores are wanted by the analysis, and the parts are small
        signal.write_direct_chunk(place, encode(_part(codes, place, width)))
    put_text(signal, "units", channel.unit)
    put_text(signal, "long_name", _TITLES.get(name, name))
    if channel.code_min is not None and channel.code_max is not None:
        put_number(signal, "valid_min", channel.code_min)
        put_number(signal, "valid_max", channel.code_max)
    scalar(group, name + at.SCALE_SUFFIX, float(channel.scale))
    scalar(group, name + at.OFFSET_SUFFIX, float(channel.offset))
    return signal


def _part(codes: NDArray[Any], place: tuple[int, int], width: int) -> NDArray[Any]:
    part = codes[place[0], place[1] : place[1] + width]
    # HDF5 stores edge chunks whole.
    return part if len(part) == width else np.concatenate([part, np.zeros(width - len(part), part.dtype)])


def _things(file: Any, capture: Capture) -> None:
    meta = capture.meta
    sample = file.create_group(at.SAMPLE).id
    put_text(sample, "NX_class", "NXsample")
    scalar(sample, "name", meta.dut.title)
    scalar(sample, "description", ", ".join(p for p in (meta.dut.panel, meta.condition.title) if p))
    instrument = file.create_group(at.INSTRUMENT)
    put_text(instrument.id, "NX_class", "NXinstrument")
    scalar(instrument.id, "name", meta.bench or "bench")
    for record in meta.instruments:
        if record.role == "digitiser":
            detector = instrument.create_group("digitiser").id
            put_text(detector, "NX_class", "NXdetector")
            scalar(detector, "description", record.identity or record.driver)


def _texts(group: Identified, capture: Capture) -> None:
    put_text(group, "NX_class", "NXcollection")
    put_number(group, "schema_version", at.SCHEMA_VERSION)
    texts = {
        at.METADATA: json.dumps(capture.meta.model_dump(mode="json"), ensure_ascii=False, separators=(",", ":")),
        at.PLAN: capture.plan_text,
        at.BENCH: capture.bench_text,
        at.DIALOGUE: "\n".join(capture.dialogue),
    }
    for name, text in texts.items():
        # As bytes in one checksummed, packed chunk: a variable-length string can be neither.
        data = text.encode("utf-8", "replace") or b"\0"
        made = chunked(group, name, (len(data),), np.dtype(np.uint8), (len(data),), shuffle=False)
        made.write_direct_chunk((0,), pack(data, 2))
        put_text(made, "encoding", "UTF-8")
