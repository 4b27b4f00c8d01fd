"""Whether everything finds room on the bar, before any length is known.

In: the bar, its tines, the sticks. Out: words on what is unwise. Refused: tines off the bar's end or wider than it,
base nuts and holes that meet, gaps that no stick passes.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import pairwise
from typing import Final

from synth.design.instrument import Bar, Bend, Group, Stick, Tine
from synth.errors import InputError
from synth.units import DEGREE, MM

SAME_FACE: Final = 45.0 * DEGREE  # tines that point less far apart stand on one face of the bar
TIGHT_BEND: Final = 2.0  # of the bar's thickness, inside which cold bending cracks; common practice
_ROUNDING: Final = 1e-9  # m


def check_places(bar: Bar, groups: Sequence[Group], tines: Sequence[Tine]) -> None:
    """Refuse tines off the bar, wider than the bar, or in one another's way. Raises `InputError`."""
    for tine in tines:
        _check_on_bar(bar, tine, groups)
    for one, other in _neighbours(tines):
        apart = abs(other.place - one.place)
        need = _room(one, other)
        if apart < need - _ROUNDING:
            raise InputError(
                f"{_name(one, groups)} and {_name(other, groups)} are {apart / MM:.4g} mm apart",
                remedy=f"their nuts and holes need {need / MM:.4g} mm",
                place=_place(other),
            )


def check_sticks(groups: Sequence[Group], tines: Sequence[Tine], sticks: Sequence[Stick]) -> None:
    """Refuse gaps within a group that none of these sticks goes between. Raises `InputError`."""
    thinnest = min(sticks, key=lambda stick: stick.diameter)
    for group in groups:
        standing = sorted(tines[group.tines], key=lambda tine: tine.place)
        for one, other in pairwise(standing):
            gap = other.place - one.place - 0.5 * (one.rod.diameter + other.rod.diameter)
            if gap < thinnest.diameter - _ROUNDING:
                raise InputError(
                    f"the stick '{thinnest.name}' of {thinnest.diameter / MM:.4g} mm does not go into the gap of "
                    f"{max(gap, 0.0) / MM:.4g} mm between tines {one.number} and {other.number}",
                    remedy="space them wider or take a thinner stick",
                    place=f"group[{one.group + 1}].spacing_mm",
                )


def place_warnings(bar: Bar, groups: Sequence[Group], tines: Sequence[Tine]) -> list[str]:
    """What can be built but is unwise about where the tines stand."""
    return [words for tine in tines for words in _tine_warnings(bar, tine, groups)]


def bar_warnings(bar: Bar) -> list[str]:
    """What can be built but is unwise about the bar alone."""
    warnings = [] if bar.supports else ["bar.supports: none are given; the bar floats freely"]
    thickness = max(bar.section.width, bar.section.height)
    for number, segment in enumerate(bar.path, start=1):
        if isinstance(segment, Bend) and segment.radius < TIGHT_BEND * thickness:
            warnings.append(
                f"bar.path[{number}]: a radius of {segment.radius / MM:.4g} mm is under twice the bar's "
                f"thickness; bent cold it may crack"
            )
    return warnings


def _check_on_bar(bar: Bar, tine: Tine, groups: Sequence[Group]) -> None:
    radius = 0.5 * tine.rod.diameter
    if not radius - _ROUNDING <= tine.place <= bar.length - radius + _ROUNDING:
        raise InputError(
            f"{_name(tine, groups)} at {tine.place / MM:.6g} mm is off the bar's end",
            remedy=f"the bar is {bar.length / MM:.6g} mm long, and its hole needs {radius / MM:.4g} mm",
            place=_place(tine),
        )
    if tine.rod.diameter >= _face_width(bar, tine):
        raise InputError(
            f"a rod of {tine.rod.diameter / MM:.4g} mm is as wide as the bar, {_face_width(bar, tine) / MM:.4g} mm",
            place=_place(tine),
        )


def _face_width(bar: Bar, tine: Tine) -> float:
    """The bar's width where the tine goes in: of the face it leaves at a right angle, or nearly."""
    upright = abs(math.cos(tine.face)) >= math.sqrt(0.5)
    return bar.section.width if upright else bar.section.height


def _neighbours(tines: Sequence[Tine]) -> Iterator[tuple[Tine, Tine]]:
    """Every pair near enough along the bar to be in each other's way."""
    ordered = sorted(tines, key=lambda tine: tine.place)
    reach = max((_across_corners(tine) for tine in tines), default=0.0)
    for index, one in enumerate(ordered):
        for other in ordered[index + 1 :]:
            if other.place - one.place >= reach:
                break
            yield one, other


def _room(one: Tine, other: Tine) -> float:
    """How far apart two tines must stand: nut against nut on one face, else their holes inside the bar."""
    turned = abs(math.remainder(one.face - other.face, 2.0 * math.pi))
    holes = 0.5 * (one.rod.diameter + other.rod.diameter)
    return max(holes, 0.5 * (_across_corners(one) + _across_corners(other))) if turned < SAME_FACE else holes


def _across_corners(tine: Tine) -> float:
    """What a tine takes up on the bar while its nut is turned; a plain rod itself."""
    nut = tine.root.base_nut
    return tine.rod.diameter if nut is None else max(tine.rod.diameter, nut.width * 2.0 / math.sqrt(3.0))


def _tine_warnings(bar: Bar, tine: Tine, groups: Sequence[Group]) -> Iterator[str]:
    if _in_bend(bar, tine):
        yield f"{_place(tine)}: {_name(tine, groups)} stands in a bend; a hole drilled before bending deforms"
    if tine.root.base_nut is not None and tine.root.base_nut.width > _face_width(bar, tine):
        yield f"{_place(tine)}: the base nut of {_name(tine, groups)} is wider than the bar"
    quarter = math.remainder(tine.face, math.pi / 2.0)
    if bar.section.shape == "rectangle" and abs(quarter) > DEGREE:
        yield f"{_place(tine)}: {_name(tine, groups)} leaves a flat face at a slant; its nut does not seat"
    for number, support in enumerate(bar.supports, start=1):
        if abs(support.place - tine.place) < tine.rod.diameter:
            yield f"{_place(tine)}: {_name(tine, groups)} stands on support {number}"


def _in_bend(bar: Bar, tine: Tine) -> bool:
    start = 0.0
    for segment in bar.path:
        end = start + segment.length
        if isinstance(segment, Bend) and start - _ROUNDING < tine.place < end + _ROUNDING:
            return True
        start = end
    return False


def _name(tine: Tine, groups: Sequence[Group]) -> str:
    return f"tine {tine.number} of '{groups[tine.group].name}'"


def _place(tine: Tine) -> str:
    return f"group[{tine.group + 1}]"
