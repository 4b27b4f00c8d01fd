"""A palm on a group, or a stick that rests on it: how fast it takes the ring away.

In: a hold and the tines' frequencies. Out: the moments at which it acts, and what it takes from a state at each.
The two rates are rules of thumb, not a contact: a soft hand on the tips ends a partial in a few of its periods; a
stick that stays in touch takes 0.7 dB a millisecond from the ring (fitted to the full contact model, 0.5 to 0.7).
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.playing.stroke import Hold
from synth.units import decibels
from synth.vibration.tine import TineModes

PALM_PERIODS: Final = (
    3.0  # in which a palm takes 20 dB (two to five for felt at the tip; from memory, unmeasured)
)
TOUCH_DB_PER_S: Final = 700.0
SETTLES: Final = 2e-3  # s between two moments at first, while most is taken
WIDEST: Final = 20e-3  # s, once the ring is gone and only neighbours drive the tine
GROWTH: Final = 1.25

_NEPER_DB: Final = decibels(math.e)  # dB of one neper


def moments(hold: Hold) -> Array:
    """When the hold acts, from its start to its end: close at first, then wider."""
    times, step = [hold.start], SETTLES
    while times[-1] + step < hold.start + hold.seconds:
        times.append(times[-1] + step)
        step = min(step * GROWTH, WIDEST)
    return np.array([*times, hold.start + hold.seconds])


def rates(hold: Hold, frequency: Array) -> Array:
    """How fast the hold takes amplitude (nepers a second) from partials of `frequency` Hz."""
    if hold.by == "touch":
        return np.full(frequency.shape, TOUCH_DB_PER_S / _NEPER_DB)
    return np.asarray(frequency * math.log(10.0) / PALM_PERIODS)


def taken(
    hold: Hold,
    tines: TineModes,
    tine: NDArray[np.int64],
    *,
    seconds: float,
    state: tuple[Array, Array],
) -> tuple[Array, Array]:
    """What the hold takes in so many seconds from tines (S,) in `state`, displacement and velocity (S, 2, N)."""
    part = np.expm1(-rates(hold, tines.frequency[tine]) * seconds)
    return part * state[0], part * state[1]
