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

WEAK: Final = (
    0.04  # of the louder plane's power, which a plane that is hardly tapped has; else both have alike
)
DECAY_SD: Final = 0.7  # of ln decay, of the fitted line's
SETTLED: Final = 0.02  # by which its logarithm still moves
SHORTER: Final = 0.25  # of a step that led to less
SIDE: Final = 18  # points at once
_AS_SUMS_COME: Final = {"reassoc", "contract", "nsz", "arcp"}


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _seen(
    turn: Array, count: int, whiten: Array, askew: Array, white: Complex, wave: Array, own: Array, out: Array
) -> None:
    """Of waves whose `turn` (2, C) from block to block has a real and an imaginary part, the upper planes' in the
    first half: into `out` their powers (C), what pairs have in common (2, C / 2) and with the values (2, C).

    `whiten` and `askew` (M, M) are real and imaginary part, `askew` empty where that is zero.
    """
    half = count // 2
    power, both, told = out[0], out[1:3], out[3:5]
    out[:, :count] = 0.0
    wave[0, 0, :count], wave[0, 1, :count] = 1.0, 0.0
    for m in range(1, len(white)):
        for c in range(count):
            wave[m, 0, c] = wave[m - 1, 0, c] * turn[0, c] - wave[m - 1, 1, c] * turn[1, c]
            wave[m, 1, c] = wave[m - 1, 0, c] * turn[1, c] + wave[m - 1, 1, c] * turn[0, c]
    for i in range(len(white)):
        own[:, :count] = 0.0
        for m in range(i + 1):
            share = whiten[i, m]
            for c in range(count):
                own[0, c] += share * wave[m, 0, c]
                own[1, c] += share * wave[m, 1, c]
        for m in range(min(len(askew), i + 1)):
            share = askew[i, m]
            for c in range(count):
                own[0, c] -= share * wave[m, 1, c]
                own[1, c] += share * wave[m, 0, c]
        real, imaginary = white[i].real, white[i].imag
        for c in range(count):
            power[c] += own[0, c] * own[0, c] + own[1, c] * own[1, c]
            told[0, c] += real * own[0, c] + imaginary * own[1, c]
            told[1, c] += imaginary * own[0, c] - real * own[1, c]
        for c in range(half):
            both[0, c] += own[0, c] * own[0, half + c] + own[1, c] * own[1, half + c]
            both[1, c] += own[0, c] * own[1, half + c] - own[1, c] * own[0, half + c]


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _value(out: Array, c: int, half: int) -> float:
    """The logarithm of the likelihood of a pair, amplitudes integrated: both alike, or one hardly tapped."""
    first, second = out[0, c], out[0, half + c]
    one = out[3, c] ** 2 + out[4, c] ** 2
    other = out[3, half + c] ** 2 + out[4, half + c] ** 2
    # 2 Re(conj(seen one) both seen other)
    real = out[1, c] * out[3, half + c] - out[2, c] * out[4, half + c]
    imaginary = out[1, c] * out[4, half + c] + out[2, c] * out[3, half + c]
    mixed = 2.0 * (out[3, c] * real + out[4, c] * imaginary)
    common = out[1, c] ** 2 + out[2, c] ** 2
    best, total = -np.inf, 0.0
    for which in range(3):
        p = WEAK if which == 2 else 1.0
        q = WEAK if which == 1 else 1.0
        a, b = 1.0 + p * first, 1.0 + q * second
        det = a * b - p * q * common
        value = (p * one * b + q * other * a - p * q * mixed) / det - np.log(det)
        if value > best:
            total = total * np.exp(best - value) + 1.0
            best = value
        else:
            total += np.exp(value - best)
    return best + np.log(total)


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _row(
    log_fall: Array,
    cosine: Array,
    faster: float,
    step: float,
    usual: float,
    whiten: Array,
    askew: Array,
    white: Complex,
    offset: float,
    value: Array,
    scratch: tuple[Array, Array, Array, Array],
) -> None:
    """(P,) values of points with these decays, whose turns without decay are `cosine` (2, 2, P): of the upper and
    lower plane, real and imaginary part."""
    turn, wave, own, out = scratch
    points = len(log_fall)
    for p in range(points):
        rate = np.exp(log_fall[p])
        upper, lower = np.exp(-rate * faster * step), np.exp(-rate / faster * step)
        turn[0, p], turn[1, p] = upper * cosine[0, 0, p], upper * cosine[0, 1, p]
        turn[0, points + p], turn[1, points + p] = lower * cosine[1, 0, p], lower * cosine[1, 1, p]
    _seen(turn, 2 * points, whiten, askew, white, wave, own, out)
    for p in range(points):
        lean = (log_fall[p] - usual) / DECAY_SD
        value[p] = _value(out, p, points) - offset - 0.5 * lean * lean


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _turned(middle: Array, split: Array, step: float, cosine: Array) -> None:
    """Into `cosine` (2, 2, P) what undamped waves turn in a step."""
    for p in range(len(middle)):
        upper, lower = (middle[p] + 0.5 * split[p]) * step, (middle[p] - 0.5 * split[p]) * step
        cosine[0, 0, p], cosine[0, 1, p] = np.cos(upper), np.sin(upper)
        cosine[1, 0, p], cosine[1, 1, p] = np.cos(lower), np.sin(lower)


@njit(part=True, nogil=True, error_model="numpy")
def _scratch(count: int, points: int) -> tuple[Array, Array, Array, Array]:
    return (
        np.empty((2, 2 * points)),
        np.empty((count, 2, 2 * points)),
        np.empty((2, 2 * points)),
        np.empty((5, 2 * points)),
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
    scratch, cosine = _scratch(white.shape[1], SIDE), np.empty((2, 2, SIDE))
    for r in range(len(middle)):
        for first in range(0, middle.shape[1], SIDE):
            some = slice(first, min(first + SIDE, middle.shape[1]))
            _turned(middle[r, some], split[r, some], step, cosine)
            _row(
                log_fall[r, some], cosine, np.exp(0.5 * differ[r]), step, usual,
                whiten[r], askew[r], white[r], offset[r], value[r, some], scratch,
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
    scratch, cosine, twice = _scratch(white.shape[1], 2 * points), np.empty((2, 2, 2 * points)), 2 * points
    found, whole = log_fall.copy(), np.empty(middle.shape)
    tried, values = np.empty(twice), np.empty(twice)
    trust, bend, moved = np.empty(points), np.empty(points), np.empty(points)
    for r in range(len(middle)):
        faster, at, value = np.exp(0.5 * differ[r]), found[r], whole[r]
        _turned(middle[r], split[r], step, cosine)
        _turned(middle[r], split[r], step, cosine[:, :, points:])
        _row(at, cosine, faster, step, usual, whiten[r], askew[r], white[r], offset[r], value, scratch)
        trust[:] = 1.0
        for _ in range(rounds):
            tried[:points], tried[points:] = at + beside, at - beside
            _row(tried, cosine, faster, step, usual, whiten[r], askew[r], white[r], offset[r], values, scratch)
            furthest = 0.0
            for p in range(points):
                up, down = values[p], values[points + p]
                bend[p] = max(1.0, abs(up + down - 2.0 * value[p]) / beside**2)
                move = (up - down) / (2.0 * beside) / bend[p]
                moved[p] = at[p] + trust[p] * min(max(move, -DECAY_SD), DECAY_SD)
                furthest = max(furthest, abs(moved[p] - at[p]))
            _row(moved, cosine, faster, step, usual, whiten[r], askew[r], white[r], offset[r], values[:points], scratch)
            for p in range(points):
                better = values[p] > value[p]
                trust[p] = 1.0 if better else SHORTER * trust[p]
                if better:
                    at[p], value[p] = moved[p], values[p]
            if furthest < SETTLED:
                break
        for p in range(points):
            value[p] -= 0.5 * np.log(bend[p])
    return found, whole
