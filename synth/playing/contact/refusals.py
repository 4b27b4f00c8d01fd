"""What a hand cannot do and a tine cannot bear, in a sentence with what to change.

In: a stroke, its closed form, what it did. Out: warnings; refused: a stick that digs in, a push that no hand has, a
tine that would bend for good.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from itertools import pairwise
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.playing.contact import hand
from synth.playing.contact.closed_form import Pluck
from synth.playing.contact.run import EnergyBalance
from synth.playing.contact.stick_path import StickPath, lowered_by
from synth.playing.report import TineTouch
from synth.playing.stroke import Stroke
from synth.units import DEGREE, MPA, length_said, length_to
from synth.vibration.tine import TineModes

LOWEST_SHARE: Final = 0.8  # of a tine's length: lower down it is too stiff for any stick
SMALL_BEND: Final = (
    0.1  # of a tine's length: a bend up to which straight beams tell the truth (a check: 0.08)
)
MOST_OFF: Final = 0.1  # of the energy: beyond, what is heard would be an artefact by 1 dB and more
EASY_SLIP: Final = (
    10.0 * DEGREE
)  # of tilt beyond the friction angle: below it forces grow threefold (full model)


def refuse_too_low(stroke: Stroke, way: StickPath, tines: TineModes, instrument: Instrument) -> None:
    """Raises `InputError` where the stick would pass at the height of a tine's root."""
    length, units = tines.tip[way.tine], instrument.bench.units
    shortest = int(np.argmin(length))
    lowest = length_to(LOWEST_SHARE * length[shortest], units, 0)
    if stroke.height > LOWEST_SHARE * length[shortest]:
        raise InputError(
            f"{length_said(stroke.height, units)} below the tips is at the root of "
            f"{called(int(way.tine[shortest]), instrument)}, which is {length_to(length[shortest], units, 1)} long",
            remedy=f"height {lowest} at most for this group",
            file=instrument.file,
        )


def refuse_too_deep(stroke: Stroke, way: StickPath, instrument: Instrument) -> None:
    """Raises `InputError` where a tine would meet the fingers and not the stick.

    A rear edge lies on the stick's face at (o - rho (1 - sin a)) / cos a from its end, for the bite o and the tilt
    a: a limp stick that is pressed hard, or one that lies flat, would have to be longer than it is.
    """
    rho = stroke.stick.end_radius + way.edge
    deepest = stroke.stick.length * math.cos(stroke.tilt) + rho * (1.0 - math.sin(stroke.tilt))
    worst = int(np.argmax(way.bite - deepest))
    if way.bite[worst] <= deepest[worst]:
        return
    pressed = stroke.pressure * lowered_by(stroke)
    room = float(deepest[worst] - way.bite[worst]) + pressed
    stands, reaches = (
        length_said(each[worst], instrument.bench.units, figures=3) for each in (way.bite, deepest)
    )
    raise InputError(
        f"so pressed, tilted and bitten {called(int(way.tine[worst]), instrument)} would stand "
        f"{stands} above the stick's end, and {stroke.stick.name} reaches no higher than {reaches} out of the hand",
        remedy=f"press by {room / lowered_by(stroke):.2g} N at most, or take a stiffer stick"
        if room > 0.0 and pressed > 0.0
        else "bite less, tilt less, or take a longer stick",
        file=instrument.file,
    )


def refuse_impossible(stroke: Stroke, way: StickPath, closed: Pluck, instrument: Instrument) -> None:
    """Raises `InputError` where the stick cannot pass the row."""
    if not way.touched.any():
        return
    slip = math.atan(stroke.stick.friction)
    if stroke.tilt <= slip:
        raise InputError(
            f"the stick digs in: tilted by {stroke.tilt / DEGREE:.0f} degrees, {stroke.stick.name} on steel does "
            f"not slip off, for its friction of {stroke.stick.friction:g} needs more than {slip / DEGREE:.0f}",
            remedy=f"let it trail by {math.ceil((slip + EASY_SLIP) / DEGREE)} degrees or more, or take a smoother "
            "stick",
            file=instrument.file,
        )
    hardest = int(np.argmax(closed.hand_force))
    if closed.hand_force[hardest] > hand.GREATEST_FORCE:
        share = hand.GREATEST_FORCE / float(closed.hand_force[hardest])
        bite = length_to(share * float(way.bite[hardest]), instrument.bench.units, 1)
        raise InputError(
            f"this bend needs a force no hand gives: {closed.hand_force[hardest]:.0f} N on "
            f"{called(int(way.tine[hardest]), instrument)}, where a grip holds about {hand.GREATEST_FORCE:.0f} N",
            remedy=f"bite {bite} or less, tilt more, or take a thinner or longer stick",
            file=instrument.file,
        )


def refuse_unbooked(books: EnergyBalance, instrument: Instrument) -> None:
    """Raises `InputError` where energy comes from nowhere, however finely the contact is followed."""
    if not books.off <= MOST_OFF:  # no number is no book either
        raise InputError(
            f"this contact cannot be reckoned: its energy is off by {100.0 * books.off:.2g} % of what there was",
            remedy="press or bite less, or let it trail more",
            file=instrument.file,
        )


def refuse_yield(touches: Sequence[TineTouch], stroke: Stroke, instrument: Instrument) -> None:
    """Raises `InputError` where a tine would bend for good."""
    worst = max(touches, key=lambda each: over_yield(each, instrument), default=None)
    if worst is None or over_yield(worst, instrument) <= 1.0:
        return
    material = instrument.tines[worst.tine].rod.material
    # what a hold bends goes with the bite; what a blow bends goes with the speed as well
    deepest = length_to(stroke.bite / over_yield(worst, instrument), instrument.bench.units, 1)
    less = f"bite less than {deepest}"
    how = less if worst.regime == "pluck" else "stroke slower, bite less"
    raise InputError(
        f"past yield: {called(worst.tine, instrument)} would bend for good, {worst.root_stress / MPA:.0f} MPa at "
        f"its root where {material.name} bears {material.yield_stress / MPA:.0f} MPa",
        remedy=f"{how}, take a softer or longer stick, or say --allow-yield",
        file=instrument.file,
    )


def over_yield(touch: TineTouch, instrument: Instrument) -> float:
    """The root's stress as a share of the yield stress."""
    return touch.root_stress / instrument.tines[touch.tine].rod.material.yield_stress


def warnings(
    stroke: Stroke, way: StickPath, touches: Sequence[TineTouch], length: Array, instrument: Instrument
) -> tuple[str, ...]:
    """What is possible but unwise. `length` (T,) m of the tines that the stick passes."""
    return (
        *_near_digging_in(stroke, way),
        *_past_yield(touches, instrument),
        *_beyond_small(way, touches, length, instrument),
        *_colliding(way, touches, instrument),
    )


def _near_digging_in(stroke: Stroke, way: StickPath) -> list[str]:
    slip = math.atan(stroke.stick.friction)
    if not way.touched.any() or stroke.tilt >= slip + EASY_SLIP:
        return []
    return [
        f"the stick nearly digs in: at a tilt of {stroke.tilt / DEGREE:.0f} degrees, {slip / DEGREE:.0f} of which "
        f"friction takes, forces are several times those of an easy stroke; let it trail by "
        f"{math.ceil((slip + EASY_SLIP) / DEGREE)} degrees"
    ]


def _past_yield(touches: Sequence[TineTouch], instrument: Instrument) -> list[str]:
    return [
        f"past yield: {called(each.tine, instrument)} bends for good, {each.root_stress / MPA:.0f} MPa at its root"
        for each in touches
        if over_yield(each, instrument) > 1.0
    ]


def _beyond_small(
    way: StickPath, touches: Sequence[TineTouch], length: Array, instrument: Instrument
) -> list[str]:
    bends = {each.tine: max(each.bend, sum(each.along)) for each in touches}
    share = [bends[int(index)] / each for index, each in zip(way.tine, length, strict=True)]
    worst = int(np.argmax(share))
    if share[worst] <= SMALL_BEND:
        return []
    return [
        f"{called(int(way.tine[worst]), instrument)} bends by {100.0 * share[worst]:.0f} % of its length: "
        "more than the reckoning is good for, take it as a guess"
    ]


def _colliding(way: StickPath, touches: Sequence[TineTouch], instrument: Instrument) -> list[str]:
    """Neighbours whose swings, or one's bend under the stick and the other's swing, add up to the room between."""
    by_tine = {each.tine: each for each in touches}
    rows = [by_tine[int(index)] for index in way.tine]
    said = []
    for k, (one, other) in enumerate(pairwise(rows)):
        room = float(way.position[k + 1] - way.position[k] - (way.diameter[k] + way.diameter[k + 1]) / 2.0)
        swing = max(sum(one.along) + sum(other.along), one.bend)
        if swing > room:
            need, have = (length_to(each, instrument.bench.units, 1) for each in (swing, room))
            said.append(
                f"{called(one.tine, instrument)} and {called(other.tine, instrument)} would hit each other: they "
                f"need {need} of room and have {have}; bite less, stroke slower or space "
                "them out"
            )
    return said


def called(tine: int, instrument: Instrument) -> str:
    """What a maker calls a tine."""
    each = instrument.tines[tine]
    return f"tine {each.number} of group '{instrument.groups[each.group].name}'"
