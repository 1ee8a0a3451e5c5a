"""The raw file, version 1, as data: names and attributes that the one writer and the one reader share.

A file is a header block of `HEADER_BYTES` (an HDF5 user block) followed by an HDF5 image. The header is one line of JSON padded
with zero bytes; it holds the capture's metadata and the SHA-256 of the image, so that a file proves itself without any other
file, and 100,000 files can be listed without opening HDF5. Metadata too long for the header stands only in the image.

    /                       NXroot      @default = entry
    /entry                  NXentry     @default = data; title, start_time, end_time, program_name, experiment_identifier
    /entry/data             NXdata      @signal, @axes = [segment, time]
        light, sync | value             codes [segment, sample] with NAME_scaling_factor and NAME_offset
        time, segment                   axes, HDF5 dimension scales
        from_level, to_level, flags, trigger_time                      [segment]
    /entry/sample           NXsample    name, description
    /entry/instrument       NXinstrument
    /entry/greystep         NXcollection   metadata (JSON), plan, bench, dialogue (texts)
"""

from __future__ import annotations

from typing import Final

SCHEMA_VERSION: Final = 1
HEADER_BYTES: Final = 8192
"""HDF5 looks for its signature at 0, 512, 1024, 2048, 4096, 8192, ... so that a user block of this size is legal."""
HEADER_MAGIC: Final = b"greystep-capture 1 "
LIBVER: Final = ("v110", "v110")
"""Checksummed metadata (superblock 3, fletcher32) that every HDF5 since 1.10 reads."""

ENTRY: Final = "entry"
DATA: Final = "entry/data"
SAMPLE: Final = "entry/sample"
INSTRUMENT: Final = "entry/instrument"
COLLECTION: Final = "entry/greystep"

TIME: Final = "time"
SEGMENT: Final = "segment"
FROM_LEVEL: Final = "from_level"
TO_LEVEL: Final = "to_level"
FLAGS: Final = "flags"
TRIGGER: Final = "trigger_time"
SCALE_SUFFIX: Final = "_scaling_factor"
OFFSET_SUFFIX: Final = "_offset"

METADATA: Final = "metadata"
PLAN: Final = "plan"
BENCH: Final = "bench"
DIALOGUE: Final = "dialogue"

SUFFIX: Final = ".h5"
CHANNELS: Final = ("light", "sync", "value")
"""Channel names that a reader accepts."""
MAX_SEGMENTS: Final = 100_000
MAX_SAMPLES: Final = 200_000_000
MAX_ELEMENTS: Final = 2_000_000_000
"""Larger declared shapes are refused before anything is read."""
MAX_TEXT_BYTES: Final = 16 * 1024 * 1024
