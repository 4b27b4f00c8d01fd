"""The row: groups, written as a root with a recipe or tine by tine, become tines that stand on the bar.

In: the [[group]] tables. Out: `Group`s and their `Tine`s, in the order in which they stand. How a tine is held
comes from itself, else from its group, else from [tines], else from the defaults here.
"""

from __future__ import annotations

import hashlib
import math
import re
from itertools import pairwise
from typing import Final

from msgspec import structs

from synth.design import schema
from synth.design.decode import usable_name
from synth.design.instrument import FixedLength, Group, Pitch, PlacedNut, Tine, TrimWish
from synth.design.keys_as_written import Written, key_in, key_of, place_of, unit_of, units_of, written
from synth.design.material import own, own_name, unknown
from synth.design.rods_nuts_sticks import Stock, find_nut, find_stock, fitting_warning
from synth.design.roots import nearest_said, root_of
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import A4_NOTE_NUMBER, DEGREE, MM, Units, length_said, note_hz, note_number, ratio

SPLIT_CENTS: Final = 3.0  # out-of-round rod and uneven seats give 0 to 15

LOWEST: Final = 8.0  # Hz, a little below the lowest MIDI note
HIGHEST: Final = 20_000.0  # Hz
_RATIO: Final = re.compile(r"([0-9]{1,4})\s*[/:]\s*([0-9]{1,4})|([0-9]{1,2}(?:\.[0-9]{1,9})?)")
_ROUNDING: Final = 1e-9  # m
_WIDEST: Final = 32.0  # the greatest ratio of a member to its root, five octaves


@frozen
class _Entry:
    """A tine as it is written: its table, and the key of its pitch or length."""

    tine: schema.Made
    table: str  # that is this tine's alone
    wish: str  # the table that says trim and trim_to
    goal: FixedLength | Pitch
    goal_key: str


@frozen
class Standing:
    """A group's tines, with what is unwise about them."""

    group: Group
    tines: tuple[Tine, ...]
    warnings: tuple[str, ...]


def place_group(design: schema.Design, index: int, first: int, units: Units) -> Standing:
    """The group of this index, whose first tine is the instrument's tine `first`; warnings speak in `units`.

    Raises `InputError`.
    """
    given, location = design.group[index], f"group[{index + 1}]"
    _check_group(design, given, location)
    root_hz = _root(design, given, location)
    entries = (
        _from_recipe(design, given, root_hz, location)
        if given.recipe is not None
        else _own(design, given, location)
    )
    tines, warnings = [], []
    stocks: dict[str, Stock] = {}
    standing = _changed(given, _ordered(given, entries, location), location)
    for number, entry in enumerate(standing, start=1):
        made, words = _tine(design, given, entry, stocks, index=index, number=number, units=units)
        tines.append(made)
        warnings += words
    group = Group(given.name, root_hz, _midi_note(design, given, root_hz), first, len(tines))
    return Standing(group, tuple(tines), tuple(dict.fromkeys(warnings)))


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
) -> list[_Entry]:
    assert given.recipe is not None
    assert root_hz is not None
    recipe = own(given.recipe, design.recipe)
    if recipe is None:
        raise unknown(given.recipe, "a recipe of this design", design.recipe, f"{location}.recipe")
    entries = []
    for number, each in enumerate(recipe.members, start=1):
        key = f"{place_of('recipe', own_name(given.recipe, design.recipe) or '')}.members[{number}]"
        member = as_member(each)
        pitch = _audible(root_hz * interval(member.interval, key) * ratio(member.cents), location)
        entries.append(_Entry(member, f"{location}.change[+]", key, Pitch(pitch), key))
    return entries


def as_member(given: str | float | schema.Member) -> schema.Member:
    """A recipe's member, written as an interval or a table."""
    return given if isinstance(given, schema.Member) else schema.Member(interval=given)


def _changed(given: schema.Group, entries: list[_Entry], location: str) -> list[_Entry]:
    """The tines as they stand, with what the group has otherwise than its recipe."""
    out, changed = list(entries), set()
    for number, change in enumerate(given.change, start=1):
        where = f"{location}.change[{number}]"
        if given.recipe is None:
            raise InputError(
                "only a recipe's tines are changed", remedy="write it at the tine", location=where
            )
        if change.tine > len(entries) or change.tine in changed:
            twice = (
                f"tine {change.tine} is changed twice" if change.tine in changed else f"no tine {change.tine}"
            )
            raise InputError(twice, remedy=f"it has {len(entries)}", location=f"{where}.tine")
        changed.add(change.tine)
        out[change.tine - 1] = _with(entries[change.tine - 1], change, where)
    return out


def _with(entry: _Entry, change: schema.OtherTine, where: str) -> _Entry:
    shared = set(schema.Made.__struct_fields__)
    own = {key: value for key, value in written(change).items() if key in shared}
    trimmed = bool(change.trim or change.trim_to)
    if trimmed:
        own = {"trim": [], "trim_to": None} | own
    assert isinstance(entry.goal, Pitch)
    goal = Pitch(entry.goal.frequency * ratio(change.cents))
    return _Entry(
        structs.replace(entry.tine, **own), where, where if trimmed else entry.wish, goal, entry.goal_key
    )


def _own(design: schema.Design, given: schema.Group, location: str) -> list[_Entry]:
    wheres = [f"{location}.tine[{number}]" for number in range(1, len(given.tine) + 1)]
    return [
        _Entry(tine, where, where, *_goal(design, tine, where))
        for tine, where in zip(given.tine, wheres, strict=True)
    ]


def _goal(design: schema.Design, tine: schema.Tine, location: str) -> tuple[FixedLength | Pitch, str]:
    """What is wanted of a tine, and the key that says so."""
    given = [key for key in ("free_length_mm", "pitch", "pitch_hz") if getattr(tine, key) is not None]
    if len(given) != 1:
        found = (
            f"{' and '.join(key_of(tine, key) for key in given)} exclude each other"
            if given
            else "nothing says how long the tine is"
        )
        length = key_in("free_length_mm", units_of(design))
        raise InputError(found, remedy=f"give one of {length}, pitch, pitch_hz", location=location)
    key = f"{location}.{key_of(tine, given[0])}"
    if tine.free_length_mm is not None:
        return FixedLength(tine.free_length_mm * MM), key
    if tine.pitch is not None:
        return Pitch(_pitch(tine.pitch, design.tuning.a4_hz, key)), key
    assert tine.pitch_hz is not None
    return Pitch(_audible(tine.pitch_hz, key)), key


def _ordered(given: schema.Group, entries: list[_Entry], location: str) -> list[_Entry]:
    """The tines as they stand."""
    if given.order == "as written":
        return entries
    pitched = all(isinstance(each.goal, Pitch) for each in entries)
    stocks = [str(each.tine.stock or given.stock) for each in entries]
    alike = len({(stock, bool(each.tine.trim)) for stock, each in zip(stocks, entries, strict=True)}) == 1
    if not pitched and not (alike and all(isinstance(each.goal, FixedLength) for each in entries)):
        raise InputError(
            f"the order '{given.order}' needs pitches, or free lengths of one stock",
            remedy='write order = "as written"',
            location=f"{location}.order",
        )
    sign = 1.0 if given.order == "rising" else -1.0
    return sorted(entries, key=lambda each: sign * _height(each.goal))


def _height(goal: FixedLength | Pitch) -> float:
    """What a tine's pitch rises with: its pitch, or minus its length."""
    return goal.frequency if isinstance(goal, Pitch) else -goal.length


def _tine(
    design: schema.Design,
    group: schema.Group,
    entry: _Entry,
    stocks: dict[str, Stock],
    *,
    index: int,
    number: int,
    units: Units,
) -> tuple[Tine, list[str]]:
    """A tine and what is unwise about it; `stocks` are those of the group's tines so far, by name."""
    given, location = entry.tine, entry.wish
    stock, stock_key, warnings = _stock(design, group, entry, f"group[{index + 1}]", stocks)
    trim = _trim(design, given, entry.goal, location)
    wish = _wish(design, given, location)
    for nut in (*(placed.nut for placed in trim), *((wish.nut,) if wish else ())):
        warnings.append(fitting_warning(nut, stock.rod, entry.table.removesuffix(".change[+]")))
    split = nearest_said("split_cents", SPLIT_CENTS, given, group, design.tines)
    start, spacing = (f"group[{index + 1}].{key_of(group, key)}" for key in ("start_mm", "spacing_mm"))
    tine = Tine(
        group=index,
        number=number,
        rod=stock.rod,
        goal=entry.goal,
        trim=trim,
        wish=wish,
        root=root_of(design, group, given, stock, (location, f"group[{index + 1}]", "tines")),
        split=ratio(split),
        split_axis=_split_axis(design.tines.seed, group.name, number),
        position=(group.start_mm + group.spacing_mm * (number - 1)) * MM,
        face=group.face_deg * DEGREE,
        written=Written(entry.table, entry.goal_key, stock_key, start, spacing, entry.wish, units),
    )
    return tine, [words for words in warnings if words]


def _stock(
    design: schema.Design, group: schema.Group, entry: _Entry, location: str, stocks: dict[str, Stock]
) -> tuple[Stock, str, list[str]]:
    """The stock, the key that names it, and what is unwise about it."""
    name, where = entry.tine.stock, f"{entry.table}.stock"
    if name is None:
        name, where = _stock_of_group(design, group, entry, f"{location}.stock")
    elif entry.table.endswith("[+]"):
        where = f"{entry.goal_key}.stock"
    stock = stocks[name] = stocks.get(name) or find_stock(design, name, where)
    if stock.base_nut is None:
        return stock, where, []
    return stock, where, [fitting_warning(stock.base_nut, stock.rod, f"stock.{name}.base_nut")]


def _stock_of_group(
    design: schema.Design, group: schema.Group, entry: _Entry, location: str
) -> tuple[str, str]:
    """The name of the group's stock for this tine, and its key."""
    if group.stock is None:
        where = entry.table.removesuffix(".change[+]")
        raise InputError("no stock is named", remedy="give the group or the tine a stock", location=where)
    if isinstance(group.stock, str):
        return group.stock, location
    if not isinstance(entry.goal, Pitch):
        found = "a stock by pitch needs tines with a pitch"
        raise InputError(found, remedy="give the tine its stock", location=entry.table)
    for number, each in enumerate(group.stock, start=1):
        where = f"{location}[{number}]"
        limit = math.inf if each.below is None else _pitch(each.below, design.tuning.a4_hz, f"{where}.below")
        if entry.goal.frequency < limit * (1.0 - 1e-9):  # a note itself is not below itself
            return each.use, f"{where}.use"
    raise InputError(
        f"no stock is named for {entry.goal.frequency:.5g} Hz",
        remedy="end with { use = ... }",
        location=location,
    )


def _trim(
    design: schema.Design, given: schema.Made, goal: FixedLength | Pitch, location: str
) -> tuple[PlacedNut, ...]:
    """The trim nuts from the root up. Refused: one in the base nut, beyond the tip, or in another."""
    places = {}
    for number, each in enumerate(given.trim, start=1):
        where = f"{location}.trim[{number}]"
        placed = PlacedNut(find_nut(design, each.nut, f"{where}.nut"), each.at_mm * MM)
        where, units = f"{where}.{key_of(each, 'at_mm')}", unit_of(each.at_mm)
        _check_ends(placed, goal, where, units)
        places[where] = placed, units
    ordered = sorted(places.items(), key=lambda item: item[1][0].position)
    for (_, (lower, _)), (where, (upper, units)) in pairwise(ordered):
        room = 0.5 * (lower.nut.height + upper.nut.height)
        if upper.position - lower.position < room - _ROUNDING:
            raise InputError(
                f"the nut overlaps the one at {length_said(lower.position, units)}",
                remedy=f"set their middles {length_said(room, units)} apart or more",
                location=where,
            )
    return tuple(placed for _, (placed, _) in ordered)


def _wish(design: schema.Design, given: schema.Made, location: str) -> TrimWish | None:
    if given.trim_to is None:
        return None
    nut = find_nut(design, given.trim_to.nut, f"{location}.trim_to.nut")
    return TrimWish(given.trim_to.partial, given.trim_to.ratio, nut)


def _check_ends(placed: PlacedNut, goal: FixedLength | Pitch, location: str, units: Units) -> None:
    half = 0.5 * placed.nut.height
    if placed.position < half - _ROUNDING:
        raise InputError(
            f"the nut at {length_said(placed.position, units)} overlaps the base nut",
            remedy=f"set its middle at {length_said(half, units)} or above",
            location=location,
        )
    if isinstance(goal, FixedLength) and placed.position > goal.length - half + _ROUNDING:
        raise InputError(
            f"the nut at {length_said(placed.position, units)} is beyond the tip of a tine of "
            f"{length_said(goal.length, units)}",
            remedy=f"set its middle at {length_said(goal.length - half, units)} or below",
            location=location,
        )


def _split_axis(seed: int, group: str, number: int) -> float:
    """An angle within +-pi/4, the same for this tine whatever else stands on the bar."""
    digest = hashlib.sha256(f"{seed}/{number}/{group}".encode()).digest()
    return (int.from_bytes(digest[:8], "big") / 2.0**64 - 0.5) * math.pi / 2.0
