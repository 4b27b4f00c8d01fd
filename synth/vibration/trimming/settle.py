"""From about where nuts should sit to where they must: Newton's method on the full model, all starts at once.

In: `Start`s. Out: `TrimSolution`s. Each solves, in the length and as many more unknowns as there are wishes (along
what ways the nuts are moved),

    ln f_1(length, nuts) = ln pitch   (or the length is given),      ln f_p / f_1 (length, nuts) = ln ratio.

Cents a metre are how the first wish's interval answers a nut while the length keeps the pitch; to forgive is to
answer little.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from itertools import groupby
from typing import Final

import numpy as np

from synth.arrays import Array, Bools, Indices
from synth.design.instrument import Nut, PlacedNut, Tine
from synth.frozen import frozen
from synth.units import CENT, MM
from synth.vibration.tine import LONGEST, SHORTEST, plane_ratios
from synth.vibration.trimming.loaded_rod import log_frequencies_at, with_nuts

SAME: Final = 0.1 * MM  # answers of one arrangement nearer than this are one
_STEP: Final = 1e-4  # of the differences, in ln length; of the length, in place
_FURTHEST: Final = 0.05  # of a Newton step, likewise
_STILL: Final = 1e-9  # likewise: the next would be a ten thousandth of it
_ROUNDS: Final = 12
_FLAT: Final = 1e-12  # a determinant below which nothing can be learnt from the slopes
_REACHED: Final = 0.02 * CENT
_TOUCHING: Final = 1e-9  # m


Ways = tuple[tuple[float, ...], ...]
LOCKED: Final[Ways] = ((1.0, 1.0),)  # two nuts moved as one


@frozen
class Aim:
    """A tine, its length without the wished nuts, and what is wished: (partial, ratio), one or two of them."""

    tine: Tine
    length: float  # m
    pitch: float | None  # Hz, clamped, that the length is to keep; None: the length is given
    wishes: tuple[tuple[int, float], ...]


@frozen
class Start:
    """Where to begin with one arrangement of J nuts, and the ways, one a wish, in which they are moved."""

    aim: Aim
    nuts: tuple[Nut, ...]
    length: float
    position: tuple[float, ...]  # (J,) m
    ways: Ways  # a wish's (J,)


@frozen
class TrimSolution:
    """One way to meet the wishes. Per nut: cents of the first wish's interval a metre, the pitch kept; signed."""

    nuts: tuple[PlacedNut, ...]
    length: float  # m
    cents_per_metre: tuple[float, ...]
    locked: bool  # two nuts against each other, moved as one
    thread_pitch: float  # m, 0 on plain rod

    @property
    def unforgiving(self) -> float:
        """Cents a metre if every nut is off by as much: of a locked pair together, of others as independent."""
        return abs(sum(self.cents_per_metre)) if self.locked else math.hypot(*self.cents_per_metre)

    @property
    def cents_per_turn(self) -> float | None:
        """Of the nut or locked pair, or of nuts apart as for `unforgiving`; None on plain rod."""
        return self.unforgiving * self.thread_pitch if self.thread_pitch else None


def settle(starts: Sequence[Start]) -> list[list[TrimSolution]]:
    """What each start leads to: none, where it does not arrive or leaves the tine, or the same as one before."""
    found: list[list[TrimSolution]] = [[] for _ in starts]
    known: dict[tuple[int, tuple[Nut, ...], bool], list[Array]] = {}

    def kind(n: int) -> tuple[int, int]:
        return len(starts[n].nuts), len(starts[n].ways)

    for _, group in groupby(sorted(range(len(starts)), key=kind), key=kind):
        own = list(group)
        for n, solution in _Batch([starts[each] for each in own]).solutions():
            start, position = starts[own[n]], np.array([each.position for each in solution.nuts])
            before = known.setdefault((id(start.aim), start.nuts, solution.locked), [])
            if all(np.max(np.abs(position - other)) > SAME for other in before):
                before.append(position)
                found[own[n]].append(solution)
    return found


def meets_none(tine: Tine, nuts: Sequence[Nut], position: Array) -> Bools:
    """Whether nuts at places (G, J) meet none that the tine has already (G,)."""
    free = np.ones(len(position), dtype=bool)
    for each in tine.trim:
        for column, nut in enumerate(nuts):
            free &= np.abs(position[:, column] - each.position) >= (each.nut.height + nut.height) / 2.0
    return free


class _Batch:
    """C starts of as many nuts and wishes, solved together."""

    def __init__(self, starts: Sequence[Start]) -> None:
        aims = [start.aim for start in starts]
        self.starts, self.tines, self.nuts = starts, [a.tine for a in aims], [s.nuts for s in starts]
        self.rods = with_nuts(self.tines, self.nuts)
        self.bare = np.array([aim.length for aim in aims])
        self.fixed = np.array([aim.pitch is None for aim in aims])
        pitch = np.array([1.0 if aim.pitch is None else aim.pitch for aim in aims])
        self.wanted = np.log(np.where(self.fixed, self.bare, pitch / plane_ratios(self.tines)[:, 0]))
        self.partial = np.array([[partial - 1 for partial, _ in aim.wishes] for aim in aims])
        self.target = np.log([[ratio for _, ratio in aim.wishes] for aim in aims])
        self.position = np.array([start.position for start in starts])
        self.ways = np.array([start.ways for start in starts]) * self.bare[:, None, None]

    def solutions(self) -> Iterator[tuple[int, TrimSolution]]:
        x = np.zeros((1 + self.target.shape[1], len(self.starts)))
        x[0] = np.log([start.length for start in self.starts])
        x, there = _newton(self._miss, x)
        length, position = np.exp(x[0]), self._moved(x, np.arange(len(self.starts)))
        fit = np.flatnonzero(there & self._fits(length, position))
        cents = self._cents_per_metre(fit, length[fit], position[fit])
        for n, slopes in zip(fit.tolist(), cents.tolist(), strict=True):
            placed = tuple(PlacedNut(nut, float(z)) for nut, z in zip(self.nuts[n], position[n], strict=True))
            locked = self.starts[n].ways == LOCKED
            yield n, TrimSolution(placed, float(length[n]), tuple(slopes), locked, self.tines[n].rod.pitch)

    def _moved(self, x: Array, rows: Indices) -> Array:
        """Where the nuts of the starts `rows` (r,) stand (..., r, J) at unknowns (..., n, r)."""
        return np.asarray(self.position[rows] + np.einsum("...wc,cwj->...cj", x[..., 1:, :], self.ways[rows]))

    def _miss(self, x: Array, rows: Indices) -> Array:
        """By how much (V, 1 + W, r) the equations of starts (r,) are missed, at unknowns of the same shape: ln
        length, and ways moved over length."""
        logs = self._logs(rows, np.exp(x[:, 0]), self._moved(x, rows))
        first = np.where(self.fixed[rows], x[:, 0], logs[..., 0]) - self.wanted[rows]
        upper = np.take_along_axis(logs, self.partial[None, rows], axis=2) - logs[..., :1]
        return np.concatenate([first[:, None], (upper - self.target[rows]).swapaxes(1, 2)], axis=1)

    def _logs(self, rows: Indices, length: Array, position: Array) -> Array:
        """ln f_n (V, r, partials) of the starts `rows` (r,) in V states: lengths (V, r), nuts at (V, r, J)."""
        rods, partials = self.rods.take(np.tile(rows, len(length))), int(self.partial.max()) + 1
        flat = position.reshape(length.size, position.shape[2])
        logs = log_frequencies_at(rods, length.ravel(), flat, partials=partials)
        return logs.reshape(*length.shape, partials)

    def _cents_per_metre(self, rows: Indices, length: Array, position: Array) -> Array:
        """How the first wish's interval answers each nut (r, J), the length following so that the pitch stays.

        Of the starts `rows` (r,) at lengths (r,), nuts at (r, J).
        """
        bare, nuts = self.bare[rows], position.shape[1]
        shift = _STEP * bare[None, :, None] * np.eye(nuts)[:, None]
        tall = length * np.concatenate([[1 + _STEP, 1 - _STEP], np.ones(2 * nuts)])[:, None]
        stand = position + np.concatenate([np.zeros((2, *position.shape)), shift, -shift])
        logs = self._logs(rows, tall, stand)
        upper = np.take_along_axis(logs, self.partial[None, rows, :1], axis=2)[..., 0]
        both = np.stack([logs[..., 0], upper - logs[..., 0]], axis=1)  # (V, 2, r)
        by_length = (both[0] - both[1]) / (2 * _STEP)
        by_nut = (both[2 : 2 + nuts] - both[2 + nuts :]) / (2 * _STEP * bare)  # (J, 2, r)
        follow = np.where(self.fixed[rows], 0.0, by_nut[:, 0] / by_length[0])
        return np.asarray(((by_nut[:, 1] - follow * by_length[1]) / CENT).T)

    def _fits(self, length: Array, position: Array) -> Bools:
        half = np.array([[nut.height / 2.0 for nut in nuts] for nuts in self.nuts])
        fits = np.all((position >= half) & (position <= length[:, None] - half), axis=1)
        fits &= np.all(np.diff(position, axis=1) >= half[:, 1:] + half[:, :-1] - _TOUCHING, axis=1)
        free = [
            bool(meets_none(tine, nuts, own[None])[0])
            for tine, nuts, own in zip(self.tines, self.nuts, position, strict=True)
        ]
        return np.asarray(fits & free & (length >= SHORTEST) & (length <= LONGEST))


def _newton(miss: Callable[[Array, Indices], Array], x: Array) -> tuple[Array, Bools]:
    """From starts x (n, C) to where `miss` is nothing, by slopes of differences; and which (C,) arrived.

    `miss` takes several states (V, n, r) of some starts (r,) at once. One that no longer moves rests.
    """
    x, left, off = x.copy(), np.arange(x.shape[1]), np.full(x.shape[1], np.inf)
    aside = _STEP * np.eye(len(x))[:, :, None]
    for _ in range(_ROUNDS):
        error = miss(x[None, :, left], left)[0]
        off[left] = np.max(np.abs(error), axis=0)
        if np.max(off) < 0.1 * _REACHED:
            break
        slopes = ((miss(x[:, left] + aside, left) - error) / _STEP).transpose(2, 1, 0)
        usable = np.abs(np.linalg.det(slopes)) > _FLAT
        change = np.zeros_like(error.T)
        change[usable] = np.linalg.solve(slopes[usable], error.T[usable][..., None])[..., 0]
        x[:, left] -= np.clip(change.T, -_FURTHEST, _FURTHEST)
        left = left[~usable | (np.max(np.abs(change), axis=1) > _STILL)]
        if not len(left):
            break
    else:
        off[left] = np.max(np.abs(miss(x[None, :, left], left)[0]), axis=0)
    return x, np.asarray(off < _REACHED)
