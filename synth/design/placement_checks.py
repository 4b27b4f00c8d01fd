"""Whether everything finds room on the bar, before any length is known.

In: the bar, its tines, the sticks. Out: words on what is unwise. Refused: tines off the bar's end, holes as wide as
the bar, base nuts and holes that meet, gaps that no stick passes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from synth.design.bench import hole_diameter
from synth.design.instrument import Bar, Bench, Bend, Group, Stick, Tine
from synth.errors import InputError
from synth.units import DEGREE, Units, length_said

SAME_FACE: Final = 45.0 * DEGREE  # tines that point less far apart stand on one face of the bar
TIGHT_BEND: Final = 2.0  # of the bar's thickness, inside which cold bending cracks; common practice
_ROUNDING: Final = 1e-9  # m


def check_places(bar: Bar, groups: Sequence[Group], tines: Sequence[Tine]) -> None:
    """Refuse tines off the bar or in one another's way. Raises `InputError`."""
    for tine in tines:
        _check_on_bar(bar, tine, groups)
    for one, other in _neighbours(tines):
        apart = abs(other.position - one.position)
        need, units = _room(one, other), other.written.units
        if apart < need - _ROUNDING:
            raise InputError(
                f"{_name(one, groups)} and {_name(other, groups)} are {length_said(apart, units)} apart",
                remedy=f"their nuts and holes need {length_said(need, units)}",
                location=other.written.spacing if one.group == other.group else other.written.there,
            )


def check_holes(bar: Bar, groups: Sequence[Group], tines: Sequence[Tine], bench: Bench) -> None:
    """Refuse a hole that would cut the bar in two. Raises `InputError`."""
    for tine in tines:
        hole, width = hole_diameter(tine, bench), _face_width(bar, tine)
        if hole >= width:
            raise InputError(
                f"{_name(tine, groups)} takes a hole of {length_said(hole, bench.units)}, as wide as the bar "
                f"({length_said(width, bench.units)})",
                remedy="take a wider bar or thinner rod",
                location=tine.written.stock,
            )


def check_sticks(
    groups: Sequence[Group], tines: Sequence[Tine], sticks: Sequence[Stick], units: Units
) -> None:
    """Refuse gaps within a group that none of these sticks goes between. Raises `InputError`."""
    thinnest = min(sticks, key=lambda stick: stick.diameter)
    for group in groups:
        for one, other, gap in _gaps(group, tines):
            if gap < thinnest.diameter - _ROUNDING:
                raise InputError(
                    f"the stick '{thinnest.name}' of {length_said(thinnest.diameter, units)} does not go into the "
                    f"gap of {length_said(max(gap, 0.0), units)} between tines {one.number} and {other.number}",
                    remedy="space them wider or take a thinner stick",
                    location=other.written.spacing,
                )


def _gaps(group: Group, tines: Sequence[Tine]) -> Iterator[tuple[Tine, Tine, float]]:
    standing = sorted(tines[group.tines], key=lambda tine: tine.position)
    for one, other in pairwise(standing):
        yield one, other, other.position - one.position - 0.5 * (one.rod.diameter + other.rod.diameter)


def place_warnings(bar: Bar, groups: Sequence[Group], tines: Sequence[Tine]) -> list[str]:
    """What can be built but is unwise about where the tines stand: one sentence for each group and reason."""
    return [
        f"group[{group + 1}]: {_tines(numbers)} of '{groups[group].name}' {reason}"
        for (group, reason), numbers in unwise_places(bar, tines).items()
    ]


def unwise_places(bar: Bar, tines: Sequence[Tine]) -> dict[tuple[int, str], list[int]]:
    """The numbers of the tines that stand unwisely, by their group and the reason."""
    reasons: dict[tuple[int, str], list[int]] = {}
    for tine in tines:
        for reason in _reasons(bar, tine):
            reasons.setdefault((tine.group, reason), []).append(tine.number)
    return reasons


def stick_warnings(
    groups: Sequence[Group], tines: Sequence[Tine], sticks: Sequence[Stick], units: Units
) -> list[str]:
    """The sticks that are thicker than the narrowest gap of a group."""
    warnings = []
    for index, group in enumerate(groups, start=1):
        gap = min((gap for _, _, gap in _gaps(group, tines)), default=math.inf)
        for stick in sticks:
            if gap < stick.diameter - _ROUNDING:
                warnings.append(
                    f"group[{index}]: the stick '{stick.name}' of {length_said(stick.diameter, units)} does not go "
                    f"into the gap of {length_said(gap, units)} in '{group.name}'"
                )
    return warnings


def bar_warnings(bar: Bar, units: Units) -> list[str]:
    """What can be built but is unwise about the bar alone."""
    warnings = []
    if not bar.supports:
        warnings.append("bar.supports: none are given; the bar floats freely")
    elif _is_level(bar) and not any("up" in each.directions for each in bar.supports):
        warnings.append("bar.supports: none holds the bar up")
    thickness = max(bar.section.width, bar.section.height)
    for number, segment in enumerate(bar.path, start=1):
        if isinstance(segment, Bend) and segment.radius < TIGHT_BEND * thickness:
            warnings.append(
                f"bar.path[{number}]: a radius of {length_said(segment.radius, units)} is under twice the bar's "
                f"thickness; bent cold it may crack"
            )
    return warnings


def _is_level(bar: Bar) -> bool:
    """Whether the bar's own up is the world's all along."""
    return all(abs(math.sin(each.plane)) < _ROUNDING for each in bar.path if isinstance(each, Bend))


def _check_on_bar(bar: Bar, tine: Tine, groups: Sequence[Group]) -> None:
    radius, units = 0.5 * tine.rod.diameter, tine.written.units
    if not radius - _ROUNDING <= tine.position <= bar.length - radius + _ROUNDING:
        raise InputError(
            f"{_name(tine, groups)} at {length_said(tine.position, units, figures=6)} is off the bar's end",
            remedy=f"the bar is {length_said(bar.length, units, figures=6)} long, and its hole needs "
            f"{length_said(radius, units)}",
            location=tine.written.there,
        )


def _face_width(bar: Bar, tine: Tine) -> float:
    """The bar's width where the tine goes in: of the face it leaves at a right angle, or nearly."""
    upright = abs(math.cos(tine.face)) >= math.sqrt(0.5)
    return bar.section.width if upright else bar.section.height


def _neighbours(tines: Sequence[Tine]) -> Iterator[tuple[Tine, Tine]]:
    """Every pair near enough along the bar to be in each other's way."""
    ordered = sorted(tines, key=lambda tine: tine.position)
    reach = max((across_corners(tine) for tine in tines), default=0.0)
    for index, one in enumerate(ordered):
        for other in ordered[index + 1 :]:
            if other.position - one.position >= reach:
                break
            yield one, other


def _room(one: Tine, other: Tine) -> float:
    """How far apart two tines must stand: nut against nut on one face, else their holes inside the bar."""
    turned = abs(math.remainder(one.face - other.face, 2.0 * math.pi))
    holes = 0.5 * (one.rod.diameter + other.rod.diameter)
    return max(holes, 0.5 * (across_corners(one) + across_corners(other))) if turned < SAME_FACE else holes


def across_corners(tine: Tine) -> float:
    """What a tine takes up on the bar while its nut is turned; a plain rod itself."""
    nut = tine.root.base_nut
    return tine.rod.diameter if nut is None else max(tine.rod.diameter, nut.width * 2.0 / math.sqrt(3.0))


def _reasons(bar: Bar, tine: Tine) -> Iterator[str]:
    if _in_bend(bar, tine):
        yield "in a bend: holes drilled before bending deform"
    if tine.root.base_nut is not None and tine.root.base_nut.width > _face_width(bar, tine):
        yield "with base nuts wider than the bar"
    quarter = math.remainder(tine.face, math.pi / 2.0)
    if bar.section.shape == "rectangle" and abs(quarter) > DEGREE:
        yield "at a slant to a flat face, on which nuts do not seat"
    for number, support in enumerate(bar.supports, start=1):
        if abs(support.position - tine.position) < tine.rod.diameter:
            yield f"on support {number}"


def _tines(numbers: Sequence[int]) -> str:
    """Rising numbers in words: tine 3; tines 1 to 4, 6."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = (str(run[0]) if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs)
    return f"{'tine' if len(numbers) == 1 else 'tines'} {', '.join(words)}"


def _in_bend(bar: Bar, tine: Tine) -> bool:
    start = 0.0
    for segment in bar.path:
        end = start + segment.length
        if isinstance(segment, Bend) and start - _ROUNDING < tine.position < end + _ROUNDING:
            return True
        start = end
    return False


def _name(tine: Tine, groups: Sequence[Group]) -> str:
    return f"tine {tine.number} of '{groups[tine.group].name}'"
