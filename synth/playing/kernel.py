"""A stick passing a row, stepped through time: compiled, one kernel for the truth and for the event model.

In: modes of tines and stick as plain arrays. Out: the history of the force, and a tally for every tine. The idea:
between touches every mode turns exactly (a damped rotation); a touch acts as an impulse on all modes at once
(`synth.playing.laws`). A step is rotation, then impulse, and energy is kept to second order (Strang 1968).

Only touches cost time, and exactly: tines out of the stick's reach sleep and are turned in one go when it comes;
where nothing can meet within the next 8 or 64 steps, all are turned by those at once. What can meet is bounded by
the sum of all modes' amplitudes.

    sleeping tines | awake: free flight, 64 or 8 steps at once | awake: single steps, impulses | sleeping tines

`run` allocates nothing, raises nothing and keeps everything it knows in its arrays: it can stop at the head of its
outer loop when its steps are used up or the history is full, and go on when it is called again. So it serves offline
strokes, live ones in slices, and a page that has neither Python nor an allocator.
"""

from __future__ import annotations

import functools
import math
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, NamedTuple

from numba import njit

from synth.playing import laws, motion
from synth.playing.laws import STIFFEST, meeting, touch
from synth.playing.motion import bending, energy, farthest, fastest, turn, turn_by, write


class Row(NamedTuple):
    """T tines, 2n modes each: plane 0, then plane 1."""

    turns: Any  # (5, T, 4, 2n) rotation by each of LEVELS, and by each of QUIET steps
    omega: Any  # (T, 2n)
    decay: Any  # (T, 2n)
    shape: Any  # (T, n) at the contact, the same in both planes
    slope: Any  # (T, n) how far the tip turns as it bends
    root: Any  # (T, 2n) moment at the root
    give: Any  # (3, T, 3) sums of shape^2, shape slope, slope^2 of one plane; of what swings on in QUIET steps
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
    give: Any  # (3, 3, 3) velocity of the end per impulse; of what swings on in QUIET steps


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
    place: float  # of the end, at the start
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
H_MOMENT: Final = slice(4, 6)  # N s^2, the same times how long after the bin's middle
H_TURNING: Final = slice(6, 8)  # N m s about the tip, planes 0 and 1
H_NORMAL: Final = 8  # N s
H_UP: Final = 9  # N s, upward on the tine
COLUMNS: Final = 10

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

REORDERED: Final = {"reassoc", "contract", "nsz", "arcp"}
_fast = njit(
    cache=True, nogil=True, _nrt=False, forceinline=True, error_model="numpy", fastmath=REORDERED
)


@_fast
def begin(row: Row, state: State) -> None:
    for i in range(state.q.shape[0]):
        state.touch[i, SIZE] = farthest(state.q, state.p, i, row.omega, row.shape)
        state.books[E_START] += energy(state.q, state.p, i, row.omega)


@_fast
def look_round(row: Row, held: Held, course: Course, state: State, time: float) -> bool:
    """Wakes the tines within reach of the next LONG steps, puts the others to sleep; whether any is awake."""
    stick_far = farthest(state.stick_q, state.stick_p, 0, held.omega, held.one)
    x = course.place + course.speed * (time - course.start)
    somebody = False
    for i in range(state.q.shape[0]):
        awake = state.flags[i, AWAKE] == 1
        if awake:
            state.touch[i, SIZE] = farthest(state.q, state.p, i, row.omega, row.shape)
        size = state.touch[i, SIZE]
        gap, _, _, _, _ = meeting(
            course.cos_skew * (x - row.form[i, PLACE]),
            course.r_end - row.form[i, HEIGHT],
            0.0,
            row.form[i, HALF],
            row.form[i, EDGE],
            course.r_end,
            course.sin_tilt,
            course.cos_tilt,
        )
        far = size * (1.0 + row.form[i, DROP] * size) + stick_far + course.speed * LONG * course.step + MARGIN
        near = gap < far or state.flags[i, TOUCHING] == 1
        if near and not awake:
            turn_by(state.q, state.p, i, row.omega, row.decay, time - state.since[i])
        elif awake and not near:
            state.since[i] = time
        state.flags[i, AWAKE] = 1 if near else 0
        somebody = somebody or near
    return somebody


@_fast
def follow(row: Row, held: Held, course: Course, state: State, history: Any, n: int) -> None:
    """LONG steps with somebody awake: in free flight where nothing can meet, else one by one."""
    end = state.clock[DONE] + LONG
    while state.clock[DONE] < end:
        level = free(row, held, course, state, 2 if state.clock[DONE] + LONG == end else 1, n)
        if level > 0:
            fly(row, held, state, level)
        else:
            pause = state.clock[DONE] + MIDDLE
            while state.clock[DONE] < pause:
                step(row, held, course, state, history, n)


@_fast
def free(row: Row, held: Held, course: Course, state: State, level: int, n: int) -> int:
    """The greatest of LEVELS up to `level` in which nothing can meet; 0 for none."""
    for i in range(state.q.shape[0]):
        if state.flags[i, TOUCHING] == 1:
            return 0
    x = course.place + course.speed * state.clock[DONE] * course.step
    stick_fast = fastest(state.stick_q, state.stick_p, 0, held.omega, held.one)
    ex, ey, ez = end_of(held, state.stick_q)
    for i in range(state.q.shape[0]):
        if state.flags[i, AWAKE] == 1:
            ux, uy, lean_x, lean_y = bent(row, state.q, i, n)
            far = math.sqrt(ux * ux + uy * uy)
            gap, _, _, _, _ = placed(row, course, i, x + ex, ey, course.r_end + ez, ux, uy, lean_x, lean_y)
            fast = fastest(state.q, state.p, i, row.omega, row.shape)
            reach = farthest(state.q, state.p, i, row.omega, row.shape)
            turning = fastest(state.q, state.p, i, row.omega, row.slope)
            arm = row.form[i, HALF] + 2.0 * row.form[i, EDGE] + course.r_end + far
            rate = fast * (1.0 + 2.0 * row.form[i, DROP] * reach) + arm * turning + stick_fast + course.speed
            while level > 0 and gap < rate * LEVELS[level] * course.step:
                level -= 1
    return level


@_fast
def fly(row: Row, held: Held, state: State, level: int) -> None:
    """All that are awake, by the steps of a level at once."""
    turn(state.stick_q, state.stick_p, 0, held.turns, level, 0)
    for i in range(state.q.shape[0]):
        if state.flags[i, AWAKE] == 1:
            turn(state.q, state.p, i, row.turns, level, i)
            if state.tally[i, T_TOUCHES] > 0.0:
                state.tally[i, T_MOMENT] = max(state.tally[i, T_MOMENT], bending(state.q, i, row.root))
    state.clock[DONE] += LEVELS[level]


@_fast
def step(row: Row, held: Held, course: Course, state: State, history: Any, n: int) -> None:
    """One step, or a quiet one: stick and waking tines are turned, then those that overlap push each other.

    An impulse stands for half of the step before and half of the one to come, so that one is chosen first.
    """
    steps = state.clock[NEXT]
    state.clock[DONE] += steps
    now = state.clock[DONE]
    level = 0 if steps == 1 else len(LEVELS) + (steps > QUIET[0])
    coming = state.clock[CALMED]
    while now % coming != 0:
        coming //= 2
    later = 0 if coming == 1 else 1 + (coming > QUIET[0])
    state.clock[NEXT] = coming
    dt = 0.5 * course.step * (steps + coming)
    touched = 0
    calm = course.quiet
    ex, ey, ez, wx, wy, wz = advance_stick(held, state.stick_q, state.stick_p, level)
    ex += course.place + course.speed * now * course.step
    ez += course.r_end
    wx += course.speed
    for i in range(state.q.shape[0]):
        if state.flags[i, AWAKE] == 0:
            continue
        ux, uy, lean_x, lean_y, vx, vy, turn_x, turn_y = advance(row, state.q, state.p, i, level, n)
        gap, nx, nz, ahead, above = placed(row, course, i, ex, ey, ez, ux, uy, lean_x, lean_y)
        if gap >= 0.0:
            if state.flags[i, TOUCHING] == 1:
                let_go(state, i, course.start + now * course.step)
            calm = calm if gap > NEARLY else 1
            continue
        if state.flags[i, TOUCHING] == 0:
            state.flags[i, TOUCHING] = 1
            state.tally[i, T_TOUCHES] += 1.0
            if state.tally[i, T_TOUCHES] == 1.0:
                state.tally[i, T_FIRST] = course.start + now * course.step
        # --- the touch ---
        bx = -2.0 * row.form[i, DROP] * ux
        by = -2.0 * row.form[i, DROP] * uy
        px = vx + turn_x * above
        py = vy + turn_y * above
        pz = bx * vx + by * vy - ahead * (course.cos_skew * turn_x + course.sin_skew * turn_y)
        fx, fy, fz, normal, lost, spring, loss, slid, slid_back, holds, closing, give = touch(
            (nx, nz, course.cos_skew, course.sin_skew),
            (bx, by, ahead, above),
            (wx - px, wy - py, wz - pz),
            (row.give[0, i, 0], row.give[0, i, 1], row.give[0, i, 2]),
            held.give[0],
            gap,
            (course.stiffness, course.friction, course.loss, dt),
            state.touch[i, LOSS],
            (state.touch[i, SLID], state.touch[i, SLID_BACK]),
        )
        touched += 1
        slope = 1.5 * course.stiffness * math.sqrt(-gap)
        while calm > 1 and not (
            abs(closing) * calm * course.step < -CALM * gap
            and slope * give * (calm * course.step) ** 2 < STIFFEST**2
        ):
            calm //= 2
        state.touch[i, LOSS] = loss
        state.touch[i, SPRING] = spring
        state.touch[i, SLID] = slid if holds else math.nan
        state.touch[i, SLID_BACK] = slid_back
        # --- on the tine: a force at its tip and a moment that turns it ---
        ax = fx + bx * fz
        ay = fy + by * fz
        mx = fx * above - fz * ahead * course.cos_skew
        my = fy * above - fz * ahead * course.sin_skew
        f0 = row.plane[i, 0] * ax + row.plane[i, 1] * ay
        f1 = row.plane[i, 2] * ax + row.plane[i, 3] * ay
        m0 = row.plane[i, 0] * mx + row.plane[i, 1] * my
        m1 = row.plane[i, 2] * mx + row.plane[i, 3] * my
        push(row, state.p, i, f0, f1, m0, m1, n)
        # --- on the stick ---
        kick(held, state, fx, fy, fz)
        # --- the books ---
        a, b, c = row.give[later, i, 0], row.give[later, i, 1], row.give[later, i, 2]
        state.tally[i, T_WORK] += ax * vx + ay * vy + mx * turn_x + my * turn_y
        state.tally[i, T_WORK] += 0.5 * (a * (ax * ax + ay * ay) + c * (mx * mx + my * my)) + b * (ax * mx + ay * my)
        jx, jy, jz = given(held, later, fx, fy, fz)
        state.books[E_STICK] -= fx * (wx - course.speed - 0.5 * jx) + fy * (wy - 0.5 * jy) + fz * (wz - 0.5 * jz)
        jx, jy, jz = given(held, 0, fx, fy, fz)
        wx -= jx
        wy -= jy
        wz -= jz
        state.books[E_CONTACT] += lost
        state.books[E_HAND] += fx * course.speed
        state.tally[i, T_FORCE] = max(
            state.tally[i, T_FORCE], math.sqrt(fx * fx + fy * fy + fz * fz) / dt
        )
        if now % MIDDLE == 0:
            state.tally[i, T_MOMENT] = max(state.tally[i, T_MOMENT], bending(state.q, i, row.root))
            state.tally[i, T_BEND] = max(state.tally[i, T_BEND], math.sqrt(ux * ux + uy * uy))
        number = now // course.bin_steps
        if number != state.flags[i, BIN]:
            if state.flags[i, BIN] >= 0:
                state.clock[USED] = write(history, state.clock[USED], i, state.flags[i, BIN], state.binned)
            state.flags[i, BIN] = number
        late = (now % course.bin_steps - 0.5 * (course.bin_steps - 1)) * course.step
        state.binned[i, 0] += f0
        state.binned[i, 1] += f1
        state.binned[i, 2] += f0 * late
        state.binned[i, 3] += f1 * late
        state.binned[i, 4] += m0
        state.binned[i, 5] += m1
        state.binned[i, 6] += normal
        state.binned[i, 7] += fz
    state.clock[CALMED] = calm if touched == 1 else 1


@_fast
def let_go(state: State, i: int, time: float) -> None:
    state.flags[i, TOUCHING] = 0
    state.touch[i, LOSS] = -1.0
    state.touch[i, SLID] = math.nan
    state.touch[i, SPRING] = 0.0
    state.tally[i, T_LAST] = time


@_fast
def end_of(held: Held, share: Any) -> Any:
    """Displacement of the stick's end in x, y, z, from the blocks' shares of it."""
    down = 0.0
    sideways = 0.0
    along = 0.0
    for j in range(held.blocks[0]):
        down += share[0, j]
    for j in range(held.blocks[0], held.blocks[1]):
        sideways += share[0, j]
    for j in range(held.blocks[1], share.shape[1]):
        along += share[0, j]
    return in_space(held, down, sideways, along)


@_fast
def advance_stick(held: Held, q: Any, p: Any, level: int) -> Any:
    """`turn` and displacement and velocity of the stick's end in one go."""
    down, fast_down = advance_blocks(held, q, p, level, 0, held.blocks[0])
    sideways, fast_sideways = advance_blocks(held, q, p, level, held.blocks[0], held.blocks[1])
    along, fast_along = advance_blocks(held, q, p, level, held.blocks[1], q.shape[1])
    ex, ey, ez = in_space(held, down, sideways, along)
    wx, wy, wz = in_space(held, fast_down, fast_sideways, fast_along)
    return ex, ey, ez, wx, wy, wz


@_fast
def advance_blocks(held: Held, q: Any, p: Any, level: int, first: int, last: int) -> Any:
    place = 0.0
    speed = 0.0
    for j in range(first, last):
        a = q[0, j]
        b = p[0, j]
        x = held.turns[level, 0, 0, j] * a + held.turns[level, 0, 1, j] * b
        y = held.turns[level, 0, 2, j] * a + held.turns[level, 0, 3, j] * b
        q[0, j] = x
        p[0, j] = y
        place += x
        speed += y
    return place, speed


@_fast
def in_space(held: Held, down: float, sideways: float, along: float) -> Any:
    return (
        held.axes[0, 0] * down + held.axes[1, 0] * sideways + held.axes[2, 0] * along,
        held.axes[0, 1] * down + held.axes[1, 1] * sideways + held.axes[2, 1] * along,
        held.axes[0, 2] * down + held.axes[1, 2] * sideways + held.axes[2, 2] * along,
    )


@_fast
def given(held: Held, later: int, fx: float, fy: float, fz: float) -> Any:
    """Velocity of the stick's end by an impulse; `later` leaves out what the coming quiet step brings to rest."""
    return (
        held.give[later, 0, 0] * fx + held.give[later, 0, 1] * fy + held.give[later, 0, 2] * fz,
        held.give[later, 1, 0] * fx + held.give[later, 1, 1] * fy + held.give[later, 1, 2] * fz,
        held.give[later, 2, 0] * fx + held.give[later, 2, 1] * fy + held.give[later, 2, 2] * fz,
    )


@_fast
def kick(held: Held, state: State, fx: float, fy: float, fz: float) -> None:
    """The stick's end is pushed by what it pushes the tine with."""
    down = held.axes[0, 0] * fx + held.axes[0, 1] * fy + held.axes[0, 2] * fz
    sideways = held.axes[1, 0] * fx + held.axes[1, 1] * fy + held.axes[1, 2] * fz
    along = held.axes[2, 0] * fx + held.axes[2, 1] * fy + held.axes[2, 2] * fz
    for j in range(held.blocks[0]):
        state.stick_q[0, j] -= held.kick[0, j] * down
        state.stick_p[0, j] -= held.kick[1, j] * down
    for j in range(held.blocks[0], held.blocks[1]):
        state.stick_q[0, j] -= held.kick[0, j] * sideways
        state.stick_p[0, j] -= held.kick[1, j] * sideways
    for j in range(held.blocks[1], state.stick_q.shape[1]):
        state.stick_q[0, j] -= held.kick[0, j] * along
        state.stick_p[0, j] -= held.kick[1, j] * along


@_fast
def bent(row: Row, modal: Any, i: int, n: int) -> Any:
    """Displacement and lean of the tip of tine i along and across (velocity and turning, from modal velocities)."""
    s0 = 0.0
    s1 = 0.0
    l0 = 0.0
    l1 = 0.0
    for k in range(n):
        s0 += row.shape[i, k] * modal[i, k]
        l0 += row.slope[i, k] * modal[i, k]
        s1 += row.shape[i, k] * modal[i, n + k]
        l1 += row.slope[i, k] * modal[i, n + k]
    return in_row(row, i, s0, s1, l0, l1)


@_fast
def advance(row: Row, q: Any, p: Any, i: int, level: int, n: int) -> Any:
    """`turn` and both kinds of `bent` in one go: what every step asks of every tine awake."""
    s0, l0, v0, w0 = advance_plane(row, q, p, i, level, 0, n)
    s1, l1, v1, w1 = advance_plane(row, q, p, i, level, n, n)
    ux, uy, lean_x, lean_y = in_row(row, i, s0, s1, l0, l1)
    vx, vy, turn_x, turn_y = in_row(row, i, v0, v1, w0, w1)
    return ux, uy, lean_x, lean_y, vx, vy, turn_x, turn_y


@_fast
def advance_plane(row: Row, q: Any, p: Any, i: int, level: int, first: int, n: int) -> Any:
    s = 0.0
    l = 0.0  # noqa: E741
    v = 0.0
    w = 0.0
    for k in range(n):
        a = q[i, first + k]
        b = p[i, first + k]
        x = row.turns[level, i, 0, first + k] * a + row.turns[level, i, 1, first + k] * b
        y = row.turns[level, i, 2, first + k] * a + row.turns[level, i, 3, first + k] * b
        q[i, first + k] = x
        p[i, first + k] = y
        s += row.shape[i, k] * x
        l += row.slope[i, k] * x  # noqa: E741
        v += row.shape[i, k] * y
        w += row.slope[i, k] * y
    return s, l, v, w


@_fast
def in_row(row: Row, i: int, s0: float, s1: float, l0: float, l1: float) -> Any:
    """From a tine's planes to along the stick's way and across it, a displacement and a lean."""
    return (
        row.plane[i, 0] * s0 + row.plane[i, 2] * s1,
        row.plane[i, 1] * s0 + row.plane[i, 3] * s1,
        row.plane[i, 0] * l0 + row.plane[i, 2] * l1,
        row.plane[i, 1] * l0 + row.plane[i, 3] * l1,
    )


@_fast
def placed(
    row: Row,
    course: Course,
    i: int,
    ex: float,
    ey: float,
    ez: float,
    ux: float,
    uy: float,
    lean_x: float,
    lean_y: float,
) -> Any:
    """`meeting` of the stick's end at (ex, ey, ez) and tine i bent by (ux, uy)."""
    return meeting(
        course.cos_skew * (ex - row.form[i, PLACE] - ux) + course.sin_skew * (ey - uy),
        ez - row.form[i, HEIGHT] + row.form[i, DROP] * (ux * ux + uy * uy),
        course.cos_skew * lean_x + course.sin_skew * lean_y,
        row.form[i, HALF],
        row.form[i, EDGE],
        course.r_end,
        course.sin_tilt,
        course.cos_tilt,
    )


@_fast
def push(row: Row, p: Any, i: int, f0: float, f1: float, m0: float, m1: float, n: int) -> None:
    """An impulse on the tip of tine i in both planes, and one that turns it."""
    for k in range(n):
        p[i, k] += row.shape[i, k] * f0 + row.slope[i, k] * m0
    for k in range(n):
        p[i, n + k] += row.shape[i, k] * f1 + row.slope[i, k] * m1


@_fast
def finish(row: Row, state: State, history: Any, time: float) -> None:
    """The last bins are written; tines still awake tell their time."""
    for i in range(state.q.shape[0]):
        if state.flags[i, BIN] >= 0:
            state.clock[USED] = write(history, state.clock[USED], i, state.flags[i, BIN], state.binned)
            state.flags[i, BIN] = -1
        if state.flags[i, AWAKE] == 1:
            state.since[i] = time


@_fast
def ring_on(row: Row, q: Any, p: Any, tally: Any, steps: int) -> None:
    """Follows the root's moment of touched tines in their free ring for so many times MIDDLE steps."""
    for i in range(q.shape[0]):
        if tally[i, T_TOUCHES] > 0.0:
            for _ in range(steps):
                turn(q, p, i, row.turns, 1, i)
                tally[i, T_MOMENT] = max(tally[i, T_MOMENT], bending(q, i, row.root))


@functools.lru_cache
def runner(n: int) -> Callable[..., int]:
    """The compiled pass along tines with n modes in each plane: knowing n it lays its inner loops out flat."""
    # numba keeps compiled code by this file and what a function closes over: it would not see these two change
    edition = zlib.crc32(b"".join(Path(str(each.__file__)).read_bytes() for each in (laws, motion)))

    @njit(cache=True, nogil=True, _nrt=False, error_model="numpy", fastmath=REORDERED)
    def run(row: Row, held: Held, course: Course, state: State, history: Any, steps: int) -> int:
        """Goes on for so many steps, or until the stick has passed, is stuck, or the `history` (H, COLUMNS) is full."""
        until = state.clock[DONE] + steps
        count = state.q.shape[0] if edition >= 0 else 0
        most = count * (LONG // course.bin_steps + 2)  # rows that a block of steps can fill
        if state.clock[DONE] == 0:
            begin(row, state)
        while True:
            time = course.start + state.clock[DONE] * course.step
            if time >= course.stop:
                return STUCK
            if state.clock[USED] + most > history.shape[0]:
                return CROWDED
            if state.clock[DONE] >= until:
                return PAUSED
            somebody = look_round(row, held, course, state, time)
            if somebody:
                follow(row, held, course, state, history, n)
            elif course.place + course.speed * (time - course.start) > row.form[count - 1, PLACE] + FLAT_OUT:
                finish(row, state, history, time)
                return PASSED
            else:
                turn(state.stick_q, state.stick_p, 0, held.turns, 2, 0)
                state.clock[DONE] += LONG

    return run  # type: ignore[no-any-return]
