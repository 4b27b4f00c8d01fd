"""Stick and tines as the contact sees them, compiled: where their ends are, how they are pushed.

In: the arrays of `synth.playing.contact.layout`. Out: displacements and velocities in space; pushed, the arrays
themselves.
"""

from __future__ import annotations

from typing import Any

from synth.playing.contact.compiled import inlined
from synth.playing.contact.laws import meeting
from synth.playing.contact.layout import DROP, EDGE, HALF, HEIGHT, PLACE, Course, Held, Row, State


@inlined
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


@inlined
def advance_stick(held: Held, q: Any, p: Any, level: int) -> Any:
    """`turn` and displacement and velocity of the stick's end in one go."""
    down, fast_down = advance_blocks(held, q, p, level, 0, held.blocks[0])
    sideways, fast_sideways = advance_blocks(held, q, p, level, held.blocks[0], held.blocks[1])
    along, fast_along = advance_blocks(held, q, p, level, held.blocks[1], q.shape[1])
    ex, ey, ez = in_space(held, down, sideways, along)
    wx, wy, wz = in_space(held, fast_down, fast_sideways, fast_along)
    return ex, ey, ez, wx, wy, wz


@inlined
def advance_blocks(held: Held, q: Any, p: Any, level: int, first: int, last: int) -> Any:
    position = 0.0
    speed = 0.0
    for j in range(first, last):
        a = q[0, j]
        b = p[0, j]
        x = held.turns[level, 0, 0, j] * a + held.turns[level, 0, 1, j] * b
        y = held.turns[level, 0, 2, j] * a + held.turns[level, 0, 3, j] * b
        q[0, j] = x
        p[0, j] = y
        position += x
        speed += y
    return position, speed


@inlined
def in_space(held: Held, down: float, sideways: float, along: float) -> Any:
    return (
        held.axes[0, 0] * down + held.axes[1, 0] * sideways + held.axes[2, 0] * along,
        held.axes[0, 1] * down + held.axes[1, 1] * sideways + held.axes[2, 1] * along,
        held.axes[0, 2] * down + held.axes[1, 2] * sideways + held.axes[2, 2] * along,
    )


@inlined
def given(held: Held, later: int, fx: float, fy: float, fz: float) -> Any:
    """Velocity of the stick's end by an impulse; `later` leaves out what the coming quiet step brings to rest."""
    return (
        held.mobility[later, 0, 0] * fx + held.mobility[later, 0, 1] * fy + held.mobility[later, 0, 2] * fz,
        held.mobility[later, 1, 0] * fx + held.mobility[later, 1, 1] * fy + held.mobility[later, 1, 2] * fz,
        held.mobility[later, 2, 0] * fx + held.mobility[later, 2, 1] * fy + held.mobility[later, 2, 2] * fz,
    )


@inlined
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


@inlined
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


@inlined
def advance(row: Row, q: Any, p: Any, i: int, level: int, n: int) -> Any:
    """`turn` and both kinds of `bent` in one go: what every step asks of every tine awake."""
    s0, l0, v0, w0 = advance_plane(row, q, p, i, level, 0, n)
    s1, l1, v1, w1 = advance_plane(row, q, p, i, level, n, n)
    ux, uy, lean_x, lean_y = in_row(row, i, s0, s1, l0, l1)
    vx, vy, turn_x, turn_y = in_row(row, i, v0, v1, w0, w1)
    return ux, uy, lean_x, lean_y, vx, vy, turn_x, turn_y


@inlined
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


@inlined
def in_row(row: Row, i: int, s0: float, s1: float, l0: float, l1: float) -> Any:
    """From a tine's planes to along the stick's way and across it, a displacement and a lean."""
    return (
        row.plane[i, 0] * s0 + row.plane[i, 2] * s1,
        row.plane[i, 1] * s0 + row.plane[i, 3] * s1,
        row.plane[i, 0] * l0 + row.plane[i, 2] * l1,
        row.plane[i, 1] * l0 + row.plane[i, 3] * l1,
    )


@inlined
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


@inlined
def push(row: Row, p: Any, i: int, f0: float, f1: float, m0: float, m1: float, n: int) -> None:
    """An impulse on the tip of tine i in both planes, and one that turns it."""
    for k in range(n):
        p[i, k] += row.shape[i, k] * f0 + row.slope[i, k] * m0
    for k in range(n):
        p[i, n + k] += row.shape[i, k] * f1 + row.slope[i, k] * m1
