"""What the C library does with memory that is given back: to the system at once, or kept for what comes next.

In: nothing. Out: nothing; with another library than glibc both do nothing.
"""

from __future__ import annotations

import contextlib
import ctypes
from typing import Final

import numpy as np

# bytes: with what is kept beside it, it must stay below glibc's 32 MiB (mallopt(3))
GREATEST: Final = (32 << 20) - (1 << 16)


def keep_freed() -> None:
    """Let blocks up to 32 MiB be taken from what was freed before, in a process that ends soon.

    glibc takes blocks from 128 KiB on from the system, which has to clear each page of them, until one as large has
    been freed. A stroke makes hundreds of them: they took a twelfth of its command's time.
    """
    np.empty(GREATEST, np.uint8)  # never written to, freed at once


def give_back() -> None:
    """Give what is free back to the system."""
    with contextlib.suppress(OSError, AttributeError, TypeError):  # another library of C
        ctypes.CDLL(None).malloc_trim(0)
