"""How the inner loops of playing are compiled.

Three ways of one compiler. All take numpy's view of errors (a division by nothing gives infinity, nothing is
raised), count no references and so can allocate nothing: what is compiled needs no runtime, only memory.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final, TypeVar

from numba import njit

# sums may be added in another order, products and sums joined; no number is taken for finite or certain
REORDERED: Final = {"reassoc", "contract", "nsz", "arcp"}
_BARE: Final[dict[str, Any]] = {"cache": True, "nogil": True, "_nrt": False, "error_model": "numpy"}

Function = TypeVar("Function", bound=Callable[..., Any])


def exact(function: Function) -> Function:
    """Every operation as it is written."""
    return njit(**_BARE)(function)  # type: ignore[no-any-return]


def whole(function: Function) -> Function:
    """A function by itself."""
    return njit(**_BARE, fastmath=REORDERED)(function)  # type: ignore[no-any-return]


def inlined(function: Function) -> Function:
    """A part of the function that calls it: what both know is used, and nothing is handed over."""
    return njit(**_BARE, fastmath=REORDERED, forceinline=True)(function)  # type: ignore[no-any-return]
