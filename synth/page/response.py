"""What is made once, compiled: how forces drive the modes of a bank, and how that will be heard.

In: a bank's poles and shapes, a radiator's weights. Out: tables for `synth.page.sounding`, by the equations of
`synth.sound.drive`. Complex numbers are two rows, real parts first; tables keep single precision.

Shapes: M modes, P contact signals, S slots (an input of a bank), G half frames of a block, J offsets within REACH.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

from synth.page.approach import Tines, below
from synth.playing.contact.compiled import cached_jit, inlined
from synth.sound.bandlimit import BETA, REACH, SPREAD


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
