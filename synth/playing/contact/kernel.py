"""A stick passing a row, stepped through time: compiled, one kernel for the truth and for the event model.

In: modes of tines and stick as plain arrays. Out: the history of the force, and a tally for every tine. The idea:
between touches every mode turns exactly (a damped rotation); a touch acts as an impulse on all modes at once
(`synth.playing.contact.laws`). A step is rotation, then impulse, and energy is kept to second order (Strang 1968).

Only touches cost time, and exactly: tines out of the stick's reach sleep and are turned in one go when it comes;
where nothing can meet within the next 8 or 64 steps, all are turned by those at once. What can meet is bounded by
the sum of all modes' amplitudes.

    sleeping tines | awake: free flight, 64 or 8 steps at once | awake: single steps, impulses | sleeping tines

`run` allocates nothing, raises nothing and keeps everything it knows in its arrays: it can stop at the head of its
outer loop when its steps are used up or the history is full, and go on when it is called again. So it serves
offline strokes, live ones in slices, and a page that has neither Python nor an allocator.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Callable
from typing import Any, Final

from synth.playing.contact import bodies, compiled, laws, layout, modal_step
from synth.playing.contact.bodies import advance, advance_stick, bent, end_of, given, kick, placed, push
from synth.playing.contact.compiled import cached_jit, inlined
from synth.playing.contact.laws import STIFFEST, meeting, touch
from synth.playing.contact.layout import (
    AWAKE,
    BIN,
    CALM,
    CALMED,
    CROWDED,
    DONE,
    DROP,
    E_CONTACT,
    E_HAND,
    E_START,
    E_STICK,
    EDGE,
    FLAT_OUT,
    HALF,
    HEIGHT,
    LEVELS,
    LONG,
    LOSS,
    MARGIN,
    MIDDLE,
    NEARLY,
    NEXT,
    PASSED,
    PAUSED,
    PLACE,
    QUIET,
    SIZE,
    SLID,
    SLID_BACK,
    SPRING,
    STUCK,
    T_BEND,
    T_FIRST,
    T_FORCE,
    T_LAST,
    T_MOMENT,
    T_TOUCHES,
    T_WORK,
    TOUCHING,
    USED,
    Course,
    Held,
    Row,
    State,
)
from synth.playing.contact.modal_step import bending, energy, farthest, fastest, turn, turn_by, write


@inlined
def begin(row: Row, state: State) -> None:
    for i in range(state.q.shape[0]):
        state.touch[i, SIZE] = farthest(state.q, state.p, i, row.omega, row.shape)
        state.books[E_START] += energy(state.q, state.p, i, row.omega)


@inlined
def look_round(row: Row, held: Held, course: Course, state: State, time: float) -> bool:
    """Wakes the tines within reach of the next LONG steps, puts the others to sleep; whether any is awake."""
    stick_far = farthest(state.stick_q, state.stick_p, 0, held.omega, held.one)
    x = course.position + course.speed * (time - course.start)
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
            turn_by(state.q, state.p, i, row.omega, row.decay_rate, time - state.since[i])
        elif awake and not near:
            state.since[i] = time
        state.flags[i, AWAKE] = 1 if near else 0
        somebody = somebody or near
    return somebody


@inlined
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


@inlined
def free(row: Row, held: Held, course: Course, state: State, level: int, n: int) -> int:
    """The greatest of LEVELS up to `level` in which nothing can meet; 0 for none."""
    for i in range(state.q.shape[0]):
        if state.flags[i, TOUCHING] == 1:
            return 0
    x = course.position + course.speed * state.clock[DONE] * course.step
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


@inlined
def fly(row: Row, held: Held, state: State, level: int) -> None:
    """All that are awake, by the steps of a level at once; tines by MIDDLE: their roots' moments change quickly."""
    turn(state.stick_q, state.stick_p, 0, held.turns, level, 0)
    for i in range(state.q.shape[0]):
        if state.flags[i, AWAKE] == 1:
            for _ in range(LEVELS[level] // MIDDLE):
                turn(state.q, state.p, i, row.turns, 1, i)
                bear(row, state, i)
    state.clock[DONE] += LEVELS[level]


@inlined
def bear(row: Row, state: State, i: int) -> None:
    """The greatest moment at the root of a tine from its first touch on, between touches as well."""
    if state.tally[i, T_TOUCHES] > 0.0:
        state.tally[i, T_MOMENT] = max(state.tally[i, T_MOMENT], bending(state.q, i, row.root_moment))


@inlined
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
    ex += course.position + course.speed * now * course.step
    ez += course.r_end
    wx += course.speed
    for i in range(state.q.shape[0]):
        if state.flags[i, AWAKE] == 0:
            continue
        ux, uy, lean_x, lean_y, vx, vy, turn_x, turn_y = advance(row, state.q, state.p, i, level, n)
        if now % MIDDLE == 0:
            bear(row, state, i)
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
        fx, fy, fz, normal, lost, spring, loss, slid, slid_back, holds, closing, mobility = touch(
            (nx, nz, course.cos_skew, course.sin_skew),
            (bx, by, ahead, above),
            (wx - px, wy - py, wz - pz),
            (row.mobility[0, i, 0], row.mobility[0, i, 1], row.mobility[0, i, 2]),
            held.mobility[0],
            gap,
            (course.stiffness, course.friction, course.loss, dt),
            state.touch[i, LOSS],
            (state.touch[i, SLID], state.touch[i, SLID_BACK]),
        )
        touched += 1
        slope = 1.5 * course.stiffness * math.sqrt(-gap)
        while calm > 1 and not (
            abs(closing) * calm * course.step < -CALM * gap
            and slope * mobility * (calm * course.step) ** 2 < STIFFEST**2
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
        wx, wy, wz = book_work(
            row,
            held,
            course,
            state,
            i,
            later,
            (fx, fy, fz),
            (wx, wy, wz),
            (ax, ay, mx, my),
            (vx, vy, turn_x, turn_y),
        )
        state.books[E_CONTACT] += lost
        size = math.sqrt(fx * fx + fy * fy + fz * fz)
        state.tally[i, T_FORCE] = max(state.tally[i, T_FORCE], size / dt)
        if now % MIDDLE == 0:
            state.tally[i, T_BEND] = max(state.tally[i, T_BEND], math.sqrt(ux * ux + uy * uy))
        open_bin(course, state, history, i, now)
        state.binned[i, 0] += f0
        state.binned[i, 1] += f1
        state.binned[i, 2] += m0
        state.binned[i, 3] += m1
        state.binned[i, 4] += normal
        state.binned[i, 5] += fz
    state.clock[CALMED] = calm if touched == 1 else 1


@inlined
def book_work(
    row: Row,
    held: Held,
    course: Course,
    state: State,
    i: int,
    later: int,
    force: Any,
    speed: Any,
    drive: Any,
    tip: Any,
) -> Any:
    """The work of an impulse on tine, stick and hand; gives the velocity of the stick's end after it."""
    fx, fy, fz = force
    wx, wy, wz = speed
    ax, ay, mx, my = drive
    vx, vy, turn_x, turn_y = tip
    a, b, c = row.mobility[later, i, 0], row.mobility[later, i, 1], row.mobility[later, i, 2]
    state.tally[i, T_WORK] += ax * vx + ay * vy + mx * turn_x + my * turn_y
    state.tally[i, T_WORK] += 0.5 * (a * (ax * ax + ay * ay) + c * (mx * mx + my * my)) + b * (
        ax * mx + ay * my
    )
    jx, jy, jz = given(held, later, fx, fy, fz)
    own = wx - course.speed  # without the hand's way
    state.books[E_STICK] -= fx * (own - 0.5 * jx) + fy * (wy - 0.5 * jy) + fz * (wz - 0.5 * jz)
    state.books[E_HAND] += fx * course.speed
    jx, jy, jz = given(held, 0, fx, fy, fz)
    return wx - jx, wy - jy, wz - jz


@inlined
def open_bin(course: Course, state: State, history: Any, i: int, now: int) -> None:
    """The bin of this step is under way for tine i; another one is written first."""
    number = now // course.bin_steps
    if number != state.flags[i, BIN]:
        if state.flags[i, BIN] >= 0:
            state.clock[USED] = write(history, state.clock[USED], i, state.flags[i, BIN], state.binned)
        state.flags[i, BIN] = number


@inlined
def let_go(state: State, i: int, time: float) -> None:
    state.flags[i, TOUCHING] = 0
    state.touch[i, LOSS] = -1.0
    state.touch[i, SLID] = math.nan
    state.touch[i, SPRING] = 0.0
    state.tally[i, T_LAST] = time


@inlined
def finish(row: Row, state: State, history: Any, time: float) -> None:
    """The last bins are written; tines still awake tell their time."""
    for i in range(state.q.shape[0]):
        if state.flags[i, BIN] >= 0:
            state.clock[USED] = write(history, state.clock[USED], i, state.flags[i, BIN], state.binned)
            state.flags[i, BIN] = -1
        if state.flags[i, AWAKE] == 1:
            state.since[i] = time


@cached_jit
def ring_on(row: Row, q: Any, p: Any, tally: Any, steps: int) -> None:
    """Follows the root's moment of touched tines in their free ring for so many times MIDDLE steps."""
    for i in range(q.shape[0]):
        if tally[i, T_TOUCHES] > 0.0:
            for _ in range(steps):
                turn(q, p, i, row.turns, 1, i)
                tally[i, T_MOMENT] = max(tally[i, T_MOMENT], bending(q, i, row.root_moment))


PARTS: Final = (bodies, compiled, laws, layout, modal_step)


@functools.lru_cache
def runner(n: int) -> Callable[..., int]:
    """The compiled pass along tines with n modes in each plane: knowing n it lays its inner loops out flat."""

    def run(row: Row, held: Held, course: Course, state: State, history: Any, steps: int) -> int:
        """Goes on for so many steps, or until the stick passed or is stuck, or `history` (H, COLUMNS) is full."""
        until = state.clock[DONE] + steps
        count = state.q.shape[0]
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
            elif (
                course.position + course.speed * (time - course.start) > row.form[count - 1, PLACE] + FLAT_OUT
            ):
                finish(row, state, history, time)
                return PASSED
            else:
                turn(state.stick_q, state.stick_p, 0, held.turns, 2, 0)
                state.clock[DONE] += LONG

    return cached_jit(run, holds=PARTS)
