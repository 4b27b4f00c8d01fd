"""What one mode does between two frames: turn and shrink, z = exp(s / rate) per frame.

In: poles s (M,). Out: factors that carry the state of every mode over any number of frames, whole or not.

Shapes: M modes, S events.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import AnyComplex, Array, Indices

BASE: Final = (
    16  # a number of frames is carried digit by digit: 16 factors a digit stay in the processor's cache
)


def checked_poles(pole: AnyComplex, weights: AnyComplex) -> tuple[AnyComplex, AnyComplex]:
    """Poles (M,) and weights (P, M), as arrays that a bank can use; ValueError for what it cannot."""
    pole, weights = np.asarray(pole, complex), np.atleast_2d(np.asarray(weights, complex))
    if pole.ndim != 1 or weights.ndim != 2 or weights.shape[1:] != pole.shape:
        raise ValueError(f"poles {pole.shape} and weights {weights.shape} do not fit: want (M,) and (P, M)")
    if not (np.isfinite(pole).all() and np.isfinite(weights).all()):
        raise ValueError("poles and weights must be finite")
    if (pole.real > 0).any() or (pole.imag < 0).any():
        raise ValueError("poles must decay (real <= 0) and be the upper of each conjugate pair (imag >= 0)")
    return pole, weights


def powers(step: AnyComplex, count: int) -> AnyComplex:
    """exp(step)^0 ... exp(step)^(count - 1) as rows (count, M), by products: far cheaper than exponentials."""
    rows = np.empty((count, step.size), complex)
    rows[0] = 1.0
    if count > 1:
        rows[1] = np.exp(step)
    for n in range(2, count):  # halves: rounding grows with log2(count), not with count
        np.multiply(rows[n // 2], rows[n - n // 2], out=rows[n])
    return rows


def first_frame(time: Array, rate: float) -> Indices:
    """The first frame n >= 0 with n / rate >= time, by the very comparison that defines the sum over events."""
    frame = np.ceil(time * rate)
    frame -= (frame - 1) / rate >= time  # time * rate was rounded up over a whole frame
    frame += frame / rate < time
    return np.maximum(frame, 0).astype(np.int64)


def advanced(amplitude: AnyComplex, log_pole_per_frame: AnyComplex, frames: Array) -> AnyComplex:
    """amplitude (S, M) a few frames (S,) later: times exp(log_pole_per_frame frames), to 2e-7.

    In single precision, from one exponential, one sine and one cosine: seven times faster than a complex
    exponential. The angle is brought to +-pi in double precision first. Rounding does not add up: an event is
    carried once.
    """
    cycles = np.multiply.outer(frames, log_pole_per_frame.imag / (2 * np.pi))
    cycles -= np.rint(cycles)
    cycles *= 2 * np.pi
    angle = cycles.astype(np.float32)
    np.multiply.outer(frames, log_pole_per_frame.real, out=cycles)
    decay = cycles.astype(np.float32)
    np.exp(decay, out=decay)
    factor = np.empty(angle.shape, np.complex64)
    np.multiply(decay, np.cos(angle), out=factor.real)
    np.multiply(decay, np.sin(angle, out=angle), out=factor.imag)
    return np.asarray(amplitude * factor)


class Advance:
    """Carries states (M,) over whole numbers of frames up to `longest`, in place, by a few products."""

    def __init__(self, log_pole_per_frame: AnyComplex, longest: int) -> None:
        self.digits: list[AnyComplex] = []
        while BASE ** len(self.digits) <= longest:
            here = BASE ** len(self.digits)
            self.digits.append(powers(log_pole_per_frame * here, min(BASE, longest // here + 1)))

    def by(self, state: AnyComplex, frames: int) -> None:
        """state *= exp(log_pole_per_frame frames)."""
        for digit in self.digits:
            frames, here = divmod(frames, BASE)
            if here:
                np.multiply(state, digit[here, : state.size], out=state)

    def only(self, active: Indices) -> Advance:
        """The same for some of the modes."""
        some = Advance.__new__(Advance)
        some.digits = [digit[:, active] for digit in self.digits]
        return some
