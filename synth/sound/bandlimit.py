"""What a sampled sound can hold of a force: weights on half frames, and responses below half the rate.

In: times of impulses; poles of modes. Out: weights of a time on its neighbours (a windowed sinc), and the responses
of modes to an impulse, low-passed. Both windows are Kaiser's, 120 dB down outside their bands (J. F. Kaiser and
R. W. Schafer, IEEE Trans. ASSP 28 (1980) 105), so that 20 kHz of a 48 kHz sound are within 1e-6:

    grid    passes 20 kHz, stops 76 kHz: what 96,000 points a second fold onto 20 kHz    14 points
    sound   passes 20 kHz, stops 28 kHz: what 48,000 frames a second fold onto 20 kHz    2 x 24 frames

So much is needed because a stick mostly holds, a slow force that is hardly heard: 90 dB below it is 60 below the
sound.

Shapes: M modes, S impulses, J offsets.
"""

from __future__ import annotations

import functools
import math
from typing import Final

import numpy as np

from synth.angles import complex_exp
from synth.arrays import AnyComplex, Array

FINER: Final = 2  # grid points a frame
SPREAD: Final = 14  # grid points an impulse is spread over
REACH: Final = 24  # frames before and after an impulse that the low-pass changes
BETA: Final = 12.26  # 0.1102 (A - 8.7) for A = 120 dB
FRACTIONS: Final = 2048  # a row of weights every so much of a grid point: read linearly within 3e-7
PORTION: Final = 256  # modes at once
NODES: Final = 6  # of Gauss and Legendre on half a frame: 1e-8 for what turns 3 rad there


@functools.lru_cache
def spread_weights() -> Array:
    """(FRACTIONS + 1, SPREAD): row f weighs the points from `SPREAD / 2 - 1` before a time's own on."""
    fraction = np.linspace(0.0, 1.0, FRACTIONS + 1)[:, None]
    distance = np.arange(SPREAD) - (SPREAD // 2 - 1) - fraction
    return np.asarray(np.sinc(distance) * _window(distance / (SPREAD / 2)))


def low_pass(frames: Array) -> Array:
    """The low-pass at `frames` from its middle, per frame; nothing beyond `REACH`."""
    return np.asarray(np.sinc(frames) * _window(frames / REACH))


def limited_rings(turn: AnyComplex, offsets: Array) -> AnyComplex:
    """exp(turn n) from n = 0 on, low-passed, at `offsets` (J,) frames, multiples of a half: (J, M).

    turn (M,): pole / rate. The integral over the past, exact to 1e-8: Gauss and Legendre half frame by half frame.
    The last few are kept: every stroke of a stick asks for its modes again. Not to be written to.
    """
    return _rings(np.asarray(turn, complex).tobytes(), tuple(np.asarray(offsets, float).tolist()))


@functools.lru_cache(maxsize=8)
def _rings(turn: bytes, offsets: tuple[float, ...]) -> AnyComplex:
    past, share = _shares(offsets)
    modes = np.frombuffer(turn, complex)
    rings = np.empty((len(offsets), modes.size), complex)
    for first in range(0, modes.size, PORTION):
        some = slice(first, first + PORTION)
        rings[:, some] = share @ complex_exp(np.multiply.outer(past, modes[some]))
    rings.flags.writeable = False
    return rings


@functools.lru_cache
def _shares(offsets: tuple[float, ...]) -> tuple[Array, Array]:
    """Moments (N,) of the past, in frames, and what each has to say at the offsets (J, N)."""
    x, weight = np.polynomial.legendre.leggauss(NODES)
    halves = np.arange(max(0, math.ceil(2.0 * (max(offsets) + REACH))))
    past = (0.5 * halves[:, None] + 0.25 * (x + 1.0)).ravel()
    share = low_pass(np.array(offsets)[:, None] - past) * np.tile(0.25 * weight, len(halves))
    return past, share


def _window(x: Array) -> Array:
    inside = np.maximum(1.0 - x**2, 0.0)
    return np.where(np.abs(x) <= 1.0, np.i0(BETA * np.sqrt(inside)) / np.i0(BETA), 0.0)
