"""Groups, data sets and attributes of an HDF5 image by HDF5's low-level calls.

h5py's own objects cost five times as much to make as the calls beneath: for a capture of 2 MB more than all its compression.
"""

from __future__ import annotations

from collections.abc import Sequence
from functools import cache
from typing import Any, Final

import h5py
import numpy as np
from h5py import h5a, h5d, h5p, h5s, h5t
from numpy.typing import NDArray

from .chunks import encode, seal

_STRING: Final = h5py.string_dtype()
_TEXT: Final = h5t.py_create(_STRING, logical=True)
_TEXT_OBJECT: Final = h5t.py_create(_STRING)
"""How a text lies in memory: a Python object, which HDF5 turns into a text."""
_SCALAR: Final = h5s.create(h5s.SCALAR)
_PACKED_ENTRIES: Final = 256
"""Shorter vectors are not packed."""

Identified = Any
"""Low-level id of a group or data set."""


def put_text(at: Identified, name: str, value: str | Sequence[str]) -> None:
    """A text attribute, or one of several texts, as variable-length UTF-8."""
    if isinstance(value, str):
        space, held = _SCALAR, np.array(value, _STRING)
    else:
        space, held = h5s.create_simple((len(value),)), np.array(list(value), _STRING)
    h5a.create(at, name.encode(), _TEXT, space).write(held, mtype=_TEXT_OBJECT)


def put_number(at: Identified, name: str, value: float) -> None:
    """A number as attribute, of 64 bits."""
    held = np.asarray(value)
    h5a.create(at, name.encode(), _kind(held.dtype), _SCALAR).write(held)


def scalar(group: Identified, name: str, value: str | float) -> Identified:
    """A data set of one text or number."""
    if isinstance(value, str):
        made = h5d.create(group, name.encode(), _TEXT, _SCALAR, _plain())
        made.write(h5s.ALL, h5s.ALL, np.array(value, _STRING), mtype=_TEXT_OBJECT)
    else:
        held = np.array(value, "<f8")
        made = h5d.create(group, name.encode(), _kind(held.dtype), _SCALAR, _plain())
        made.write(h5s.ALL, h5s.ALL, held)
    return made


def vector(group: Identified, name: str, values: NDArray[Any], stored: bytes | None = None) -> Identified:
    """A one-dimensional array in one chunk with a checksum, packed when that is worth while.

    Args:
        stored: `chunks.encode` of the values, where that is known already.
    """
    little = np.ascontiguousarray(values, values.dtype.newbyteorder("<"))
    packed = len(little) >= _PACKED_ENTRIES
    made = chunked(group, name, little.shape, little.dtype, (max(len(little), 1),), shuffle=packed, deflate=packed)
    if packed:
        made.write_direct_chunk((0,), encode(little) if stored is None else stored)
    elif len(little):
        made.write_direct_chunk((0,), seal(little.tobytes()))
    return made


def chunked(
    group: Identified,
    name: str,
    shape: tuple[int, ...],
    dtype: np.dtype[Any],
    chunk: tuple[int, ...],
    *,
    shuffle: bool = True,
    deflate: bool = True,
) -> Identified:
    """An empty data set in chunks, with the standard filters in the order in which h5py puts them."""
    how = _plain()
    how.set_chunk(chunk)
    if shuffle:
        how.set_shuffle()
    if deflate:
        how.set_deflate(1)
    how.set_fletcher32()
    return h5d.create(group, name.encode(), _kind(dtype), h5s.create_simple(shape), how)


@cache
def _kind(dtype: np.dtype[Any]) -> Any:
    return h5t.py_create(dtype)


def _plain() -> Any:
    how = h5p.create(h5p.DATASET_CREATE)
    how.set_obj_track_times(False)  # the same capture gives the same bytes at any time
    return how
