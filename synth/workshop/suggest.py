"""What to change so that tines and bar quarrel less, within what the maker allows.

In: an instrument, its row, what may change. Out: `Suggestion`s, the best first; the design stays as it is. The
measure is the sum of all quarrels' severities (`synth.vibration.quarrels`). Each plan (groups only, supports only,
both, each bar size, each kind of support, and these with both) is searched from the present places by a compass
search: one place a step up or down, what helps is kept, the step is halved when nothing does (R. Hooke and T. A.
Jeeves, J. ACM 8 (1961) 212; from memory). Then what hardly helps is put back, and the whole is solved anew.

While searching, the tines keep the lengths they have; the verdict is on lengths that fit the new places. Supports
are alike in all directions, so turning one changes nothing: it can be moved, or be of another kind.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final, Literal

import numpy as np

from synth.design.fit import check_places, place_warnings
from synth.design.instrument import Bar, Bend, Instrument, Section
from synth.design.structure import FOOTINGS
from synth.errors import InputError
from synth.units import MM
from synth.vibration.quarrels import ROOM, Quarrel, total_severity
from synth.vibration.rod import Array
from synth.vibration.solution import solve_quarrels, solve_row
from synth.vibration.tuning import Row

FINEST: Final = 1.0 * MM  # a place is not worth more care
ALIKE: Final = 5.0 * MM  # places nearer than this make no other suggestion
WORTH: Final = 0.02  # of the present severity: a change that gains less is put back
SAME_FACE: Final = 0.5  # rad; groups that point further apart are not in each other's way

Kind = Literal["cord", "rubber", "clamp", "foot"]


@dataclass(frozen=True)
class Allowed:
    """How far groups and supports may go (m, either way), and which sections and kinds of support may be tried."""

    move: float
    supports: float
    sections: tuple[Section, ...] = ()
    kinds: tuple[Kind, ...] = ()


@dataclass(frozen=True)
class Plan:
    """One way to go about it; None keeps what is there."""

    section: Section | None
    kind: Kind | None
    groups: bool
    supports: bool


@dataclass(frozen=True)
class Suggestion:
    """A changed instrument, solved, with its quarrels."""

    plan: Plan
    instrument: Instrument
    row: Row
    group_moves: Array  # (groups,) m
    support_moves: Array  # (supports,) m
    severity: float
    quarrels: tuple[Quarrel, ...]


def plans(instrument: Instrument, allowed: Allowed) -> list[Plan]:
    """Every plan that what is allowed makes possible: one kind of change alone before several together."""
    groups, supports = allowed.move > 0.0, allowed.supports > 0.0 and bool(instrument.bar.supports)
    moves = [(groups, False), (False, supports), (groups, supports)]
    moves = [each for each in dict.fromkeys(moves) if any(each)]
    sections = [each for each in allowed.sections if each != instrument.bar.section]
    kinds = [k for k in allowed.kinds if any(s.kind != k for s in instrument.bar.supports)]
    found = [Plan(None, None, *each) for each in moves]
    for section, kind in [*((s, None) for s in sections), *((None, k) for k in kinds)]:
        found.append(Plan(section, kind, False, False))
        found += [Plan(section, kind, *moves[-1])] if moves else []
    return found


def suggest(
    instrument: Instrument, row: Row, allowed: Allowed, plan: Plan, *, tries: int
) -> Iterator[int | Suggestion]:
    """The number of tries made so far, from time to time, and at last the suggestion; none where none is better."""
    search = _Search(instrument, row, allowed, plan)
    yield from search.run(tries)
    moves = search.pruned()
    changed = search.changed(moves)
    if changed == instrument:
        return
    try:
        new = solve_row(changed)
    except InputError:
        return
    quarrels = solve_quarrels(changed, new)
    severity = math.fsum(each.severity for each in quarrels)
    groups = len(instrument.groups)
    yield Suggestion(plan, changed, new, moves[:groups], moves[groups:], severity, quarrels)


class _Search:
    """A compass search over the places of groups and supports (G + S,), m from where they are."""

    def __init__(self, instrument: Instrument, row: Row, allowed: Allowed, plan: Plan) -> None:
        self.instrument, self.row, self.plan = instrument, row, plan
        groups, supports = len(instrument.groups), len(instrument.bar.supports)
        self.limit = np.array(
            [allowed.move * plan.groups] * groups + [allowed.supports * plan.supports] * supports
        )
        self.warnings = len(place_warnings(instrument.bar, instrument.groups, instrument.tines))
        self.moves = np.zeros(groups + supports)
        self.present = total_severity(instrument, row)
        self.least = self._severity(self.moves)
        self.tried = 1

    def run(self, tries: int) -> Iterator[int]:
        """Search until the finest step gains nothing or so many tries are made."""
        step = float(np.max(self.limit, initial=0.0))
        while step >= FINEST / 2.0 and self.tried < tries:
            before = self.least
            for way in self._ways():
                for sign in (1.0, -1.0):
                    if self.tried < tries and self._improved(self.moves + sign * step * way):
                        break
                yield self.tried
            step = step if self.least < before - 1e-9 else step / 2.0

    def pruned(self) -> Array:
        """The moves without those that hardly help, in whole millimetres."""
        self.moves = np.round(self.moves / FINEST) * FINEST
        self.least = self._severity(self.moves)
        for index in np.argsort(np.abs(self.moves)):
            back = self.moves.copy()
            back[index] = 0.0
            left = self._severity(back)
            if self.moves[index] and left <= self.least + WORTH * self.present:
                self.moves, self.least = back, left
        return self.moves

    def changed(self, moves: Array) -> Instrument:
        """The instrument with these moves and the plan's section and supports."""
        old, groups = self.instrument, len(self.instrument.groups)
        tines = tuple(dataclasses.replace(t, place=t.place + float(moves[t.group])) for t in old.tines)
        supports = []
        for support, way in zip(old.bar.supports, moves[groups:].tolist(), strict=True):
            kind = self.plan.kind if self.plan.kind not in (None, support.kind) else None
            usual = {} if kind is None else {"kind": kind, **dataclasses.asdict(FOOTINGS[kind])}
            supports.append(dataclasses.replace(support, place=support.place + way, **usual))
        bar = dataclasses.replace(
            old.bar, section=self.plan.section or old.bar.section, supports=tuple(supports)
        )
        return dataclasses.replace(old, bar=bar, tines=tines)

    def _ways(self) -> Iterator[Array]:
        """Each place alone, then each group with all that follow it, which a full bar needs."""
        free = self.limit > 0.0
        for index in np.flatnonzero(free):
            yield np.eye(len(free))[index]
        order = np.argsort([self.instrument.tines[group.first].place for group in self.instrument.groups])
        for start in range(len(order) - 1):
            way = np.zeros(len(free))
            way[order[start:]] = free[order[start:]]
            if way.any():
                yield way

    def _improved(self, moves: Array) -> bool:
        if np.any(np.abs(moves) > self.limit + 1e-9):
            return False
        self.tried += 1
        found = self._severity(moves)
        if found < self.least - 1e-9:
            self.moves, self.least = moves, found
            return True
        return False

    def _severity(self, moves: Array) -> float:
        """The measure, infinite for what cannot stand so."""
        changed = self.changed(moves)
        if not self._stands(changed):
            return math.inf
        return total_severity(changed, self.row)

    def _stands(self, changed: Instrument) -> bool:
        bar, tines = changed.bar, changed.tines
        places = [each.place for each in bar.supports]
        if not all(0.0 <= each <= bar.length for each in places) or not _bends(bar):
            return False
        try:
            check_places(bar, changed.groups, tines)
        except InputError:
            return False
        if len(place_warnings(bar, changed.groups, tines)) > self.warnings:
            return False
        return _apart(changed, self.instrument) and places == sorted(places)


def _bends(bar: Bar) -> bool:
    half = max(bar.section.width, bar.section.height) / 2.0
    return all(each.radius > half for each in bar.path if isinstance(each, Bend))


def _apart(changed: Instrument, present: Instrument) -> bool:
    """Whether groups that point the same way keep their order and room, or what room they have."""
    before, now = _spans(present), _spans(changed)
    order = sorted(range(len(before)), key=lambda each: before[each][0])
    for one, other in pairwise(order):
        faces = [present.tines[present.groups[each].first].face for each in (one, other)]
        room = min(ROOM, before[other][0] - before[one][1])
        if abs(faces[0] - faces[1]) < SAME_FACE and now[other][0] - now[one][1] < room - 1e-9:
            return False
    return True


def _spans(instrument: Instrument) -> list[tuple[float, float]]:
    places = [[tine.place for tine in instrument.tines[group.tines]] for group in instrument.groups]
    return [(min(each), max(each)) for each in places]


def changes_in_words(present: Instrument, suggestion: Suggestion) -> list[str]:
    """What to change, a line each."""
    words = []
    new = suggestion.instrument
    if new.bar.section != present.bar.section:
        words.append(f"bar {section_words(present.bar.section)} -> {section_words(new.bar.section)}")
    if suggestion.plan.kind is not None:
        words.append(f"supports of {suggestion.plan.kind}")
    for number, (old, now) in enumerate(zip(present.bar.supports, new.bar.supports, strict=True), start=1):
        if old.place != now.place:
            words.append(f"support {number}: at_mm {old.place / MM:.0f} -> {now.place / MM:.0f}")
    for group, way in zip(present.groups, suggestion.group_moves, strict=True):
        if way:
            start = present.tines[group.first].place / MM
            words.append(f"group '{group.name}': start_mm {start:.0f} -> {start + way / MM:.0f}")
    return words


def section_words(section: Section) -> str:
    """A section in mm."""
    width, height, wall = (f"{each / MM:g}" for each in (section.width, section.height, section.wall))
    if section.shape == "rectangle":
        return f"{width} x {height} mm"
    return f"{width} mm round" if section.shape == "round" else f"{width} x {wall} mm tube"


def alike(one: Suggestion, other: Suggestion) -> bool:
    """Whether two suggestions are much the same: one bar, one kind of support, places a few millimetres apart."""
    if (one.plan.section, one.plan.kind) != (other.plan.section, other.plan.kind):
        return False
    ways = (np.concatenate([each.group_moves, each.support_moves]) for each in (one, other))
    return bool(np.all(np.abs(np.subtract(*ways)) < ALIKE))


def gone_and_left(before: Sequence[Quarrel], after: Sequence[Quarrel]) -> tuple[list[Quarrel], list[Quarrel]]:
    """The quarrels that end or fall to half, the worst first, and those that are new or worse by half."""

    def by_partial(quarrels: Sequence[Quarrel]) -> dict[tuple[int, int, int], Quarrel]:
        worst: dict[tuple[int, int, int], Quarrel] = {}
        for each in quarrels:
            worst.setdefault((each.tine, each.plane, each.partial), each)
        return worst

    old, new = by_partial(before), by_partial(after)
    gone = [q for key, q in old.items() if key not in new or new[key].severity < q.severity / 2.0]
    fresh = [q for key, q in new.items() if key not in old or q.severity > 1.5 * old[key].severity]
    return gone, fresh
