"""A change to a design: groups and supports at other places, another section, another kind of support.

In: a `Design`, or the `Instrument` it resolves to, and a `Change`. Out: the same with the change made; whether a
maker can follow it; its words. What is tried by the hundred is tried on instruments; what is told goes through the
design and `synth.design.resolve`, as the maker's own edit of the file would.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

import msgspec
import numpy as np

from synth.arrays import Array
from synth.design import schema
from synth.design.bar_and_boards import FOOTINGS
from synth.design.instrument import Bar, Bend, Instrument, Section, Straight, Support
from synth.design.keys_as_written import like
from synth.design.pickup import nearest_tine
from synth.design.placement_checks import SAME_FACE, TIGHT_BEND, across_corners, check_places, unwise_places
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import INCH, MM, Units, length_said

ROOM: Final = 8.0 * MM  # that two groups on one face keep: a spanner on an M3 nut
SUPPORTS_APART: Final = 20.0 * MM  # of two supports, and
FROM_END: Final = 10.0 * MM  # of a support and the bar's end: about a pad's breadth; common practice
_ROUNDING: Final = 1e-9  # m
GRID_MM: Final[dict[Units, float]] = {"mm": 1.0, "inch": INCH / MM / 32}  # of new places: marks of a ruler


@frozen
class Change:
    """New places in mm, as the file has them, by index; what is not named stays."""

    starts: tuple[tuple[int, float], ...] = ()  # group, start_mm
    supports: tuple[tuple[int, float], ...] = ()  # support, at_mm
    section: Section | None = None
    kind: schema.SupportKind | None = None  # of all supports


def in_design(design: schema.Design, change: Change) -> schema.Design:
    """The design as the maker would write it then."""
    groups, supports = list(design.group), list(design.bar.supports)
    for index, start in change.starts:
        start = like(groups[index].start_mm, start)
        groups[index] = msgspec.structs.replace(groups[index], start_mm=start)
    for index, at in change.supports:
        supports[index] = msgspec.structs.replace(supports[index], at_mm=like(supports[index].at_mm, at))
    if change.kind is not None:
        usual = {"kind": change.kind, "stiffness_n_mm": None, "rotation_nm_rad": None, "loss_factor": None}
        supports = [s if s.kind == change.kind else msgspec.structs.replace(s, **usual) for s in supports]
    section = design.bar.section if change.section is None else _written(change.section)
    bar = msgspec.structs.replace(design.bar, supports=supports, section=section)
    return msgspec.structs.replace(design, group=groups, bar=bar)


def in_instrument(instrument: Instrument, change: Change) -> Instrument:
    """The same on what the design resolves to, without looking anything up anew."""
    starts = dict(change.starts)
    tines = list(instrument.tines)
    for index, start in starts.items():
        group = instrument.groups[index]
        way = start * MM - tines[group.first].position
        for r in range(group.first, group.first + group.count):
            tines[r] = dataclasses.replace(tines[r], position=tines[r].position + way)
    supports = list(instrument.bar.supports)
    for index, at in change.supports:
        supports[index] = dataclasses.replace(supports[index], position=at * MM)
    if change.kind is not None:
        supports = [_of_kind(support, change.kind) for support in supports]
    section = change.section or instrument.bar.section
    bar = dataclasses.replace(instrument.bar, section=section, supports=tuple(supports))
    return dataclasses.replace(instrument, bar=bar, tines=tuple(tines))


class Before:
    """How an instrument stands, the same for all changes that are tried of it: what they are judged by."""

    def __init__(self, instrument: Instrument) -> None:
        self.instrument = instrument
        self.tines, self.supports = _places(instrument)
        self.spans, self.faces = spans(instrument), faces(instrument)
        self.corners = np.array([across_corners(tine) for tine in instrument.tines])
        self.off_supports = np.abs(self.supports[:, None] - self.tines)
        self.neighbours = list(_neighbours(instrument))

    def fitting(self, change: Change) -> Instrument | None:
        """The changed instrument, None where it does not fit: most that do not are told by their places alone."""
        standing, ways = list(self.spans), []
        for index, start in change.starts:
            way = start * MM - float(self.tines[self.instrument.groups[index].first])
            standing[index] = (standing[index][0] + way, standing[index][1] + way)
            ways.append((index, way))
        if not self.groups_apart(standing):
            return None
        tines, supports = self.tines.copy(), self.supports.copy()
        for index, way in ways:
            tines[self.instrument.groups[index].tines] += way
        for index, at in change.supports:
            supports[index] = at * MM
        if not self.off_holes(tines, supports):
            return None
        new = in_instrument(self.instrument, change)
        return new if fits(self.instrument, new, self) else None

    def groups_apart(self, standing: Sequence[tuple[float, float]]) -> bool:
        """Whether groups that stand from there to there then, m, keep order and room."""
        return all(
            standing[other][0] - standing[one][1] >= room - _ROUNDING for one, other, room in self.neighbours
        )

    def off_holes(self, tines: Array, supports: Array) -> bool:
        """Whether no support comes further into a tine's hole; tines (R,) and supports (S,) standing there then."""
        now = np.abs(supports[:, None] - tines)
        return not np.any((now < self.corners - _ROUNDING) & (now < self.off_supports - _ROUNDING))


def _places(instrument: Instrument) -> tuple[Array, Array]:
    """Where tines (R,) and supports (S,) stand, m."""
    tines, supports = instrument.tines, instrument.bar.supports
    return np.array([each.position for each in tines]), np.array([each.position for each in supports])


def fits(old: Instrument, new: Instrument, before: Before | None = None) -> bool:
    """Whether the new one can be built, and nothing in it stands worse than in the old.

    Groups on one face keep their order and a spanner's room; no more tines come into bends, onto supports or onto
    narrow faces; supports keep their order and stay on the bar, clear of the holes, with a straight bar's middle
    between them; those at a board's foot stay; a magnetic pickup keeps its tine. `before` is the old one's.
    """
    before = before or Before(old)
    return (
        before.groups_apart(spans(new))
        and _supports_stand(old.bar, new.bar)
        and _bends(old.bar, new.bar)
        and before.off_holes(*_places(new))
        and _feet_stay(old, new)
        and _pickup_stays(old, new)
        and _can_be_built(new)
        and _as_wise(old, new)
    )


def _can_be_built(new: Instrument) -> bool:
    try:
        check_places(new.bar, new.groups, new.tines)
    except InputError:
        return False
    return True


def _as_wise(old: Instrument, new: Instrument) -> bool:
    """Whether for no reason more of a group's tines stand unwisely than did."""
    after = unwise_places(new.bar, new.tines)
    before = unwise_places(old.bar, old.tines) if after else {}
    return all(len(numbers) <= len(before.get(key, ())) for key, numbers in after.items())


def words(old: Instrument, change: Change) -> list[str]:
    """What to write into the file, a line each."""
    lines = []
    if change.section is not None:
        sizes = (section_words(each, old.bench.units) for each in (old.bar.section, change.section))
        lines.append(f"bar {' -> '.join(sizes)}")
    for index, support in enumerate(old.bar.supports):
        if change.kind not in (None, support.kind):
            usual = f"kind {support.kind} -> {change.kind}, with the usual stiffness and loss of one"
            lines.append(f"support {index + 1}: {usual}")
    for index, at in change.supports:
        here = old.bar.supports[index].position / MM
        lines.append(f"support {index + 1}: {_moved(old, _support_key(index), here, at)}")
    for index, start in change.starts:
        moved = _moved(old, _start_key(index), start_mm(old, index), start)
        lines.append(f"group '{old.groups[index].name}': {moved}")
    return lines


def _moved(old: Instrument, key: str, here: float, to: float) -> str:
    """A key in mm as the file has it, its value and the new one."""
    unit = INCH / MM if key in old.inches else 1.0
    return (
        f"{old.key(key).rsplit('.', 1)[1]} {here / unit:.7g} -> {to / unit:.7g}"  # 22.03125: a 32nd in full
    )


def start_grid_mm(instrument: Instrument, group: int) -> float:
    """How far apart the places are where a group may be told to start, by the unit that its start is written in."""
    return GRID_MM["inch" if _start_key(group) in instrument.inches else "mm"]


def support_grid_mm(instrument: Instrument, support: int) -> float:
    """The same of a support."""
    return GRID_MM["inch" if _support_key(support) in instrument.inches else "mm"]


def _start_key(group: int) -> str:
    return f"group[{group + 1}].start_mm"


def _support_key(support: int) -> str:
    return f"bar.supports[{support + 1}].at_mm"


def start_mm(instrument: Instrument, group: int) -> float:
    """Where a group's first tine stands."""
    return instrument.tines[instrument.groups[group].first].position / MM


def section_words(section: Section, units: Units) -> str:
    """A section, "30 x 20 mm"."""
    width, height, wall = (
        length_said(each, units, figures=6 if units == "mm" else 4)
        for each in (section.width, section.height, section.wall)
    )
    if section.shape == "round":
        return f"{width} round"
    thick = height if section.shape == "rectangle" else f"{wall} tube"
    return f"{width.split()[0]} x {thick}"


def spans(instrument: Instrument) -> list[tuple[float, float]]:
    """From where to where each group stands, m."""
    places = [[tine.position for tine in instrument.tines[group.tines]] for group in instrument.groups]
    return [(min(each), max(each)) for each in places]


def faces(instrument: Instrument) -> list[float]:
    """Which way each group points, rad."""
    return [instrument.tines[group.first].face for group in instrument.groups]


def same_face(one: float, other: float) -> bool:
    """Whether groups that point so are in each other's way."""
    return abs(math.remainder(one - other, 2.0 * math.pi)) < SAME_FACE


def _written(section: Section) -> schema.Section:
    width, height, wall = (round(each / MM, 9) for each in (section.width, section.height, section.wall))
    if section.shape == "rectangle":
        return schema.Section(shape="rectangle", width_mm=width, height_mm=height)
    if section.shape == "round":
        return schema.Section(shape="round", diameter_mm=width)
    return schema.Section(shape="tube", diameter_mm=width, wall_mm=wall)


def _of_kind(support: Support, kind: schema.SupportKind) -> Support:
    if support.kind == kind:
        return support
    return dataclasses.replace(support, kind=kind, **dataclasses.asdict(FOOTINGS[kind]))


def _bends(old: Bar, new: Bar) -> bool:
    """A bar no thicker than before, or one that bends cold without cracking."""
    before, now = (max(bar.section.width, bar.section.height) for bar in (old, new))
    radii = (each.radius for each in new.path if isinstance(each, Bend))
    return now <= before or all(radius >= TIGHT_BEND * now for radius in radii)


def _neighbours(instrument: Instrument) -> Iterator[tuple[int, int, float]]:
    """Each group with the next on its face, and the room that they keep, m."""
    span, face = spans(instrument), faces(instrument)
    order = sorted(range(len(span)), key=lambda each: span[each])
    for position, one in enumerate(order):
        other = next((each for each in order[position + 1 :] if same_face(face[one], face[each])), None)
        if other is not None:
            yield one, other, min(ROOM, span[other][0] - span[one][1])


def _supports_stand(old: Bar, new: Bar) -> bool:
    before, now = ([each.position for each in bar.supports] for bar in (old, new))
    order = sorted(range(len(before)), key=lambda each: before[each])
    for one, other in pairwise(order):
        if now[other] - now[one] < min(SUPPORTS_APART, before[other] - before[one]) - _ROUNDING:
            return False
    for was, at in zip(before, now, strict=True):
        inside, room = min(at, new.length - at), min(FROM_END, was, old.length - was)
        if inside < room - _ROUNDING:
            return False
    return not _lies(old, before) or _lies(new, now)


def _lies(bar: Bar, places: Sequence[float]) -> bool:
    """Whether a straight bar's middle is between its supports: else it tips."""
    straight = all(isinstance(each, Straight) for each in bar.path)
    return straight and len(places) > 1 and min(places) < bar.length / 2.0 < max(places)


def _feet_stay(old: Instrument, new: Instrument) -> bool:
    """A support within the bar's thickness of a board's foot gives way to it on the board: both stand together."""
    feet = [foot.bar_place for board in old.boards.values() for foot in board.feet]
    near = max(old.bar.section.width, old.bar.section.height)
    for was, now in zip(old.bar.supports, new.bar.supports, strict=True):
        beside = any(
            abs(foot - position) <= near for foot in feet for position in (was.position, now.position)
        )
        if was.position != now.position and beside:
            return False
    return True


def _pickup_stays(old: Instrument, new: Instrument) -> bool:
    if old.pickup.kind != "magnetic":
        return True
    heard = [nearest_tine(each.tines, each.pickup.position) for each in (old, new)]
    return (heard[0].group, heard[0].number) == (heard[1].group, heard[1].number)
