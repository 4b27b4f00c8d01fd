"""How the inner loops of playing are compiled.

Three ways of one compiler. All take numpy's view of errors (a division by nothing gives infinity, nothing is
raised), count no references and so can allocate nothing: what is compiled needs no runtime, only memory.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from types import ModuleType
from typing import Any, Final, TypeVar

from synth.compiled import njit

# sums may be added in another order, products and sums joined; no number is taken for finite or certain
REORDERED: Final = {"reassoc", "contract", "nsz", "arcp"}
_BARE: Final[dict[str, Any]] = {"nogil": True, "_nrt": False, "error_model": "numpy"}

Function = TypeVar("Function", bound=Callable[..., Any])


def cached_jit(function: Function, holds: Sequence[ModuleType] = ()) -> Function:
    """A function by itself; what is compiled is kept for the next time, while what it `holds` is the same."""
    return njit(**_BARE, cache=True, holds=holds, fastmath=REORDERED)(function)


def inlined(function: Function) -> Function:
    """A part of the function that calls it: what both know is used, nothing is handed over, nothing kept apart."""
    return njit(**_BARE, fastmath=REORDERED, forceinline=True, part=True)(function)


def exact(function: Function) -> Function:
    """A part in which every operation is done as it is written."""
    return njit(**_BARE, part=True)(function)
