"""A stroke: one pass of a stick over a group; and the force that it leaves behind.

In: what the player does. Out: frozen values that every later stage understands. The idea: a contact hands on the
force alone, and since the structure that it meets is linear, what forces do simply adds.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import field
from typing import Final, Literal, get_args

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Stick
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import DEGREE, MM

Direction = Literal["forward", "backward"]
Hand = Literal["exact", "steady", "loose"]
ContactModel = Literal["event", "reference"]  # how finely a contact is followed; the second plainly
Grip = Literal["light", "usual", "firm"]
HoldKind = Literal["palm", "touch"]


@frozen
class Choice:
    """A word the player chooses: its name, outside as in `Stroke`, and what may be chosen."""

    key: str
    words: tuple[str, ...]
    meaning: str


CHOICES: Final = {
    each.key: each
    for each in (
        Choice("direction", get_args(Direction), "the sense in which the stick passes along the row"),
        Choice("grip", get_args(Grip), "how firmly the fingers hold the stick"),
        Choice("hand", get_args(Hand), "exact, or varying speed and bite a little or more, from the seed"),
    )
}

START: Final = 1e-3  # s: a sound without overtones above 20 kHz begins half a millisecond before its touch
SPEED: Final = 0.5  # m/s, an unhurried stroke: a group of ten in a quarter of a second
BITE: Final = 2e-3  # m, about the radius of a finger-thick stick's rounded end
TILT: Final = 45.0 * DEGREE  # well above the friction angle of any stick in the table


@frozen
class Stroke:
    """One pass of a stick over a group. Lengths m, angles rad, seconds from the start of the performance."""

    group: int  # index into Instrument.groups
    stick: Stick
    start: float = START  # when the stick first touches, were tines and stick at rest
    speed: float = SPEED
    direction: Direction = "forward"
    bite: float = BITE  # how far the stick overlaps the tine below its tip
    lean: float = 0.0  # -1 all towards the low tines, +1 all towards the high ones
    height: float = 0.0  # of the contact below the tip, beyond the bite
    tilt: float = TILT  # how far the stick trails
    skew: float = 0.0  # the stick's heading away from the row
    pressure: float = 0.0  # N, extra push of the hand
    grip: Grip = "usual"  # how firmly the fingers hold the stick
    hand: Hand = "exact"  # a steady one varies speed and bite a little, a loose one more
    origin: str = field(default="", compare=False)  # what asked for it, for messages


def default_of(name: str) -> float | str:
    """The default of a number (SI) or of a choice of `Stroke`."""
    found = next(each.default for each in dataclasses.fields(Stroke) if each.name == name)
    assert isinstance(found, float | str)
    return found


@frozen
class Hold:
    """A palm laid on a group, or a stick that rests on it without plucking: it takes the ring away."""

    group: int
    start: float  # s
    seconds: float
    by: HoldKind


MIDI_FULL: Final = 127


@frozen
class Controller:
    """How a keyboard sets a number: in equal steps from `low` at 0 to `high` (both SI) at 127."""

    message: int | Literal["aftertouch"]  # the number of a MIDI controller, or the pressure of the channel
    rest: int  # where nobody has touched it, and after a reset (CC 121)
    low: float
    high: float

    def value(self, position: int) -> float:
        """The SI value at a position of 0 to 127."""
        return self.low + (self.high - self.low) * position / MIDI_FULL


@frozen
class Control:
    """A number the player sets: its name outside (with the unit), its field in `Stroke`, its range outside."""

    key: str
    field: str
    unit: float  # what one of it is in SI
    lowest: float
    highest: float
    meaning: str
    controller: Controller | None = None  # None: no MIDI message sets it in equal steps

    def value(self, outside: float) -> float:
        """The SI value of a number given outside. Raises `InputError` beyond the range."""
        if not self.lowest <= outside <= self.highest:
            raise InputError(
                f"{outside:g} is out of range",
                remedy=f"{self.lowest:g} to {self.highest:g} is possible",
                location=self.key,
            )
        return outside * self.unit


FULL_PRESSURE: Final = 0.2  # N at 127: as much again as a tine holds a usual stick back at a usual bite

# One table for the command line, the stroke script, comparisons and MIDI: add a row, and all of them know it.
CONTROLS: Final = (
    Control("speed_mm_s", "speed", MM, 10.0, 5000.0, "how fast the stick passes along the row"),
    Control(
        "bite_mm",
        "bite",
        MM,
        0.0,
        20.0,
        "how far the stick overlaps the tines below their tips",
        Controller(11, MIDI_FULL, 0.0, BITE),
    ),
    Control(
        "lean",
        "lean",
        1.0,
        -1.0,
        1.0,
        "-1 all towards the low tines, +1 all towards the high ones",
        Controller(1, 0, 0.0, 1.0),
    ),
    Control(
        "height_mm", "height", MM, 0.0, 300.0, "how far below the tips the stick touches, beyond the bite"
    ),
    Control("tilt_deg", "tilt", DEGREE, 1.0, 85.0, "how far the stick trails, its end behind the hand"),
    Control("skew_deg", "skew", DEGREE, -45.0, 45.0, "the stick's heading away from the row"),
    Control(
        "pressure_n",
        "pressure",
        1.0,
        0.0,
        20.0,
        "extra push of the hand",
        Controller("aftertouch", 0, 0.0, FULL_PRESSURE),
    ),
)


def shaped(stroke: Stroke, numbers: Mapping[str, float]) -> Stroke:
    """The stroke with numbers as they are named outside (`speed_mm_s` ...). Raises `InputError` beyond a range."""
    values = {each.field: each.value(numbers[each.key]) for each in CONTROLS if each.key in numbers}
    return dataclasses.replace(stroke, **values)  # type: ignore[arg-type]


@frozen
class ForceTrace:
    """What a stick did to the tines: S bins with a touch, sorted by tine, then by time.

    Directions are the row's own, whatever the way of the stroke: along the row (towards greater places on the bar),
    across it, up; never a tine's principal planes. A forward stroke bends a tine along first, a backward one the
    other way. A stick that touches beside the tine's axis turns the tip besides; `impulse`, which drives the sound,
    is the force at the point of contact that does as much to the first partials as push and turn together do.
    """

    start: float  # s, the first edge of the grid of bins
    bin_s: float  # s, their width
    time: NDArray[np.float64]  # (S,) s, middles of the bins
    tine: NDArray[np.int64]  # (S,) index into Instrument.tines
    impulse: NDArray[np.float64]  # (S, 2) N s on the tine, along and across the row
    push: NDArray[
        np.float64
    ]  # (S, 3) N s of the stick on the tine, along, across and up; it feels the opposite
    turn: NDArray[np.float64]  # (S, 2) N m s about the tip, that lean it along and across
