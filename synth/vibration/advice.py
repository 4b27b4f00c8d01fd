"""What would settle a quarrel: a group moved, its neighbours making room where they must, or a support moved.

In: a design with its instrument, tuned row and quarrels. Out: for the worst quarrels `Remedy`s that a maker can
follow. Each is found in three steps, cheap ones first: places where the pair of partial and mode alone would be
half as bad; of those that fit the bar, the ones where the estimate of the whole agrees; of those, the first that
holds when the changed design is resolved, tuned and solved anew.

To settle a quarrel is to leave its partial none that is over half as bad, and not to add to what all come to.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.cores import one_core
from synth.design import schema
from synth.design.change import (
    ROOM,
    Before,
    Change,
    in_design,
    same_face,
    start_grid_mm,
    start_mm,
    support_grid_mm,
)
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import MM
from synth.vibration.bar import support_springs
from synth.vibration.coupling import Bases
from synth.vibration.estimate import FreeBar, estimate, free_bar
from synth.vibration.host import base_reaction
from synth.vibration.mounted_pitch import mounting
from synth.vibration.quarrels import (
    NOTICED_DECAY,
    PARTIALS,
    BarShapes,
    Meetings,
    Pair,
    Quarrel,
    find_quarrels,
    loaded_shapes,
    motion_of,
    severity,
    worst_of_each,
)
from synth.vibration.tuning import Row, tune

ADVISED: Final = 10  # quarrels, the worst: as many as `check` prints
SETTLED: Final = 0.5  # of a quarrel is left
FURTHEST_MOVE: Final = 150  # mm; further, it is another instrument
ESTIMATED: Final = 16  # changes of one kind that are estimated for a quarrel,
SOLVED: Final = 2  # and of those that seem to help, how many are solved


@frozen
class Remedy:
    """One change that settles a quarrel, with what is left of it and of all quarrels then."""

    change: Change
    left: float  # severity of the worst quarrel of its partial
    total: float  # severity of all quarrels together


@frozen
class Advice:
    """For each of the first quarrels of a list its remedies, none where nothing within reach helps."""

    remedies: tuple[tuple[Remedy, ...], ...]

    def of(self, index: int) -> tuple[Remedy, ...]:
        """The remedies of the quarrel of this index."""
        return self.remedies[index] if index < len(self.remedies) else ()


def advise(design: schema.Design, instrument: Instrument, row: Row, quarrels: Sequence[Quarrel]) -> Advice:
    """Remedies for the worst `ADVISED` of the quarrels."""
    if not quarrels:
        return Advice(())
    with one_core(with_scipy=False):
        adviser = _Adviser(design, instrument, row, quarrels)
        return Advice(tuple(tuple(adviser.remedies(each)) for each in quarrels[:ADVISED]))


@dataclass
class _Adviser:
    """Looks for remedies; what was estimated or solved for one quarrel serves the others."""

    design: schema.Design
    instrument: Instrument
    row: Row
    quarrels: Sequence[Quarrel]
    estimates: dict[Change, Meetings | None] = field(default_factory=dict)
    solved: dict[Change, tuple[Quarrel, ...] | None] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self.before = Before(self.instrument)
        self.free: FreeBar = free_bar(self.instrument.bar)
        self.shapes, self.bases = loaded_shapes(self.instrument, self.row)
        self.total: float = math.fsum(each.severity for each in self.quarrels)
        self.worst = worst_of_each(self.quarrels)

    def remedies(self, quarrel: Quarrel) -> Iterator[Remedy]:
        """The nearest move of the group that settles it, and the nearest of a support."""
        for changes in (self._group_moves(quarrel), self._support_moves(quarrel)):
            found = next(self._proven(quarrel, self._promising(quarrel, changes)), None)
            if found is not None:
                yield found

    def _promising(self, quarrel: Quarrel, changes: Iterable[Change]) -> Iterator[Change]:
        """Of the first changes that fit, those that settle by the estimate, told by the estimate of what is."""
        now = self._estimate(Change())
        assert now is not None
        share = SETTLED * quarrel.severity / self.worst[quarrel.of].severity
        within = (change for change in changes if self._estimate(change) is not None)
        for change, _ in zip(within, range(ESTIMATED), strict=False):
            then = self._estimate(change)
            assert then is not None
            if then.worst(quarrel.of) <= share * now.worst(quarrel.of) and then.total() <= now.total():
                yield change

    def _proven(self, quarrel: Quarrel, changes: Iterable[Change]) -> Iterator[Remedy]:
        for change, _ in zip(changes, range(SOLVED), strict=False):
            found = self._solve(change)
            if found is None:
                continue
            own = worst_of_each(found).get(quarrel.of)
            left, total = (0.0 if own is None else own.severity), math.fsum(each.severity for each in found)
            if left <= SETTLED * quarrel.severity and total <= self.total:
                yield Remedy(change, left, total)

    def _estimate(self, change: Change) -> Meetings | None:
        """None where the change does not fit."""
        if change not in self.estimates:
            new = self.before.fitting(change)
            self.estimates[change] = None if new is None else estimate(new, self.row, self.free)
        return self.estimates[change]

    def _solve(self, change: Change) -> tuple[Quarrel, ...] | None:
        """The quarrels of the changed design, solved as `check` would; None where it is refused."""
        if change not in self.solved:
            self.solved[change] = None
            try:
                new = resolve(in_design(self.design, change), self.instrument.file)
                self.solved[change] = find_quarrels(new, tune(new, mounting(new)))
            except InputError:
                pass
        return self.solved[change]

    def _group_moves(self, quarrel: Quarrel) -> Iterator[Change]:
        """The group alone, then with neighbours that make room, to where its pair is half as bad; nearest first."""
        group = self.instrument.tines[quarrel.tine].group
        targets = self._better_starts(quarrel, group)
        for target in targets:
            yield Change(starts=((group, target),))
        for target in targets:
            yield making_room(self.instrument, group, target, self.before)

    def _better_starts(self, quarrel: Quarrel, group: int) -> list[float]:
        """Whole millimetres, or 32nds of an inch, nearest first."""
        here, grid = start_mm(self.instrument, group), start_grid_mm(self.instrument, group)
        low, high = self.before.spans[group]
        back = min(FURTHEST_MOVE, low / MM)
        on = min(FURTHEST_MOVE, (self.instrument.bar.length - high) / MM)
        targets = np.arange(math.ceil((here - back) / grid), math.floor((here + on) / grid) + 1.0) * grid
        targets = targets[np.abs(targets - here) > grid / 2.0]
        left = self._pair_left(quarrel, (targets - here) * MM)
        good = targets[left < SETTLED * quarrel.severity]
        nearest = good[np.argsort(np.abs(good - here), kind="stable")]
        return [float(each) for each in _spread(nearest)]

    def _pair_left(self, quarrel: Quarrel, ways: Array) -> Array:
        """The severity (W,) of tine and mode alone with the tine moved so far (W,), m."""
        r, mode = quarrel.tine, quarrel.bar_mode
        position = self.bases.position[r] + ways
        rows = _moved(self.bases, r, position, self.shapes).rows()[:, :4]
        g = base_reaction(self.row.modes)[r, :, quarrel.plane, :PARTIALS][:, quarrel.partial - 1]
        mu = np.einsum("i,pij,pj->p", g, rows, motion_of(self.shapes, mode, position)) ** 2
        loss = self.row.modes.loss_factor[r, quarrel.plane, quarrel.partial - 1]
        hertz = np.array([quarrel.partial_hz, self.shapes.frequency[mode]])
        tine, bar = ((2.0 * math.pi * hertz) ** 2)[:, None]
        pair = Pair(tine, np.array([loss]), bar, self.shapes.loss_factor[[mode]])
        return severity(*pair.outcome(mu))

    def _support_moves(self, quarrel: Quarrel) -> Iterator[Change]:
        """The support that takes most of the mode's energy to where it would take a quarter; nearest first."""
        worst, taken = self._worst_support(quarrel)
        if worst < 0:
            return
        support = self.instrument.bar.supports[worst]
        here, grid = support.position / MM, support_grid_mm(self.instrument, worst)
        first, last = (end / MM / grid for end in self.shapes.position[[0, -1]])
        targets = np.arange(math.ceil(first), math.floor(last) + 1.0) * grid
        targets = targets[np.abs(targets - here) > grid / 2.0]
        axes = _nearest_axes(self.shapes, targets * MM)
        springs = support.loss_factor * np.array([support_springs(support, own) for own in axes])
        motion = motion_of(self.shapes, quarrel.bar_mode, targets * MM)
        good = targets[np.einsum("bi,bij,bj->b", motion, springs, motion) < taken / 4.0]
        for target in _spread(good[np.argsort(np.abs(good - here), kind="stable")]).tolist():
            yield Change(supports=((worst, target),))

    def _worst_support(self, quarrel: Quarrel) -> tuple[int, float]:
        """Its index and what it takes; -1 where supports do not shorten this ring."""
        bar = self.instrument.bar
        lossy = self.shapes.loss_factor[quarrel.bar_mode] >= 2.0 * bar.material.loss_factor
        if quarrel.decay_loss < NOTICED_DECAY or not bar.supports or not lossy:
            return -1, math.nan
        places = np.array([each.position for each in bar.supports])
        axes = _nearest_axes(self.shapes, places)
        k = [s.loss_factor * support_springs(s, own) for s, own in zip(bar.supports, axes, strict=True)]
        motion = motion_of(self.shapes, quarrel.bar_mode, places)
        taken = np.einsum("si,sij,sj->s", motion, np.array(k), motion)
        return int(np.argmax(taken)), float(taken.max())


def making_room(instrument: Instrument, group: int, target: float, before: Before | None = None) -> Change:
    """The group at its new start; those in its way are pushed on to the next marks of a ruler.

    `before` is the instrument's.
    """
    before = before or Before(instrument)
    span, face = before.spans, before.faces
    way = target * MM - start_mm(instrument, group) * MM
    sign = 1.0 if way > 0.0 else -1.0
    ahead = [
        each
        for each in range(len(span))
        if each != group
        and same_face(face[each], face[group])
        and sign * (span[each][0] - span[group][0]) > 0.0
    ]
    starts = [(group, target)]
    last, moved = group, way
    for each in sorted(ahead, key=lambda other: sign * span[other][0]):
        gap = span[each][0] - span[last][1] if sign > 0.0 else span[last][0] - span[each][1]
        push = sign * moved - max(gap - ROOM, 0.0)  # as far as the one before comes into its room
        if push <= 0.0:
            break
        here, grid = start_mm(instrument, each), start_grid_mm(instrument, each)
        marks = (here + sign * push / MM) / grid
        to = grid * (math.ceil(marks - 1e-9) if sign > 0.0 else math.floor(marks + 1e-9))
        starts.append((each, to))
        last, moved = each, (to - here) * MM
    return Change(starts=tuple(starts))


def _spread(nearest_first: Array) -> Array:
    """The nearest few, then ever fewer: places a millimetre apart all fail or all help."""
    ranks = np.round(np.geomspace(1.0, max(len(nearest_first), 1), 3 * ESTIMATED)).astype(int)
    return np.asarray(
        nearest_first[[rank - 1 for rank in sorted(set(ranks.tolist())) if rank <= len(nearest_first)]]
    )


def _moved(bases: Bases, r: int, position: Array, shapes: BarShapes) -> Bases:
    """Tine r standing at other places (P,): the same in the bar's own axes there."""
    here, there = (_nearest_axes(shapes, p) for p in (bases.position[r : r + 1], position))
    turn = there.swapaxes(-1, -2) @ here
    arm, along, across, pointing = (
        turn @ each[r] for each in (bases.arm, bases.along, bases.across, bases.pointing)
    )
    return Bases(position, arm, along, across, pointing, np.full(len(position), bases.axis[r]))


def _nearest_axes(shapes: BarShapes, position: Array) -> NDArray[np.float64]:
    """The bar's axes (P, 3, 3) at the nodes nearest to places."""
    middles = (shapes.position[1:] + shapes.position[:-1]) / 2.0
    return np.asarray(shapes.axes[np.searchsorted(middles, position)])
