"""How thick a rod is to the sound that it makes as it swings, read from a kept table.

Hankel's functions come with scipy.special, which takes 0.1 s of every command to be loaded: a table is kept with
the solutions, and only what lies beyond it is asked of them.
"""

from __future__ import annotations

import functools
import math
from typing import Final

import numpy as np

from synth.arrays import Array, Complex
from synth.cache import cached
from synth.frozen import frozen

THIN: Final = 0.02  # ka below which a rod is a thin one, within 0.1 %
STEP: Final = 1.0 / 256.0  # of ka: a cubic between two is within 1e-7 (tests/validation/test_cylinder.py)
LAST: Final = 8.0  # ka of a rod 40 mm thick at 20 kHz


@frozen
class ThicknessTable:
    """The factor at multiples of `STEP` from THIN on, and its slope times `STEP`."""

    factor: Complex  # (G,)
    rise: Complex  # (G,)


def thickness(ka: Array) -> Complex:
    """The far pressure of an oscillating cylinder over its thin-rod limit: (2j / (pi (ka)^2)) / H1(2)'(ka).

    1 for a thin rod; |.| is 1.01 at ka = 0.1 and 0.69 at ka = 1. Exact for a long rod broadside.
    """
    factor = np.ones(ka.shape, dtype=np.complex128)
    thick, beyond = (ka > THIN) & (ka < LAST), ka >= LAST
    factor[thick] = _between(ka[thick])
    if np.any(beyond):
        factor[beyond] = by_hankel(ka[beyond])
    return factor


def by_hankel(ka: Array) -> Complex:
    """The factor itself, by Hankel's function."""
    from scipy.special import h2vp

    return np.asarray(2j / (math.pi * ka**2) / -h2vp(1, ka))


def _between(ka: Array) -> Complex:
    """Hermite's cubic in the table."""
    table = _table()
    place = (ka - THIN) / STEP
    below = place.astype(np.intp)
    t = place - below
    one, other = table.factor[below], table.factor[below + 1]
    first, last = table.rise[below], table.rise[below + 1]
    gap = other - one
    return np.asarray(
        one + t * (first + t * (3.0 * gap - 2.0 * first - last + t * (first + last - 2.0 * gap)))
    )


@functools.lru_cache(maxsize=1)
def _table() -> ThicknessTable:
    return cached("thickness", (THIN, STEP, LAST), _made)


def _made() -> ThicknessTable:
    from scipy.special import h2vp

    ka: Array = THIN + STEP * np.arange(math.ceil((LAST - THIN) / STEP) + 2.0)
    factor = by_hankel(ka)
    slope = factor * (-2.0 / ka - h2vp(1, ka, 2) / h2vp(1, ka))
    return ThicknessTable(factor, slope * STEP)
