"""Threads that do not stand in each other's way while sound runs."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from typing import Final

SWITCH: Final = 0.0005  # s, after which a thread gives the interpreter away; ten times as often as usual


@contextmanager
def calm_threads() -> Iterator[None]:
    """One thread for linear algebra, and threads that give way soon: for the audio thread's sake."""
    import scipy.linalg  # noqa: F401 its library must be there to be held back
    from threadpoolctl import threadpool_limits

    before = sys.getswitchinterval()
    sys.setswitchinterval(SWITCH)
    try:
        with threadpool_limits(1):
            yield
    finally:
        sys.setswitchinterval(before)


@contextmanager
def nothing_to_collect() -> Iterator[None]:
    """What is there now is left out of garbage collection: a full one stops every thread for 0.1 s."""
    gc.collect()
    gc.freeze()
    try:
        yield
    finally:
        gc.unfreeze()
