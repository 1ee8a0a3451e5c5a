"""Build the HDF5 image of a capture in memory: the one writer of the layout in `schema.layout`.

Made in memory, the image is complete before a byte touches the disk, can be hashed first, and is the same bytes every time.
"""

from __future__ import annotations

import json
from typing import Any

import h5py
import numpy as np
from greystep.schema import layout as at
from greystep.schema.capture import Capture, Channel
from numpy.typing import NDArray

from .chunks import encode

_MAX_CHUNK_BYTES = 8 * 1024 * 1024
_TITLES = {"light": "sensor voltage", "sync": "sync voltage", "value": "meter reading"}


def build(capture: Capture) -> bytes:
    """The HDF5 file of a capture, without the header block."""
    with h5py.File("capture", "w", driver="core", backing_store=False, libver=at.LIBVER, track_order=True) as file:
        _root(file, capture)
        _data(file.create_group(at.DATA), capture)
        _things(file, capture)
        _texts(file.create_group(at.COLLECTION), capture)
        file.flush()
        return bytes(file.id.get_file_image())


def _root(file: Any, capture: Capture) -> None:
    meta = capture.meta
    file.attrs["NX_class"] = "NXroot"
    file.attrs["default"] = at.ENTRY
    file.attrs["creator"] = "greystep"
    entry = file.create_group(at.ENTRY)
    entry.attrs["NX_class"] = "NXentry"
    entry.attrs["default"] = "data"
    entry["title"] = f"{meta.dut.title}: {meta.key}"
    entry["start_time"] = meta.started_utc
    entry["experiment_identifier"] = meta.run
    entry["program_name"] = "greystep"
    entry["program_name"].attrs["version"] = meta.software.get("greystep", "")


def _data(group: Any, capture: Capture) -> None:
    group.attrs["NX_class"] = "NXdata"
    names = list(capture.channels)
    group.attrs["signal"] = names[0]
    if names[1:]:
        group.attrs["auxiliary_signals"] = names[1:]
    group.attrs["axes"] = [at.SEGMENT, at.TIME]
    group.attrs[f"{at.SEGMENT}_indices"] = 0
    group.attrs[f"{at.TIME}_indices"] = 1
    time = _small(group, at.TIME, capture.times_s, "s", "time after the trigger")
    segment = _small(group, at.SEGMENT, np.arange(capture.segments, dtype=np.int32), "1", "segment")
    time.make_scale(at.TIME)
    segment.make_scale(at.SEGMENT)
    for name, channel in capture.channels.items():
        signal = _codes(group, name, channel)
        signal.dims[0].attach_scale(segment)
        signal.dims[1].attach_scale(time)
    _small(group, at.FROM_LEVEL, capture.from_level.astype(np.int32), "1", "level before the segment's change")
    _small(group, at.TO_LEVEL, capture.to_level.astype(np.int32), "1", "level after the segment's change")
    _small(group, at.FLAGS, capture.flags.astype(np.uint32), "1", "segment flags (bit mask)")
    _small(group, at.TRIGGER, capture.trigger_s.astype(np.float64), "s", "trigger instant since the start")


def _small(group: Any, name: str, values: NDArray[Any], unit: str, title: str) -> Any:
    packed = len(values) >= 256
    made = group.create_dataset(
        name,
        data=values,
        chunks=(max(len(values), 1),),
        fletcher32=True,
        **({"shuffle": True, "compression": "gzip", "compression_opts": 1} if packed else {}),
    )
    made.attrs["units"] = unit
    made.attrs["long_name"] = title
    return made


def _codes(group: Any, name: str, channel: Channel) -> Any:
    codes = np.ascontiguousarray(channel.codes)
    segments, samples = codes.shape
    width = max(1, min(samples, _MAX_CHUNK_BYTES // codes.dtype.itemsize))
    signal = group.create_dataset(
        name,
        shape=codes.shape,
        dtype=codes.dtype.newbyteorder("<"),
        chunks=(1, width),
        shuffle=True,
        compression="gzip",
        compression_opts=1,
        fletcher32=True,
    )
    little = codes.astype(codes.dtype.newbyteorder("<"), copy=False)
    for row in range(segments):
        for start in range(0, samples, width):
            part = little[row, start : start + width]
            if len(part) < width:  # HDF5 stores edge chunks whole
                part = np.concatenate([part, np.zeros(width - len(part), part.dtype)])
            signal.id.write_direct_chunk((row, start), encode(part))
    signal.attrs["units"] = channel.unit
    signal.attrs["long_name"] = _TITLES.get(name, name)
    if channel.code_min is not None and channel.code_max is not None:
        signal.attrs["valid_min"] = channel.code_min
        signal.attrs["valid_max"] = channel.code_max
    group[name + at.SCALE_SUFFIX] = float(channel.scale)
    group[name + at.OFFSET_SUFFIX] = float(channel.offset)
    return signal


def _things(file: Any, capture: Capture) -> None:
    meta = capture.meta
    sample = file.create_group(at.SAMPLE)
    sample.attrs["NX_class"] = "NXsample"
    sample["name"] = meta.dut.title
    sample["description"] = ", ".join(p for p in (meta.dut.panel, meta.condition.title) if p)
    instrument = file.create_group(at.INSTRUMENT)
    instrument.attrs["NX_class"] = "NXinstrument"
    instrument["name"] = meta.bench or "bench"
    for record in meta.instruments:
        if record.role == "digitiser":
            detector = instrument.create_group("digitiser")
            detector.attrs["NX_class"] = "NXdetector"
            detector["description"] = record.identity or record.driver


def _texts(group: Any, capture: Capture) -> None:
    group.attrs["NX_class"] = "NXcollection"
    group.attrs["schema_version"] = at.SCHEMA_VERSION
    texts = {
        at.METADATA: json.dumps(capture.meta.model_dump(mode="json"), ensure_ascii=False, separators=(",", ":")),
        at.PLAN: capture.plan_text,
        at.BENCH: capture.bench_text,
        at.DIALOGUE: "\n".join(capture.dialogue),
    }
    for name, text in texts.items():
        # As bytes in one checksummed, packed chunk: a variable-length string can be neither.
        data = np.frombuffer(text.encode("utf-8", "replace") or b"\0", np.uint8)
        made = group.create_dataset(
            name, data=data, chunks=(len(data),), shuffle=False, compression="gzip", compression_opts=4, fletcher32=True
        )
        made.attrs["encoding"] = "UTF-8"
