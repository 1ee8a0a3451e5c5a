"""The caution that a video shows before it flashes, drawn with a small alphabet of our own."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

TEXT: Final = ("CAUTION", "", "THIS VIDEO FLASHES", "IT CAN TRIGGER SEIZURES", "IN PEOPLE WITH PHOTOSENSITIVE EPILEPSY")
LEVEL: Final = 90
"""Grey of the letters: readable, and far from a flash."""
_ROWS: Final = {
    " ": "00000 00000 00000 00000 00000 00000 00000",
    "A": "01110 10001 10001 11111 10001 10001 10001",
    "C": "01110 10001 10000 10000 10000 10001 01110",
    "D": "11110 10001 10001 10001 10001 10001 11110",
    "E": "11111 10000 10000 11110 10000 10000 11111",
    "F": "11111 10000 10000 11110 10000 10000 10000",
    "G": "01110 10001 10000 10111 10001 10001 01110",
    "H": "10001 10001 10001 11111 10001 10001 10001",
    "I": "01110 00100 00100 00100 00100 00100 01110",
    "L": "10000 10000 10000 10000 10000 10000 11111",
    "N": "10001 11001 10101 10101 10011 10001 10001",
    "O": "01110 10001 10001 10001 10001 10001 01110",
    "P": "11110 10001 10001 11110 10000 10000 10000",
    "R": "11110 10001 10001 11110 10100 10010 10001",
    "S": "01111 10000 10000 01110 00001 00001 11110",
    "T": "11111 00100 00100 00100 00100 00100 00100",
    "U": "10001 10001 10001 10001 10001 10001 01110",
    "V": "10001 10001 10001 10001 10001 01010 00100",
    "W": "10001 10001 10001 10101 10101 11011 10001",
    "Y": "10001 10001 01010 00100 00100 00100 00100",
    "Z": "11111 00001 00010 00100 01000 10000 11111",
}


def caution_picture(width: int, height: int) -> NDArray[np.uint8]:
    """[y, x] levels of the caution screen, black but for the words."""
    picture = np.zeros((height, width), np.uint8)
    longest = max(len(line) for line in TEXT)
    scale = max(1, min(width // (6 * longest + 6), height // (10 * len(TEXT) + 10)))
    top = (height - 10 * scale * len(TEXT)) // 2
    for i, line in enumerate(TEXT):
        drawn = np.kron(_line(line), np.ones((scale, scale), np.uint8)) * LEVEL
        left = (width - drawn.shape[1]) // 2
        y = top + 10 * scale * i
        if left >= 0 and y >= 0 and drawn.shape[1]:
            picture[y : y + drawn.shape[0], left : left + drawn.shape[1]] = drawn[: height - y]
    return picture


def _line(text: str) -> NDArray[np.uint8]:
    """[7, 6 * letters] ones where there is ink."""
    letters = [np.array([[int(c) for c in row + "0"] for row in _ROWS[ch].split()], np.uint8) for ch in text]
    return np.hstack(letters) if letters else np.zeros((7, 0), np.uint8)
