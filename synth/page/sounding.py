"""Force to sound a short block at a time, compiled: `synth.sound.drive` and a bank for a page.

In: the force's history from the contact, tables of `synth.page.response`. Out: contact signals, and sound that is
filtered and guarded. The block of audio is the drive's chunk; states keep double precision.

    strokes -> spread -> grid of half frames -> hear    the block, REACH frames before and after it
                                             -> leave   the state that it leaves at its end -> ring

Shapes: M modes, P contact signals, Q inputs of a stroke, S slots of a bank, G half frames, W frames.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from synth.playing.contact.compiled import cached_jit, inlined
from synth.playing.contact.layout import H_BIN, H_IMPULSE, H_TINE, H_TURNING, H_UP

SILENT: Final = 1e-24  # of a state: far below hearing, far above numbers that processors are slow with
X, Y = H_IMPULSE.start, H_IMPULSE.start + 1
TURN_X, TURN_Y = H_TURNING.start, H_TURNING.start + 1


@cached_jit
def spread(
    history: Any,
    used: int,
    axis: Any,
    lever: Any,
    line: Any,
    start: float,
    step: float,
    rate: float,
    origin: float,
    weights: Any,
    grid: Any,
) -> int:
    """Adds bins of force to grid (2 T + 2, G), from half frame `origin` on; how many rows fell outside.

    Inputs are each tine's two directions, as `traced.traced` turns them, then the stick's own two, `line`
    (2, 3), along the row, across it and up.
    """
    lost = 0
    tines = axis.shape[0]
    for h in range(used):
        i = int(history[h, H_TINE])
        cos = math.cos(axis[i])
        sin = math.sin(axis[i])
        along = history[h, X] * cos - history[h, Y] * sin
        across = history[h, X] * sin + history[h, Y] * cos
        up = history[h, H_UP]
        point = (start + history[h, H_BIN] * step) * 2.0 * rate - origin
        floor = math.floor(point)
        first = int(floor) - (weights.shape[1] // 2 - 1)
        if first < 0 or first + weights.shape[1] > grid.shape[1]:
            lost += 1
            continue
        place = (point - floor) * (weights.shape[0] - 1)
        row = min(int(place), weights.shape[0] - 2)
        share = place - row
        turn_x = history[h, TURN_X] * cos - history[h, TURN_Y] * sin
        turn_y = history[h, TURN_X] * sin + history[h, TURN_Y] * cos
        down = -(line[0, 0] * along + line[0, 1] * across + line[0, 2] * up)
        sideways = -(line[1, 0] * along + line[1, 1] * across + line[1, 2] * up)
        for j in range(weights.shape[1]):
            w = weights[row, j] + share * (weights[row + 1, j] - weights[row, j])
            grid[2 * i, first + j] += w * (along + lever[i] * turn_x)
            grid[2 * i + 1, first + j] += w * (across + lever[i] * turn_y)
            grid[2 * tines, first + j] += w * down
            grid[2 * tines + 1, first + j] += w * sideways
    return lost


@cached_jit
def touched(grid: Any, size: int, loud: Any) -> int:
    """Which inputs (Q,) have a force on the first `size` half frames: marked in `loud`; how many."""
    count = 0
    for q in range(grid.shape[0]):
        loud[q] = 0
        for g in range(size):
            if grid[q, g] != 0.0:
                loud[q] = 1
        count += loud[q]
    return count


@cached_jit
def shift(grid: Any, size: int) -> None:
    """The first `size` half frames are done with."""
    for q in range(grid.shape[0]):
        for g in range(grid.shape[1] - size):
            grid[q, g] = grid[q, g + size]
        for g in range(grid.shape[1] - size, grid.shape[1]):
            grid[q, g] = 0.0


@cached_jit
def leave(
    grid: Any, first: int, count: int, loud: Any, slots: Any, turns: Any, drives: Any, left: Any, state: Any
) -> None:
    """Adds to state (2, M) what inputs `first` on leave at the block's end; `slots` (Q,), `left` (2, M) scratch."""
    size = turns.shape[0] - 1
    modes = turns.shape[2]
    for q in range(first, first + count):
        if loud[q] == 0:
            continue
        for m in range(modes):
            left[0, m] = 0.0
            left[1, m] = 0.0
        for g in range(0, size, 4):
            a = grid[q, g]
            b = grid[q, g + 1]
            c = grid[q, g + 2]
            d = grid[q, g + 3]
            if a == 0.0 and b == 0.0 and c == 0.0 and d == 0.0:
                continue
            for part in range(2):
                gather(left, turns, part, size - g, single(a), single(b), single(c), single(d))
        for m in range(modes):
            x = drives[slots[q], 0, m]
            y = drives[slots[q], 1, m]
            state[0, m] += x * left[0, m] - y * left[1, m]
            state[1, m] += x * left[1, m] + y * left[0, m]


@inlined
def single(value: float) -> Any:
    return np.float32(value)


@inlined
def gather(left: Any, turns: Any, part: int, at: int, a: float, b: float, c: float, d: float) -> None:
    for m in range(left.shape[1]):
        left[part, m] += (
            a * turns[at, part, m]
            + b * turns[at - 1, part, m]
            + c * turns[at - 2, part, m]
            + d * turns[at - 3, part, m]
        )


@cached_jit
def hear(
    grid: Any,
    first: int,
    count: int,
    size: int,
    loud: Any,
    slots: Any,
    reach: int,
    within: Any,
    beyond: Any,
    out: Any,
) -> None:
    """Adds to out (P, reach + size / 2 + reach), from `reach` frames before the block on, what is heard of it."""
    frames = size // 2
    for q in range(first, first + count):
        if loud[q] == 0:
            continue
        s = slots[q]
        for g in range(size):
            push = grid[q, g]
            if push == 0.0:
                continue
            # frame n of out lies 2 (n - reach) - g half frames after the impulse; of odd g the odd ones are met
            odd = g % 2
            begin = (g + odd) // 2  # of out, value 0 of this parity
            for p in range(out.shape[0]):
                for n in range(begin, reach + frames):
                    out[p, n] += push * within[s, p, odd, n - begin]
                for n in range(reach + frames, min(begin + beyond.shape[3], out.shape[1])):
                    out[p, n] += push * beyond[s, p, odd, n - begin]


@cached_jit
def ring(state: Any, step: Any, table: Any, first: int, count: int, total: Any, out: Any) -> None:
    """Adds frames `first` to `first + count` of what rings to out (P, n), and moves state (2, M) there.

    `total` (segments, P W) single is scratch.
    """
    width = step.shape[0] - 1
    segments = (count + width - 1) // width
    for i in range(segments):
        for j in range(total.shape[1]):
            total[i, j] = 0.0
    for m in range(state.shape[1]):
        x = state[0, m]
        y = state[1, m]
        if abs(x) + abs(y) < SILENT:
            state[0, m] = 0.0
            state[1, m] = 0.0
            continue
        for i in range(segments):
            lay_on(total, i, table, m, single(x), single(y))
            n = min(width, count - i * width)
            a = step[n, 0, m]
            b = step[n, 1, m]
            later = x * a - y * b
            y = x * b + y * a
            x = later
        state[0, m] = x
        state[1, m] = y
    for p in range(out.shape[0]):
        for i in range(segments):
            for n in range(min(width, count - i * width)):
                out[p, first + i * width + n] += total[i, p * width + n]


@inlined
def lay_on(total: Any, i: int, table: Any, m: int, x: float, y: float) -> None:
    for j in range(total.shape[1]):
        total[i, j] += x * table[m, 0, j] + y * table[m, 1, j]


@cached_jit
def advance(state: Any, step: Any, count: int) -> None:
    """The same in silence."""
    width = step.shape[0] - 1
    left = count
    while left > 0:
        n = min(width, left)
        for m in range(state.shape[1]):
            x = state[0, m]
            y = state[1, m]
            state[0, m] = x * step[n, 0, m] - y * step[n, 1, m]
            state[1, m] = x * step[n, 1, m] + y * step[n, 0, m]
        left -= n


@cached_jit
def filtered(sections: Any, memory: Any, sound: Any) -> None:
    """Second-order sections (K, 6), a_0 = 1, over every row of sound (C, n), in place; memory (C, K, 2)."""
    for c in range(sound.shape[0]):
        for k in range(sections.shape[0]):
            z0 = memory[c, k, 0]
            z1 = memory[c, k, 1]
            for n in range(sound.shape[1]):
                x = sound[c, n]
                y = sections[k, 0] * x + z0
                z0 = sections[k, 1] * x - sections[k, 4] * y + z1
                z1 = sections[k, 2] * x - sections[k, 5] * y
                sound[c, n] = y
            memory[c, k, 0] = z0 if abs(z0) > SILENT else 0.0
            memory[c, k, 1] = z1 if abs(z1) > SILENT else 0.0


@cached_jit
def limited(sound: Any, memory: Any, ceiling: float, attack: float, release: float, gain: Any) -> None:
    """`synth.sound.limiter`, in place; memory is the gain in dB and the most it took, `gain` (n,) scratch."""
    frames = sound.shape[1]
    peak = 0.0
    finite = True
    for n in range(frames):
        height = 0.0
        for c in range(sound.shape[0]):
            finite = finite and abs(sound[c, n]) < math.inf
            height = max(height, abs(sound[c, n]))
        gain[n] = -20.0 * math.log10(max(height / ceiling, 1.0))
        peak = max(peak, height)
    if not finite:
        for c in range(sound.shape[0]):
            for n in range(frames):
                sound[c, n] = 0.0
        return
    if peak <= ceiling and memory[0] >= 0.0:
        return
    for n in range(frames - 2, -1, -1):
        gain[n] = min(gain[n], gain[n + 1] + attack)
    before = memory[0]
    for n in range(frames):
        gain[n] = min(gain[n], before + release)
        before = gain[n]
        memory[1] = max(memory[1], -before)
        factor = 10.0 ** (before / 20.0)
        for c in range(sound.shape[0]):
            sound[c, n] = min(max(sound[c, n] * factor, -ceiling), ceiling)
    memory[0] = before
