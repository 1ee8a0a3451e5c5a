"""Definite-length arbitrary blocks (IEEE 488.2, 8.7.9)."""

from __future__ import annotations


def block_header(byte_count: int) -> bytes:
    """The `#` header that announces `byte_count` bytes."""
    digits = str(byte_count).encode()
    return b"#" + str(len(digits)).encode() + digits
