"""Canonical JSON and fingerprints: the same content always gives the same hash, on every machine."""

from __future__ import annotations

import hashlib
import json
from typing import Any


def canonical_json(value: Any) -> str:
    """JSON with sorted keys, no spaces, no NaN; floats as Python's shortest round-trip form.

    Whole floats are written as floats (`1.0`), so 1 and 1.0 differ: models normalise their fields first.
    """
    return json.dumps(value, sort_keys=True, separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def fingerprint(value: Any) -> str:
    """SHA-256 of the canonical JSON, as 64 hexadecimal digits. Screens show the first 12."""
    return hashlib.sha256(canonical_json(value).encode()).hexdigest()
