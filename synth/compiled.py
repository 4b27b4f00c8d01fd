"""Compiled functions whose kept code costs time where it cannot be read or written, never the answer.

In: what `numba.njit` takes. Out: the compiled function. numba looks for a folder when a function is defined, reads
from it at the first call and writes to it after compiling; a folder that nobody may write to, a torn file and a
full disk each end in an exception there. Here the function is compiled again instead.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable
from typing import Any, TypeVar, cast

import numba
from numba.core.caching import FunctionCache

_KeptCode: Any = FunctionCache
Function = TypeVar("Function", bound=Callable[..., Any])


class _Forgiving(_KeptCode):  # type: ignore[misc]
    """Kept code that is missed, not missed badly. A torn file can lead its reader to any exception."""

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        try:
            return super().load_overload(sig, target_context)
        except Exception:
            with contextlib.suppress(Exception):
                self.flush()  # an index that cannot be read could not be added to either
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        with contextlib.suppress(Exception):
            super().save_overload(sig, data)


def njit(*, cache: bool = False, **options: Any) -> Callable[[Function], Function]:
    """`numba.njit` with its options."""

    def compiled(function: Function) -> Function:
        dispatcher = numba.njit(**options)(function)
        if cache:
            with contextlib.suppress(RuntimeError, OSError):  # no folder that can be written to
                dispatcher._cache = _Forgiving(function)  # as numba's own enable_caching does
        return cast(Function, dispatcher)

    return compiled
