"""What to change so that tines and bar quarrel less, within what the maker allows.

In: a design, what it resolves to, its row, what may change. Out: `Candidate`s, then `Suggestion`s; the design
stays as it is. The measure is the sum of all quarrels' severities (`synth.vibration.quarrels`). Each plan (groups
only, supports only, both, other sections, other kinds of support, and these with both) is searched from the present
places by a compass search: one place a step up or down, what helps is kept, the step is halved when nothing does
(R. Hooke and T. A. Jeeves, J. ACM 8 (1961) 212; from memory). Then what hardly helps is put back.

The search looks at the estimate (`synth.vibration.estimate`), in which tines keep the lengths they have. The
verdict is that of the changed design, resolved, tuned and solved anew. Supports are alike in all directions, so
turning one changes nothing: it can be moved, or be of another kind.
"""

from __future__ import annotations

import functools
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design import catalogue
from synth.design.change import Before, Change, in_design, start_grid_mm, start_mm, support_grid_mm
from synth.design.instrument import Instrument, Section
from synth.design.resolve import resolve
from synth.design.schema import Design, SupportKind
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import MM, Units
from synth.vibration.estimate import FreeBar, estimate, free_bar
from synth.vibration.quarrels import Quarrel, worst_of_each
from synth.vibration.solve import solve_quarrels, solve_row
from synth.vibration.tuning import Row

ALIKE: Final = 5.0  # mm: places nearer than this make no other suggestion
WORTH: Final = 0.02  # of the present severity: a change that gains less is put back
SOLD: Final = 8  # sections as sold that are looked at unasked, the nearest in size,
CHOSEN: Final = 3  # and of those the best that are proposed; only the very best with moves


@frozen
class Allowed:
    """How far groups and supports may go (m, either way), and which sections and kinds of support may be tried."""

    move: float
    supports: float
    sections: tuple[Section, ...] = ()
    kinds: tuple[SupportKind, ...] = ()


@frozen
class Plan:
    """One way to go about it; None keeps what is there."""

    section: Section | None
    kind: SupportKind | None
    groups: bool
    supports: bool


@frozen
class Candidate:
    """What a search came to: a change and the estimate of all quarrels then."""

    change: Change
    estimate: float


@frozen
class Suggestion:
    """A change and the design it makes, solved, with its quarrels."""

    change: Change
    instrument: Instrument
    row: Row
    severity: float
    quarrels: tuple[Quarrel, ...]


@dataclass
class Ground:
    """A design to search from, and what its searches share: the free bar of each section, what has been tried."""

    design: Design
    instrument: Instrument
    row: Row
    _free: dict[Section, FreeBar] = field(default_factory=dict)
    _tried: dict[Change, float] = field(default_factory=dict)

    @functools.cached_property
    def _before(self) -> Before:
        return Before(self.instrument)

    def severity(self, change: Change) -> float:
        """The estimate of all quarrels together; infinite for what a maker cannot follow."""
        if change not in self._tried:
            new = self._before.fitting(change)
            self._tried[change] = math.inf if new is None else self._estimated(new)
        return self._tried[change]

    @property
    def tries(self) -> int:
        """How many changes have been looked at."""
        return len(self._tried)

    def _estimated(self, new: Instrument) -> float:
        section = new.bar.section
        if section not in self._free:
            self._free[section] = free_bar(new.bar)
        return estimate(new, self.row, self._free[section]).total()


def plans(instrument: Instrument, allowed: Allowed, sold: Sequence[Section] = ()) -> list[Plan]:
    """Every plan that what is allowed makes possible: one kind of change alone before several together.

    `sold` are sections that nobody asked for, the best first: only that one is tried with moves as well.
    """
    groups, supports = allowed.move > 0.0, allowed.supports > 0.0 and bool(instrument.bar.supports)
    moves = [(groups, False), (False, supports), (groups, supports)]
    moves = [each for each in dict.fromkeys(moves) if any(each)]
    sections = [each for each in allowed.sections if each != instrument.bar.section]
    kinds = [k for k in allowed.kinds if any(s.kind != k for s in instrument.bar.supports)]
    found = [Plan(None, None, *each) for each in moves]
    for section, kind in [*((s, None) for s in [*sections, *sold[:1]]), *((None, k) for k in kinds)]:
        found.append(Plan(section, kind, False, False))
        found += [Plan(section, kind, *moves[-1])] if moves else []
    return found + [Plan(section, None, False, False) for section in sold[1:]]


def sold_sections(ground: Ground, *, besides: Sequence[Section] = ()) -> list[Section]:
    """Of the sections as sold that are nearest in size, the few with the least quarrels by the estimate."""
    present = ground.instrument.bar.section
    near = sorted(
        _sold_like(present, ground.instrument.bench.units), key=lambda each: _distance(present, each)
    )
    near = [each for each in near if each not in besides and _distance(present, each) > 0.0][:SOLD]
    now = ground.severity(Change())
    ranked = sorted((ground.severity(Change(section=each)), position) for position, each in enumerate(near))
    return [near[position] for severity, position in ranked if severity < now][:CHOSEN]


def search(ground: Ground, allowed: Allowed, plan: Plan, *, tries: int) -> Iterator[int | Candidate]:
    """The number of tries made so far, from time to time, and at last the candidate; none where none is better."""
    places = _Search(ground, allowed, plan)
    yield from places.run(tries)
    change = places.pruned()
    if places.least < places.present:
        yield Candidate(change, places.least)


def shortlist(candidates: Sequence[Candidate], ground: Ground, count: int) -> list[Candidate]:
    """The best by the estimate, of those much alike one; the best that keeps the bar is among them."""
    distinct: list[Candidate] = []
    for each in sorted(candidates, key=lambda candidate: candidate.estimate):
        if not any(_alike(each.change, other.change, ground.instrument) for other in distinct):
            distinct.append(each)
    kept = [each for each in distinct if each.change.section is None][:1]
    return [each for each in distinct if each not in kept][: count - len(kept)] + kept


def verdict(ground: Ground, candidate: Candidate) -> Suggestion | None:
    """The changed design solved anew; None where it is refused."""
    try:
        new = resolve(in_design(ground.design, candidate.change), ground.instrument.file)
        row = solve_row(new)
    except InputError:
        return None
    quarrels = solve_quarrels(new, row)
    return Suggestion(candidate.change, new, row, math.fsum(each.severity for each in quarrels), quarrels)


class _Search:
    """A compass search over the places of groups and supports (G + S,), mm, by marks of a ruler."""

    def __init__(self, ground: Ground, allowed: Allowed, plan: Plan) -> None:
        instrument = ground.instrument
        self.ground, self.plan = ground, plan
        self.groups = len(instrument.groups)
        supports = instrument.bar.supports
        starts = [start_mm(instrument, each) for each in range(self.groups)]
        self.here = np.array([*starts, *(each.position / MM for each in supports)])
        self.limit = np.array(
            [allowed.move * plan.groups] * self.groups + [allowed.supports * plan.supports] * len(supports)
        )
        self.limit /= MM
        grids = [start_grid_mm(instrument, each) for each in range(self.groups)]
        self.grid = np.array([*grids, *(support_grid_mm(instrument, each) for each in range(len(supports)))])
        self.moves = np.zeros(len(self.here))
        self.present = ground.severity(Change())
        self.least = ground.severity(self.change(self.moves))
        self.tried = 1

    def run(self, tries: int) -> Iterator[int]:
        """Search until the finest step gains nothing or so many tries are made."""
        step = math.floor(float(np.max(self.limit / self.grid, initial=0.0)))
        while step >= 1 and self.tried < tries and math.isfinite(self.least):
            before = self.least
            for way in self._ways():
                for sign in (1.0, -1.0):
                    if self.tried < tries and self._improved(self.moves + sign * step * self.grid * way):
                        break
                yield self.tried
            step = step if self.least < before - 1e-9 else step // 2

    def pruned(self) -> Change:
        """The change without the moves that hardly help."""
        for index in np.argsort(np.abs(self.moves)):
            back = self.moves.copy()
            back[index] = 0.0
            left = self.ground.severity(self.change(back))
            if self.moves[index] and left <= self.least + WORTH * self.present:
                self.moves, self.least = back, left
        return self.change(self.moves)

    def change(self, moves: Array) -> Change:
        """These moves, each to a mark of the ruler, with the plan's section and supports."""
        marks = self._marks(moves)
        there = [(int(i), float(marks[i])) for i in np.flatnonzero(moves)]
        supports = tuple((i - self.groups, mm) for i, mm in there if i >= self.groups)
        starts = tuple((i, mm) for i, mm in there if i < self.groups)
        return Change(starts, supports, self.plan.section, self.plan.kind)

    def _marks(self, moves: Array) -> Array:
        return np.asarray(np.round((self.here + moves) / self.grid) * self.grid)

    def _ways(self) -> Iterator[Array]:
        """Each place alone, then each group with all that follow it, which a full bar needs."""
        free = self.limit > 0.0
        for index in np.flatnonzero(free):
            yield np.eye(len(free))[index]
        order = np.argsort(self.here[: self.groups])
        for start in range(len(order) - 1):
            way = np.zeros(len(free))
            way[order[start:]] = free[order[start:]]
            if way.any():
                yield way

    def _improved(self, moves: Array) -> bool:
        far = np.abs(self._marks(moves) - self.here) > self.limit + 1e-9
        if np.any(far & (moves != 0.0)):
            return False
        self.tried += 1
        found = self.ground.severity(self.change(moves))
        if found < self.least - 1e-9:
            self.moves, self.least = moves, found
            return True
        return False


def _sold_like(present: Section, units: Units) -> Iterator[Section]:
    """The sections of the present one's shape sold by this unit; a flat bar stays on its side, or on its edge."""
    for row in catalogue.bars():
        if row.shape == present.shape and row.units == units:
            sizes = [row.width_mm * MM, row.height_mm * MM]
            if present.height > present.width:
                sizes.reverse()
            yield Section(row.shape, sizes[0], sizes[1], row.wall_mm * MM)


def _distance(one: Section, other: Section) -> float:
    """How different two sections are: the logarithms of their sizes, root of the sum of squares."""
    ratios = [other.width / one.width, other.height / one.height]
    if one.wall > 0.0:
        ratios.append(other.wall / one.wall)
    distance = math.hypot(*(math.log(each) for each in ratios))
    return distance if distance > 1e-6 else 0.0


def _alike(one: Change, other: Change, instrument: Instrument) -> bool:
    """Whether two changes are much the same: one bar, one kind of support, places a few millimetres apart."""
    if (one.section, one.kind) != (other.section, other.kind):
        return False
    here = {index: start_mm(instrument, index) for index in range(len(instrument.groups))}
    held = {index: each.position / MM for index, each in enumerate(instrument.bar.supports)}
    groups = (abs(dict(one.starts).get(i, at) - dict(other.starts).get(i, at)) for i, at in here.items())
    supports = (
        abs(dict(one.supports).get(i, at) - dict(other.supports).get(i, at)) for i, at in held.items()
    )
    return all(way < ALIKE for way in (*groups, *supports))


def gone_and_left(before: Sequence[Quarrel], after: Sequence[Quarrel]) -> tuple[list[Quarrel], list[Quarrel]]:
    """The quarrels that end or fall to half, the worst first, and those that are new or worse by half."""
    old, new = worst_of_each(before), worst_of_each(after)
    gone = [q for key, q in old.items() if key not in new or new[key].severity < q.severity / 2.0]
    fresh = [q for key, q in new.items() if key not in old or q.severity > 1.5 * old[key].severity]
    return gone, fresh


def most_grown(before: Sequence[Quarrel], after: Sequence[Quarrel]) -> tuple[Quarrel, float] | None:
    """The partial whose shift grows most, with the shift that it had (1 where none was noticed); None for none."""
    old = {key: each.shift for key, each in _widest(before).items()}
    grown = [
        (abs(math.log(each.shift)) - abs(math.log(old.get(key, 1.0))), each, old.get(key, 1.0))
        for key, each in _widest(after).items()
    ]
    growth, quarrel, was = max(grown, key=lambda each: each[0], default=(0.0, None, 1.0))
    return None if quarrel is None or growth <= 0.0 else (quarrel, was)


def _widest(quarrels: Sequence[Quarrel]) -> dict[tuple[int, int, int], Quarrel]:
    """The quarrel of the greatest shift of each partial."""
    ranked = sorted(quarrels, key=lambda each: -abs(math.log(each.shift)))
    return {each.of: each for each in reversed(ranked)}
