"""Contexts and subjects as bytes and back, exactly: a cached preparation must give the same figures to the last bit.

Layout: magic, CRC-32 of the rest, length of the JSON, JSON, then the arrays one after another. Only the data classes named here
come back; nothing in a file is ever run.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import fields, is_dataclass
from typing import Any, Final

import numpy as np
from greystep.schema.dut import Condition, Sensor
from greystep.schema.trace import Context, Curve, Ripple, Series, Steady, Transition
from pydantic import BaseModel

MAGIC: Final = b"greystep-prepared 1\n"
_DATA: Final[dict[str, type[Any]]] = {c.__name__: c for c in (Context, Curve, Ripple, Series, Steady, Transition)}
_MODELS: Final[dict[str, type[BaseModel]]] = {c.__name__: c for c in (Condition, Sensor)}
_SHORT: Final = {"Transition.light", "Transition.raw", "Steady.light"}
"""Fields kept as 32-bit floats: they come from 16-bit codes."""


def rounded(subject: Any) -> Any:
    """A subject with its traces rounded to 32-bit floats, as they are cached. Applied always, cached or not.

    Digitisers give 16 bits at most; 24 bits of mantissa take nothing from them and halve the cache.
    """
    changes = {
        f.name: np.ascontiguousarray(value, np.float32).astype(np.float64)
        for f in fields(subject)
        if f"{type(subject).__name__}.{f.name}" in _SHORT
        and (value := getattr(subject, f.name)) is not None
        and not _is_short(value)
    }
    if not changes:
        return subject
    made = object.__new__(type(subject))
    # The fields and nothing else: what estimators found out about the subject before holds for its old traces.
    made.__dict__.update({f.name: getattr(subject, f.name) for f in fields(subject)} | changes)
    return made


def _is_short(value: np.ndarray[Any, Any]) -> bool:
    """Whether a trace is of 32-bit floats in 64 bits already, as one is that came from codes and no further."""
    # Row by row what is made for it stays within the cache of the processor.
    rows = value if value.ndim > 1 else value[None]
    return value.dtype == np.float64 and all(bool((row.astype(np.float32) == row).all()) for row in rows)


def pack(items: Sequence[Any]) -> list[bytes | memoryview]:
    """Parts of the file. Raises TypeError for an object that has no place here (a plugin's own class)."""
    from isal import isal_zlib

    arrays: list[np.ndarray[Any, Any]] = []
    text = json.dumps([_encode(item, arrays, "") for item in items], separators=(",", ":")).encode()
    text += b" " * (-len(text) % 64)
    body: list[bytes | memoryview] = [
        len(text).to_bytes(8, "little"),
        text,
        *(a.data.cast("B") if a.size else b"" for a in arrays),
    ]
    check = 0
    for part in body:
        check = isal_zlib.crc32(part, check)
    return [MAGIC, check.to_bytes(4, "little"), *body]


def unpack(data: bytes) -> list[Any]:
    """The objects. Raises ValueError when the bytes are not as they were written."""
    from isal import isal_zlib

    start = len(MAGIC)
    view = memoryview(data)
    if not data.startswith(MAGIC) or isal_zlib.crc32(view[start + 4 :]) != int.from_bytes(view[start : start + 4], "little"):
        raise ValueError("damaged")
    length = int.from_bytes(view[start + 4 : start + 12], "little")
    head = start + 12
    return [_decode(item, view[head + length :]) for item in json.loads(bytes(view[head : head + length]))]


def _encode(value: Any, arrays: list[Any], owner: str) -> Any:
    if value is None or (isinstance(value, (str, bool, int, float)) and not isinstance(value, np.generic)):
        return value
    if isinstance(value, np.generic):
        return value.item()
    if isinstance(value, np.ndarray):
        return _encode_array(value, arrays, short=owner in _SHORT)
    if isinstance(value, (tuple, list)):
        return {"tuple": [_encode(v, arrays, "") for v in value]}
    if isinstance(value, Mapping):
        return {"map": {str(k): _encode(v, arrays, "") for k, v in value.items()}}
    name = type(value).__name__
    if _MODELS.get(name) is type(value):
        return {"model": name, "values": value.model_dump(mode="json")}
    if is_dataclass(value) and _DATA.get(name) is type(value):
        return {
            "data": name,
            "values": {f.name: _encode(getattr(value, f.name), arrays, f"{name}.{f.name}") for f in fields(value)},
        }
    raise TypeError(f"{type(value).__name__} can't be cached")


def _encode_array(value: Any, arrays: list[Any], *, short: bool) -> Any:
    if value.dtype.kind not in "fiub":
        raise TypeError(f"an array of {value.dtype} can't be cached")
    made = np.ascontiguousarray(value, np.float32 if short else None)
    offset = sum(a.nbytes for a in arrays)
    arrays.append(made)
    return {"array": made.dtype.str, "shape": list(value.shape), "offset": offset, "as": value.dtype.str}


def _decode(value: Any, body: memoryview) -> Any:
    if not isinstance(value, dict):
        return value
    if "array" in value:
        count = int(np.prod(value["shape"], dtype=np.int64))
        flat = np.frombuffer(body, value["array"], count, value["offset"])
        return flat.astype(value["as"]).reshape(value["shape"])
    if "tuple" in value:
        return tuple(_decode(v, body) for v in value["tuple"])
    if "map" in value:
        return {k: _decode(v, body) for k, v in value["map"].items()}
    if "model" in value:
        return _MODELS[value["model"]].model_validate(value["values"])
    made = object.__new__(_DATA[value["data"]])
    made.__dict__.update({k: _decode(v, body) for k, v in value["values"].items()})
    return made
