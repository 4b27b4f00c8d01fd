"""The live bank's block, compiled: from the modes' states to the frames that they sum up to.

In: states, what carries them over frames, each mode's bins, increments. Out: the block's frames; the states at its
end. States at the block's beginning and each increment make a row, which has bins and frames of its own: those of
an increment begin at its frame. Rows are in single precision; what goes on to the next block is carried in double
precision. The modes of one bin are added up first: single precision then rounds less than over all modes at once.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from synth.compiled import njit
from synth.sound import lanes
from synth.sound.lanes import ROW, add_modes

DIGIT: Final = 16  # frames: a state is carried over so many at once, and then over the rest
SILENT: Final = 1e-24  # of a state: far below hearing, far above numbers that processors are slow with


@njit(part=True, fastmath={"contract"})
def _rounded(re: Any, im: Any, x: Any, y: Any) -> None:
    """States (M,) in single precision; those below hearing are none from now on."""
    for m in range(len(re)):
        alive = abs(re[m]) + abs(im[m]) >= SILENT
        a = re[m] if alive else 0.0
        b = im[m] if alive else 0.0
        re[m], im[m] = a, b
        x[m], y[m] = a, b


@njit(part=True, fastmath={"contract"})
def _carried(re: Any, im: Any, a: Any, b: Any) -> None:
    """States (M,) times a + i b, in place."""
    for m in range(len(re)):
        x, y = re[m], im[m]
        re[m] = x * a[m] - y * b[m]
        im[m] = x * b[m] + y * a[m]


@njit(part=True, fastmath={"contract"})
def _reached(re: Any, im: Any, u: Any, v: Any, a: Any, b: Any, c: Any, d: Any) -> None:
    """An increment u + i v reaches the states times (a + i b) (c + i d)."""
    for m in range(len(re)):
        real = a[m] * c[m] - b[m] * d[m]
        imag = a[m] * d[m] + b[m] * c[m]
        re[m] += u[m] * real - v[m] * imag
        im[m] += u[m] * imag + v[m] * real


@njit(part=True, fastmath={"contract"})
def _heard(sound: Any, bins: Any, waves: Any) -> None:
    """Adds to sound (n,) the first frames of bins (2, B)."""
    for k in range(bins.shape[1]):
        re, im, a, b = bins[0, k], bins[1, k], waves[k, 0], waves[k, 1]
        for j in range(len(sound)):
            sound[j] += re * a[j] + im * b[j]


@njit(part=True, fastmath={"contract"})
def _heard_steep(sound: Any, x: Any, y: Any, table: Any) -> None:
    """The same of states (S,) that a table (S, 2, BLOCK) of their frames is kept of."""
    for s in range(len(x)):
        re, im, a, b = x[s], y[s], table[s, 0], table[s, 1]
        for j in range(len(sound)):
            sound[j] += re * a[j] + im * b[j]


@njit(cache=True, holds=(lanes,), fastmath={"contract"})
def live_block(
    sound: Any,
    at: int,
    frames: int,
    state: Any,
    near: Any,
    far: Any,
    begins: Any,
    weights: Any,
    waves: Any,
    steep: Any,
    rows: Any,
    offset: Any,
    events: int,
    bins: Any,
) -> None:
    """Frames at, at + 1 ... of sound (P, n), BLOCK of them at most, from states (2, M), which are carried on.

    What carries them: `near` (DIGIT, 2, M) over 0, 1 ... frames, `far` (L, 2, M) over as many DIGITs. The modes
    begins[k] ... begins[k + 1] count for ROW bins from k on, by `weights` (P, R, 2 ROW); a bin is heard as `waves`
    (B, 2, BLOCK). The modes from R on are heard as their table `steep` (P, S, 2, BLOCK). Increments `rows`
    (1 + E, 2, M) after the first, at frames `offset` (1 + E,), `events` of them. The rest is room: bins (2, B).
    """
    modes, smooth, last = state.shape[1], weights.shape[1], at + frames
    runs, width = begins.shape[0] - 1, bins.shape[1]
    _rounded(state[0], state[1], rows[0, 0], rows[0, 1])
    for p in range(sound.shape[0]):
        for j in range(at, last):
            sound[p, j] = 0.0
        for e in range(1 + events):
            x, y, part = rows[e, 0], rows[e, 1], sound[p, at + offset[e] : last]
            for k in range(width):
                bins[0, k] = bins[1, k] = 0.0
            for k in range(runs):
                begin, count = begins[k], begins[k + 1] - begins[k]
                if count:
                    line, state_at = 2 * ROW * (p * smooth + begin), 2 * e * modes + begin
                    add_modes(bins, k, width + k, weights, line, rows, state_at, state_at + modes, count)
            _heard(part, bins, waves)
            _heard_steep(part, x[smooth:], y[smooth:], steep[p])
    if frames >= DIGIT:
        _carried(state[0], state[1], far[frames // DIGIT, 0], far[frames // DIGIT, 1])
    if frames % DIGIT:
        _carried(state[0], state[1], near[frames % DIGIT, 0], near[frames % DIGIT, 1])
    for e in range(1, 1 + events):
        left = frames - offset[e]
        a, b, c, d = (
            near[left % DIGIT, 0],
            near[left % DIGIT, 1],
            far[left // DIGIT, 0],
            far[left // DIGIT, 1],
        )
        _reached(state[0], state[1], rows[e, 0], rows[e, 1], a, b, c, d)


@njit(cache=True)
def put_row(to: Any, at: int, rows: Any, n: int, again: float) -> None:
    """A row among the increments of the block, or on top of the one that is there."""
    for part in range(2):
        for m in range(rows.shape[2]):
            to[at, part, m] = np.float32(again) * to[at, part, m] + rows[n, part, m]
