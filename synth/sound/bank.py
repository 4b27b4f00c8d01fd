"""The modal bank, offline: decaying modes and the moments at which they are set going become samples.

In: modes as poles s (M,) and weights w (P, M), events as times t_e and amplitudes a (S, M). Out: blocks of

    y_p(t) = Re sum_m w_pm sum_{e: t_e <= t} a_em exp(s_m (t - t_e)),      t = n / rate.

The bank knows no instrument: a mode is a pole, a listening point is a row of weights.

Events cut time into segments. The state of every mode is carried from one segment's first frame to the next, so
that an event starts exactly where it belongs; segments are then filled many at a time with blocks of the shortest
of LENGTHS that covers them, and steep modes with as many shorter blocks as they live.

           event          event                                    event
    |--------+--------------+----------------------------------------+-----| frames
    : 8192   : 512          : 8192           8192            8192    : 512     modes that decay slowly
    : 512 512: 512          : 512 512 512    (dead)                  : 512     modes that decay faster

Shapes: M modes, P points, S events, N frames, n blocks of one length.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import replace
from functools import cached_property, partial
from typing import Final

import numpy as np

from synth.arrays import AnyComplex, Array, Indices, Singles
from synth.frozen import frozen
from synth.sound.bin_sums import STEEPEST, BinSum, BlockSum, DenseSum, PlacedBlocks, in_fours
from synth.sound.onsets import Coming, Events, Onsets
from synth.sound.pole_steps import Advance, advanced, checked_poles, powers

LENGTHS: Final = (64, 512, 2048, 8192)  # frames of a block; the first is summed directly
BLOCK: Final = 1 << 20  # frames given out at once unless told otherwise
SMALLER: Final = 1 << 18  # of more than MANY modes: what carries them over so many would leave the cache
MANY: Final = 8192  # modes
CACHED: Final = 1 << 15  # amplitudes worked on at once: 512 KiB
DEAD: Final = 1e-6  # of the loudest mode, -120 dB: what has died
LOST: Final = 1e-7  # of the loudest mode: what all modes that are let go at one time may add up to
WORTH_REBUILDING: Final = 0.8  # of the modes last summed: when fewer are left, the sums are made anew


def render(pole: AnyComplex, weights: AnyComplex, events: Events, *, rate: float, frames: int) -> Singles:
    """The whole sound (P, N) float32: what `blocks` gives, put together."""
    sound = np.empty((np.atleast_2d(weights).shape[0], frames), np.float32)
    at = 0
    for block in blocks(pole, weights, events, rate=rate, frames=frames):
        sound[:, at : at + block.shape[1]] = block
        at += block.shape[1]
    return sound


def blocks(
    pole: AnyComplex,
    weights: AnyComplex,
    events: Events,
    *,
    rate: float,
    frames: int,
    block: int | None = None,
) -> Iterator[Singles]:
    """The sound from t = 0 on, in blocks (P, block) float32, the last one shorter; to 1e-6 of the peak.

    pole: (M,) rad/s, one of each conjugate pair (imag >= 0, real <= 0). weights: (P, M) or (M,). events: an
    `EventBatch`, or pairs (time, amplitude (M,)) with rising times; what happened before t = 0 rings on.
    Modes at or above half the rate are left out: sampled, they would sound at a wrong pitch.

    Raises ValueError on poles that grow, arrays that do not fit each other and events that go back in time.
    """
    pole, weights = checked_poles(pole, weights)
    block = block or (SMALLER if pole.size > MANY else BLOCK)
    coming = Coming(events, pole.size, rate)
    bank = _Bank(pole, weights, rate, block)
    for start in range(0, frames, block):
        stop = min(start + block, frames)
        sound = np.zeros((len(weights), stop - start), np.float32)
        left = start
        while left < stop:
            onsets = coming.before(stop)
            right = coming.next_frame(stop)
            bank.fill(sound[:, left - start : right - start], onsets, left)
            left = right
        yield sound


class _Bank:
    """The ringing modes: their states, and the sums over blocks of those that still sound.

    Modes stand in order of the longest block that they may fill, then by frequency.
    """

    def __init__(self, pole: AnyComplex, weights: AnyComplex, rate: float, block: int) -> None:
        log_pole_per_frame = pole / rate
        longest = _longest(log_pole_per_frame)
        order = np.lexsort((log_pole_per_frame.imag, longest))
        self.order = order[log_pole_per_frame.imag[order] < np.pi]
        self.log_pole_per_frame = log_pole_per_frame[self.order]
        self.weights = weights[:, self.order].astype(np.complex64)
        self.loudness = np.abs(self.weights)
        self.peak_so_far = np.full((len(weights), 1), np.finfo(np.float32).tiny)
        self.state = np.zeros(self.log_pole_per_frame.size, complex)
        self.all = _Active.of(self.log_pole_per_frame, longest[self.order], block)
        self.active = self.all

    def fill(self, sound: Singles, onsets: Onsets, left: int) -> None:
        """Adds the frames from `left` on to sound (P, n), and moves the states to its end."""
        relative = self._prune(np.abs(self.state) + _total(onsets.rows)[self.order])
        which = self.active.modes
        if not which.size:
            self.state[:] = 0.0
            return
        starts, states = self._carry(onsets, left, left + sound.shape[1])
        weights, relative = self.weights[:, which], relative[which]
        starts -= left
        lengths = np.diff(np.concatenate([starts, [sound.shape[1]]]))
        for part in self.active.parts:
            part.add(sound, states, starts, lengths, weights=weights, relative=relative)

    def _carry(self, onsets: Onsets, left: int, right: int) -> tuple[Indices, AnyComplex]:
        """First frames of the segments, and states of the modes alive there (n, A) complex64; ends at `right`."""
        which = self.active.modes
        state = self.state[which]
        states = np.empty((onsets.frame.size + 1, which.size), np.complex64)
        starts = [left]
        for part in _few(onsets.frame.size, which.size):
            rows = np.take(onsets.rows[part], self.order[which], axis=1)
            rows = advanced(rows, self.log_pole_per_frame[which], onsets.frames_late[part])
            for frame, row in zip(onsets.frame[part].tolist(), rows, strict=True):
                if frame > starts[-1]:
                    states[len(starts) - 1] = state
                    self.active.advance.by(state, frame - starts[-1])
                    starts.append(frame)
                state += row
        states[len(starts) - 1] = state
        self.active.advance.by(state, right - starts[-1])
        self.state[:] = 0.0
        self.state[which] = state
        return np.array(starts), states[: len(starts)]

    def _prune(self, bound: Array) -> Array:
        """Chooses the modes that are worth summing; gives each mode's level relative to the loudest (M,).

        Dead are those below DEAD of the loudest at every point, as long as all that goes at one time is below LOST
        of the loudest so far: a thousand modes that just died are still heard together.
        """
        level = self.loudness * bound
        now = level.max(axis=1, keepdims=True, initial=0.0)
        self.peak_so_far = np.maximum(self.peak_so_far, now)
        relative = (level / np.maximum(now, np.finfo(np.float64).tiny)).max(axis=0)
        share = (level / self.peak_so_far).max(axis=0)
        quiet = np.flatnonzero(relative < DEAD)
        quiet = quiet[np.argsort(share[quiet], kind="stable")]
        pruned = np.zeros(share.size, bool)
        pruned[quiet[np.cumsum(share[quiet]) <= LOST]] = True
        have = np.zeros(share.size, bool)
        have[self.active.modes] = True
        if (~pruned & ~have).any() or np.count_nonzero(~pruned) < WORTH_REBUILDING * np.count_nonzero(have):
            self.active = self.all.only(np.flatnonzero(~pruned))
        return np.asarray(relative)


@frozen
class _Active:
    """The modes worth summing (indices (A,) among all), with their factors and sums made ready."""

    modes: Indices
    advance: Advance
    parts: tuple[_Part, ...]

    @classmethod
    def of(cls, log_pole_per_frame: AnyComplex, longest: Indices, block: int) -> _Active:
        """All modes, given which of LENGTHS is the longest that each may fill (M,), rising."""
        parts, make = [], partial(_Part.of, log_pole_per_frame)
        last = len(LENGTHS) - 1
        edge = np.searchsorted(longest, np.arange(len(LENGTHS) + 1))
        for k, length in enumerate(LENGTHS):
            shorter = LENGTHS[k - 1] if k else 0
            most = -(-block // length)
            all_of_them = slice(edge[k], log_pole_per_frame.size)
            if k == last:
                parts.append(make(all_of_them, k, above=shorter, upto=block, most=most))
                continue
            parts.append(make(all_of_them, k, above=shorter, upto=length, most=1))
            nepers = math.log(max(log_pole_per_frame.size, 1) / LOST)
            steep = slice(edge[k], edge[k + 1])
            most = min(most, math.ceil(nepers / STEEPEST * LENGTHS[k + 1] / length))
            parts.append(make(steep, k, above=length, upto=block, most=most))
        return cls(np.arange(log_pole_per_frame.size), Advance(log_pole_per_frame, block), tuple(parts))

    def only(self, modes: Indices) -> _Active:
        """Some of them."""
        return _Active(modes, self.advance.only(modes), tuple(part.only(modes) for part in self.parts))


@frozen
class _Part:
    """Some modes summed in blocks of one length, over the segments whose length is in (above, upto].

    `most` blocks of a segment; `make_reach` makes `reach`.
    """

    modes: slice
    decay_per_frame: Array
    total: BlockSum
    most: int
    make_reach: Callable[[], AnyComplex]
    above: int
    upto: int

    @classmethod
    def of(
        cls,
        log_pole_per_frame: AnyComplex,
        modes: slice,
        k: int,
        *,
        above: int,
        upto: int,
        most: int,
    ) -> _Part:
        mine, length = log_pole_per_frame[modes], LENGTHS[k]
        total: BlockSum = (BinSum if k else DenseSum)(mine, length)

        def reach() -> AnyComplex:
            return in_fours(powers(mine * length, most).astype(np.complex64))

        return cls(modes, np.asarray(-mine.real), total, most, reach, above, upto)

    @cached_property
    def reach(self) -> AnyComplex:
        """(most, K or more) what carries a state over 0, 1, ... blocks."""
        return self.make_reach()

    def only(self, modes: Indices) -> _Part:
        """The same for some of the modes, `modes` counted among all of them."""
        start, stop = np.searchsorted(modes, (self.modes.start, self.modes.stop)).tolist()
        mine = modes[start:stop] - self.modes.start
        return replace(
            self,
            modes=slice(start, stop),
            decay_per_frame=self.decay_per_frame[mine],
            total=self.total.only(mine),
            make_reach=lambda: in_fours(np.take(self.reach, mine, axis=1)),
        )

    def add(
        self,
        sound: Singles,
        states: AnyComplex,
        starts: Indices,
        lengths: Indices,
        *,
        weights: AnyComplex,
        relative: Array,
    ) -> None:
        """Adds to sound (P, N) these modes of the segments that begin at `starts` in the states (n, A)."""
        chosen = np.flatnonzero((lengths > self.above) & (lengths <= self.upto))
        if not chosen.size or not self.decay_per_frame.size:
            return
        length = self.total.length
        counts = np.minimum(-(-lengths[chosen] // length), self._lives(relative[self.modes]))
        segment = np.repeat(chosen, counts)
        nth = np.arange(segment.size) - np.repeat(np.cumsum(counts) - counts, counts)
        filled = np.minimum(lengths[segment] - nth * length, length)
        blocks = PlacedBlocks(starts[segment] + nth * length, filled, segment, nth)
        for here, weight in zip(sound, weights[:, self.modes], strict=True):
            self.total.add(here, blocks, states[:, self.modes] * weight, self.reach)

    def _lives(self, relative: Array) -> int:
        """Blocks until all that is left of these modes is below LOST, from levels relative to the loudest."""
        few, enough = 0, self.most
        while enough - few > 1:
            n = (few + enough) // 2
            left = relative @ np.exp(-self.decay_per_frame * (n * self.total.length))
            few, enough = (few, n) if left < LOST else (n, enough)
        return enough


def _longest(log_pole_per_frame: AnyComplex) -> Indices:
    """Which of LENGTHS is the longest block that a mode may fill (M,); the first takes any decay."""
    steps = [-log_pole_per_frame.real * length <= STEEPEST for length in LENGTHS[1:]]
    return np.asarray(np.sum(steps, axis=0, dtype=np.int64))


def _total(rows: AnyComplex) -> Array:
    """Sum of absolute values over events (M,)."""
    total = np.zeros(rows.shape[1])
    for part in _few(*rows.shape):
        total += np.abs(rows[part]).sum(axis=0)
    if not np.isfinite(total).all():
        raise ValueError("amplitudes must be finite")
    return total


def _few(rows: int, columns: int) -> Iterator[slice]:
    """Slices of so few rows that they stay in the processor's cache."""
    size = max(1, CACHED // max(columns, 1))
    return (slice(at, min(at + size, rows)) for at in range(0, rows, size))
