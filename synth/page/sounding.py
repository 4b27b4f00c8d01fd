"""Force to sound a short block at a time, compiled: `synth.sound.drive` and `livebank` for a page.

In: the force's history from the contact, a bank's poles, a radiator's weights. Out: contact signals. The equations
are those of `synth.sound.drive`, with the block of audio as the chunk; complex numbers are two rows, real parts
first. What is made once (`tables`, `weigh`, `driven`, `answers`) keeps single precision, states keep double.

    strokes -> spread -> grid of half frames -> hear    the block, REACH frames before and after it
                                             -> leave   the state that it leaves at its end -> ring

Shapes: M modes, P contact signals, S slots (an input of a bank), G half frames, J offsets within REACH, W frames.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np

from synth.page.approach import Tines, below, turn_to
from synth.playing.contact.compiled import cached_jit, inlined
from synth.playing.contact.layout import H_BIN, H_TINE
from synth.sound.bandlimit import BETA, REACH, SPREAD

SILENT: Final = 1e-24  # of a state: far below hearing, far above numbers that processors are slow with


class Body(NamedTuple):
    """How tines move in the modes of one bank."""

    dof: Any  # (R, 2, N) rows of `vectors`, -1 for none
    vectors: Any  # (V, 2, M), the bar's first
    base: Any  # (R, 6, B) the bar's motion at the tines' places, displacement and turning
    reach: Any  # (2, R, 2, 6) the tip along and across the row from it; what a metre below the tip adds
    axis: Any  # (R,)
    force: Any  # (R, 6, 2, N) of partials on the base's motion
    partial: Any  # (R, 2, N) Hz


@cached_jit
def windows(node: Any, share_of_node: Any, weights: Any, past: Any, share: Any, low: Any) -> None:
    """What `bandlimit` knows: weights on half frames (F + 1, SPREAD), moments and shares of its integral, low-pass.

    `node` and `share_of_node` (K,) are Gauss and Legendre's on -1 to 1; past (N,), share (J, N), low (J,).
    """
    for f in range(weights.shape[0]):
        for j in range(weights.shape[1]):
            distance = j - (SPREAD // 2 - 1) - f / (weights.shape[0] - 1)
            weights[f, j] = sinc(distance) * window(distance / (SPREAD // 2))
    for n in range(past.shape[0]):
        past[n] = 0.5 * (n // node.shape[0]) + 0.25 * (node[n % node.shape[0]] + 1.0)
    for j in range(low.shape[0]):
        offset = 0.5 * j - REACH
        low[j] = sinc(offset) * window(offset / REACH)
        for n in range(past.shape[0]):
            distance = offset - past[n]
            weight = 0.25 * share_of_node[n % node.shape[0]]
            share[j, n] = weight * sinc(distance) * window(distance / REACH)


@inlined
def sinc(x: float) -> float:
    return math.sin(math.pi * x) / (math.pi * x) if x != 0.0 else 1.0


@inlined
def window(x: float) -> float:
    """Kaiser's, 0 beyond 1."""
    return bessel(BETA * math.sqrt(1.0 - x * x)) / bessel(BETA) if abs(x) <= 1.0 else 0.0


@inlined
def bessel(x: float) -> float:
    """I_0 by its series (Abramowitz and Stegun 9.6.12): 40 terms are all of it up to BETA."""
    total = 1.0
    term = 1.0
    for k in range(1, 41):
        term *= (0.5 * x / k) ** 2
        total += term
    return total


@cached_jit
def tables(
    pole: Any, rate: float, past: Any, share: Any, ring: Any, turns: Any, step: Any, limited: Any
) -> None:
    """Powers of every mode's turn: by half frames (G + 1, 2, M), by frames (W + 1, 2, M); low-passed (J, 2, M).

    `past` (N,) frames and `share` (J, N) are those of `bandlimit`; `ring` (2, N) is scratch.
    """
    for m in range(pole.shape[1]):
        for g in range(turns.shape[0]):
            x, y = power(pole, m, 0.5 * g / rate)
            turns[g, 0, m] = x
            turns[g, 1, m] = y
        for n in range(step.shape[0]):
            x, y = power(pole, m, n / rate)
            step[n, 0, m] = x
            step[n, 1, m] = y
        for n in range(past.shape[0]):
            x, y = power(pole, m, past[n] / rate)
            ring[0, n] = x
            ring[1, n] = y
        for j in range(share.shape[0]):
            x = 0.0
            y = 0.0
            for n in range(past.shape[0]):
                x += share[j, n] * ring[0, n]
                y += share[j, n] * ring[1, n]
            limited[j, 0, m] = x
            limited[j, 1, m] = y


@inlined
def power(pole: Any, m: int, time: float) -> Any:
    fade = math.exp(pole[0, m] * time)
    return fade * math.cos(pole[1, m] * time), fade * math.sin(pole[1, m] * time)


@cached_jit
def weigh(step: Any, weights: Any, table: Any) -> None:
    """From a state to the W frames that follow it (M, 2, P W), for weights (P, 2, M)."""
    width = step.shape[0] - 1
    for m in range(weights.shape[2]):
        for p in range(weights.shape[0]):
            for n in range(width):
                a = step[n, 0, m]
                b = step[n, 1, m]
                table[m, 0, p * width + n] = weights[p, 0, m] * a - weights[p, 1, m] * b
                table[m, 1, p * width + n] = -(weights[p, 0, m] * b + weights[p, 1, m] * a)


@cached_jit
def driven(tines: Tines, body: Body, pole: Any, r: int, depth: float, slot: int, drives: Any) -> None:
    """What 1 N s along and across the row, so far below tine r's tip, adds to the modes: two slots of (S, 2, M)."""
    planes = body.dof.shape[1]
    cos = math.cos(body.axis[r])
    sin = math.sin(body.axis[r])
    for x in range(2):
        for m in range(pole.shape[1]):
            drives[slot + x, 0, m] = 0.0
            drives[slot + x, 1, m] = 0.0
        for b in range(body.base.shape[2]):
            moved = 0.0
            for k in range(6):
                moved += (body.reach[0, r, x, k] + depth * body.reach[1, r, x, k]) * body.base[r, k, b]
            add_row(drives, slot + x, body.vectors, b, moved)
        for plane in range(planes):
            turn = cos if plane == x else (sin if x == 1 else -sin)
            for k in range(body.dof.shape[2]):
                if body.dof[r, plane, k] >= 0:
                    shape, _ = below(tines, r, k, depth)
                    add_row(drives, slot + x, body.vectors, body.dof[r, plane, k], turn * shape)
        for m in range(pole.shape[1]):  # b = -j psi / Im s
            re = drives[slot + x, 0, m]
            drives[slot + x, 0, m] = drives[slot + x, 1, m] / pole[1, m]
            drives[slot + x, 1, m] = -re / pole[1, m]


@inlined
def add_row(to: Any, at: int, rows: Any, row: int, factor: float) -> None:
    for m in range(rows.shape[2]):
        to[at, 0, m] += factor * rows[row, 0, m]
        to[at, 1, m] += factor * rows[row, 1, m]


@cached_jit
def answers(
    pole: Any,
    rate: float,
    weights: Any,
    immediate: int,
    low_pass: Any,
    limited: Any,
    turns: Any,
    drives: Any,
    slot: int,
    heard: Any,
    within: Any,
    beyond: Any,
) -> None:
    """What is heard of 1 N s on a slot: within the block (S, P, 2, F) and after it (S, P, 2, J / 2), by parity.

    Value i of parity b stands 2 i + b - 2 REACH half frames after the impulse. `low_pass` (J,), `heard` (2, M).
    """
    offsets = limited.shape[0]
    middle = offsets // 2
    for p in range(weights.shape[0]):
        at_once = 0.0
        for m in range(pole.shape[1]):
            x = drives[slot, 0, m] * weights[p, 0, m] - drives[slot, 1, m] * weights[p, 1, m]
            y = drives[slot, 0, m] * weights[p, 1, m] + drives[slot, 1, m] * weights[p, 0, m]
            heard[0, m] = x
            heard[1, m] = y
            at_once += (x * pole[0, m] + y * pole[1, m]) / (pole[0, m] ** 2 + pole[1, m] ** 2)
        for o in range(middle + turns.shape[0] - 1):
            after = sounded(heard, turns, o - middle) if o >= middle else 0.0
            near = after
            if o < offsets:
                near = sounded(heard, limited, o)
                if immediate != 0:
                    near += rate * at_once * low_pass[o]
                beyond[slot, p, o % 2, o // 2] = near - after
            within[slot, p, o % 2, o // 2] = near


@inlined
def sounded(heard: Any, turns: Any, n: int) -> float:
    total = 0.0
    for m in range(heard.shape[1]):
        total += heard[0, m] * turns[n, 0, m] - heard[1, m] * turns[n, 1, m]
    return total


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

    Inputs are each tine's two directions, as `stroke_contact._trace` turns them, then the stick's own two, `line`
    (2, 3), along the row, across it and up.
    """
    lost = 0
    tines = axis.shape[0]
    for h in range(used):
        i = int(history[h, H_TINE])
        cos = math.cos(axis[i])
        sin = math.sin(axis[i])
        along = history[h, 2] * cos - history[h, 3] * sin
        across = history[h, 2] * sin + history[h, 3] * cos
        up = history[h, 7]
        point = (start + history[h, H_BIN] * step) * 2.0 * rate - origin
        floor = math.floor(point)
        first = int(floor) - (weights.shape[1] // 2 - 1)
        if first < 0 or first + weights.shape[1] > grid.shape[1]:
            lost += 1
            continue
        place = (point - floor) * (weights.shape[0] - 1)
        row = min(int(place), weights.shape[0] - 2)
        share = place - row
        turn_x = history[h, 4] * cos - history[h, 5] * sin
        turn_y = history[h, 4] * sin + history[h, 5] * cos
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


@cached_jit
def line_weights(
    pole: Any,
    thickness: Any,
    residue: Any,
    strength: Any,
    point: Any,
    directions: Any,
    ears: Any,
    sound_speed: float,
    nearest: float,
    weights: Any,
) -> None:
    """The stick's own sound, `radiator.stick.stick_weights`, without tables: weights (2, C, 2, L).

    pole (2, L), thickness (2, L), residue (L, 2, K), strength (K,) air density times volume, kg; point (K, 3);
    directions (2, 3); ears (C, 3).
    """
    for d in range(2):
        for c in range(ears.shape[0]):
            for m in range(pole.shape[1]):
                wave = abs(pole[1, m]) / sound_speed
                x = 0.0
                y = 0.0
                for k in range(point.shape[0]):
                    ax = ears[c, 0] - point[k, 0]
                    ay = ears[c, 1] - point[k, 1]
                    az = ears[c, 2] - point[k, 2]
                    away = math.sqrt(ax * ax + ay * ay + az * az)
                    toward = (ax * directions[d, 0] + ay * directions[d, 1] + az * directions[d, 2]) / away
                    size = strength[k] * toward / (4.0 * math.pi * away)
                    co = math.cos(wave * (away - nearest))
                    si = -math.sin(wave * (away - nearest))
                    # (jk + 1/R) exp(-jk (R - nearest))
                    gx = size * (co / away - wave * si)
                    gy = size * (si / away + wave * co)
                    x += gx * residue[m, 0, k] - gy * residue[m, 1, k]
                    y += gx * residue[m, 1, k] + gy * residue[m, 0, k]
                x, y = x * thickness[0, m] - y * thickness[1, m], x * thickness[1, m] + y * thickness[0, m]
                sx = pole[0, m] ** 2 - pole[1, m] ** 2
                sy = 2.0 * pole[0, m] * pole[1, m]
                weights[d, c, 0, m] = x * sx - y * sy
                weights[d, c, 1, m] = x * sy + y * sx


@cached_jit
def gathered(body: Body, pole: Any, r: int, momenta: Any) -> None:
    """The momentum of tine r's partials in every mode, soft as in `modal_projection`: rows of momenta (V, 2, M)."""
    for plane in range(2):
        for k in range(body.dof.shape[2]):
            v = body.dof[r, plane, k]
            if v < 0:
                continue
            for m in range(pole.shape[1]):
                momenta[v, 0, m] = body.vectors[v, 0, m]
                momenta[v, 1, m] = body.vectors[v, 1, m]
            for b in range(body.base.shape[2]):
                moved = 0.0
                for j in range(6):
                    moved += body.force[r, j, plane, k] * body.base[r, j, b]
                add_row(momenta, v, body.vectors, b, moved)
            omega = 2.0 * math.pi * body.partial[r, plane, k]
            for m in range(pole.shape[1]):
                x = max((pole[1, m] / omega) ** 2, 1.0)
                slow = x / (x * x - x + 1.0)
                momenta[v, 0, m] *= slow
                momenta[v, 1, m] *= slow


@cached_jit
def quietened(
    body: Body, pole: Any, r: int, per_hz: float, flat: float, turned: Any, momenta: Any, amplitude: Any
) -> None:
    """What a palm or a resting stick takes of tine r's ring, added to amplitude (2, M), as `modal_projection` does.

    From each partial expm1(-(per_hz f + flat)) of it. `turned` (4, M): amplitudes a now, and s a.
    """
    for plane in range(2):
        for k in range(body.dof.shape[2]):
            v = body.dof[r, plane, k]
            if v < 0:
                continue
            q = 0.0
            p = 0.0
            for m in range(pole.shape[1]):
                q += body.vectors[v, 0, m] * turned[0, m] - body.vectors[v, 1, m] * turned[1, m]
                p += body.vectors[v, 0, m] * turned[2, m] - body.vectors[v, 1, m] * turned[3, m]
            share = math.expm1(-(per_hz * body.partial[r, plane, k] + flat))
            q *= share
            p *= share
            for m in range(pole.shape[1]):
                up = -(p - pole[0, m] * q) / pole[1, m]
                amplitude[0, m] += momenta[v, 0, m] * q - momenta[v, 1, m] * up
                amplitude[1, m] += momenta[v, 0, m] * up + momenta[v, 1, m] * q


@cached_jit
def turned_to(pole: Any, amplitude: Any, time: float, turned: Any) -> None:
    """Amplitudes a (2, M) after a time, and s a: `turned` (4, M)."""
    turn_to(pole, amplitude, time, turned)


@cached_jit
def swings(dof: Any, vectors: Any, amplitude: Any, swing: Any) -> None:
    """How far the first partial of every tine swings in its planes, modal: swing (R, 2), for the picture."""
    for r in range(dof.shape[0]):
        for plane in range(2):
            v = dof[r, plane, 0]
            x = 0.0
            y = 0.0
            if v >= 0:
                for m in range(amplitude.shape[1]):
                    x += vectors[v, 0, m] * amplitude[0, m] - vectors[v, 1, m] * amplitude[1, m]
                    y += vectors[v, 0, m] * amplitude[1, m] + vectors[v, 1, m] * amplitude[0, m]
            swing[r, plane] = math.sqrt(x * x + y * y)
