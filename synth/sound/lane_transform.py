"""The inverse Fourier transforms of LANES real signals side by side.

In: half spectra X_0 ... X_H of LANES signals of 2 H samples, H a power of two, each bin a row (`lanes`) that
stands where `TransformPlan.place` says. Out, in the same rows, the samples 2 m (real parts) and 2 m + 1 (imaginary)
of

    x_n = Re X_0 + (-1)^n Re X_H + 2 Re sum_{0 < k < H} X_k exp(i pi k n / H).

Even and odd samples are the real and imaginary part of a complex transform of half the length (J. W. Cooley,
P. A. W. Lewis, P. D. Welch, J. Sound Vib. 12, 1970). This is decimated in time, by eight but for the first step
(J. W. Cooley, J. W. Tukey, Math. Comp. 19, 1965; by eight: G. D. Bergland, Math. Comp. 22, 1968): the bins stand in
the order in which the steps want them, so that the samples come out in their own, m-th after m-th, with a row left
free after each eight first steps: rows a power of two apart would share a few places in the processor's cache. A
larger step is done as soon as its eight parts are, which are then still in that cache.
"""

from __future__ import annotations

import functools
from typing import Any, Final

import numpy as np

from synth.arrays import Indices, Singles
from synth.compiled import njit
from synth.frozen import frozen
from synth.sound.lanes import LANES, mirrored, transform_4, transform_8, transform_16, turn_and_transform_8

RADIX: Final = 8  # of all steps but the first
FIRST: Final = {
    0: 8,
    1: 16,
    2: 4,
}  # radix of the first step, by what is left of the number of doublings by three


@frozen
class TransformPlan:
    """What a transform of one length needs: where the bins stand, and turns as pairs of numbers."""

    place: Indices  # (H + 1,) row of each bin; the last bin's stands after all others
    first: int  # radix of the first step
    turns: Singles  # of the steps after the first, in their order
    half_turns: Singles  # exp(i pi k / H)


@functools.cache
def transform_plan(points: int) -> TransformPlan:
    """For signals of 2 `points` samples; ValueError unless that is a power of two from 4 on."""
    doublings = points.bit_length() - 1
    if points < 4 or points != 1 << doublings:
        raise ValueError(f"{points} is no power of two from 4 on")
    first = FIRST[doublings % 3]
    sizes = [first]
    while sizes[-1] < points:
        sizes.append(sizes[-1] * RADIX)
    place, rest = np.zeros(points, np.int64), np.arange(points)
    for whole, part in zip(sizes[::-1], [*sizes[-2::-1], 1], strict=True):
        radix = whole // part
        place += rest % radix * part
        rest //= radix
    turns = [
        np.exp(2j * np.pi * np.outer(np.arange(part), np.arange(1, RADIX)) / (part * RADIX))
        for part in sizes[:-1]
    ]
    flat = np.concatenate([each.ravel() for each in turns] or [np.zeros(0, complex)])
    half_turns = np.exp(1j * np.pi * np.arange(points) / points)
    place = np.append(place, points)
    place += place // (RADIX * first)
    return TransformPlan(place, first, _pairs(flat), _pairs(half_turns))


def _pairs(turns: Any) -> Singles:
    return np.asarray(turns.astype(np.complex64).view(np.float32))


@njit(part=True, fastmath={"contract"})
def transform(x: Any, place: Any, first: Any, turns: Any, half_turns: Any) -> None:
    """Turns the rows of x from half spectra into samples, as told above."""
    points = half_turns.shape[0] // 2
    start, end, middle = x[place[0]], x[place[points]], x[place[points // 2]]
    for j in range(LANES):
        one, other = start[j], end[j]
        start[j], start[LANES + j] = one + other, one - other
        middle[j] *= 2
        middle[LANES + j] *= -2
    for k in range(1, points // 2):
        mirrored(x, place[k], place[points - k], half_turns, k)
    group = RADIX * first
    for row in range(0, points, first):
        if first == 4:
            transform_4(x, row + row // group, 1)
        elif first == 8:
            transform_8(x, row + row // group, 1)
        else:
            transform_16(x, row + row // group, 1)
        done, size, at = row // first + 1, first, 0
        while size < points and done % RADIX == 0:
            done //= RADIX
            base = (done - 1) * RADIX * size
            for j in range(base, base + size):
                turn_and_transform_8(x, j + j // group, size + size // group, turns, at)
                at += RADIX - 1
            size *= RADIX
