"""Modes of one body in motion, compiled: turned exactly, bounded, counted.

In: modal displacements and velocities, flat. Out: the same later, or a number. A damped mode turns by a rotation
that is exact for any time; the rest are sums over modes.
"""

from __future__ import annotations

import math
from typing import Any

from synth.compiled import njit

_exact = njit(cache=True, nogil=True, error_model="numpy")
_fast = njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz", "arcp"})


@_fast
def turn(q: Any, p: Any, c: Any) -> None:
    """Damped rotation of every mode of one body, by the coefficients c (4, n)."""
    for k in range(q.shape[0]):
        a = q[k]
        b = p[k]
        q[k] = c[0, k] * a + c[1, k] * b
        p[k] = c[2, k] * a + c[3, k] * b


@_exact
def turn_by(q: Any, p: Any, omega: Any, decay: Any, time: float) -> None:
    """The same by any time, forward or back."""
    for k in range(q.shape[0]):
        damped = math.sqrt(omega[k] ** 2 - decay[k] ** 2)
        fade = math.exp(-decay[k] * time)
        co = fade * math.cos(damped * time)
        si = fade * math.sin(damped * time) / damped
        a = q[k]
        b = p[k]
        q[k] = (co + decay[k] * si) * a + si * b
        p[k] = (co - decay[k] * si) * b - omega[k] ** 2 * si * a


@_fast
def energy(q: Any, p: Any, omega: Any) -> float:
    total = 0.0
    for k in range(q.shape[0]):
        total += 0.5 * (p[k] ** 2 + (omega[k] * q[k]) ** 2)
    return total


@_fast
def bounds(q: Any, p: Any, omega: Any, shape: Any) -> tuple[float, float]:
    """The farthest a body's contact point can go and its greatest speed, were all modes to agree."""
    far = 0.0
    fast = 0.0
    for k in range(q.shape[0]):
        size = abs(shape[k]) * math.sqrt(q[k] ** 2 + (p[k] / omega[k]) ** 2)
        far += size
        fast += size * omega[k]
    return far, fast


@_fast
def bending(q: Any, root: Any) -> float:
    """The moment at a tine's root, of both planes together."""
    n = q.shape[0] // 2
    m0 = 0.0
    m1 = 0.0
    for k in range(n):
        m0 += root[k] * q[k]
        m1 += root[n + k] * q[n + k]
    return math.sqrt(m0 * m0 + m1 * m1)


@_exact
def write(history: Any, row: int, tine: int, number: int, binned: Any) -> int:
    """Puts one bin into the history, and empties it. Gives the next row; the full history stays as it is."""
    if row < history.shape[0]:
        history[row, 0] = tine
        history[row, 1] = number
        history[row, 2:] = binned
    binned[:] = 0.0
    return row + 1
