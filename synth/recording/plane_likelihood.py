"""How likely planes are in a band, compiled: waves, made white, and what they have in common with the values.

In: a noise that `whiten` makes white, points (P,) of middles, splits and decays. Out: logarithms of likelihoods
(P,). All are parts of `plane_zoom`. The formulas are those of `plane_band`, which says where they come from; points
stand side by side, so that one instruction does several.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array, Complex, Indices
from synth.compiled import njit

BLOWS: Final = 3  # of the blow between the planes, each as likely: see `plane_band`
_ANGLE: Final = (np.arange(BLOWS) + 0.5) / BLOWS * 0.5 * np.pi  # rad from the upper plane
POWERS: Final = np.stack((np.cos(_ANGLE) ** 2, np.sin(_ANGLE) ** 2))  # (2, K): upper plane's and lower one's
DECAY_SD: Final = 0.7  # of ln decay, of the fitted line's
TOGETHER: Final = 4  # rows of a triangle that are worked out at once, and columns
Room = tuple[Array, Array, Array, Array, Array, Array]
AS_SUMS_COME: Final = {"reassoc", "contract", "nsz", "arcp"}


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def _waves(turn: Array, wave: Array) -> None:
    """Into `wave` (M, 2 C) waves that `turn` (2 C) from block to block, real parts before imaginary ones."""
    count = len(turn) // 2
    for c in range(count):
        wave[0, c], wave[0, count + c] = 1.0, 0.0
    for m in range(0, len(wave), TOGETHER):
        for c in range(count):
            x, y = wave[m, c], wave[m, count + c]
            a, b = turn[c], turn[count + c]
            x, y = x * a - y * b, x * b + y * a
            wave[m + 1, c], wave[m + 1, count + c] = x, y
            x, y = x * a - y * b, x * b + y * a
            wave[m + 2, c], wave[m + 2, count + c] = x, y
            x, y = x * a - y * b, x * b + y * a
            wave[m + 3, c], wave[m + 3, count + c] = x, y
            if m + TOGETHER < len(wave):
                wave[m + 4, c], wave[m + 4, count + c] = x * a - y * b, x * b + y * a


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def _whitened(whiten: Array, wave: Array, first: int, own: Array) -> None:
    """Into `own` (4, C) four rows from the `first` on of the waves (M, C) that the triangle `whiten` (M, M) makes
    white."""
    own[:] = 0.0
    i = first
    for m in range(0, first + TOGETHER, TOGETHER):
        a0, a1, a2, a3 = whiten[i, m], whiten[i, m + 1], whiten[i, m + 2], whiten[i, m + 3]
        b0, b1, b2, b3 = whiten[i + 1, m], whiten[i + 1, m + 1], whiten[i + 1, m + 2], whiten[i + 1, m + 3]
        c0, c1, c2, c3 = whiten[i + 2, m], whiten[i + 2, m + 1], whiten[i + 2, m + 2], whiten[i + 2, m + 3]
        d0, d1, d2, d3 = whiten[i + 3, m], whiten[i + 3, m + 1], whiten[i + 3, m + 2], whiten[i + 3, m + 3]
        for k in range(own.shape[1]):
            p, q, r, s = wave[m, k], wave[m + 1, k], wave[m + 2, k], wave[m + 3, k]
            own[0, k] += a0 * p + a1 * q + a2 * r + a3 * s
            own[1, k] += b0 * p + b1 * q + b2 * r + b3 * s
            own[2, k] += c0 * p + c1 * q + c2 * r + c3 * s
            own[3, k] += d0 * p + d1 * q + d2 * r + d3 * s


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def _seen(turn: Array, whiten: Array, askew: Array, white: Complex, room: Room) -> None:
    """Of waves that `turn` (2 C) from block to block, real parts before imaginary ones, the upper planes' before
    the lower ones': into the end of the `room` their powers (C), what they have in common with the values (2, C),
    and pairs with each other (2, C / 2).

    `whiten` and `askew` (M, M) are real and imaginary part, `askew` empty where that is zero; M is a multiple of
    `TOGETHER`.
    """
    count = len(turn) // 2
    half = count // 2
    size = TOGETHER * 2 * count
    wave, out = room[0][: len(white) * 2 * count].reshape((len(white), 2 * count)), room[3][: 4 * count]
    own, other = (
        room[1][:size].reshape((TOGETHER, 2 * count)),
        room[2][:size].reshape((TOGETHER, 2 * count)),
    )
    out[:] = 0.0
    _waves(turn, wave)
    for first in range(0, len(white), TOGETHER):
        _whitened(whiten, wave, first, own)
        if len(askew):
            _whitened(askew, wave, first, other)
            for i in range(TOGETHER):
                for c in range(count):
                    own[i, c] -= other[i, count + c]
                    own[i, count + c] += other[i, c]
        u0, u1, u2, u3 = (
            white[first].real,
            white[first + 1].real,
            white[first + 2].real,
            white[first + 3].real,
        )
        v0, v1, v2, v3 = (
            white[first].imag,
            white[first + 1].imag,
            white[first + 2].imag,
            white[first + 3].imag,
        )
        for c in range(count):
            d = count + c
            x0, x1, x2, x3 = own[0, c], own[1, c], own[2, c], own[3, c]
            y0, y1, y2, y3 = own[0, d], own[1, d], own[2, d], own[3, d]
            out[c] += x0 * x0 + x1 * x1 + x2 * x2 + x3 * x3 + y0 * y0 + y1 * y1 + y2 * y2 + y3 * y3
            out[d] += u0 * x0 + u1 * x1 + u2 * x2 + u3 * x3 + v0 * y0 + v1 * y1 + v2 * y2 + v3 * y3
            out[count + d] += v0 * x0 + v1 * x1 + v2 * x2 + v3 * x3 - u0 * y0 - u1 * y1 - u2 * y2 - u3 * y3
        for c in range(half):
            both_x, both_y = 0.0, 0.0
            for i in range(TOGETHER):
                x, y, u, v = own[i, c], own[i, count + c], own[i, half + c], own[i, count + half + c]
                both_x += x * u + y * v
                both_y += x * v - y * u
            out[3 * count + c] += both_x
            out[3 * count + half + c] += both_y


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def _by_direction(out: Array, likely: Array, most: Array) -> None:
    """Into `likely` (K, Q) how likely pairs are, amplitudes integrated, by direction of the blow, over e to the
    power that is told in `most` (Q,); `out` is what `_seen` tells of so many pairs."""
    half = likely.shape[1]
    most[:] = 0.0
    for k in range(BLOWS):
        p, q = POWERS[0, k], POWERS[1, k]
        for c in range(half):
            first, second = out[c], out[half + c]
            one_x, one_y, other_x, other_y = (
                out[2 * half + c],
                out[4 * half + c],
                out[3 * half + c],
                out[5 * half + c],
            )
            both_x, both_y = out[6 * half + c], out[7 * half + c]
            one, other = one_x * one_x + one_y * one_y, other_x * other_x + other_y * other_y
            common = both_x * both_x + both_y * both_y
            # 2 Re(conj(seen one) both seen other)
            mixed = 2.0 * (
                one_x * (both_x * other_x - both_y * other_y) + one_y * (both_x * other_y + both_y * other_x)
            )
            a, b = 1.0 + p * first, 1.0 + q * second
            cost = 1.0 / (a * b - p * q * common)
            gain = (p * one * b + q * other * a - p * q * mixed) * cost
            likely[k, c], out[8 * half + k * half + c] = gain, cost
            most[c] = max(most[c], gain)
    for k in range(BLOWS):
        for c in range(half):
            likely[k, c] = np.exp(likely[k, c] - most[c]) * out[(8 + k) * half + c]


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def _points_seen(
    rate: Array,
    point: Indices,
    turned: Array,
    faster: float,
    step: float,
    noise: tuple[Array, Array, Complex, float],
    room: Room,
) -> None:
    """`_seen` of some points (Q,) with these decay rates: which they are of those whose turns without decay are
    `turned` (4, P)."""
    points = len(rate)
    turn = room[5][: 4 * points]
    for p in range(points):
        upper = np.exp(-rate[p] * faster * step)
        lower = upper if faster == 1.0 else np.exp(-rate[p] / faster * step)
        at = point[p]
        turn[p], turn[2 * points + p] = upper * turned[0, at], upper * turned[1, at]
        turn[points + p], turn[3 * points + p] = lower * turned[2, at], lower * turned[3, at]
    _seen(turn, noise[0], noise[1], noise[2], room)


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def points_likely(
    log_fall: Array,
    rate: Array,
    point: Indices,
    turned: Array,
    faster: float,
    step: float,
    usual: float,
    noise: tuple[Array, Array, Complex, float],
    value: Array,
    room: Room,
) -> None:
    """Into `value` (Q,) that of points with these decay rates and their logarithms, and into the `room` (K, Q) how
    likely each direction of the blow is, relative to the others."""
    _points_seen(rate, point, turned, faster, step, noise, room)
    points = len(rate)
    likely = room[4][: BLOWS * points].reshape((BLOWS, points))
    _by_direction(room[3], likely, value)
    for p in range(points):
        lean, whole = (log_fall[p] - usual) / DECAY_SD, 0.0
        for k in range(BLOWS):
            whole += likely[k, p]
        value[p] += np.log(whole) - noise[3] - 0.5 * lean * lean


@njit(part=True, nogil=True, error_model="numpy", fastmath=AS_SUMS_COME)
def turned_without_decay(middle: Array, split: Array, step: float, turned: Array) -> None:
    """Into `turned` (4, P) what undamped waves turn in a step: real and imaginary part of the upper plane's, and of
    the lower one's."""
    for p in range(len(middle)):
        upper, lower = (middle[p] + 0.5 * split[p]) * step, (middle[p] - 0.5 * split[p]) * step
        turned[0, p], turned[1, p] = np.cos(upper), np.sin(upper)
        turned[2, p], turned[3, p] = np.cos(lower), np.sin(lower)


@njit(part=True, nogil=True, error_model="numpy")
def working_room(count: int, points: int) -> Room:
    """For so many blocks, and points at once."""
    return (
        np.empty(count * 4 * points),
        np.empty(TOGETHER * 4 * points),
        np.empty(TOGETHER * 4 * points),
        np.empty((8 + BLOWS) * points),
        np.empty(BLOWS * points),
        np.empty(4 * points),
    )
