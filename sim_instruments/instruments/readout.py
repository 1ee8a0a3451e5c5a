"""How the digitiser's memory goes over the wire: formats, byte order, preamble."""

from __future__ import annotations

from dataclasses import dataclass
from typing import ClassVar

import numpy as np
from numpy.typing import NDArray

from ..scpi.block import block_header
from ..scpi.errors import ScpiError
from ..scpi.instrument import Buffer
from ..scpi.parameters import Choice, Number, Parameter, number_text
from .acquisition import Setup
from .record import FULL_SCALE_CODES

BITS = {"INT": (16, 8), "REAL": (32,), "ASC": (0,)}
"""Lengths of each format; the first is what a format alone means."""


@dataclass(frozen=True)
class Format:
    """FORMat[:DATA] and FORMat:BORDer."""

    kind: str = "INT"
    bits: int = 16
    order: str = "NORM"
    """NORM: most significant byte first; SWAP: least."""

    PARAMETERS: ClassVar[tuple[Parameter, ...]] = (
        Choice(("INTeger", "REAL", "ASCii")),
        Number(0, 64, 0, integer=True, optional=True),
    )

    def changed(self, kind: str, bits: int | None) -> Format:
        """Another format in the same byte order. Raises -224 for a length that it does not have."""
        chosen = BITS[kind][0] if bits is None else bits
        if chosen not in BITS[kind]:
            raise ScpiError(-224, f"{kind},{chosen}")
        return Format(kind, chosen, self.order)

    def __str__(self) -> str:
        return f"{self.kind},{self.bits}"


def scale(setup: Setup, channel: int, form: Format) -> tuple[float, float, float]:
    """y increment, y origin, y reference: volts = (code - reference) * increment + origin."""
    if form.kind != "INT":
        return 1.0, 0.0, 0.0
    return setup.range_v[channel] / 2**form.bits, setup.offset_v[channel], 0.0


def preamble(setup: Setup, channel: int, complete: int, form: Format) -> str:
    """The answer to TRACe:PREamble?."""
    origin_s = -setup.pretrigger * setup.interval_s
    numbers = (setup.points, complete, setup.interval_s, origin_s, *scale(setup, channel, form))
    return ",".join(number_text(number) for number in numbers)


def block(held: NDArray[np.int16], setup: Setup, channel: int, form: Format) -> list[Buffer]:
    """Segments as the format says: a definite-length block, or a comma list for ASCii."""
    order = ">" if form.order == "NORM" else "<"
    if form.kind == "INT" and form.bits == 16:
        data = held.astype(order + "i2")
    elif form.kind == "INT":
        data = np.clip(np.rint(held / 256.0), -128, 127).astype(np.int8)
    else:
        volts = held * (setup.range_v[channel] / FULL_SCALE_CODES) + setup.offset_v[channel]
        if form.kind == "ASC":
            return [",".join(f"{value:.7E}" for value in volts.ravel().tolist()).encode("ascii")]
        data = volts.astype(order + "f4")
    payload = np.ascontiguousarray(data).reshape(-1).view(np.uint8).data
    return [block_header(payload.nbytes), payload]
