"""The modal bank, live: the sum of `synth.sound.bank`, a short block at a time, for a player who is waiting.

In: the modes once; increments from another thread, a little ahead of their moment. Out: the next frames. Two
levels: the modes' states at every WIDTH-th frame, and one table from a state to the WIDTH frames that follow it:

    y_p(16 i + j) = Re sum_m x_m(i) (w_pm z_m^j),      x_m(i + 1) = x_m(i) z_m^16,      z = exp(s / rate)

An event gets a row of its own in the same product, which gives the frames from its first to the end of its
sixteen, and is in the states from there on: it starts at its exact frame. The product is written out
(`live_kernel`): each number of the table is used by a few states only, and a library's matrix product, which first
lays the table out anew, takes three times as long. A block takes a few compiled calls. They keep the interpreter's
lock: numpy gives it away in each of its steps on more than 500 numbers, and after each the audio thread may wait
half a millisecond until it gets it back.

Shapes: M modes, P points, S events, n frames.
"""

from __future__ import annotations

import heapq
from collections import deque
from itertools import count
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyComplex, Array, Singles
from synth.sound.live_kernel import PORTION, WIDTH, live_block, put_row
from synth.sound.pole_steps import advanced, checked_poles, first_frame, powers

LONGEST: Final = 512  # frames of a block
GONE: Final = 1e-13  # of a state, within a block


class Arrivals:
    """Makes increments ready for a bank of these modes, in another thread or another process."""

    def __init__(self, pole: AnyComplex, rate: float) -> None:
        heard = pole.imag / rate < np.pi
        self.rate, self.heard, self.log_pole_per_frame = rate, np.flatnonzero(heard), pole[heard] / rate

    def __call__(self, time: Array, rows: AnyComplex) -> tuple[NDArray[np.int64], NDArray[np.float32]]:
        """First frames (S,), and amplitudes at them (S, 2, M'), of increments at `time` (S,) with rows (S, M)."""
        frame = first_frame(np.asarray(time, float), self.rate)
        amplitude = advanced(
            np.take(rows, self.heard, axis=1), self.log_pole_per_frame, frame - time * self.rate
        )
        return frame, np.stack([amplitude.real, amplitude.imag], axis=1).astype(np.float32)


class LiveBank:
    """Modes that ring on from block to block. `add` from any one thread, `fill` from another."""

    def __init__(self, pole: AnyComplex, weights: AnyComplex, *, rate: float) -> None:
        pole, weights = checked_poles(pole, weights)
        self.arrivals = Arrivals(pole, rate)
        self.rate, heard, self.log_pole_per_frame = (
            rate,
            self.arrivals.heard,
            self.arrivals.log_pole_per_frame,
        )
        self.points = len(weights)
        self.frame = 0  # the next one to be given out
        self.late_count = 0  # increments that came after their moment
        modes = self.log_pole_per_frame.size
        # what carries a state over 0 ... WIDTH frames, and over 0 ... as many segments as there are
        step = powers(self.log_pole_per_frame, WIDTH + 1)
        whole = powers(WIDTH * self.log_pole_per_frame, LONGEST // WIDTH + 1)
        self._near, self._far = (
            np.stack([each.real, each.imag], axis=1, dtype=float) for each in (step, whole)
        )
        self._turns = _turns(self._far)
        self._table = _table(step[:WIDTH], weights[:, heard])
        self._state = np.zeros((2, modes))
        self._rows = np.zeros((LONGEST, 2, modes), np.float32)  # of the events of one block
        self._offset = np.zeros(LONGEST, np.int64)
        room = LONGEST // WIDTH + LONGEST
        self._states = np.zeros((room, 2 * PORTION), np.float32)  # of one portion
        self._sums = np.zeros((room, self.points * WIDTH), np.float32)
        self._inbox: deque[tuple[list[int], NDArray[np.float32]]] = deque()
        self._waiting: list[tuple[int, int, int, NDArray[np.float32]]] = []
        self._order = count()
        # compiled before anyone waits for it
        self._run_block(np.zeros((self.points, WIDTH), np.float32), 0)
        nothing = np.zeros((1, 2, modes), np.float32)
        for writeable in (True, False):  # numba compiles once more for what comes out of a pipe, read-only
            nothing.flags.writeable = writeable
            put_row(self._rows, 0, nothing, 0, 0.0)

    def add(self, time: Array, rows: AnyComplex) -> None:
        """Increments at times (S,) s from the first frame on, with amplitudes (S, M); each time a new array."""
        self.post(*self.arrivals(time, rows))

    def post(self, frame: NDArray[np.int64], rows: NDArray[np.float32]) -> None:
        """The same, made ready by `Arrivals`."""
        self._inbox.append((frame.tolist(), rows))

    def clear(self) -> None:
        """Nothing rings any more, and nothing waits. From the thread that fills."""
        self._state[:] = 0.0
        self._inbox.clear()
        self._waiting.clear()

    def fill(self, sound: Singles) -> None:
        """Writes the next frames into sound (P, n), n up to LONGEST."""
        while self._inbox:
            frames, rows = self._inbox.popleft()
            for n, frame in enumerate(frames):
                heapq.heappush(self._waiting, (frame, next(self._order), n, rows))
        self._run_block(sound, self._due(sound.shape[1]))
        self.frame += sound.shape[1]

    def _due(self, frames: int) -> int:
        """Puts the events of the next frames into the rows, those of one frame into one; how many rows."""
        used = 0
        while self._waiting and self._waiting[0][0] < self.frame + frames:
            frame, _, n, rows = heapq.heappop(self._waiting)
            if frame < self.frame:
                self.late_count += 1
                n, rows = 0, self._carried(rows[n], self.frame - frame)
                frame = self.frame
            offset = frame - self.frame
            again = 1.0 if used and self._offset[used - 1] == offset else 0.0
            used += not again
            self._offset[used - 1] = offset
            put_row(self._rows, used - 1, rows, n, again)
        return used

    def _carried(self, row: NDArray[np.float32], frames: int) -> NDArray[np.float32]:
        moved = (row[0] + 1j * row[1]) * np.exp(self.log_pole_per_frame * frames)
        return np.stack([moved.real, moved.imag])[None].astype(np.float32)

    def _run_block(self, sound: Singles, events: int) -> None:
        live_block(
            sound, self._state, self._near, self._far, self._turns, self._table, self._rows, self._offset, events,
            self._states, self._sums,
        )  # fmt: skip


def _table(step: AnyComplex, weights: AnyComplex) -> Singles:
    """(P, M, 2 WIDTH): Re(x w z^j) = Re x Re(w z^j) - Im x Im(w z^j), what a real part counts for first."""
    ahead = np.moveaxis(weights[:, None, :] * step, 1, 2)
    return np.ascontiguousarray(np.concatenate([ahead.real, -ahead.imag], axis=2).astype(np.float32))


def _turns(far: Array) -> Singles:
    """Of what carries states over segments (L, 2, M), that over 1, 2, 4 ... of them, in single precision.

    What dies at once is gone, or block after block its products would be so small that processors are slow with
    them; what is about to be silent may have such ones for a block.
    """
    some = far[1 << np.arange((len(far) - 1).bit_length())]
    return np.where(np.hypot(some[:, :1], some[:, 1:]) < GONE, 0.0, some).astype(np.float32)
