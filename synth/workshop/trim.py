"""Where to set one or two nuts so that an overtone stands where the maker wishes: every way, the forgiving first.

In: a tine with a wish, its length without the wished nut, the nuts at hand. Out: `Choice`s. Each solves

    ln f_1(length, nuts) = ln pitch   (or the length is given),      ln f_p / f_1 (length, nuts) = ln ratio

by Newton's method on the full model, in the length and one more unknown: how far the nuts are moved. A pair has a
whole line of answers: kept are the pairs locked against each other, and of those apart the most forgiving. Cents
a millimetre are how the interval answers a nut while the length keeps the pitch; to forgive is to answer little.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from itertools import combinations_with_replacement, permutations
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Nut, Pitch, PlacedNut, Tine, TrimWish
from synth.design.pieces import fitting_warning
from synth.errors import InputError
from synth.units import CENTS_PER_OCTAVE, MM
from synth.vibration.rod import Array
from synth.vibration.tine import plane_ratios, solve_tines
from synth.workshop.loaded import log_frequencies, quick_picture

GRID: Final = 97  # places looked at along a tine for one nut or a locked pair
COARSE: Final = 41  # each way, for two nuts apart
KEPT: Final = 2  # answers for each pair of nuts apart
APART: Final = 0.12  # of the length: answers nearer than this to each other are one
SHOWN: Final = 6  # partials
CENT: Final = math.log(2.0) / CENTS_PER_OCTAVE
IDLE: Final = 15.0 * CENT  # a nut that alone does less is not worth its while in a pair
BLUR: Final = 6.0 * CENT  # what the quick picture may be off: where it just misses, the full model may not
SAME: Final = 0.1 * MM  # answers of one arrangement nearer than this are one
_STEP: Final = 1e-4  # of the differences, in ln length; of the length, in place
_FURTHEST: Final = 0.05  # of a Newton step, likewise
_ROUNDS: Final = 12
_FLAT: Final = 1e-12  # a determinant below which nothing can be learnt from the slopes
_REACHED: Final = 0.02 * CENT
LONGEST, SHORTEST = 600e-3, 20e-3  # m, what can be built

Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Choice:
    """One way to meet the wish. Per nut: cents of the interval a metre, at constant pitch, signed."""

    nuts: tuple[PlacedNut, ...]
    length: float
    locked: bool  # two nuts against each other, moved as one
    cents_per_metre: tuple[float, ...]
    pitch_of_thread: float  # 0 on plain rod
    ratios: tuple[float, ...]  # of the partials to the first, from the second
    hertz: tuple[float, ...]
    decay: tuple[float, ...]

    @property
    def unforgiving(self) -> float:
        """Cents a metre if every nut is off by as much: of a locked pair together, of others as independent."""
        if self.locked:
            return abs(sum(self.cents_per_metre))
        return math.hypot(*self.cents_per_metre)

    @property
    def cents_per_turn(self) -> float | None:
        """Of the nut or locked pair, or of nuts apart as for `unforgiving`; None on plain rod."""
        return self.unforgiving * self.pitch_of_thread if self.pitch_of_thread else None


@dataclass(frozen=True)
class Curve:
    """What one arrangement of nuts gives, as it moves along the tine."""

    nuts: tuple[Nut, ...]
    height: Array  # (G,) m, of the lower nut's middle
    ratio: Array  # (G,)


@dataclass(frozen=True)
class Trimming:
    """All answers for a tine, the most forgiving first; `plain` is the tine without the wished nuts."""

    tine: int
    wish: TrimWish
    plain: Choice
    choices: tuple[Choice, ...]
    curves: tuple[Curve, ...]
    reach: dict[int, tuple[float, float]]  # by number of nuts: least and greatest ratio that can be had


@dataclass(frozen=True)
class _Start:
    """C starts of one arrangement: lengths (C,), places (C, J) and the way (C, J) in which places are sought."""

    nuts: tuple[Nut, ...]
    locked: bool
    length: Array
    place: Array
    way: Array


def fitting_nuts(tine: Tine, nuts: Sequence[Nut]) -> tuple[Nut, ...]:
    """Those of the nuts that go on this tine's rod as it is; equal ones once."""
    fitting = []
    for nut in nuts:
        try:
            usable = not fitting_warning(nut, tine.rod, "")
        except InputError:
            usable = False
        if usable and nut not in fitting:
            fitting.append(nut)
    return tuple(fitting)


def trim(index: int, tine: Tine, *, length: float, pitch: float | None, nuts: Sequence[Nut]) -> Trimming:
    """Every way to meet the tine's wish. `length` is that of the tine without; `pitch` (Hz) None keeps it."""
    wish = tine.wish
    assert wish is not None
    search = Search(tine, wish, length, pitch)
    starts: list[_Start] = []
    curves: list[Curve] = []
    reach: dict[int, tuple[float, float]] = {}
    for nut in nuts:
        starts += search.along((nut,), curves, reach)
    for pair in pairs(nuts):
        starts += search.along(pair, curves, reach)
        starts += search.apart(pair, reach)
    choices = [choice for start in starts for choice in search.settled(start)]
    plain = search.described([()], [length], [()], locked=False)[0]
    ordered = tuple(sorted(choices, key=lambda each: each.unforgiving))
    return Trimming(index, wish, plain, ordered, tuple(curves), reach)


def pairs(nuts: Sequence[Nut]) -> list[tuple[Nut, Nut]]:
    """Every ordered pair, the lower nut first."""
    mixed = list(permutations(nuts, 2))
    return [*((one, other) for one, other in combinations_with_replacement(nuts, 2) if one is other), *mixed]


class Search:
    """One tine, its wish, and both models of it."""

    def __init__(self, tine: Tine, wish: TrimWish, length: float, pitch: float | None) -> None:
        self.tine, self.wish, self.length, self.pitch = tine, wish, length, pitch
        self.target = math.log(wish.ratio)
        self.fixed = not isinstance(tine.goal, Pitch)
        self.own = math.log(pitch / float(plane_ratios([tine])[0, 0])) if pitch is not None else 0.0

    def along(
        self, nuts: tuple[Nut, ...], curves: list[Curve], reach: dict[int, tuple[float, float]]
    ) -> list[_Start]:
        """Starts for one nut, or for two locked together, where the ratio crosses the wish."""
        heights = np.array([nut.height for nut in nuts])
        above = np.concatenate(
            [[0.0], np.cumsum(heights[:-1] + heights[1:]) / 2.0]
        )  # of each over the lowest
        low, high = heights[0] / 2.0, self.length - above[-1] - heights[-1] / 2.0
        if high <= low:
            return []
        base = np.linspace(low, high, GRID)
        place = base[:, None] + above
        length, off = self._quick(nuts, place)
        stand = place * (length / self.length)[:, None]  # what is left of this: shares of the length stay
        free = self.free(nuts, stand)
        self._note(reach, len(nuts), off[free])
        curves.append(Curve(nuts, stand[free, 0], np.exp(off[free] + self.target)))
        x, tall = _along_crossings(off, free, stand[:, 0], length)
        start = x[:, None] + above
        return [_Start(nuts, len(nuts) > 1, tall, start, np.ones_like(start))] if len(x) else []

    def apart(self, nuts: tuple[Nut, ...], reach: dict[int, tuple[float, float]]) -> list[_Start]:
        """Starts for two nuts apart: the most forgiving crossings, a few, distinct from each other."""
        share = np.linspace(nuts[0].height, self.length - nuts[1].height, COARSE) / self.length
        lower, upper = (each.ravel() for each in np.meshgrid(share, share, indexing="ij"))
        place = np.stack([lower, upper], axis=1) * self.length
        length, off = self._quick(nuts, place)
        stand = place * (length / self.length)[:, None]
        room = stand[:, 1] - stand[:, 0] >= nuts[0].height + nuts[1].height  # nearer ones are locked
        works = self._works(nuts[0], share)[:, None] & self._works(nuts[1], share)
        field = np.where(room & self.free(nuts, stand) & works.ravel(), off, np.nan).reshape(COARSE, COARSE)
        if np.all(np.isnan(field)):
            return []
        self._note(reach, 2, off[room])
        found = _crossings(field, share, self.length)
        tall = length.reshape(COARSE, COARSE)
        kept: list[tuple[float, float, float, float]] = []
        for _, x, y, way_x, way_y in found:
            if all(math.hypot(x - other[0], y - other[1]) > APART for other in kept):
                kept.append((x, y, way_x, way_y))
            if len(kept) == KEPT:
                break
        if not kept:
            return []
        x, y, *ways = np.array(kept).T
        near = tall[
            np.searchsorted(share, x).clip(0, COARSE - 1), np.searchsorted(share, y).clip(0, COARSE - 1)
        ]
        return [_Start(nuts, False, near, np.stack([x, y], axis=1) * near[:, None], np.stack(ways, axis=1))]

    def settled(self, start: _Start) -> Iterator[Choice]:
        """The starts brought home; those that do not arrive, or leave the tine, are dropped."""
        x, there = newton(
            lambda x: self._miss(start, x), np.stack([np.log(start.length), np.zeros(len(start.length))])
        )
        length, place = np.exp(x[0]), self._moved(start, x)
        there &= self.fits(start.nuts, place, length) & (length <= LONGEST) & (length >= SHORTEST)
        if not np.any(there):
            return
        rows = distinct(place, np.flatnonzero(there).tolist(), SAME)
        length, place = length[rows], place[rows]
        cents = self.cents_per_metre(start.nuts, length, place)
        placed = [
            tuple(PlacedNut(nut, z) for nut, z in zip(start.nuts, row, strict=True)) for row in place.tolist()
        ]
        yield from self.described(
            placed, length.tolist(), [tuple(each) for each in cents.tolist()], locked=start.locked
        )

    def described(
        self,
        placed: Sequence[tuple[PlacedNut, ...]],
        length: Sequence[float],
        cents: Sequence[tuple[float, ...]],
        *,
        locked: bool,
    ) -> list[Choice]:
        """What becomes of all partials and how long they ring."""
        modes = solve_tines([self.tine] * len(length), length, [(*each, *self.tine.trim) for each in placed])
        choices = []
        for row, nuts in enumerate(placed):
            count = min(SHOWN, int(modes.exists[row].sum()))
            hertz = modes.frequency[row, 0, :count]
            ratios = tuple(float(each) for each in hertz[1:] / hertz[0])
            decay = tuple(float(each) for each in modes.decay[row, 0, :count])
            pitch, hz = self.tine.rod.pitch, tuple(float(each) for each in hertz)
            choices.append(Choice(nuts, length[row], locked, cents[row], pitch, ratios, hz, decay))
        return choices

    def _quick(self, nuts: tuple[Nut, ...], place: Array) -> tuple[Array, Array]:
        """Lengths (G,) that keep the pitch, and by how much (G,) the interval misses the wish."""
        pitch = None if self.fixed else self.pitch
        picture = quick_picture(
            self.tine, self.length, nuts, place / self.length, pitch=pitch, partials=self.wish.partial
        )
        return picture.length, picture.interval(self.wish.partial) - self.target

    def _works(self, nut: Nut, share: Array) -> Bools:
        """Where (G,) a nut alone moves the interval enough to be there for a reason."""
        pitch = None if self.fixed else self.pitch
        picture = quick_picture(
            self.tine, self.length, (nut,), share[:, None], pitch=pitch, partials=self.wish.partial
        )
        bare = self._logs((), np.array([self.length]), np.zeros((1, 0)))[0]
        moved = picture.interval(self.wish.partial) - (bare[self.wish.partial - 1] - bare[0])
        return np.asarray(np.abs(moved) > IDLE)

    def _note(self, reach: dict[int, tuple[float, float]], count: int, off: Array) -> None:
        if len(off):
            low, high = (float(np.exp(each + self.target)) for each in (np.min(off), np.max(off)))
            known = reach.get(count, (math.inf, 0.0))
            reach[count] = (min(low, known[0]), max(high, known[1]))

    def _miss(self, start: _Start, x: Array) -> Array:
        """By how much (2, C) each equation is missed, at ln length and way moved over length (2, C)."""
        logs = self._logs(start.nuts, np.exp(x[0]), self._moved(start, x))
        first = x[0] - math.log(self.length) if self.fixed else logs[:, 0] - self.own
        return np.stack([first, logs[:, self.wish.partial - 1] - logs[:, 0] - self.target])

    def _moved(self, start: _Start, x: Array) -> Array:
        return np.asarray(start.place + start.way * (x[1] * self.length)[:, None])

    def _logs(self, nuts: tuple[Nut, ...], length: Array, place: Array) -> Array:
        return log_frequencies(self.tine, length, nuts, place, partials=self.wish.partial)

    def cents_per_metre(self, nuts: tuple[Nut, ...], length: Array, place: Array) -> Array:
        """How the interval answers each nut (C, J), the length following so that the pitch stays."""

        def both(length: Array, place: Array) -> Array:
            logs = self._logs(nuts, length, place)
            return np.stack([logs[:, 0], logs[:, self.wish.partial - 1] - logs[:, 0]])

        by_length = (both(length * (1 + _STEP), place) - both(length * (1 - _STEP), place)) / (2 * _STEP)
        columns = []
        for nut in range(len(nuts)):
            step = np.zeros(len(nuts))
            step[nut] = _STEP * self.length
            by_nut = (both(length, place + step) - both(length, place - step)) / (2 * step[nut])
            follow = 0.0 if self.fixed else by_nut[0] / by_length[0]
            columns.append((by_nut[1] - follow * by_length[1]) / CENT)
        return np.stack(columns, axis=1)

    def free(self, nuts: tuple[Nut, ...], place: Array) -> Bools:
        """Whether (G,) these nuts meet none that is there already."""
        free = np.ones(len(place), dtype=bool)
        for each in self.tine.trim:
            for column, nut in enumerate(nuts):
                free &= np.abs(place[:, column] - each.position) >= (each.nut.height + nut.height) / 2.0
        return free

    def fits(self, nuts: tuple[Nut, ...], place: Array, length: Array) -> Bools:
        half = np.array([nut.height for nut in nuts]) / 2.0
        inside = np.all((place >= half) & (place <= length[:, None] - half), axis=1)
        if len(nuts) > 1:
            inside &= place[:, 1] - place[:, 0] >= half[0] + half[1] - 1e-9
        return np.asarray(inside & self.free(nuts, place))


def _along_crossings(off: Array, free: Bools, place: Array, length: Array) -> tuple[Array, Array]:
    """Places and lengths (C,) where `off` (G,) crosses 0, and on both sides of where it turns back just before."""
    cross = np.flatnonzero(free[1:] & free[:-1] & (np.sign(off[1:]) != np.sign(off[:-1])))
    t = off[cross] / (off[cross] - off[cross + 1])
    x, tall = (each[cross] + t * (each[cross + 1] - each[cross]) for each in (place, length))
    size = np.abs(off)
    turns = (size[1:-1] <= size[:-2]) & (size[1:-1] <= size[2:]) & (size[1:-1] < BLUR) & free[1:-1]
    beside = np.concatenate([np.flatnonzero(turns) - 1, np.flatnonzero(turns) + 3]).clip(0, len(off) - 1)
    return np.concatenate([x, place[beside]]), np.concatenate([tall, length[beside]])


def _crossings(field: Array, share: Array, length: float) -> list[tuple[float, float, float, float, float]]:
    """Where the field (X, Y) is 0 between neighbours: cents a metre, the two shares, the way of steepest change;
    the least cents first."""
    step = float(share[1] - share[0])
    slope_x, slope_y = (np.asarray(each) for each in np.gradient(field, step))
    found = []
    for axis in (0, 1):
        one, other = (field[:-1], field[1:]) if axis == 0 else (field[:, :-1], field[:, 1:])
        for i, j in np.argwhere(np.sign(one) * np.sign(other) < 0).tolist():
            t = float(one[i, j] / (one[i, j] - other[i, j]))
            way_x, way_y = float(slope_x[i, j]), float(slope_y[i, j])
            size = math.hypot(way_x, way_y)
            if math.isfinite(size) and size > 0.0:
                x, y = (float(share[n]) + t * step * (axis == k) for k, n in enumerate((i, j)))
                found.append((size / length / CENT, x, y, way_x / size, way_y / size))
    return sorted(found)


def newton(miss: Callable[[Array], Array], x: Array) -> tuple[Array, Bools]:
    """From starts x (n, C) to where `miss` (n, C) is nothing, by slopes of differences; and which (C,) arrived."""
    units = np.eye(len(x))[:, :, None]
    for _ in range(_ROUNDS):
        error = miss(x)
        if np.max(np.abs(error)) < 0.1 * _REACHED:
            break
        slopes = np.stack([(miss(x + _STEP * unit) - error) / _STEP for unit in units]).transpose(2, 1, 0)
        usable = np.abs(np.linalg.det(slopes)) > _FLAT
        change = np.zeros_like(x.T)
        change[usable] = np.linalg.solve(slopes[usable], error.T[usable][..., None])[..., 0]
        x = x - np.clip(change.T, -_FURTHEST, _FURTHEST)
    return x, np.asarray(np.max(np.abs(miss(x)), axis=0) < _REACHED)


def distinct(place: Array, rows: Sequence[int], apart: float) -> list[int]:
    """Of rows of places (C, J) those that differ from all before by as much in some nut."""
    kept: list[int] = []
    for row in rows:
        if all(np.max(np.abs(place[row] - place[other])) > apart for other in kept):
            kept.append(row)
    return kept


def reach_words(trimming: Trimming) -> str:
    """What can be had, in words."""
    if not trimming.reach:
        return "its other nuts leave no room"
    names = {1: "one nut", 2: "two nuts"}
    parts = [f"{low:.4g} to {high:.4g} with {names[n]}" for n, (low, high) in sorted(trimming.reach.items())]
    return f"partial {trimming.wish.partial} can stand at " + ", ".join(parts) + " times the fundamental"


def shown_nuts(nuts: Sequence[PlacedNut]) -> str:
    """The nuts and where their middles go, in words."""
    return ", ".join(f"{each.nut.name} at {each.position / MM:.2f} mm" for each in nuts) or "none"
