"""The modal bank, live: the sum of `synth.sound.bank`, a short block at a time, for a player who is waiting.

In: the modes once; increments from another thread, a little ahead of their moment. Out: the next frames. Two
levels: the modes' states at every WIDTH-th frame, and one table from a state to the WIDTH frames that follow it:

    y_p(16 i + j) = Re sum_m x_m(i) (w_pm z_m^j),      x_m(i + 1) = x_m(i) z_m^16,      z = exp(s / rate)

An event gets a row of its own in the same matrix product, which gives the frames from its first to the end of its
sixteen, and is in the states from there on: it starts at its exact frame. Products over PORTION modes are added
up: single precision then rounds less than over all modes at once. They are written out: each number of the table
is used by a few states only, and a library's matrix product, which first lays the table out anew, takes three
times as long. A block takes a few compiled calls. They keep the interpreter's lock: numpy gives it away in each
of its steps on more than 500 numbers, and after each the audio thread may wait half a millisecond until it gets
it back.

Shapes: M modes, P points, S events, n frames.
"""

from __future__ import annotations

import heapq
from collections import deque
from functools import lru_cache
from itertools import count
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import AnyComplex, Array, Singles
from synth.sound.pole_steps import advanced, checked_poles, first_frame, powers

WIDTH: Final = 16  # frames to a state: table and states of 3,000 modes stay in the processor's cache
LONGEST: Final = 512  # frames of a block
PORTION: Final = 128  # modes, whose part of the table stays in the nearest cache
SILENT: Final = 1e-24  # of a state: far below hearing, far above numbers that processors are slow with


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
        portions = max(1, -(-modes // PORTION))
        step = powers(
            self.log_pole_per_frame, WIDTH + 1
        )  # (WIDTH + 1, M) what carries a state over 0 ... WIDTH frames
        self._step = np.stack([step.real, step.imag])
        self._table = _table(step[:WIDTH], weights[:, heard], portions)
        self._state = np.zeros((2, modes))
        self._rows = np.zeros((LONGEST, 2, modes), np.float32)  # of the events of one block
        self._offset = np.zeros(LONGEST, np.int64)
        room = LONGEST // WIDTH + LONGEST
        self._states = np.zeros((room, 2 * PORTION), np.float32)  # of one portion
        self._sums = np.zeros((room, self.points * WIDTH), np.float32)
        self._inbox: deque[tuple[list[int], NDArray[np.float32]]] = deque()
        self._waiting: list[tuple[int, int, int, NDArray[np.float32]]] = []
        self._order = count()
        self._run, self._put = _compiled()
        # compiled before anyone waits for it
        self._run_block(np.zeros((self.points, WIDTH), np.float32), 0)
        nothing = np.zeros((1, 2, modes), np.float32)
        for writeable in (True, False):  # numba compiles once more for what comes out of a pipe, read-only
            nothing.flags.writeable = writeable
            self._put(self._rows, 0, nothing, 0, 0.0)

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
            self._put(self._rows, used - 1, rows, n, again)
        return used

    def _carried(self, row: NDArray[np.float32], frames: int) -> NDArray[np.float32]:
        moved = (row[0] + 1j * row[1]) * np.exp(self.log_pole_per_frame * frames)
        return np.stack([moved.real, moved.imag])[None].astype(np.float32)

    def _run_block(self, sound: Singles, events: int) -> None:
        self._run(
            sound,
            self._state,
            self._step,
            self._table,
            self._rows,
            self._offset,
            events,
            self._states,
            self._sums,
        )


def _table(step: AnyComplex, weights: AnyComplex, portions: int) -> NDArray[np.float32]:
    """(portions, P WIDTH, 2 PORTION): Re(x w z^j) = Re x Re(w z^j) - Im x Im(w z^j), real parts first."""
    width, modes = step.shape
    flat = np.zeros((len(weights) * width, portions * PORTION), complex)
    flat[:, :modes] = (weights[:, None, :] * step).reshape(-1, modes)
    parts = flat.reshape(-1, portions, PORTION).swapaxes(0, 1)
    return np.ascontiguousarray(np.concatenate([parts.real, -parts.imag], axis=2).astype(np.float32))


@lru_cache
def _compiled() -> Any:
    from synth.compiled import njit

    @njit(cache=True, fastmath={"contract", "reassoc"})
    def add_product(states: Any, table: Any, sums: Any) -> None:
        """sums (n, J) += states (n, K) @ table (J, K).T, two rows by four columns at a time; n even, J by fours."""
        zero = np.float32(0.0)
        for i in range(0, len(states), 2):
            x, y = states[i], states[i + 1]
            for j in range(0, len(table), 4):
                a, b, c, d = table[j], table[j + 1], table[j + 2], table[j + 3]
                xa = xb = xc = xd = ya = yb = yc = yd = zero
                for m in range(len(x)):
                    xa += x[m] * a[m]
                    xb += x[m] * b[m]
                    xc += x[m] * c[m]
                    xd += x[m] * d[m]
                    ya += y[m] * a[m]
                    yb += y[m] * b[m]
                    yc += y[m] * c[m]
                    yd += y[m] * d[m]
                sums[i, j] += xa
                sums[i, j + 1] += xb
                sums[i, j + 2] += xc
                sums[i, j + 3] += xd
                sums[i + 1, j] += ya
                sums[i + 1, j + 1] += yb
                sums[i + 1, j + 2] += yc
                sums[i + 1, j + 3] += yd

    @njit(cache=True, fastmath={"contract"})
    def block(
        sound: Any,
        state: Any,
        step: Any,
        table: Any,
        rows: Any,
        offset: Any,
        events: int,
        states: Any,
        sums: Any,
    ) -> None:
        points, frames = sound.shape
        modes = state.shape[1]
        segments = (frames + WIDTH - 1) // WIDTH
        used = segments + events
        used += used % 2  # rows go by two: what the last one holds is not asked for
        whole = sums[:used]
        whole[:] = 0.0
        # a portion at a time, from its states to its sum: all that it touches stays in the nearest cache, and the
        # loops over modes run over neighbours, many to an instruction
        for k in range(len(table)):
            mine = slice(k * PORTION, min((k + 1) * PORTION, modes))
            re, im = state[0, mine], state[1, mine]
            event = 0
            for i in range(segments):
                width = min(WIDTH, frames - i * WIDTH)
                a, b = step[0, width, mine], step[1, width, mine]
                now, imaginary = states[i, : len(re)], states[i, PORTION : PORTION + len(re)]
                for m in range(len(re)):
                    alive = abs(re[m]) + abs(im[m]) >= SILENT
                    x = re[m] if alive else 0.0
                    y = im[m] if alive else 0.0
                    now[m] = x
                    imaginary[m] = y
                    re[m] = x * a[m] - y * b[m]
                    im[m] = x * b[m] + y * a[m]
                while event < events and offset[event] < i * WIDTH + width:
                    left = i * WIDTH + width - offset[event]
                    c, d = step[0, left, mine], step[1, left, mine]
                    u, v = rows[event, 0, mine], rows[event, 1, mine]
                    now = states[segments + event, : len(re)]
                    imaginary = states[segments + event, PORTION : PORTION + len(re)]
                    for m in range(len(re)):
                        now[m] = u[m]
                        imaginary[m] = v[m]
                        re[m] += u[m] * c[m] - v[m] * d[m]
                        im[m] += u[m] * d[m] + v[m] * c[m]
                    event += 1
            add_product(states[:used], table[k], whole)
        for p in range(points):
            for i in range(segments):
                for j in range(min(WIDTH, frames - i * WIDTH)):
                    sound[p, i * WIDTH + j] = whole[i, p * WIDTH + j]
            for e in range(events):
                first = offset[e]
                end = min(frames, (first // WIDTH + 1) * WIDTH)
                for k in range(first, end):
                    sound[p, k] += whole[segments + e, p * WIDTH + k - first]

    @njit(cache=True)
    def put(to: Any, at: int, rows: Any, n: int, again: float) -> None:
        """A row among the events of the block, or on top of the one that is there."""
        for part in range(2):
            for m in range(rows.shape[2]):
                to[at, part, m] = again * to[at, part, m] + rows[n, part, m]

    return block, put
