"""Damped sinusoids in some bins of a spectrum, compiled: their sum, how it moves with them, and Gauss-Newton.

In: bins (B,) of a spectrum of `length` samples at `rate`, complex amplitudes a and poles s (N,). The closed form of
a line is that of `spectrum`, its derivative with respect to s that of t exp(s t); the steps are those of
`damped_sinusoid_fit`, which says why. Real and imaginary parts stand apart, so that one instruction does several.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array, Complex, Indices
from synth.compiled import njit

ROUNDS: Final = 12  # of Gauss-Newton at most
ENOUGH: Final = 1e-6  # share of what is left that a step still gains, below which it was the last
_AS_SUMS_COME: Final = {"reassoc", "contract", "nsz", "arcp"}


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _inverse(real: float, imaginary: float, bins: Indices, length: int, rate: float, out: Array) -> None:
    """Into `out` (2, B) the inverse of exp(s dt) w^-k - 1, by the half angle's tangent: near a peak 1 - cos would
    cancel.

    With q = 2 t / (1 + t^2), t = tan(b / 2): sin b = q, 1 - cos b = q t.
    """
    grown = np.expm1(real / rate)
    for b in range(len(bins)):
        half = np.tan(0.5 * imaginary / rate - np.pi / length * bins[b])
        sine = 2.0 * half / (1.0 + half * half)
        x, y = grown - (1.0 + grown) * sine * half, (1.0 + grown) * sine
        size = 1.0 / (x * x + y * y)
        out[0, b], out[1, b] = x * size, -y * size


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _end(pole: complex, seconds: float) -> complex:
    """exp(s T) - 1 without cancellation."""
    half = np.sin(0.5 * pole.imag * seconds)
    grown = np.expm1(pole.real * seconds)
    return complex(grown - 2.0 * (1.0 + grown) * half * half, (1.0 + grown) * np.sin(pole.imag * seconds))


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _without(
    values: Complex, amplitude: Complex, pole: Complex, bins: Indices, length: int, rate: float,
    inverse: Array, left: Array,
) -> float:  # fmt: skip
    """Into `left` (2, B) the values without these lines, into `inverse` (N, 2, B) what `_inverse` gives of their
    poles; the power that is left."""
    for b in range(len(bins)):
        left[0, b], left[1, b] = values[b].real, values[b].imag
    for n in range(len(pole)):
        for side in range(2):  # a conjugate's line reaches over, too
            sign = 1.0 - 2.0 * side
            share = 0.5 * amplitude[n] * _end(pole[n], length / rate)
            own = inverse[n] if side == 0 else inverse[len(pole)]
            _inverse(pole[n].real, sign * pole[n].imag, bins, length, rate, own)
            x, y = share.real, sign * share.imag
            for b in range(len(bins)):
                left[0, b] -= x * own[0, b] - y * own[1, b]
                left[1, b] -= x * own[1, b] + y * own[0, b]
    power = 0.0
    for b in range(len(bins)):
        power += left[0, b] * left[0, b] + left[1, b] * left[1, b]
    return power


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _columns(
    amplitude: Complex, pole: Complex, inverse: Array, seconds: float, rate: float, rows: Array, scale: Array
) -> None:
    """Into `rows` (2N, 2, B) how the lines move with each a, then each s, of length one; into `scale` (2N,) their
    true lengths."""
    count = len(pole)
    for n in range(count):
        end, half = _end(pole[n], seconds), 0.5 * amplitude[n]
        for b in range(inverse.shape[2]):
            at = complex(inverse[n, 0, b], inverse[n, 1, b])
            peak = end * at
            slope = half * (at * (seconds * (end + 1.0)) - peak * (1.0 + at) / rate)
            rows[n, 0, b], rows[n, 1, b] = 0.5 * peak.real, 0.5 * peak.imag
            rows[count + n, 0, b], rows[count + n, 1, b] = slope.real, slope.imag
    for n in range(2 * count):
        power = 0.0
        for b in range(inverse.shape[2]):
            power += rows[n, 0, b] ** 2 + rows[n, 1, b] ** 2
        scale[n] = np.sqrt(power) + 1e-300
        for b in range(inverse.shape[2]):
            rows[n, 0, b] /= scale[n]
            rows[n, 1, b] /= scale[n]


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _common(rows: Array, one: int, right: Array) -> complex:
    """What a row has in common with another."""
    x, y = 0.0, 0.0
    for b in range(right.shape[1]):
        x += rows[one, 0, b] * right[0, b] + rows[one, 1, b] * right[1, b]
        y += rows[one, 0, b] * right[1, b] - rows[one, 1, b] * right[0, b]
    return complex(x, y)


@njit(part=True, nogil=True, error_model="numpy")
def _solved(normal: Complex, seen: Complex) -> None:
    """The solution of normal x = seen in place of `seen`, by elimination with pivots; `normal` is spoiled."""
    count = len(seen)
    for k in range(count):
        best = k
        for i in range(k + 1, count):
            if abs(normal[i, k]) > abs(normal[best, k]):
                best = i
        for j in range(k, count):
            normal[k, j], normal[best, j] = normal[best, j], normal[k, j]
        seen[k], seen[best] = seen[best], seen[k]
        for i in range(k + 1, count):
            share = normal[i, k] / normal[k, k]
            for j in range(k + 1, count):
                normal[i, j] -= share * normal[k, j]
            seen[i] -= share * seen[k]
    for k in range(count - 1, -1, -1):
        for j in range(k + 1, count):
            seen[k] -= normal[k, j] * seen[j]
        seen[k] /= normal[k, k]


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _step(rows: Array, scale: Array, normal: Complex, left: Array, stiffness: float) -> Complex:
    """(2N,) by which a and s change so that what is left becomes least."""
    stiff, seen = normal.copy(), np.empty(len(scale), np.complex128)
    for n in range(len(scale)):
        stiff[n, n] += stiffness + 1e-12
        seen[n] = _common(rows, n, left)
    _solved(stiff, seen)
    moves: Complex = seen / scale
    return moves


@njit(part=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def _normal(rows: Array, normal: Complex) -> None:
    """Into `normal` (2N, 2N) what each row has in common with each."""
    for n in range(len(rows)):
        for k in range(n + 1):
            normal[n, k] = _common(rows, n, rows[k])
            normal[k, n] = np.conj(normal[n, k])


@njit(part=True, nogil=True, error_model="numpy")
def _moved(
    amplitude: Complex,
    pole: Complex,
    step: Complex,
    width: float,
    seconds: float,
    to: tuple[Complex, Complex],
) -> None:
    """One step on, no pole by more than a bin or half its width, none into a steep growth."""
    for n in range(len(pole)):
        shift = step[len(pole) + n]
        most = width + 0.5 * abs(pole[n].real)
        moved = pole[n] + shift * min(1.0, most / (abs(shift) + 1e-300))
        to[0][n] = amplitude[n] + step[n]
        to[1][n] = complex(min(moved.real, 1.0 / seconds), moved.imag)


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def nearest(
    values: Complex, bins: Indices, length: int, rate: float, amplitude: Complex, pole: Complex
) -> tuple[Complex, Complex, float]:
    """Amplitudes and poles (N,) that leave least of the values (B,), and the power that they leave.

    Gauss-Newton, damped where a step does not help.
    """
    count, seconds = len(pole), length / rate
    now, then = (amplitude.copy(), pole.copy()), (amplitude.copy(), pole.copy())
    left, after = np.empty((2, len(bins))), np.empty((2, len(bins)))
    inverse, rows = np.empty((count + 1, 2, len(bins))), np.empty((2 * count, 2, len(bins)))
    scale, normal = np.empty(2 * count), np.empty((2 * count, 2 * count), np.complex128)
    error, stiffness = _without(values, now[0], now[1], bins, length, rate, inverse, left), 0.0
    _columns(now[0], now[1], inverse, seconds, rate, rows, scale)
    _normal(rows, normal)
    for _ in range(ROUNDS):
        step = _step(rows, scale, normal, left, stiffness)
        _moved(now[0], now[1], step, 2.0 * np.pi / seconds, seconds, then)
        smaller = _without(values, then[0], then[1], bins, length, rate, inverse, after)
        if smaller >= error:
            if error - smaller > -1e-9 * error or stiffness > 1e3:
                break
            stiffness = max(10.0 * stiffness, 1e-3)
            continue
        gain = 1.0 - smaller / error
        now, then, left, after, error, stiffness = then, now, after, left, smaller, 0.1 * stiffness
        if gain < ENOUGH:
            break
        _columns(now[0], now[1], inverse, seconds, rate, rows, scale)
        _normal(rows, normal)
    return now[0], now[1], error


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def tangent(
    bins: Indices, length: int, rate: float, amplitude: Complex, pole: Complex
) -> tuple[Complex, Array]:
    """How the lines move with each a, then each s: what each has in common with each, (2N, 2N), all taken to be of
    length one; and their true lengths (2N,)."""
    count = len(pole)
    inverse, rows = np.empty((count, 2, len(bins))), np.empty((2 * count, 2, len(bins)))
    scale, normal = np.empty(2 * count), np.empty((2 * count, 2 * count), np.complex128)
    for n in range(count):
        _inverse(pole[n].real, pole[n].imag, bins, length, rate, inverse[n])
    _columns(amplitude, pole, inverse, length / rate, rate, rows, scale)
    _normal(rows, normal)
    return normal, scale


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def each_line(bins: Indices, length: int, rate: float, pole: Complex) -> Complex:
    """(N, B): the spectrum of exp(s t)."""
    out, inverse = np.empty((len(pole), len(bins)), np.complex128), np.empty((2, len(bins)))
    for n in range(len(pole)):
        _inverse(pole[n].real, pole[n].imag, bins, length, rate, inverse)
        end = _end(pole[n], length / rate)
        for b in range(len(bins)):
            out[n, b] = end * complex(inverse[0, b], inverse[1, b])
    return out


@njit(cache=True, nogil=True, error_model="numpy", fastmath=_AS_SUMS_COME)
def all_lines(bins: Indices, length: int, rate: float, amplitude: Complex, pole: Complex) -> Complex:
    """(B,): the spectrum of Re sum_n a_n exp(s_n t)."""
    inverse, left = np.empty((len(pole) + 1, 2, len(bins))), np.empty((2, len(bins)))
    _without(np.zeros(len(bins), np.complex128), amplitude, pole, bins, length, rate, inverse, left)
    whole: Complex = -left[0] - 1j * left[1]
    return whole


@njit(cache=True, nogil=True, error_model="numpy")
def inverse(matrix: Complex) -> Complex:
    """Of a matrix (N, N); ZeroDivisionError where it has none."""
    out = np.zeros_like(matrix)
    for n in range(len(matrix)):
        out[n, n] = 1.0
        _solved(matrix.copy(), out[n])
    return out.T
