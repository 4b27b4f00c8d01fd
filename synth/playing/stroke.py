"""A stroke: one pass of a stick over a group; and what it leaves behind, an excitation.

In: what the player does. Out: frozen values that every later stage understands. The idea: whatever the contact
model, it hands on increments of the modal state of single tines at exact times, and since the structure between
them is linear, increments simply add.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Stick

Direction = Literal["forward", "backward"]

SPEED: Final = 0.5  # m/s, an unhurried stroke: a group of ten in a quarter of a second
BITE: Final = 2e-3  # m, about the radius of a finger-thick stick's rounded end
TILT: Final = 0.785  # rad (45 degrees), well above the friction angle of any stick in the table


@dataclass(frozen=True)
class Stroke:
    """One pass of a stick over a group. Lengths m, angles rad, seconds from the start of the performance."""

    group: int  # index into Instrument.groups
    stick: Stick
    start: float = 0.0  # when the stick's axis is level with the first tine it meets
    speed: float = SPEED
    direction: Direction = "forward"
    bite: float = BITE  # how far the stick overlaps the tine below its tip
    lean: float = 0.0  # -1 all towards the low tines, +1 all towards the high ones
    height: float = 0.0  # of the contact below the tip, beyond the bite
    tilt: float = TILT  # how far the stick trails
    skew: float = 0.0  # the stick's heading away from the row
    pressure: float = 0.0  # N, extra push of the hand


@dataclass(frozen=True)
class Excitation:
    """S increments of the modal state of single tines, sorted by time.

    The state is that of the clamped tine's own mass-normalised modes (`synth.vibration.tine.TineModes`), in its two
    principal planes. `time` (S,) s; `tine` (S,) index; `displacement` and `velocity` (S, 2, N) in kg^(1/2) m and
    kg^(1/2) m/s; partials a tine does not have stay zero.
    """

    time: NDArray[np.float64]
    tine: NDArray[np.int64]
    displacement: NDArray[np.float64]
    velocity: NDArray[np.float64]
