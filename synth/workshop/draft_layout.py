"""Where groups can stand on a bar of the wished shape: several layouts to choose from.

In: `Wishes` and the groups' plans. Out: `Layout`s, mm on the marks of a ruler. A straight bar is as long as it must
be; a U carries its groups on its two legs, the low ones on the first, and is left bare in its bend; a ring carries
them all around. Refused: legs or a ring in which they do not fit, with the size in which they do.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import accumulate
from typing import Final

from synth.errors import InputError
from synth.frozen import frozen
from synth.many import many
from synth.units import INCH, MM, Units
from synth.workshop.draft_groups import GroupPlan, round_up
from synth.workshop.wishes import MM_PER_INCH, Wishes, thickness_mm

GAPS_MM: Final = (26.0, 32.0, 40.0)  # between groups: a stick ends one stroke before the next note begins
ENDS_MM: Final = (40.0, 60.0, 85.0, 115.0)  # bar beyond the tines: room for a pickup and for a support
SHORT_MM: Final = 300.0  # a row so short is held beside it: its bar stands over by half of it
BEND_ROOM_MM: Final = 20.0  # straight bar between a bend and the first tine: drilled flat
SPARE: Final = (1.0, 0.8, 0.6, 0.4)  # of a ring's spare room, shared between groups; the rest is at its joint
BENDS: Final = 2.5  # a U's usual radius in thicknesses of its bar, above the 2 that crack cold
RING_GAP_MM: Final = 36.0  # between groups, where the ring's size is left to the draft


@frozen
class Layout:
    """A bar's path and where each group starts on it."""

    path: tuple[dict[str, float], ...]
    starts_mm: tuple[float, ...]
    length_mm: float
    gap_mm: float
    pickup_mm: float


def ruler_mm(units: Units) -> float:
    """The marks that places are put on: a millimetre, or a sixteenth of an inch."""
    return 1.0 if units == "mm" else INCH / MM / 16


def saw_mm(units: Units) -> float:
    """The marks that bars are sawn and bent to: 5 mm, or a quarter of an inch."""
    return 5.0 if units == "mm" else INCH / MM / 4


def layouts(wishes: Wishes, plans: Sequence[GroupPlan]) -> tuple[Layout, ...]:
    """Layouts that fit, at least one. Raises `InputError` with the size that would fit."""
    return tuple({"straight": _straight, "u": _bent, "ring": _ring}[wishes.shape](wishes, plans))


def _spread(plans: Sequence[GroupPlan], first: float, gap: float, ruler: float) -> list[float]:
    """Where groups start that stand one after the other with a gap between."""
    ahead = accumulate((round_up(plan.span_mm + gap, ruler) for plan in plans[:-1]), initial=0.0)
    return [first + each for each in ahead]


def _ends(plans: Sequence[GroupPlan]) -> tuple[float, ...]:
    span = sum(plan.span_mm for plan in plans) + GAPS_MM[0] * (len(plans) - 1)
    return (*ENDS_MM, max(40.0, 0.5 * span)) if span < SHORT_MM else ENDS_MM


def _straight(wishes: Wishes, plans: Sequence[GroupPlan]) -> Iterator[Layout]:
    ruler = ruler_mm(wishes.units)
    for end in _ends(plans):
        for gap in GAPS_MM if len(plans) > 1 else GAPS_MM[:1]:
            first = round_up(end, ruler)
            starts = _spread(plans, first, gap, ruler)
            length = round_up(starts[-1] + plans[-1].span_mm + first, saw_mm(wishes.units))
            yield Layout(({"straight_mm": length},), tuple(starts), length, gap, round_up(first / 2.0, ruler))


def _needed(plans: Sequence[GroupPlan], end: float, gap: float, ruler: float) -> float:
    """How long a leg must be for these groups."""
    if not plans:
        return end + BEND_ROOM_MM
    first = round_up(end, ruler)
    return _spread(plans, first, gap, ruler)[-1] + plans[-1].span_mm + BEND_ROOM_MM


def _bent(wishes: Wishes, plans: Sequence[GroupPlan]) -> Iterator[Layout]:
    """The first leg is filled from its free end on, the second from the bend on."""
    ruler, saw, thick = ruler_mm(wishes.units), saw_mm(wishes.units), thickness_mm(wishes.section)
    radius = wishes.radius_mm or round_up(max(BENDS * thick, 60.0), saw)
    found = False
    for end in _ends(plans):
        for gap in GAPS_MM:
            legs = _legs(wishes, plans, end, gap)
            if legs is None:
                continue
            found = True
            one, other, split = legs
            second = one + math.pi * radius
            starts = [
                *_spread(plans[:split], round_up(end, ruler), gap, ruler),
                *_spread(plans[split:], round_up(second + BEND_ROOM_MM, ruler), gap, ruler),
            ]
            path = (
                {"straight_mm": one},
                {"bend_deg": 180.0, "radius_mm": radius, "plane_deg": 0.0},
                {"straight_mm": other},
            )
            yield Layout(
                path,
                tuple(starts[: len(plans)]),
                second + other,
                gap,
                round_up(min(end, starts[0]) / 2.0, ruler),
            )
    if not found:
        fits = min(_most_even(plans, ENDS_MM[0], GAPS_MM[0], ruler)[0], 5000.0)
        raise InputError(
            f"{many(len(plans), 'group does', 'groups do')} not fit legs of {_sizes(wishes.legs_mm, wishes.units)}",
            remedy=f"legs of {_size(round_up(fits, saw), wishes.units)} each hold them",
            location="--legs",
        )


def _legs(
    wishes: Wishes, plans: Sequence[GroupPlan], end: float, gap: float
) -> tuple[float, float, int] | None:
    """Both legs and how many groups stand on the first; None where they do not fit the legs that are wished."""
    ruler = ruler_mm(wishes.units)
    if not any(wishes.legs_mm):
        needed, split = _most_even(plans, end, gap, ruler)
        leg = round_up(needed, saw_mm(wishes.units))
        return leg, leg, split
    one, other = wishes.legs_mm
    for split in range(len(plans), -1, -1):
        if (
            _needed(plans[:split], end, gap, ruler) <= one
            and _needed(plans[split:], end, gap, ruler) + ruler <= other
        ):
            return one, other, split
    return None


def _most_even(plans: Sequence[GroupPlan], end: float, gap: float, ruler: float) -> tuple[float, int]:
    """The shortest equal legs, and how many groups stand on the first."""
    return min(
        (max(_needed(plans[:k], end, gap, ruler), _needed(plans[k:], end, gap, ruler) + ruler), k)
        for k in range(1, len(plans) + 1)
    )


def _ring(wishes: Wishes, plans: Sequence[GroupPlan]) -> Iterator[Layout]:
    ruler = ruler_mm(wishes.units)
    spans = sum(plan.span_mm for plan in plans)
    diameter = wishes.diameter_mm or _wide_enough(wishes, spans + RING_GAP_MM * len(plans))
    length = math.pi * diameter
    least = GAPS_MM[0] + ruler
    if spans + least * len(plans) > length:
        fits = _size(_wide_enough(wishes, spans + (least + 1.0) * len(plans)), wishes.units)
        raise InputError(
            f"{many(len(plans), 'group does', 'groups do')} not fit a ring of {_size(diameter, wishes.units)}",
            remedy=f"a diameter of {fits} holds them",
            location="--diameter",
        )
    spare = length - spans - least * len(plans)
    path = ({"bend_deg": 360.0, "radius_mm": diameter / 2.0, "plane_deg": 0.0},)
    for share in SPARE if len(plans) > 1 else SPARE[:1]:
        gap = GAPS_MM[0] + share * spare / len(plans)
        joint = length - spans - (gap + ruler) * (len(plans) - 1)
        first = math.floor(joint / 2.0 / ruler) * ruler
        yield Layout(
            path,
            tuple(_spread(plans, first, gap, ruler)),
            length,
            gap,
            math.ceil(first / 2.0 / ruler) * ruler,
        )


def _wide_enough(wishes: Wishes, around: float) -> float:
    """The diameter of a ring so long, on whole centimetres or half inches, and no tighter than it bends."""
    grid = 10.0 if wishes.units == "mm" else 0.5 * MM_PER_INCH
    return round_up(max(around / math.pi, 8.0 * thickness_mm(wishes.section)), grid)


def _size(mm: float, units: Units) -> str:
    return f"{mm:g} mm" if units == "mm" else f"{mm / MM_PER_INCH:g} in"


def _sizes(pair: tuple[float, float], units: Units) -> str:
    return " and ".join(_size(each, units) for each in pair)
