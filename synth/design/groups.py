"""The row: groups, written as a root with a recipe or tine by tine, become tines that stand on the bar.

In: the [[group]] tables. Out: `Group`s and their `Tine`s, in the order in which they stand. How a tine is held
comes from itself, else from its group, else from [tines], else from the defaults here.
"""

from __future__ import annotations

import hashlib
import math
import re
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

from synth.design import schema
from synth.design.decode import usable_name
from synth.design.instrument import FixedLength, Group, Pitch, PlacedNut, Root, Tine, TrimWish
from synth.design.material import own, unknown
from synth.design.rods_nuts_sticks import Stock, find_nut, find_stock, fitting_warning
from synth.errors import InputError
from synth.units import A4_NOTE_NUMBER, DEGREE, MM, note_hz, note_number, ratio

# How a tine is held where the design does not say.
ROOT_LENGTH_PER_DIAMETER: Final = (
    0.3  # of the bending diameter; finite elements of a nut clamp give 0.25 to 0.8
)
CLAMP_LOSS_FACTOR: Final = (
    1e-3  # Q of measured steel tongues, 500 to 900; range 3e-4 to 2e-3, the least certain figure
)
SPLIT_CENTS: Final = 3.0  # out-of-round rod and uneven seats give 0 to 15

LOWEST: Final = 8.0  # Hz, a little below the lowest MIDI note
HIGHEST: Final = 20_000.0  # Hz
_RATIO: Final = re.compile(r"([0-9]{1,4})\s*[/:]\s*([0-9]{1,4})|([0-9]{1,2}(?:\.[0-9]{1,9})?)")
_ROUNDING: Final = 1e-9  # m
_WIDEST: Final = 32.0  # the greatest ratio of a member to its root, five octaves


@dataclass(frozen=True)
class Standing:
    """A group's tines, with what is unwise about them."""

    group: Group
    tines: tuple[Tine, ...]
    warnings: tuple[str, ...]


def place_group(design: schema.Design, index: int, first: int) -> Standing:
    """The group of this index, whose first tine is the instrument's tine `first`. Raises `InputError`."""
    given, position = design.group[index], f"group[{index + 1}]"
    _check_group(design, given, position)
    root_hz = _root(design, given, position)
    written = _from_recipe(design, given, root_hz, position) if given.recipe is not None else given.tine
    ordered = _ordered(design, given, written, position)
    tines, warnings = [], []
    for number, (where, tine) in enumerate(ordered, start=1):
        made, words = _tine(design, given, tine, where, index=index, number=number)
        tines.append(made)
        warnings += words
    group = Group(given.name, root_hz, _midi_note(design, given, root_hz), first, len(tines))
    return Standing(group, tuple(tines), tuple(dict.fromkeys(warnings)))


def written_at(design: schema.Design, index: int) -> list[str]:
    """Where in the file a group's tines are written ("group[1].tine[2]"), in the order in which they stand."""
    given, position = design.group[index], f"group[{index + 1}]"
    return [where for where, _ in _ordered(design, given, given.tine, position)]


def interval(member: str | float, location: str) -> float:
    """The frequency ratio of a recipe's member: "3/2" as it stands, a number as semitones."""
    if not isinstance(member, str):
        return ratio(100.0 * member)
    match = _RATIO.fullmatch(member.strip())
    if match is None or (match[2] is not None and int(match[2]) == 0):
        raise InputError(
            f"'{member}' is not an interval",
            remedy='write a ratio, "3/2", or semitones, 7',
            location=location,
        )
    value = float(match[3]) if match[3] is not None else int(match[1]) / int(match[2])
    if not 1.0 / _WIDEST <= value <= _WIDEST:
        raise InputError(f"'{member}' is over five octaves from the root", location=location)
    return value


def _check_group(design: schema.Design, given: schema.Group, location: str) -> None:
    if not usable_name(given.name):
        raise InputError("a group's name has no space at its ends", location=f"{location}.name")
    if sum(other.name == given.name for other in design.group) > 1:
        raise InputError(
            f"two groups are called '{given.name}'", remedy="rename one", location=f"{location}.name"
        )
    if (given.recipe is None) == (not given.tine):
        both = "both a recipe and tines of its own" if given.tine else "neither a recipe nor tines of its own"
        raise InputError(f"the group has {both}", remedy="give it one of them", location=location)
    if given.root is not None and given.root_hz is not None:
        raise InputError("'root' and 'root_hz' exclude each other", remedy="keep one", location=location)


def _root(design: schema.Design, given: schema.Group, location: str) -> float | None:
    if given.root is not None:
        return _pitch(given.root, design.tuning.a4_hz, f"{location}.root")
    if given.root_hz is None and given.recipe is not None:
        raise InputError("the recipe has no root", remedy="give root or root_hz", location=location)
    return given.root_hz


def _pitch(name: str, a4: float, location: str) -> float:
    if len(name) > 8:  # no note has so many letters, and Python cannot raise 2 to any power
        raise InputError(f"'{name}' is not a note name", remedy="write C#4 or Bb2", location=location)
    try:
        number = note_number(name)
    except InputError as error:
        raise error.within("", location) from None
    if abs(number) > 12 * 20:
        raise InputError(f"'{name}' cannot be heard", location=location)
    return _audible(note_hz(number, a4), location)


def _audible(frequency: float, location: str) -> float:
    if not LOWEST <= frequency <= HIGHEST:
        raise InputError(
            f"{frequency:.4g} Hz cannot be heard",
            remedy=f"from {LOWEST:g} to {HIGHEST:g} Hz can",
            location=location,
        )
    return frequency


def _midi_note(design: schema.Design, given: schema.Group, root_hz: float | None) -> int | None:
    if given.midi_note is not None or root_hz is None:
        return given.midi_note
    number = round(A4_NOTE_NUMBER + 12.0 * math.log2(root_hz / design.tuning.a4_hz))
    return number if 0 <= number <= 127 else None


def _from_recipe(
    design: schema.Design, given: schema.Group, root_hz: float | None, location: str
) -> list[schema.Tine]:
    assert given.recipe is not None
    assert root_hz is not None
    recipe = own(given.recipe, design.recipe)
    if recipe is None:
        raise unknown(given.recipe, "a recipe of this design", design.recipe, f"{location}.recipe")
    frequencies = [
        _audible(root_hz * interval(member, f"recipe.{given.recipe}.members[{number}]"), location)
        for number, member in enumerate(recipe.members, start=1)
    ]
    return [schema.Tine(pitch_hz=frequency) for frequency in frequencies]


def _ordered(
    design: schema.Design, given: schema.Group, written: list[schema.Tine], location: str
) -> list[tuple[str, schema.Tine]]:
    """The tines as they stand, each with its place in the file."""
    where = f"{location}.tine[{{}}]" if given.tine else location
    pairs = [(where.format(number), tine) for number, tine in enumerate(written, start=1)]
    if given.order == "as written":
        return pairs
    keys = [_height(design, tine, where) for where, tine in pairs]
    alike = len({(tine.stock or given.stock, bool(tine.trim)) for tine in written}) == 1
    if not (
        all(kind == "pitch" for kind, _ in keys) or (alike and all(kind == "length" for kind, _ in keys))
    ):
        raise InputError(
            f"the order '{given.order}' needs pitches, or free lengths of one stock",
            remedy='write order = "as written"',
            location=f"{location}.order",
        )
    sign = 1.0 if given.order == "rising" else -1.0
    indices = sorted(range(len(pairs)), key=lambda index: sign * keys[index][1])
    return [pairs[index] for index in indices]


def _height(design: schema.Design, tine: schema.Tine, location: str) -> tuple[str, float]:
    """What a tine's pitch rises with: its pitch, or minus its length."""
    goal = _goal(design, tine, location)
    return ("pitch", goal.frequency) if isinstance(goal, Pitch) else ("length", -goal.length)


def _goal(design: schema.Design, tine: schema.Tine, location: str) -> FixedLength | Pitch:
    given = [key for key in ("free_length_mm", "pitch", "pitch_hz") if getattr(tine, key) is not None]
    if len(given) != 1:
        found = f"{' and '.join(given)} exclude each other" if given else "nothing says how long the tine is"
        raise InputError(found, remedy="give one of free_length_mm, pitch, pitch_hz", location=location)
    if tine.free_length_mm is not None:
        return FixedLength(tine.free_length_mm * MM)
    if tine.pitch is not None:
        return Pitch(_pitch(tine.pitch, design.tuning.a4_hz, f"{location}.pitch"))
    assert tine.pitch_hz is not None
    return Pitch(_audible(tine.pitch_hz, f"{location}.pitch_hz"))


def _tine(
    design: schema.Design, group: schema.Group, given: schema.Tine, location: str, *, index: int, number: int
) -> tuple[Tine, list[str]]:
    stock, warnings = _stock(design, group, given, location)
    goal = _goal(design, given, location)
    trim = _trim(design, given, goal, location)
    wish = _wish(design, given, location)
    for nut in (*(placed.nut for placed in trim), *((wish.nut,) if wish else ())):
        warnings.append(fitting_warning(nut, stock.rod, location))
    split = _held("split_cents", SPLIT_CENTS, given, group, design.tines)
    tine = Tine(
        group=index,
        number=number,
        rod=stock.rod,
        goal=goal,
        trim=trim,
        wish=wish,
        root=_root_of(design, group, given, stock),
        split=ratio(split),
        split_axis=_split_axis(design.tines.seed, group.name, number),
        position=(group.start_mm + group.spacing_mm * (number - 1)) * MM,
        face=group.face_deg * DEGREE,
    )
    return tine, [words for words in warnings if words]


def _stock(
    design: schema.Design, group: schema.Group, given: schema.Tine, location: str
) -> tuple[Stock, list[str]]:
    name = given.stock or group.stock
    if name is None:
        raise InputError("no stock is named", remedy="give the group or the tine a stock", location=location)
    where = f"{location}.stock" if given.stock else f"{location.split('.')[0]}.stock"
    stock = find_stock(design, name, where)
    if stock.base_nut is None:
        return stock, []
    return stock, [fitting_warning(stock.base_nut, stock.rod, f"stock.{name}.base_nut")]


def _root_of(design: schema.Design, group: schema.Group, given: schema.Tine, stock: Stock) -> Root:
    levels = (given, group, design.tines)
    translation = _held("root_translation_n_mm", math.inf, *levels)
    return Root(
        added_length=_held("root_length_per_diameter", ROOT_LENGTH_PER_DIAMETER, *levels)
        * stock.rod.bend_diameter,
        rotation_stiffness=_held("root_rotation_nm_rad", math.inf, *levels),
        translation_stiffness=translation / MM,
        loss_factor=_held("clamp_loss_factor", CLAMP_LOSS_FACTOR, *levels),
        loss_slope=_held("clamp_loss_slope", 0.0, *levels),
        base_nut_height=stock.base_nut.height if stock.base_nut else 0.0,
        base_nut=stock.base_nut,
    )


def _held(key: str, default: float, *levels: schema.Holding) -> float:
    """The first of the tine, its group and [tines] that says something, else the default."""
    return next((float(getattr(level, key)) for level in levels if getattr(level, key) is not None), default)


def _trim(
    design: schema.Design, given: schema.Tine, goal: FixedLength | Pitch, location: str
) -> tuple[PlacedNut, ...]:
    """The trim nuts from the root up. Refused: one in the base nut, beyond the tip, or in another."""
    places = {}
    for number, each in enumerate(given.trim, start=1):
        where = f"{location}.trim[{number}]"
        placed = PlacedNut(find_nut(design, each.nut, f"{where}.nut"), each.at_mm * MM)
        _check_ends(placed, goal, f"{where}.at_mm")
        places[where] = placed
    ordered = sorted(places.items(), key=lambda item: item[1].position)
    for (_, lower), (where, upper) in pairwise(ordered):
        room = 0.5 * (lower.nut.height + upper.nut.height)
        if upper.position - lower.position < room - _ROUNDING:
            raise InputError(
                f"the nut overlaps the one at {lower.position / MM:g}",
                remedy=f"set their middles {room / MM:.4g} mm apart or more",
                location=f"{where}.at_mm",
            )
    return tuple(placed for _, placed in ordered)


def _wish(design: schema.Design, given: schema.Tine, location: str) -> TrimWish | None:
    if given.trim_to is None:
        return None
    nut = find_nut(design, given.trim_to.nut, f"{location}.trim_to.nut")
    return TrimWish(given.trim_to.partial, given.trim_to.ratio, nut)


def _check_ends(placed: PlacedNut, goal: FixedLength | Pitch, location: str) -> None:
    half = 0.5 * placed.nut.height
    if placed.position < half - _ROUNDING:
        raise InputError(
            f"the nut at {placed.position / MM:g} overlaps the base nut",
            remedy=f"set its middle at {half / MM:.4g} or above",
            location=location,
        )
    if isinstance(goal, FixedLength) and placed.position > goal.length - half + _ROUNDING:
        raise InputError(
            f"the nut at {placed.position / MM:g} is beyond the tip of a tine of {goal.length / MM:g} mm",
            remedy=f"set its middle at {(goal.length - half) / MM:.4g} or below",
            location=location,
        )


def _split_axis(seed: int, group: str, number: int) -> float:
    """An angle within +-pi/4, the same for this tine whatever else stands on the bar."""
    digest = hashlib.sha256(f"{seed}/{number}/{group}".encode()).digest()
    return (int.from_bytes(digest[:8], "big") / 2.0**64 - 0.5) * math.pi / 2.0
