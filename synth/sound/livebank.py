"""The modal bank, live: the sum of `synth.sound.bank`, a short block at a time, for a player who is waiting.

In: the modes once; increments from another thread, a little ahead of their moment. Out: the next frames. A block's
frames are summed as the offline bank's long ones are: each mode is a short run of bins of a transform of twice the
block's length (`bin_sums`), and a bin stands for a wave that is kept,

    y_p(n) = sum_b Re(B_pb v_b(n)),    B_pb = sum_m w_pm x_m c_mb,    v_b(n) = exp(2 pi i b n / 2 BLOCK) / W(n)

with the states x at the block's beginning, which go on as x_m exp(s_m BLOCK / rate). Few modes die within a block
so steeply that no run of bins fits; of these every frame is kept. An event is a row of states with bins of its
own, whose wave begins at its frame, and is in the states from the block's end on: it starts at its exact frame. A
block takes a few compiled calls. They keep the interpreter's lock: numpy gives it away in each of its steps on more
than 500 numbers, and after each the audio thread may wait half a millisecond until it gets it back.

Shapes: M modes, P points, S events, n frames.
"""

from __future__ import annotations

import functools
import heapq
from collections import deque
from itertools import count
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyComplex, Array, Indices, Singles
from synth.sound.bin_sums import BELOW, OVERSAMPLING, RUNS, bin_below, fit_sums, unwindow
from synth.sound.lanes import ROW
from synth.sound.live_kernel import DIGIT, live_block, put_row
from synth.sound.pole_steps import advanced, checked_poles, first_frame, powers

BLOCK: Final = 128  # frames summed at once
SMOOTH, WIDTH = RUNS[1]  # nepers that a mode may decay within a block, bins that it takes
LEAST: Final = BELOW - WIDTH // 2 + 1  # the first of these among those that are fitted
GONE: Final = 1e-13  # of a state, within a block


class Arrivals:
    """Makes increments ready for a bank of these modes, in another thread or another process."""

    def __init__(self, pole: AnyComplex, rate: float) -> None:
        self.rate = rate
        self.heard, self.smooth = _in_order(pole / rate)
        self.log_pole_per_frame = pole[self.heard] / rate

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
        self.rate, self.log_pole_per_frame = rate, self.arrivals.log_pole_per_frame
        self.points = len(weights)
        self.frame = 0  # the next one to be given out
        self.late_count = 0  # increments that came after their moment
        modes, smooth = self.log_pole_per_frame.size, self.arrivals.smooth
        # what carries a state over 0 ... frames, and over 0 ... as many DIGITs as there are
        self._near, self._far = (
            np.stack([each.real, each.imag], axis=1, dtype=float)
            for each in (
                _without_tiny(powers(step * self.log_pole_per_frame, length))
                for step, length in ((1, DIGIT), (DIGIT, BLOCK // DIGIT + 1))
            )
        )
        weights = weights[:, self.arrivals.heard]
        self._begins, self._weights = _runs(self.log_pole_per_frame[:smooth], weights[:, :smooth])
        self._steep = _table(self.log_pole_per_frame[smooth:], weights[:, smooth:])
        self._waves = _waves()
        self._bins = np.zeros((2, len(self._waves)), np.float32)
        self._state = np.zeros((2, modes))
        self._rows = np.zeros((1 + BLOCK, 2, modes), np.float32)  # states, then the events of one block
        self._offset = np.zeros(1 + BLOCK, np.int64)
        self._inbox: deque[tuple[list[int], NDArray[np.float32]]] = deque()
        self._waiting: list[tuple[int, int, int, NDArray[np.float32]]] = []
        self._order = count()
        # compiled before anyone waits for it
        self._run_block(np.zeros((self.points, BLOCK), np.float32), 0, BLOCK)
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
        """Writes the next frames into sound (P, n)."""
        while self._inbox:
            first, rows = self._inbox.popleft()
            for n, frame in enumerate(first):
                heapq.heappush(self._waiting, (frame, next(self._order), n, rows))
        for at in range(0, sound.shape[1], BLOCK):
            frames = min(BLOCK, sound.shape[1] - at)
            self._run_block(sound, at, frames)
            self.frame += frames

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
            again = 1.0 if used and self._offset[used] == offset else 0.0
            used += not again
            self._offset[used] = offset
            put_row(self._rows, used, rows, n, again)
        return used

    def _carried(self, row: NDArray[np.float32], frames: int) -> NDArray[np.float32]:
        moved = (row[0] + 1j * row[1]) * np.exp(self.log_pole_per_frame * frames)
        return np.stack([moved.real, moved.imag])[None].astype(np.float32)

    def _run_block(self, sound: Singles, at: int, frames: int) -> None:
        live_block(
            sound, at, frames, self._state, self._near, self._far, self._begins, self._weights, self._waves,
            self._steep, self._rows, self._offset, self._due(frames), self._bins,
        )  # fmt: skip


def _in_order(log_pole_per_frame: AnyComplex) -> tuple[Indices, int]:
    """The modes that can be sampled, from bin to bin, and at the end the steep ones; how many are not steep."""
    heard = log_pole_per_frame.imag < np.pi
    steep = -log_pole_per_frame.real * BLOCK > SMOOTH
    bins = np.where(steep, np.inf, bin_below(log_pole_per_frame, BLOCK))
    order = np.argsort(bins, kind="stable")
    return order[heard[order]], int(np.count_nonzero(heard & ~steep))


def _runs(log_pole_per_frame: AnyComplex, weights: AnyComplex) -> tuple[Indices, Singles]:
    """Of R modes in the order of their bins: where those of each bin begin (runs + 1,), weights (P, R, 2 ROW).

    Run k counts for the bins from k on, the first of which is that below 0 Hz which the lowest mode reaches.
    """
    first = np.searchsorted(bin_below(log_pole_per_frame, BLOCK), np.arange(OVERSAMPLING * BLOCK // 2 + 1))
    begins = np.append(first, log_pole_per_frame.size).astype(np.int64)
    fitted = np.zeros((log_pole_per_frame.size, ROW), complex)
    fitted[:, :WIDTH] = fit_sums(log_pole_per_frame, BLOCK)[:, LEAST : LEAST + WIDTH]
    run = weights[:, :, None] * fitted
    return begins, np.ascontiguousarray(np.concatenate([run.real, run.imag], axis=2), np.float32)


@functools.cache
def _waves() -> Singles:
    """(B, 2, BLOCK): what the real and the imaginary part of each bin come to, frame by frame."""
    size = OVERSAMPLING * BLOCK
    bins = LEAST - BELOW + np.arange(size // 2 + ROW)
    wave = np.exp(2j * np.pi / size * np.arange(size))[np.multiply.outer(bins, np.arange(BLOCK)) % size]
    waves = np.stack([wave.real, -wave.imag], axis=1) * (2.0 * unwindow(BLOCK))
    return np.asarray(waves, np.float32)


def _table(log_pole_per_frame: AnyComplex, weights: AnyComplex) -> Singles:
    """(P, S, 2, BLOCK): Re(x w z^j) = Re x Re(w z^j) - Im x Im(w z^j), what a real part counts for first."""
    ahead = weights[:, :, None] * _without_tiny(powers(log_pole_per_frame, BLOCK)).T
    return np.ascontiguousarray(np.stack([ahead.real, -ahead.imag], axis=2), np.float32)


def _without_tiny(factor: AnyComplex) -> AnyComplex:
    """What is smaller is none: products of such numbers become so small that processors are slow with them."""
    return np.where(np.abs(factor) < GONE, 0.0, factor)
