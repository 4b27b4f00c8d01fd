"""How likely planes are in a band, compiled: waves, made white, and what they have in common with the values.

In: for each row (R,) of explanations a noise that `whiten` makes white, points (P,) of middles, splits and decays.
Out: logarithms of likelihoods (R, P), and the likeliest decays. The formulas are those of `plane_band`, which says
where they come from; points of a row stand side by side, so that one instruction does several.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.compiled import njit

DIRECTIONS: Final = 3  # of the blow between the planes, each as likely: see `plane_band`
_ANGLE: Final = (np.arange(DIRECTIONS) + 0.5) / DIRECTIONS * 0.5 * np.pi  # rad from the upper plane
POWERS: Final = np.stack((np.cos(_ANGLE) ** 2, np.sin(_ANGLE) ** 2))  # (2, K): upper plane's and lower one's
DECAY_SD: Final = 0.7  # of ln decay, of the fitted line's
SETTLED: Final = 0.004  # by which its logarithm still moves: each row by itself, whatever stands beside it
SHORTER: Final = 0.25  # of a step that led to less
SIDE: Final = 18  # points at once
_Room = tuple[Array, Array, Array, Array, Array, Array]
_AS_SUMS_COME: Final = {"reassoc", "contract", "nsz", "arcp"}


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _whitened(share: Array, wave: Array, last: int, own: Array) -> None:
    """To `own` (C,) the sum of the waves (M, C) up to the `last`, each times its share (M,); four at once."""
    m = 0
    while m + 3 <= last:
        a, b, c, d = share[m], share[m + 1], share[m + 2], share[m + 3]
        for k in range(len(own)):
            own[k] += a * wave[m, k] + b * wave[m + 1, k] + c * wave[m + 2, k] + d * wave[m + 3, k]
        m += 4
    while m <= last:
        a = share[m]
        for k in range(len(own)):
            own[k] += a * wave[m, k]
        m += 1


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _seen(turn: Array, whiten: Array, askew: Array, white: Complex, room: _Room) -> None:
    """Of waves that `turn` (2 C) from block to block, real parts before imaginary ones, the upper planes' before
    the lower ones': into the end of the `room` their powers (C), what they have in common with the values (2, C),
    and pairs with each other (2, C / 2).

    `whiten` and `askew` (M, M) are real and imaginary part, `askew` empty where that is zero.
    """
    count = len(turn) // 2
    half = count // 2
    wave, out = room[0], room[3][: 4 * count]
    own, other = room[1][: 2 * count], room[2][: 2 * count]
    x, y = own[:count], own[count:]
    power, told_x, told_y = out[:count], out[count : 2 * count], out[2 * count : 3 * count]
    both_x, both_y = out[3 * count : 3 * count + half], out[3 * count + half :]
    out[:] = 0.0
    wave[0, :count], wave[0, count:] = 1.0, 0.0
    for m in range(1, len(white)):
        for c in range(count):
            wave[m, c] = wave[m - 1, c] * turn[c] - wave[m - 1, count + c] * turn[count + c]
            wave[m, count + c] = wave[m - 1, c] * turn[count + c] + wave[m - 1, count + c] * turn[c]
    for i in range(len(white)):
        own[:] = 0.0
        _whitened(whiten[i], wave, i, own)
        if len(askew):
            other[:] = 0.0
            _whitened(askew[i], wave, i, other)
            for c in range(count):
                x[c] -= other[count + c]
                y[c] += other[c]
        real, imaginary = white[i].real, white[i].imag
        for c in range(count):
            power[c] += x[c] * x[c] + y[c] * y[c]
            told_x[c] += real * x[c] + imaginary * y[c]
            told_y[c] += imaginary * x[c] - real * y[c]
        for c in range(half):
            both_x[c] += x[c] * x[half + c] + y[c] * y[half + c]
            both_y[c] += x[c] * y[half + c] - y[c] * x[half + c]


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _explained(
    first: float, second: float, one: float, other: float, common: float, mixed: float, p: float, q: float
) -> tuple[float, float]:
    """What planes of powers p and q explain of the values, and the determinant that this costs."""
    a, b = 1.0 + p * first, 1.0 + q * second
    det = a * b - p * q * common
    return (p * one * b + q * other * a - p * q * mixed) / det, det


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _by_direction(out: Array, c: int, half: int, likely: Array, dets: Array) -> float:
    """Into `likely` (K,) how likely a pair is, amplitudes integrated, by direction of the blow; over e to the power
    that is given back."""
    first, second = out[c], out[half + c]
    one_x, one_y, other_x, other_y = (
        out[2 * half + c],
        out[4 * half + c],
        out[3 * half + c],
        out[5 * half + c],
    )
    both_x, both_y = out[6 * half + c], out[7 * half + c]
    one, other, common = one_x**2 + one_y**2, other_x**2 + other_y**2, both_x**2 + both_y**2
    # 2 Re(conj(seen one) both seen other)
    mixed = 2.0 * (
        one_x * (both_x * other_x - both_y * other_y) + one_y * (both_x * other_y + both_y * other_x)
    )
    most = 0.0
    for k in range(DIRECTIONS):
        gain, dets[k] = _explained(first, second, one, other, common, mixed, POWERS[0, k], POWERS[1, k])
        likely[k], most = gain, max(most, gain)
    for k in range(DIRECTIONS):
        likely[k] = np.exp(likely[k] - most) / dets[k]
    return most


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _asked(
    rate: Array,
    cosine: Array,
    faster: float,
    step: float,
    whiten: Array,
    askew: Array,
    white: Complex,
    turns: Array,
    room: _Room,
) -> None:
    """`_seen` of points with these decay rates (P,), whose turns without decay are `cosine` (2, 2, P): of real and
    imaginary part, of the upper and lower plane."""
    points = len(rate)
    turn = turns[: 4 * points]
    for p in range(points):
        upper = np.exp(-rate[p] * faster * step)
        lower = upper if faster == 1.0 else np.exp(-rate[p] / faster * step)
        turn[p], turn[2 * points + p] = upper * cosine[0, 0, p], upper * cosine[1, 0, p]
        turn[points + p], turn[3 * points + p] = lower * cosine[0, 1, p], lower * cosine[1, 1, p]
    _seen(turn, whiten, askew, white, room)


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _row(
    log_fall: Array,
    rate: Array,
    cosine: Array,
    faster: float,
    step: float,
    usual: float,
    whiten: Array,
    askew: Array,
    white: Complex,
    offset: float,
    value: Array,
    turns: Array,
    room: _Room,
) -> None:
    """Into `value` (P,) that of points with these decay rates and their logarithms."""
    _asked(rate, cosine, faster, step, whiten, askew, white, turns, room)
    likely = room[4]
    for p in range(len(rate)):
        lean = (log_fall[p] - usual) / DECAY_SD
        most = _by_direction(room[3], p, len(rate), likely, room[5])
        value[p] = most + np.log(np.sum(likely)) - offset - 0.5 * lean * lean


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _turned(middle: Array, split: Array, step: float, cosine: Array) -> None:
    """Into `cosine` (2, 2, P) what undamped waves turn in a step."""
    for p in range(len(middle)):
        upper, lower = (middle[p] + 0.5 * split[p]) * step, (middle[p] - 0.5 * split[p]) * step
        cosine[0, 0, p], cosine[1, 0, p] = np.cos(upper), np.sin(upper)
        cosine[0, 1, p], cosine[1, 1, p] = np.cos(lower), np.sin(lower)


@njit(part=True, nogil=True, error_model="numpy")
def _room(count: int, points: int) -> _Room:
    return (
        np.empty((count, 4 * points)),
        np.empty(4 * points),
        np.empty(4 * points),
        np.empty(8 * points),
        np.empty(DIRECTIONS),
        np.empty(DIRECTIONS),
    )


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def likelihoods(
    middle: Array,
    log_fall: Array,
    split: Array,
    differ: Array,
    step: float,
    usual: float,
    whiten: NDArray[np.float64],
    askew: Array,
    white: Complex,
    offset: Array,
) -> Array:
    """(R, P) of points (R, P): middles and splits in rad/s, ln of decay rates; `differ` (R,) that of the upper over
    the lower. `usual` is ln of the rate that is leaned on, `step` s from block to block."""
    value = np.empty(middle.shape)
    room, cosine, turns = _room(white.shape[1], SIDE), np.empty((2, 2, SIDE)), np.empty(4 * SIDE)
    for r in range(len(middle)):
        for first in range(0, middle.shape[1], SIDE):
            some = slice(first, min(first + SIDE, middle.shape[1]))
            _turned(middle[r, some], split[r, some], step, cosine)
            _row(
                log_fall[r, some], np.exp(log_fall[r, some]), cosine, np.exp(0.5 * differ[r]), step, usual,
                whiten[r], askew[r], white[r], offset[r], value[r, some], turns, room,
            )  # fmt: skip
    return value


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def over_decays(
    middle: Array,
    log_fall: Array,
    split: Array,
    differ: Array,
    step: float,
    usual: float,
    whiten: NDArray[np.float64],
    askew: Array,
    white: Complex,
    offset: Array,
    beside: float,
    rounds: int,
) -> tuple[Array, Array]:
    """ln of the likeliest decay rates (R, P) from `log_fall` on, and the likelihood's logarithm, decays integrated.

    Slopes by what is `beside`. A step by Newton's rule that led to less, as beyond the turn of a slope, is tried
    again shorter.
    """
    points = middle.shape[1]
    twice = 2 * points
    room, cosine, turns = _room(white.shape[1], twice), np.empty((2, 2, twice)), np.empty(4 * twice)
    found, whole, grown = log_fall.copy(), np.empty(middle.shape), np.exp(beside)
    tried, rate, values = np.empty(twice), np.empty(twice), np.empty(twice)
    trust, bend, moved, rates = np.empty(points), np.empty(points), np.empty(points), np.empty(points)
    for r in range(len(middle)):
        faster, at, value = np.exp(0.5 * differ[r]), found[r], whole[r]
        noise = whiten[r], askew[r], white[r], offset[r]
        _turned(middle[r], split[r], step, cosine)
        _turned(middle[r], split[r], step, cosine[:, :, points:])
        for p in range(points):
            trust[p], moved[p], rates[p], value[p] = 1.0, at[p], np.exp(at[p]), -np.inf
        _row(moved, rates, cosine, faster, step, usual, *noise, value, turns, room)
        for _ in range(rounds):
            for p in range(points):
                tried[p], tried[points + p] = at[p] + beside, at[p] - beside
                rate[p], rate[points + p] = rates[p] * grown, rates[p] / grown
            _row(tried, rate, cosine, faster, step, usual, *noise, values, turns, room)
            furthest = 0.0
            for p in range(points):
                up, down = values[p], values[points + p]
                bend[p] = max(1.0, abs(up + down - 2.0 * value[p]) / beside**2)
                move = (up - down) / (2.0 * beside) / bend[p]
                moved[p] = at[p] + trust[p] * min(max(move, -DECAY_SD), DECAY_SD)
                rate[p] = np.exp(moved[p])
                furthest = max(furthest, abs(moved[p] - at[p]))
            _row(moved, rate[:points], cosine, faster, step, usual, *noise, values[:points], turns, room)
            for p in range(points):
                better = values[p] > value[p]
                trust[p] = 1.0 if better else SHORTER * trust[p]
                if better:
                    at[p], value[p], rates[p] = moved[p], values[p], rate[p]
            if furthest < SETTLED:
                break
        for p in range(points):
            value[p] -= 0.5 * np.log(bend[p])
    return found, whole


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def directions(
    middle: Array,
    log_fall: Array,
    split: Array,
    differ: Array,
    step: float,
    whiten: NDArray[np.float64],
    askew: Array,
    white: Complex,
) -> Array:
    """(R, P, K) how likely each direction of the blow is, of points (R, P) as `likelihoods` takes them."""
    points = middle.shape[1]
    share = np.empty((len(middle), points, DIRECTIONS))
    room, cosine, turns = _room(white.shape[1], points), np.empty((2, 2, points)), np.empty(4 * points)
    for r in range(len(middle)):
        _turned(middle[r], split[r], step, cosine)
        faster = np.exp(0.5 * differ[r])
        _asked(np.exp(log_fall[r]), cosine, faster, step, whiten[r], askew[r], white[r], turns, room)
        for p in range(points):
            likely = share[r, p]
            _by_direction(room[3], p, points, likely, room[5])
            likely /= np.sum(likely)
    return share
