"""Force on the coupled modes: what is heard while it acts, and the modes' states that it leaves.

In: poles s (M,), weights w (P, M), how the points where forces act move in each mode, psi (Q, M); impulses in time.
Out: contact signals while the force acts, and modal amplitudes at the ends of chunks of time, exact for a bank.

With shapes normalised by v^T M v = 1, an impulse P at t0 adds to mode m (reciprocity)

    a_m(t) += b_m P exp(s_m (t - t0)),    b_m = -j psi_m / Im s_m,

and a signal that follows acceleration (its w carries s^2) hears the force at once besides, for s (s a + b F) is the
mode's acceleration:

    y(t) = Re sum w_m (a_m(t) + b_m F(t) / s_m).

Time is cut into chunks. The impulses of a chunk, on half frames, are heard

    in the chunk            through the first samples of Re sum w b exp(s t)       `far`
    from its end on         by the state they left there, an event of the bank     `states`
    around their moments    through what the low-pass makes of a response that     `near`
                            begins at once, less what of it stands in the two others

           chunk k                  chunk k + 1
    ------|--------P---------------|---------------------------
           near  . | . near
                   far ----------->|state, rings in the bank -->

Shapes: M modes, P contact signals, Q inputs, S impulses, K blocks (a chunk of one input), E chunks, T frames.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from functools import cached_property, lru_cache
from typing import Any, Final

import numpy as np
from numpy.fft import irfft, rfft
from numpy.typing import NDArray

from synth.arrays import AnyComplex, Array, Indices, Singles
from synth.compiled import njit
from synth.frozen import frozen
from synth.sound import lanes
from synth.sound.bandlimit import (
    FINER,
    REACH,
    SPREAD,
    limited_rings,
    low_pass,
    spread_weights,
)
from synth.sound.drive_parts import DrivePart, drive_parts, part_edges
from synth.sound.fast_length import fast_length
from synth.sound.lanes import ROW, add_between
from synth.sound.left_states import LeftStates
from synth.sound.pole_steps import powers

CHUNK: Final = 256  # frames: as many values of the response are kept for each input and signal
AT_ONCE: Final = 128  # modes made ready at once
BEFORE: Final = SPREAD // 2 - 1  # grid points before an impulse's own that it is added to


@frozen
class Force:
    """S impulses at times (S,) s on inputs (S,), or each with A parts, on that input and the next A - 1."""

    time: Array
    source: Indices
    impulse: Array  # (S,) or (S, A) N s


@frozen
class Inputs:
    """Points at which forces act, made ready: how they drive the modes, and how that is heard."""

    drive: NDArray[np.complex64]  # (Q, M) b
    within: NDArray[
        np.complex64
    ]  # (Q, P, 2, F) spectra of what is heard up to the chunk's end, see `_sounded`
    beyond: (
        Singles  # (Q, P, 2, 2 REACH + 1): frames i - REACH after an impulse on a frame, and half before one,
        # once the chunk's state rings by itself
    )


def joined_inputs(parts: Sequence[Inputs]) -> Inputs:
    """The inputs of several, in their order."""
    if not parts:
        none = np.zeros((0, 0, 2, 0))
        return Inputs(np.zeros((0, 0), np.complex64), none.astype(np.complex64), none.astype(np.float32))
    return Inputs(
        *(np.concatenate([getattr(part, name) for part in parts]) for name in ("drive", "within", "beyond"))
    )


def taken_apart(inputs: Inputs, size: int) -> Iterator[Inputs]:
    """Some inputs after the other: what they hear is theirs alone, so that each may be kept by itself."""
    for first in range(0, len(inputs.drive), size):
        some = slice(first, first + size)
        yield Inputs(inputs.drive[some], inputs.within[some].copy(), inputs.beyond[some].copy())


@frozen
class Driven:
    """What impulses become: contact signals from `frame` on, and states of all modes at the ends of chunks."""

    frame: int
    signals: Array  # (P, T)
    ends: Indices  # (E,) frames
    states: NDArray[np.complex64]  # (E, M)


@frozen
class Left:
    """What impulses leave: states of all modes at the ends of chunks; and the impulses, made ready to be heard."""

    ends: Indices  # (E,) frames
    states: NDArray[np.complex64]  # (E, M)
    blocks: _Blocks
    start: Indices  # (E,) the first of each chunk's blocks
    chunk_of: Indices  # (K,) which chunk each block is of


class Drive:
    """The modes as forces meet them and one radiator hears them."""

    def __init__(
        self,
        pole: AnyComplex,
        weights: AnyComplex,
        *,
        immediate: NDArray[np.bool_],
        rate: float,
        chunk: int = CHUNK,
    ) -> None:
        """`immediate` (P,): which contact signals follow acceleration, and so hear a force at once."""
        self.pole, self.rate, self.chunk = pole, rate, chunk
        heard = pole.imag < np.pi * rate  # as in the bank
        self.weights = np.where(heard, weights, 0.0)
        self.immediate = immediate

    def inputs(self, drive: AnyComplex) -> Inputs:
        """Points at which 1 N s adds `drive` (Q, M) to the modes' amplitudes: many at once cost little more."""
        heard = drive[:, None] * self.weights  # (Q, P, M)
        at_once = np.where(self.immediate, real_product(heard, 1.0 / self.pole), 0.0)[..., None]
        near = real_product(heard, self._near.T) + self.rate * at_once * low_pass(_offsets())
        # from half a frame on: the turns stand from the chunk's start on
        later = real_product(heard.astype(np.complex64), self._turns.T)[..., ::-1]
        ring = np.concatenate([heard.real.sum(axis=2)[..., None], later], axis=2)
        within = np.concatenate([near, ring[..., 2 * REACH + 1 : 2 * self.chunk]], axis=2)
        beyond = near.copy()
        beyond[..., 2 * REACH :] -= ring[..., : 2 * REACH + 1]
        spectra = rfft(_by_parity(within), self._size).astype(np.complex64)
        return Inputs(drive.astype(np.complex64), spectra, _by_parity(beyond).astype(np.float32))

    def __call__(self, inputs: Inputs, force: Force) -> Driven:
        """The impulses heard and left behind. ValueError for times that are not finite."""
        left = self.left(inputs.drive, force)
        return Driven(*self.heard(inputs, left), left.ends, left.states)

    def left(self, drive: NDArray[np.complex64], force: Force, part: DrivePart | None = None) -> Left:
        """What the impulses leave behind, on inputs of this `drive` (Q, M): all that the next stroke waits for.

        Of a `part` only; its states are those of the whole, to the last digit.
        """
        blocks = _blocks(force, self.rate, self.chunk)
        if part is not None:
            here = (blocks.chunk >= part.first) & (blocks.chunk < part.end)
            blocks = _Blocks(blocks.chunk[here], blocks.source[here], blocks.force[here])
        new = np.ones(len(blocks.chunk), np.bool_)
        new[1:] = blocks.chunk[1:] != blocks.chunk[:-1]
        start, chunk_of = np.flatnonzero(new), np.cumsum(new) - 1
        ends = (blocks.chunk[start] + 1) * self.chunk
        edges = part_edges(blocks.chunk) if part is None else [0, len(blocks.chunk)]
        states = np.zeros((len(start), len(self.pole)), np.complex64)
        self._left.add(states, blocks.force, drive, blocks.source, chunk_of, edges)
        return Left(ends, states, blocks, start, chunk_of)

    def parts(self, time: float) -> Iterator[DrivePart]:
        """The parts of a stroke whose first impulse is at `time` s, one after the other, for ever."""
        begin = (math.floor(time * FINER * self.rate) - BEFORE) // (FINER * self.chunk)
        return drive_parts(begin, chunk_s=self.chunk / self.rate, reach_s=SPREAD / (FINER * self.rate))

    def heard(self, inputs: Inputs, left: Left) -> tuple[int, Array]:
        """Contact signals (P, T) of the same impulses, from a frame on, beyond what the states ring.

        Up to a chunk's end by spectra, those of whole frames and those of the half frames before them apart.
        """
        blocks, start, chunk_of = left.blocks, left.start, left.chunk_of
        if not len(start):
            return 0, np.zeros((len(self.weights), 0))
        first = int(blocks.chunk[0]) * self.chunk - REACH
        last = (int(blocks.chunk[-1]) + 1) * self.chunk + REACH
        signals = np.zeros((len(self.weights), last - first))
        frames = np.zeros((len(blocks.chunk), 2, self.chunk + 1))
        frames[:, 0, :-1], frames[:, 1, 1:] = blocks.force[:, ::2], blocks.force[:, 1::2]
        spectra = np.zeros((len(start), len(signals), self._size // 2 + 1), np.complex128)
        _through(rfft(frames, self._size), chunk_of, blocks.source, inputs.within, spectra)
        heard = irfft(spectra, self._size)[..., : REACH + self.chunk]
        for chunk, sound in zip(blocks.chunk[start].tolist(), heard, strict=True):
            begin = chunk * self.chunk - REACH - first
            signals[:, begin : begin + REACH + self.chunk] += sound
        _hear_beyond(blocks.force, blocks.chunk, blocks.source, inputs.beyond, self.chunk, first, signals)
        silent = (
            int(np.argmax(blocks.force[chunk_of == 0].any(axis=0))) // FINER
        )  # frames before the first force
        return first + silent, signals[:, silent:]

    @cached_property
    def _left(self) -> LeftStates:
        return LeftStates(self.pole / (FINER * self.rate), FINER * self.chunk, self._turns)

    @cached_property
    def _size(self) -> int:
        """Of a transform that holds a chunk's force and its response without wrapping into what is used."""
        return fast_length(REACH + 2 * self.chunk + 1)

    @cached_property
    def _turns(self) -> NDArray[np.complex64]:
        """(2 chunk, M) what carries a state from each half frame of a chunk to the chunk's end."""
        turns = np.empty((FINER * self.chunk, len(self.pole)), np.complex64)
        for first in range(0, len(self.pole), AT_ONCE):
            some = slice(first, first + AT_ONCE)
            turns[:, some] = powers(self.pole[some] / (FINER * self.rate), len(turns) + 1)[:0:-1]
        return turns

    @cached_property
    def _near(self) -> AnyComplex:
        """(J, M) the modes' rings around their start, low-passed."""
        return limited_rings(self.pole / self.rate, _offsets())


def reciprocal(pole: AnyComplex, shape: AnyComplex) -> AnyComplex:
    """What 1 N s adds to amplitudes (Q, M) of modes at points that move by `shape` (Q, M), kg^-1/2, in them."""
    return np.asarray(-1j * shape / pole.imag)


def real_product(one: AnyComplex, other: AnyComplex) -> Array:
    """Re(one @ other) (..., J) of one (..., M) and other (M, J) or (M,), as one real product: half the work."""
    flat = one.conj().reshape(-1, one.shape[-1]).view(one.real.dtype)
    rows = np.ascontiguousarray(other.T).view(other.real.dtype)
    return np.asarray(flat @ rows.T).reshape(*one.shape[:-1], *rows.shape[:-1])


def _offsets() -> Array:
    """(J,) half frames within REACH of an impulse, in frames."""
    return np.arange(-FINER * REACH, FINER * REACH + 1) / FINER


def _by_parity(kernel: Array) -> Array:
    """Responses on half frames from -REACH on (..., J), whole frames and those between apart: (..., 2, J / 2)."""
    padded = np.concatenate([kernel, np.zeros((*kernel.shape[:-1], kernel.shape[-1] % 2))], axis=-1)
    return np.ascontiguousarray(np.swapaxes(padded.reshape(*kernel.shape[:-1], -1, 2), -1, -2))


@frozen
class _Blocks:
    """Impulses on half frames: K chunks of single inputs, by chunk and then by input."""

    chunk: Indices  # (K,)
    source: Indices  # (K,)
    force: Array  # (K, 2 chunk) N s


def _blocks(force: Force, rate: float, chunk: int) -> _Blocks:
    if not len(force.time):
        return _Blocks(np.zeros(0, np.int64), np.zeros(0, np.int64), np.zeros((0, FINER * chunk)))
    if not np.isfinite(force.time).all():
        raise ValueError("times of impulses must be finite")
    point = force.time * (FINER * rate)
    impulse = np.ascontiguousarray(force.impulse.reshape(len(point), -1))
    size, inputs = FINER * chunk, int(force.source.max()) + impulse.shape[1]
    earliest = (math.floor(point.min()) - SPREAD) // size
    chunks = (math.floor(point.max()) + SPREAD) // size + 1 - earliest
    slot = np.full((chunks, inputs), -1)
    count = _touched(point, force.source, impulse.shape[1], earliest, SPREAD, size, slot)
    chunk_of, source = np.nonzero(slot >= 0)
    slot[chunk_of, source] = np.arange(count)
    grid = np.zeros((count, size))
    _spread(point, force.source, impulse, earliest, SPREAD, slot, _in_a_row(), grid)
    return _Blocks(chunk_of + earliest, source, grid)


@lru_cache
def _in_a_row() -> Array:
    """(FRACTIONS + 1, ROW): the weights, and zeros beyond them."""
    return np.pad(spread_weights(), ((0, 0), (0, ROW - SPREAD)))


# numbers of other files come as arguments or shapes: kept compiled code would not see them change
@njit(cache=True, nogil=True)
def _touched(point: Any, source: Any, parts: int, earliest: int, spread: int, size: int, slot: Any) -> int:
    """Marks in slot (chunks, Q), -1 so far, the blocks that impulses at grid points (S,) fall into; how many.

    Each falls on so many inputs, from that of `source` (S,) on.
    """
    count, before, mine = 0, -1.0, -1
    for s in range(point.shape[0]):
        if np.floor(point[s]) == before and source[s] == mine:
            continue
        before, mine = np.floor(point[s]), source[s]
        first = int(before) - (spread // 2 - 1)
        for edge in (first, first + spread - 1):
            chunk = edge // size - earliest
            for its in range(mine, mine + parts):
                if slot[chunk, its] < 0:
                    slot[chunk, its] = 0
                    count += 1
    return count


@njit(cache=True, holds=(lanes,), nogil=True, fastmath={"contract"})
def _spread(
    point: Any,
    source: Any,
    impulse: Any,
    earliest: int,
    spread: int,
    slot: Any,
    weights: Any,
    grid: Any,
) -> None:
    """Adds every impulse (S, A) to the grid (K, G) by its weights, ROW of them of which `spread` count.

    `slot` (chunks, Q) says in which blocks.
    """
    size, fractions = grid.shape[1], weights.shape[0] - 1
    for s in range(point.shape[0]):
        floor = int(np.floor(point[s]))
        position = (point[s] - floor) * fractions
        row = min(int(position), fractions - 1)
        first = floor - (spread // 2 - 1)
        chunk = first // size
        at = first - chunk * size
        for a in range(impulse.shape[1]):
            later = (position - row) * impulse[s, a]
            now = impulse[s, a] - later
            block = slot[chunk - earliest, source[s] + a]
            if at + ROW <= size:
                add_between(grid, block * size + at, weights, row, now, later)
                continue
            for j in range(spread):
                if at + j == size:
                    block = slot[chunk - earliest + 1, source[s] + a]
                grid[block, (at + j) % size] += weights[row, j] * now + weights[row + 1, j] * later


@njit(cache=True, nogil=True, fastmath={"contract"})
def _through(force: Any, chunk_of: Any, source: Any, within: Any, spectra: Any) -> None:
    """Adds to spectra (E, P, F) those of the blocks' force (K, 2, F) through their inputs."""
    for k in range(force.shape[0]):
        for p in range(spectra.shape[1]):
            whole, half = within[source[k], p, 0], within[source[k], p, 1]
            to = spectra[chunk_of[k], p]
            for f in range(force.shape[2]):
                to[f] += force[k, 0, f] * whole[f] + force[k, 1, f] * half[f]


@njit(cache=True, nogil=True, fastmath={"reassoc", "contract", "nsz"})
def _hear_beyond(
    force: Any, chunk_of: Any, source: Any, beyond: Any, chunk: int, first: int, signals: Any
) -> None:
    """Adds to signals (P, T), from frame `first` on, what is heard of the blocks after their chunks' ends."""
    reach = beyond.shape[3] // 2
    for k in range(force.shape[0]):
        begin = chunk_of[k] * chunk - first
        for g in range(max(0, 2 * (chunk - reach) - 3), force.shape[1]):
            push = force[k, g]
            odd = g % 2
            start = begin + (g + odd) // 2 - reach  # the frame of the kernel's first value
            inside = begin + chunk - start
            length = min(beyond.shape[3], signals.shape[1] - start)
            for p in range(signals.shape[0]):
                kernel = beyond[source[k], p, odd]
                for i in range(inside, length):
                    signals[p, start + i] += push * kernel[i]
