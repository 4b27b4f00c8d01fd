"""The modal bank, offline: decaying modes and the moments at which they are set going become samples.

In: modes as poles s (M,) and weights w (P, M), events as times t_e and amplitudes a (S, M). Out: blocks of

    y_p(t) = Re sum_m w_pm sum_{e: t_e <= t} a_em exp(s_m (t - t_e)),      t = n / rate.

The bank knows no instrument: a mode is a pole, a listening point is a row of weights.

Shapes: M modes, P points, S events, N frames.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from itertools import islice, pairwise

import numpy as np
from numpy.typing import NDArray

Complex = NDArray[np.complexfloating]
Sound = NDArray[np.float32]

STRETCH = 65536  # frames between two decisions about which modes still sound
TAKE = 64  # rows of amplitudes held at once
STEP = 64  # samples of one dense product


@dataclass(frozen=True)
class EventBatch:
    """Events whose amplitudes are made when they are needed: 20,000 events x 3,000 modes need not be held at once.

    time: (S,) seconds, rising. rows: gives the amplitudes (n, M) complex of a slice of the events.
    """

    time: NDArray[np.float64]
    rows: Callable[[slice], Complex]


Events = EventBatch | Iterable[tuple[float, Complex]]


def render(pole: Complex, weights: Complex, events: Events, *, rate: float, frames: int) -> Sound:
    """The whole sound (P, N) float32: what `blocks` gives, put together."""
    sound = np.empty((np.atleast_2d(weights).shape[0], frames), np.float32)
    at = 0
    for block in blocks(pole, weights, events, rate=rate, frames=frames):
        sound[:, at : at + block.shape[1]] = block
        at += block.shape[1]
    return sound


def blocks(
    pole: Complex, weights: Complex, events: Events, *, rate: float, frames: int, block: int = STRETCH
) -> Iterator[Sound]:
    """The sound from t = 0 on, in blocks (P, block) float32, the last one shorter.

    pole: (M,) rad/s, one of each conjugate pair (imag >= 0, real <= 0). weights: (P, M) or (M,). Modes at or
    above half the rate are left out: sampled, they would sound at a wrong pitch. Raises ValueError on poles that
    grow, arrays that do not fit each other and events that go back in time.
    """
    pole, weights = heard(pole, weights)
    below = pole.imag < np.pi * rate
    turn, weights = pole[below] / rate, weights[:, below].astype(np.complex64)
    table = np.exp(np.multiply.outer(turn, np.arange(STEP))).astype(np.complex64)
    state = np.zeros(turn.size, complex)
    pending = _Pending(events, rate, below)
    for start in range(0, frames, block):
        stop = min(start + block, frames)
        sound = np.zeros((weights.shape[0], stop - start), np.float32)
        starts, rows = pending.until(stop, turn)
        edges = sorted({start, stop, *starts})
        for left, right in pairwise(edges):
            while starts and starts[0] <= left:
                starts.pop(0)
                state = state + rows.pop(0)
            for at in range(left, right, STEP):
                n = min(STEP, right - at)
                sound[:, at - start : at - start + n] = ((weights * state) @ table[:, :n]).real
                state = state * np.exp(turn * n)
        yield sound


def heard(pole: Complex, weights: Complex) -> tuple[Complex, Complex]:
    """Poles (M,) and weights (P, M), checked: finite, decaying, upper half plane, of one length."""
    pole, weights = np.asarray(pole, complex), np.atleast_2d(np.asarray(weights, complex))
    if pole.ndim != 1 or weights.shape[1:] != pole.shape:
        raise ValueError(f"poles {pole.shape} and weights {weights.shape} do not fit: want (M,) and (P, M)")
    if not (np.isfinite(pole).all() and np.isfinite(weights).all()):
        raise ValueError("poles and weights must be finite")
    if (pole.real > 0).any() or (pole.imag < 0).any():
        raise ValueError("poles must decay (real <= 0) and be the upper of each conjugate pair (imag >= 0)")
    return pole, weights


def first_frame(time: NDArray[np.float64], rate: float) -> NDArray[np.int64]:
    """The first frame n >= 0 with n / rate >= time, by the very comparison that defines the sum."""
    frame = np.ceil(time * rate)
    frame -= (frame - 1) / rate >= time  # time * rate was rounded up across a whole frame
    frame += frame / rate < time
    return np.maximum(frame, 0).astype(np.int64)


class _Pending:
    """Events not yet sounding, taken a few at a time and moved to the first frame that hears them."""

    def __init__(self, events: Events, rate: float, below: NDArray[np.bool_]) -> None:
        self.taken = _taken(events)
        self.rate, self.below = rate, below
        self.time = np.empty(0)
        self.rows: Complex = np.empty((0, below.size), complex)

    def until(self, stop: int, turn: Complex) -> tuple[list[int], list[Complex]]:
        frames: list[int] = []
        rows: list[Complex] = []
        while True:
            if not self.time.size:
                self.time, self.rows = next(self.taken, (np.empty(0), self.rows))
            frame = first_frame(self.time, self.rate)
            count = int(np.searchsorted(frame, stop))
            late = frame[:count] - self.time[:count] * self.rate
            frames += frame[:count].tolist()
            rows += list(self.rows[:count, self.below] * np.exp(np.multiply.outer(late, turn)))
            more = count == self.time.size > 0
            self.time, self.rows = self.time[count:], self.rows[count:]
            if not more:
                return frames, rows


def _taken(events: Events) -> Iterator[tuple[NDArray[np.float64], Complex]]:
    if isinstance(events, EventBatch):
        for at in range(0, len(events.time), TAKE):
            yield events.time[at : at + TAKE], events.rows(slice(at, min(at + TAKE, len(events.time))))
        return
    each = iter(events)
    while pairs := list(islice(each, TAKE)):
        yield np.array([time for time, _ in pairs], float), np.array([row for _, row in pairs], complex)
