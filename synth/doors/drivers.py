"""What the system's drivers for sound and MIDI say, and that something of theirs is gone."""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager


class LostError(Exception):
    """Something was unplugged while it was used."""


@contextmanager
def quiet_drivers() -> Iterator[None]:
    """What drivers print from C is not seen; what this program says on standard error is."""
    if sys.stderr is None:
        yield
        return
    sys.stderr.flush()
    seen = os.dup(2)
    nothing = os.open(os.devnull, os.O_WRONLY)
    ours = sys.stderr
    try:
        os.dup2(nothing, 2)
        with os.fdopen(os.dup(seen), "w", buffering=1, encoding="utf-8", errors="replace") as still_seen:
            sys.stderr = still_seen
            yield
    finally:
        sys.stderr = ours
        os.dup2(seen, 2)
        os.close(seen)
        os.close(nothing)


def in_words(failure: Exception) -> str:
    return " ".join(str(failure).split())[:160] or type(failure).__name__
