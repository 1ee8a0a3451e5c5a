"""How the loops are compiled: strictly as written, kept on disk where that is possible."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, TypeVar, cast

from numba import njit, types

F = TypeVar("F", bound=Callable[..., Any])

OPTIONS = {"error_model": "numpy", "fastmath": False, "nogil": True}
"""Division by zero gives infinity as in numpy; sums stay in the order in which they are written."""

VECTOR = types.Array(types.float64, 1, "C", readonly=True)
"""[n] to read; what may be written to is taken as well."""
MATRIX = types.Array(types.float64, 2, "C", readonly=True)
CUBE = types.Array(types.float64, 3, "C", readonly=True)
WHOLE = types.Array(types.int64, 1, "C", readonly=True)
WORDS = types.Array(types.int16, 2, "C", readonly=True)
OUT = types.Array(types.float64, 1, "C")
"""[n] to write."""
OUT_MATRIX = types.Array(types.float64, 2, "C")
FLOAT, INT, BOOL, NOTHING = types.float64, types.int64, types.boolean, types.void


def compiled(result: Any, *arguments: Any) -> Callable[[F], F]:
    """Compile a function for one signature at once; from disk where it was compiled before.

    Args:
        result: type of what it returns.
        arguments: types of its arguments.
    """
    signature = result(*arguments)

    def compile_now(function: F) -> F:
        try:
            return cast(F, njit(signature, cache=True, **OPTIONS)(function))
        except RuntimeError:
            # No folder can be written to: compiled anew by each process.
            return cast(F, njit(signature, **OPTIONS)(function))

    return compile_now


def inner(function: F) -> F:
    """A part of a compiled function of the same file."""
    return cast(F, njit(**OPTIONS)(function))
