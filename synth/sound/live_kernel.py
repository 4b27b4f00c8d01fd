"""The live bank's block, compiled: from the modes' states to the frames that they sum up to.

In: states, what carries them over frames, the table from a state to the WIDTH frames that follow it, increments.
Out: the block's frames; the states at its end. All is asked a portion of modes at a time, so that what it touches
stays in the nearest cache. A segment's states come from those at the block's beginning, or behind the last
increment, by a few products in single precision; what goes on to the next block is carried in double precision.
Products over PORTION modes are added up: single precision then rounds less than over all modes at once.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np

from synth.compiled import njit
from synth.sound import lanes
from synth.sound.lanes import ROW, add_products_of_four, add_products_of_two

WIDTH: Final = ROW  # frames to a state: table and states of 3,000 modes stay in the processor's cache
PORTION: Final = 128  # modes, whose part of the table stays in the nearest cache
SILENT: Final = 1e-24  # of a state: far below hearing, far above numbers that processors are slow with


@njit(part=True, fastmath={"contract"})
def _rounded(re: Any, im: Any, x: Any, y: Any) -> None:
    """States (m,) in single precision; those below hearing are none from now on."""
    for m in range(len(re)):
        alive = abs(re[m]) + abs(im[m]) >= SILENT
        a = re[m] if alive else 0.0
        b = im[m] if alive else 0.0
        re[m], im[m] = a, b
        x[m], y[m] = a, b


@njit(part=True, fastmath={"contract"})
def _turned(x: Any, y: Any, a: Any, b: Any, real: Any, imag: Any) -> None:
    """Into real and imag (m,) the states times a + i b; they are no part of each other."""
    for m in range(len(x)):
        real[m] = x[m] * a[m] - y[m] * b[m]
        imag[m] = x[m] * b[m] + y[m] * a[m]


@njit(part=True, fastmath={"contract"})
def _carried(re: Any, im: Any, a: Any, b: Any) -> None:
    """States (m,) times a + i b, in place."""
    for m in range(len(re)):
        x, y = re[m], im[m]
        re[m] = x * a[m] - y * b[m]
        im[m] = x * b[m] + y * a[m]


@njit(part=True, fastmath={"contract"})
def _began(re: Any, im: Any, u: Any, v: Any, c: Any, d: Any, real: Any, imag: Any) -> None:
    """An increment u + i v: a row of its own, and in the states, which it reaches times c + i d."""
    for m in range(len(re)):
        real[m], imag[m] = u[m], v[m]
        re[m] += u[m] * c[m] - v[m] * d[m]
        im[m] += u[m] * d[m] + v[m] * c[m]


@njit(part=True, fastmath={"contract"})
def _products(sums: Any, table: Any, states: Any, used: int, first: int, count: int) -> None:
    """Adds the share of modes, `count` of them, to the first `used` rows of sums (n, P WIDTH): an even number."""
    points, modes = len(table), table.shape[1]
    stride, gap = points * WIDTH, 2 * PORTION
    for p in range(points):
        line = 2 * WIDTH * (p * modes + first)
        n = 0
        while n + 4 <= used:
            add_products_of_four(
                sums, n * stride + p * WIDTH, stride, table, line, states, n * gap, gap, PORTION, count
            )
            n += 4
        if n < used:
            add_products_of_two(
                sums, n * stride + p * WIDTH, stride, table, line, states, n * gap, gap, PORTION, count
            )


@njit(cache=True, holds=(lanes,), fastmath={"contract"})
def live_block(
    sound: Any,
    state: Any,
    near: Any,
    far: Any,
    turns: Any,
    table: Any,
    rows: Any,
    offset: Any,
    events: int,
    states: Any,
    sums: Any,
) -> None:
    """Sound (P, n) from states (2, M), which are carried on.

    What carries them: `near` (WIDTH + 1, 2, M) over 0, 1, 2 ... frames, `far` (L, 2, M) over as many segments,
    `turns` (H, 2, M), in single precision, over 1, 2, 4 ... of them. `table` (P, M, 2 WIDTH); increments `rows`
    (E, 2, M) at frames `offset` (E,), rising, the first `events` of them. The rest is room: states (n, 2 PORTION),
    sums (n, P WIDTH).
    """
    points, frames = sound.shape
    modes = state.shape[1]
    segments = (frames + WIDTH - 1) // WIDTH
    used = segments + events
    used += used % 2  # what a spare row holds is not asked for
    for i in range(used):
        for j in range(points * WIDTH):
            sums[i, j] = 0.0
    for first in range(0, modes, PORTION):
        end = min(first + PORTION, modes)
        count = end - first
        re, im = state[0, first:end], state[1, first:end]
        base = event = 0  # the segment that states are of; the next increment
        for i in range(segments):
            x, y = states[i, :count], states[i, PORTION : PORTION + count]
            if i == base:
                _rounded(re, im, x, y)
            else:
                half = 0
                while 2 << half <= i - base:
                    half += 1
                known = i - (1 << half)
                a, b = turns[half, 0, first:end], turns[half, 1, first:end]
                _turned(states[known, :count], states[known, PORTION : PORTION + count], a, b, x, y)
            width = min(WIDTH, frames - i * WIDTH)
            last = i * WIDTH + width
            if i < segments - 1 and (event == events or offset[event] >= last):
                continue
            whole = i - base + width // WIDTH
            if whole:
                _carried(re, im, far[whole, 0, first:end], far[whole, 1, first:end])
            if width < WIDTH:
                _carried(re, im, near[width, 0, first:end], near[width, 1, first:end])
            base = i + 1
            while event < events and offset[event] < last:
                left, row = last - offset[event], segments + event
                u, v = rows[event, 0, first:end], rows[event, 1, first:end]
                c, d = near[left, 0, first:end], near[left, 1, first:end]
                _began(re, im, u, v, c, d, states[row, :count], states[row, PORTION : PORTION + count])
                event += 1
        _products(sums, table, states, used, first, count)
    for p in range(points):
        for i in range(segments):
            for j in range(min(WIDTH, frames - i * WIDTH)):
                sound[p, i * WIDTH + j] = sums[i, p * WIDTH + j]
        for e in range(events):
            begin = offset[e]
            for k in range(begin, min(frames, (begin // WIDTH + 1) * WIDTH)):
                sound[p, k] += sums[segments + e, p * WIDTH + k - begin]


@njit(cache=True)
def put_row(to: Any, at: int, rows: Any, n: int, again: float) -> None:
    """A row among the increments of the block, or on top of the one that is there."""
    for part in range(2):
        for m in range(rows.shape[2]):
            to[at, part, m] = np.float32(again) * to[at, part, m] + rows[n, part, m]
