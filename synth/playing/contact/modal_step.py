"""Modes of bodies in motion, compiled: turned exactly, bounded, counted; nothing is allocated, nothing raised.

In: modal displacements and velocities, a row for each body. Out: the same later, or a number. A damped mode turns
by four coefficients that are exact for any time; the rest are sums over modes. Rows are named by their index, for a
view of a row would be something new.
"""

from __future__ import annotations

import math
from typing import Any, Final

from synth.playing.contact.compiled import cached_jit, exact, inlined

FARTHEST: Final = 600.0  # nepers that a mode is turned back: beyond it there is nothing left of it


@inlined
def turn(q: Any, p: Any, i: int, c: Any, level: int, j: int) -> None:
    """Damped rotation of every mode of body i, by the coefficients c[level, j] (4, n)."""
    for k in range(q.shape[1]):
        a = q[i, k]
        b = p[i, k]
        q[i, k] = c[level, j, 0, k] * a + c[level, j, 1, k] * b
        p[i, k] = c[level, j, 2, k] * a + c[level, j, 3, k] * b


@exact
def turn_by(q: Any, p: Any, i: int, omega: Any, decay: Any, time: float) -> None:
    """The same by any time, forward or back. A mode damped beyond swinging creeps: a slow and a quick part."""
    for k in range(q.shape[1]):
        swing = omega[i, k] ** 2 - decay[i, k] ** 2
        if swing > 0.0:
            damped = math.sqrt(swing)
            fade = math.exp(min(-decay[i, k] * time, FARTHEST))
            co = fade * math.cos(damped * time)
            si = fade * math.sin(damped * time) / damped
        else:
            part = math.sqrt(-swing)
            quick = decay[i, k] + part
            slowly = math.exp(min(-(omega[i, k] ** 2) / quick * time, FARTHEST))
            quickly = math.exp(min(-quick * time, FARTHEST))
            co = 0.5 * (slowly + quickly)
            si = 0.5 * (slowly - quickly) / part if part > 0.0 else time * slowly
        a = q[i, k]
        b = p[i, k]
        q[i, k] = (co + decay[i, k] * si) * a + si * b
        p[i, k] = (co - decay[i, k] * si) * b - omega[i, k] ** 2 * si * a


@inlined
def energy(q: Any, p: Any, i: int, omega: Any) -> float:
    total = 0.0
    for k in range(q.shape[1]):
        total += 0.5 * (p[i, k] ** 2 + (omega[i, k] * q[i, k]) ** 2)
    return total


@inlined
def farthest(q: Any, p: Any, i: int, omega: Any, shape: Any) -> float:
    """The farthest a body's contact point can go, were all modes to agree. Damping only makes it less."""
    far = 0.0
    n = shape.shape[1]
    for k in range(q.shape[1]):
        far += abs(shape[i, k % n]) * math.sqrt(q[i, k] ** 2 + (p[i, k] / omega[i, k]) ** 2)
    return far


@inlined
def fastest(q: Any, p: Any, i: int, omega: Any, shape: Any) -> float:
    """Its greatest speed likewise."""
    fast = 0.0
    n = shape.shape[1]
    for k in range(q.shape[1]):
        fast += abs(shape[i, k % n]) * math.sqrt((q[i, k] * omega[i, k]) ** 2 + p[i, k] ** 2)
    return fast


@inlined
def bending(q: Any, i: int, root: Any) -> float:
    """The moment at the root of tine i, of both planes together."""
    n = q.shape[1] // 2
    m0 = 0.0
    m1 = 0.0
    for k in range(n):
        m0 += root[i, k] * q[i, k]
        m1 += root[i, n + k] * q[i, n + k]
    return math.sqrt(m0 * m0 + m1 * m1)


@exact
def write(history: Any, row: int, tine: int, number: int, binned: Any) -> int:
    """Puts the bin of one tine into the history, and empties it. Gives the next row."""
    history[row, 0] = tine
    history[row, 1] = number
    for column in range(binned.shape[1]):
        history[row, 2 + column] = binned[tine, column]
        binned[tine, column] = 0.0
    return row + 1


@cached_jit
def place(
    rows: Any,
    start: float,
    width: float,
    turning: Any,
    at: Any,
    time: Any,
    impulse: Any,
    push: Any,
    turned: Any,
) -> None:
    """Puts rows of the history in their tines' places `at` (T,), which go on, turned to along and across the row.

    `turning` (3, T): cosine and sine of the planes' axis, and what force stands for a turn of the tip.
    """
    for row in range(rows.shape[0]):
        k = int(rows[row, 0])
        to, cos, sin = at[k], turning[0, k], turning[1, k]
        at[k] = to + 1
        time[to] = start + (rows[row, 1] + 0.5) * width
        push[to, 0] = rows[row, 2] * cos - rows[row, 3] * sin
        push[to, 1] = rows[row, 2] * sin + rows[row, 3] * cos
        push[to, 2] = rows[row, 7]
        turned[to, 0] = rows[row, 4] * cos - rows[row, 5] * sin
        turned[to, 1] = rows[row, 4] * sin + rows[row, 5] * cos
        impulse[to, 0] = push[to, 0] + turning[2, k] * turned[to, 0]
        impulse[to, 1] = push[to, 1] + turning[2, k] * turned[to, 1]
