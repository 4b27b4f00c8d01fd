"""The arrays that the compiled contact works on, by name: fixed ones, changing ones, and what their columns are.

Everything is a plain array or a number, so that whoever has memory can keep it: Python, a live player, a page.
"""

from __future__ import annotations

from typing import Any, Final, NamedTuple


class Row(NamedTuple):
    """T tines, 2n modes each: plane 0, then plane 1."""

    turns: Any  # (5, T, 4, 2n) rotation by each of LEVELS, and by each of QUIET steps
    omega: Any  # (T, 2n)
    decay_rate: Any  # (T, 2n)
    shape: Any  # (T, n) at the contact, the same in both planes
    slope: Any  # (T, n) how far the tip turns as it bends
    root_moment: Any  # (T, 2n) moment at the root
    mobility: (
        Any  # (3, T, 3) sums of shape^2, shape slope, slope^2 of one plane; of what swings on in QUIET steps
    )
    plane: Any  # (T, 4) x and y of plane 0, x and y of plane 1
    form: Any  # (T, 5) in the columns below


PLACE: Final = 0  # m along the stick's way
HEIGHT: Final = 1  # m, of the tip above the unbent stick's lowest point
HALF: Final = 2  # m, half width of the core
EDGE: Final = 3  # m, radius of the rounded edge
DROP: Final = 4  # 1/m: bent by u the tip drops by so much times u^2


class Held(NamedTuple):
    """The stick in the hand as D blocks of two states, those across (down), across (sideways) and along the stick.

    A block's states are its share of the end's displacement and velocity; an impulse may kick both.
    """

    turns: Any  # (5, 1, 4, D)
    omega: Any  # (1, D) that bounds its swing: (omega q)^2 + p^2 never grows
    one: Any  # (1, D) ones: every block counts whole
    kick: Any  # (2, D) displacement and velocity per impulse along the block's own direction
    blocks: Any  # (2,) number of blocks down, down and sideways
    axes: Any  # (3, 3) unit vectors down, sideways, along, as x, y, z
    mobility: Any  # (3, 3, 3) velocity of the end per impulse; of what swings on in QUIET steps


class Course(NamedTuple):
    """Plain numbers: the laws' constants, the stick's form, its way."""

    stiffness: float
    friction: float
    loss: float
    step: float
    r_end: float
    sin_tilt: float
    cos_tilt: float
    cos_skew: float
    sin_skew: float
    speed: float
    position: float  # of the end, at the start
    start: float  # s
    stop: float  # s, where patience ends
    bin_steps: int
    quiet: int  # steps at once, at most, while one tine is touched quietly; 1 for never


class State(NamedTuple):
    """Everything that changes; all of it may be kept and gone on with."""

    q: Any  # (T, 2n)
    p: Any
    since: Any  # (T,) s, of which q and p of sleeping tines tell
    stick_q: Any  # (1, D)
    stick_p: Any
    flags: Any  # (T, FLAGS) integers
    touch: Any  # (T, TOUCH)
    binned: Any  # (T, COLUMNS - 2) the bin under way
    tally: Any  # (T, TALLIES)
    books: Any  # (ENERGIES,)
    clock: Any  # (CLOCK,) integers in the columns below


DONE: Final = 0  # steps
USED: Final = 1  # rows of the history
CALMED: Final = 2  # steps that may be taken at once, so quiet is the touch
NEXT: Final = 3  # steps that are taken at once next
CLOCK: Final = 4


AWAKE: Final = 0
TOUCHING: Final = 1
BIN: Final = 2  # number of the bin under way; -1 for none
FLAGS: Final = 3

LOSS: Final = 0  # s/m, of the touch under way; negative for none
SLID: Final = 1  # m/s, sliding speeds after the last impulse, while the surfaces hold; nan if they do not
SLID_BACK: Final = 2
SPRING: Final = 3  # J in the contact
SIZE: Final = 4  # m, how far the tine can swing
TOUCH: Final = 5

# columns of the tally, per tine
T_FIRST: Final = 0  # s, first touch; nan for none
T_LAST: Final = 1  # s, last release
T_FORCE: Final = 2  # N, greatest contact force
T_WORK: Final = 3  # J, given to the tine by the stick
T_MOMENT: Final = 4  # N m, greatest at the root from the first touch on
T_BEND: Final = 5  # m, greatest displacement of the contact while touched
T_TOUCHES: Final = 6
TALLIES: Final = 7

# the books, J
E_HAND: Final = 0  # work of the hand along its way
E_STICK: Final = 1  # work of the touches on the stick
E_CONTACT: Final = 2  # lost between stick and tines
E_START: Final = 3  # in the tines as the stick came
ENERGIES: Final = 4

# columns of the history, one row for a bin of steps with a touch
H_TINE: Final = 0
H_BIN: Final = 1
H_IMPULSE: Final = slice(2, 4)  # N s, planes 0 and 1
H_TURNING: Final = slice(4, 6)  # N m s about the tip, planes 0 and 1
H_NORMAL: Final = 6  # N s
H_UP: Final = 7  # N s, upward on the tine
COLUMNS: Final = 8

PASSED: Final = 0
CROWDED: Final = 1  # the history is full: empty it and go on
STUCK: Final = 2  # the time ran out: the stick never passed
PAUSED: Final = 3  # the steps of this call are used up

MIDDLE: Final = 8
LONG: Final = 64
LEVELS: Final = (1, MIDDLE, LONG)  # steps that can be turned at once
QUIET: Final = (2, 4)  # steps that can be taken at once in a quiet touch
NEARLY: Final = 2e-4  # m: a tine nearer than that leaves no quiet
CALM: Final = 0.1  # of the contact's depth that may come or go in a quiet step
MARGIN: Final = 1e-5  # m
FLAT_OUT: Final = 0.02  # m past the last tine, where a stroke with nobody in reach is over
