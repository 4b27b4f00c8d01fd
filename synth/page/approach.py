"""A stroke made ready for the contact, compiled: what the page asks before the kernel can run.

In: constants of tines and sticks, and what the player wants. Out: the arrays of `synth.playing.contact.layout`,
filled as `stick_path`, `modes` and `run` fill them for the command line; the tests hold the two equal. Depths below
a tip are read from a table by cubics, exact at its nodes.

    lay        tines and stick of a stroke, at rest
    meet       how the row rings as the stick comes to each tine
    set_off    where the stepping starts
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

from synth.playing.contact.arrays import TOO_QUICK
from synth.playing.contact.compiled import cached_jit, inlined
from synth.playing.contact.layout import (
    BIN,
    CALMED,
    DROP,
    EDGE,
    HALF,
    HEIGHT,
    LEVELS,
    LOSS,
    NEXT,
    PLACE,
    QUIET,
    SLID,
    T_FIRST,
    T_LAST,
    USED,
    Held,
    Row,
    State,
)
from synth.playing.contact.modal_step import write
from synth.playing.contact.run import AHEAD, PATIENCE, TAIL
from synth.playing.contact.stick_path import NO_BITE
from synth.playing.contact.traced import LEVERED


class Tines(NamedTuple):
    """R tines with 2n modes for the contact and N columns of shapes, at K depths below their tips. SI."""

    position: Any  # (R,) along the bar
    core: Any  # (R,) half width of the flat top
    edge: Any  # (R,) radius of the rounded edge
    high: Any  # (R,) -1 for the lowest of its group, 1 for the highest
    omega: Any  # (R, 2n)
    decay_rate: Any  # (R, 2n)
    root: Any  # (R, 2n)
    axis: Any  # (R,) rad
    drop: Any  # (R,) 1/m
    depth: Any  # (R,) m between two rows of the table
    shape: Any  # (R, K, N)
    slope: Any  # (R, K, N)


class Stick(NamedTuple):
    """A stick in a grip, as `stick.StickModes` has it upright."""

    omega: Any  # (D,)
    decay_rate: Any  # (D,)
    kick: Any  # (2, D)
    blocks: Any  # (2,)
    law: Any  # (6,) in the columns below


STIFFNESS: Final = 0  # N/m^1.5
FRICTION: Final = 1
RESTITUTION: Final = 2
END: Final = 3  # m, radius of its end
ACROSS: Final = 4  # m/N, how far its end gives in the fingers
LENGTHWISE: Final = 5

# what the player wants, SI
W_SPEED: Final = 0
W_BITE: Final = 1
W_LEAN: Final = 2
W_HEIGHT: Final = 3
W_TILT: Final = 4
W_SKEW: Final = 5
W_PRESSURE: Final = 6
W_SIGN: Final = 7  # 1 forward, -1 backward
W_START: Final = 8  # s, of the first touch
W_STEP: Final = 9  # s
WISHES: Final = 10

# what `set_off` says
C_PLACE: Final = 0  # m, of the stick's end at the start
C_START: Final = 1  # s
C_STOP: Final = 2  # s


@cached_jit
def lay(
    tines: Tines, stick: Stick, index: Any, wish: Any, row: Row, held: Held, state: State, lever: Any
) -> int:
    """Fills row, stick and state for the tines `index` (T,) in the order of meeting; how many are touched.

    `lever` (T,) is 1/m: what a turn of the tip does besides the force (`stroke_contact`).
    """
    touched = 0
    first = tines.position[index[0]]
    for i in range(index.shape[0]):
        r = index[i]
        row.form[i, PLACE] = wish[W_SIGN] * (tines.position[r] - first)
        row.form[i, HEIGHT] = bite(stick, wish, tines.high[r])
        row.form[i, HALF] = tines.core[r]
        row.form[i, EDGE] = tines.edge[r]
        row.form[i, DROP] = tines.drop[r]
        touched += row.form[i, HEIGHT] > 0.0
        cos = math.cos(tines.axis[r])
        sin = math.sin(tines.axis[r])
        row.plane[i, 0] = wish[W_SIGN] * cos
        row.plane[i, 1] = sin
        row.plane[i, 2] = -wish[W_SIGN] * sin
        row.plane[i, 3] = cos
        lay_modes(tines, wish, row, i, r)
        lever[i] = leverage(row, i)
        state.since[i] = wish[W_START] + row.form[i, PLACE] / wish[W_SPEED]
    hold(stick, wish, held)
    rest(state)
    return touched


@inlined
def bite(stick: Stick, wish: Any, high: float) -> float:
    """How deep a tine is bitten; -1 where the stick passes above. A stick pressed by a hand stands lower."""
    deep: float = wish[W_BITE] * (1.0 + wish[W_LEAN] * high)
    if deep <= NO_BITE:
        return -1.0
    across = stick.law[ACROSS] * math.sin(wish[W_TILT]) ** 2
    pressed: float = wish[W_PRESSURE] * (across + stick.law[LENGTHWISE] * math.cos(wish[W_TILT]) ** 2)
    return deep + pressed


@inlined
def lay_modes(tines: Tines, wish: Any, row: Row, i: int, r: int) -> None:
    n = row.shape.shape[1]
    for k in range(n):
        row.shape[i, k], row.slope[i, k] = below(tines, r, k, wish[W_HEIGHT])
    for k in range(2 * n):
        row.omega[i, k] = tines.omega[r, k]
        row.decay_rate[i, k] = tines.decay_rate[r, k]
        row.root_moment[i, k] = tines.root[r, k]
        rotations(row.turns, i, k, tines.omega[r, k], tines.decay_rate[r, k], wish[W_STEP])
    for level in range(1 + len(QUIET)):
        a = 0.0
        b = 0.0
        c = 0.0
        for k in range(n):
            if level == 0 or row.omega[i, k] * QUIET[level - 1] * wish[W_STEP] <= TOO_QUICK:
                a += row.shape[i, k] ** 2
                b += row.shape[i, k] * row.slope[i, k]
                c += row.slope[i, k] ** 2
        row.mobility[level, i, 0] = a
        row.mobility[level, i, 1] = b
        row.mobility[level, i, 2] = c


@inlined
def below(tines: Tines, r: int, k: int, depth: float) -> Any:
    """Shape and slope of a partial so far below the tip; held to the table's end."""
    h = tines.depth[r]
    last = tines.shape.shape[1] - 1
    x = min(max(depth / h, 0.0), float(last))
    i = min(int(x), last - 1)
    t = x - i
    a = tines.shape[r, i, k]
    b = tines.shape[r, i + 1, k]
    c = -tines.slope[r, i, k]  # the table runs down, the slope is told upward
    d = -tines.slope[r, i + 1, k]
    e = (b - a) / h
    value = a + h * t * (c + t * (3.0 * e - 2.0 * c - d + t * (c + d - 2.0 * e)))
    first = c + t * (2.0 * (3.0 * e - 2.0 * c - d) + 3.0 * t * (c + d - 2.0 * e))
    return value, -first


@inlined
def rotations(turns: Any, i: int, k: int, omega: float, decay: float, step: float) -> None:
    """A mode's turns by each of the kernel's levels and quiet steps, as `run._turns`."""
    for level in range(len(LEVELS)):
        rotation(turns, level, i, k, omega, decay, step * LEVELS[level])
    for quiet in range(len(QUIET)):
        level = len(LEVELS) + quiet
        time = step * QUIET[quiet]
        if omega * time > TOO_QUICK:
            turns[level, i, 0, k] = 0.0
            turns[level, i, 1, k] = 1.0 / (omega**2 * time)
            turns[level, i, 2, k] = 0.0
            turns[level, i, 3, k] = 0.0
        else:
            rotation(turns, level, i, k, omega, decay, time)


@inlined
def rotation(turns: Any, level: int, i: int, k: int, omega: float, decay: float, time: float) -> None:
    squared = omega**2 - decay**2
    if squared >= 0.0:
        damped = math.sqrt(squared)
        fade = math.exp(-decay * time)
        co = fade * math.cos(damped * time)
        si = fade * math.sin(damped * time) / damped
    else:
        damped = math.sqrt(-squared)
        slow = math.exp((damped - decay) * time)
        fast = math.exp((-damped - decay) * time)
        co = 0.5 * (slow + fast)
        si = 0.5 * (slow - fast) / damped
    turns[level, i, 0, k] = co + decay * si
    turns[level, i, 1, k] = si
    turns[level, i, 2, k] = -(omega**2) * si
    turns[level, i, 3, k] = co - decay * si


@inlined
def leverage(row: Row, i: int) -> float:
    both = 0.0
    one = 0.0
    for k in range(min(LEVERED, row.shape.shape[1])):
        both += row.shape[i, k] * row.slope[i, k]
        one += row.shape[i, k] ** 2
    return both / one


@inlined
def hold(stick: Stick, wish: Any, held: Held) -> None:
    """The stick at its tilt and skew, as `stick.stick_modes` turns it."""
    st = math.sin(wish[W_TILT])
    ct = math.cos(wish[W_TILT])
    ss = math.sin(wish[W_SKEW])
    cs = math.cos(wish[W_SKEW])
    held.axes[0, 0] = ct * cs
    held.axes[0, 1] = ct * ss
    held.axes[0, 2] = -st
    held.axes[1, 0] = -ss
    held.axes[1, 1] = cs
    held.axes[1, 2] = 0.0
    held.axes[2, 0] = st * cs
    held.axes[2, 1] = st * ss
    held.axes[2, 2] = ct
    held.blocks[0] = stick.blocks[0]
    held.blocks[1] = stick.blocks[1]
    for k in range(stick.omega.shape[0]):
        held.omega[0, k] = stick.omega[k]
        held.one[0, k] = 1.0
        held.kick[0, k] = stick.kick[0, k]
        held.kick[1, k] = stick.kick[1, k]
        rotations(held.turns, 0, k, stick.omega[k], stick.decay_rate[k], wish[W_STEP])
    for level in range(1 + len(QUIET)):
        give(stick, wish, held, level)


@inlined
def give(stick: Stick, wish: Any, held: Held, level: int) -> None:
    """Velocity of the end per impulse, of what swings on in the quiet step."""
    for a in range(3):
        for b in range(3):
            held.mobility[level, a, b] = 0.0
    for d in range(3):
        first = 0 if d == 0 else stick.blocks[d - 1]
        last = stick.omega.shape[0] if d == 2 else stick.blocks[d]
        own = 0.0
        for k in range(first, last):
            if level == 0 or stick.omega[k] * QUIET[level - 1] * wish[W_STEP] <= TOO_QUICK:
                own += stick.kick[1, k]
        for a in range(3):
            for b in range(3):
                held.mobility[level, a, b] += own * held.axes[d, a] * held.axes[d, b]


@inlined
def rest(state: State) -> None:
    """As `run._state`, row and stick at rest."""
    for i in range(state.q.shape[0]):
        for k in range(state.q.shape[1]):
            state.q[i, k] = 0.0
            state.p[i, k] = 0.0
        for k in range(state.flags.shape[1]):
            state.flags[i, k] = 0
        state.flags[i, BIN] = -1
        for k in range(state.touch.shape[1]):
            state.touch[i, k] = 0.0
        state.touch[i, LOSS] = -1.0
        state.touch[i, SLID] = math.nan
        for k in range(state.binned.shape[1]):
            state.binned[i, k] = 0.0
        for k in range(state.tally.shape[1]):
            state.tally[i, k] = 0.0
        state.tally[i, T_FIRST] = math.nan
        state.tally[i, T_LAST] = math.nan
    for k in range(state.stick_q.shape[1]):
        state.stick_q[0, k] = 0.0
        state.stick_p[0, k] = 0.0
    for k in range(state.books.shape[0]):
        state.books[k] = 0.0
    for k in range(state.clock.shape[0]):
        state.clock[k] = 0
    state.clock[CALMED] = 1
    state.clock[NEXT] = 1


@cached_jit
def meet(
    index: Any, dof: Any, vectors: Any, pole: Any, amplitude: Any, moment: float, turned: Any, state: State
) -> None:
    """The row's ring as the stick comes to each tine, from modal amplitudes (2, M) at a moment, s.

    `dof` (R, 2, N) rows of `vectors` (V, 2, M), -1 for none; `turned` (4, M) is scratch. Real parts first.
    """
    n = state.q.shape[1] // 2
    for i in range(index.shape[0]):
        turn_to(pole, amplitude, state.since[i] - moment, turned)
        for plane in range(2):
            for k in range(min(n, dof.shape[2])):
                v = dof[index[i], plane, k]
                if v < 0:
                    continue
                x = 0.0
                y = 0.0
                for m in range(pole.shape[1]):
                    x += vectors[v, 0, m] * turned[0, m] - vectors[v, 1, m] * turned[1, m]
                    y += vectors[v, 0, m] * turned[2, m] - vectors[v, 1, m] * turned[3, m]
                state.q[i, plane * n + k] = x
                state.p[i, plane * n + k] = y


@inlined
def turn_to(pole: Any, amplitude: Any, time: float, turned: Any) -> None:
    """Amplitudes a after a time, and s a."""
    for m in range(pole.shape[1]):
        fade = math.exp(pole[0, m] * time)
        co = fade * math.cos(pole[1, m] * time)
        si = fade * math.sin(pole[1, m] * time)
        x = amplitude[0, m] * co - amplitude[1, m] * si
        y = amplitude[0, m] * si + amplitude[1, m] * co
        turned[0, m] = x
        turned[1, m] = y
        turned[2, m] = pole[0, m] * x - pole[1, m] * y
        turned[3, m] = pole[0, m] * y + pole[1, m] * x


@cached_jit
def set_off(stick: Stick, wish: Any, row: Row, state: State, course: Any) -> None:
    """Where the stick's end is at which second, and where patience ends: `course` (3,), as `run._course`."""
    touch = math.inf
    swing = 0.0
    for i in range(row.form.shape[0]):
        if row.form[i, HEIGHT] > 0.0:
            touch = min(touch, row.form[i, PLACE] + first_touch(stick, wish, row, i))
        far = 0.0
        n = row.shape.shape[1]
        for k in range(2 * n):
            far += abs(row.shape[i, k % n]) * math.sqrt(
                state.q[i, k] ** 2 + (state.p[i, k] / row.omega[i, k]) ** 2
            )
        swing = max(swing, far)
    back = AHEAD + swing
    last = row.form[row.form.shape[0] - 1, PLACE]
    course[C_PLACE] = touch - back
    course[C_START] = wish[W_START] - back / wish[W_SPEED]
    course[C_STOP] = wish[W_START] + (last + TAIL) / wish[W_SPEED] + 2.0 * PATIENCE


@cached_jit
def emptied(state: State, history: Any) -> None:
    """Writes the bins under way into the history, as the end of a pass does: a pass that pauses is heard up to now.

    With bins of one step each is complete.
    """
    for i in range(state.q.shape[0]):
        if state.flags[i, BIN] >= 0:
            state.clock[USED] = write(history, state.clock[USED], i, state.flags[i, BIN], state.binned)
            state.flags[i, BIN] = -1


@inlined
def first_touch(stick: Stick, wish: Any, row: Row, i: int) -> float:
    """As `stick_path.first_touch`."""
    rho = stick.law[END] + row.form[i, EDGE]
    rise = row.form[i, HEIGHT] - rho
    si = math.sin(wish[W_TILT])
    ahead = (rho + rise * si) / math.cos(wish[W_TILT])
    if rise < -rho * si:
        ahead = math.sqrt(max(rho**2 - rise**2, 0.0))
    where: float = -(row.form[i, HALF] + ahead) / math.cos(wish[W_SKEW])
    return where
