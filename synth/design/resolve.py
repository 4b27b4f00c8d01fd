"""The hinge: from what the maker wrote to an instrument that is complete and SI.

In: a `Design`. Out: an `Instrument`: every name looked up, every default filled, every length in metres. What
cannot be built is refused here as far as it shows before the tines' lengths are known; `synth.vibration.tuning`
does the rest. What is possible but unwise is said in `Instrument.warnings`.
"""

from __future__ import annotations

from typing import Final

from synth.design import catalogue, schema
from synth.design.bar_and_boards import board_warnings, make_bar, make_board, make_listener
from synth.design.bench import make_bench
from synth.design.decode import checked
from synth.design.groups import as_member, interval, place_group
from synth.design.instrument import Group, Instrument, Nut, Stick, Tine
from synth.design.keys_as_written import in_inches
from synth.design.material import check_materials
from synth.design.pickup import make_pickup
from synth.design.placement_checks import (
    bar_warnings,
    check_holes,
    check_places,
    check_sticks,
    place_warnings,
    stick_warnings,
)
from synth.design.rods_nuts_sticks import find_nut, find_sticks, find_stock
from synth.design.rooms import make_rooms
from synth.errors import InputError
from synth.units import KELVIN_AT_0_C, Units

# 7100 modes: 1.8 GiB and 48 s of one busy core, measured; both grow steeply (memory as the square, time as the
# cube), because every tine rings along with every other.
MOST_TINES: Final = 400


def resolve(design: schema.Design, file: str = "") -> Instrument:
    """The instrument that the design describes; `file` is named in messages. Raises `InputError`."""
    try:
        return _resolved(checked(design), file)
    except InputError as error:
        raise error.within(file) from None


def _resolved(design: schema.Design, file: str) -> Instrument:
    check_materials(design)
    bar = make_bar(design)
    sticks = find_sticks(design)
    _check_unused(design)
    bench = make_bench(design)
    units = bench.units
    groups, tines, warnings = _row(design, units)
    check_places(bar, groups, tines)
    check_holes(bar, groups, tines, bench)
    meant = _meant(design, sticks)
    check_sticks(groups, tines, meant, units)
    boards = {name: make_board(design, name, bar, units) for name in design.board}
    return Instrument(
        file=file,
        name=design.name,
        temperature=design.tuning.temperature_c + KELVIN_AT_0_C,
        a4=design.tuning.a4_hz,
        bar=bar,
        groups=groups,
        tines=tines,
        nuts=_nuts(design),
        sticks=sticks,
        boards=boards,
        pickup=make_pickup(design, bar, tines),
        listener=make_listener(design),
        rooms=make_rooms(design, file),
        bench=bench,
        warnings=(
            *bar_warnings(bar, units),
            *warnings,
            *place_warnings(bar, groups, tines),
            *stick_warnings(groups, tines, meant if design.stick else [], units),
            *(words for board in boards.values() for words in board_warnings(board, bar, units)),
        ),
        inches=in_inches(design),
        flats=_spells_flats(design),
    )


def _spells_flats(design: schema.Design) -> bool:
    """Whether more of the design's notes carry a flat than a sharp."""
    notes = [
        note for group in design.group for note in (group.root, *(tine.pitch for tine in group.tine)) if note
    ]
    flats = sum("b" in note[1:] or "♭" in note for note in notes)
    return flats > sum("#" in note or "♯" in note for note in notes)


def _row(design: schema.Design, units: Units) -> tuple[tuple[Group, ...], tuple[Tine, ...], list[str]]:
    if not design.group:
        raise InputError("the design has no tines", remedy="write at least one [[group]]")
    groups: list[Group] = []
    tines: list[Tine] = []
    warnings: list[str] = []
    for index in range(len(design.group)):
        standing = place_group(design, index, len(tines), units)
        groups.append(standing.group)
        tines.extend(standing.tines)
        warnings.extend(standing.warnings)
        if len(tines) > MOST_TINES:
            raise InputError(
                f"over {MOST_TINES} tines on one bar",
                remedy="make several bars of it, each its own design: more are not solved in reasonable time",
                location=f"group[{index + 1}]",
            )
    _check_midi_notes(design)
    return tuple(groups), tuple(tines), list(dict.fromkeys(warnings))


def _check_midi_notes(design: schema.Design) -> None:
    taken: dict[int, str] = {}
    for index, group in enumerate(design.group, start=1):
        if group.midi_note is None:
            continue
        if group.midi_note in taken:
            raise InputError(
                f"{group.midi_note} already plays '{taken[group.midi_note]}'",
                remedy="give each group its own",
                location=f"group[{index}].midi_note",
            )
        taken[group.midi_note] = group.name


def _check_unused(design: schema.Design) -> None:
    """Refuse what is wrong in tables that no tine refers to: it would be found when someone does."""
    for name in design.stock:
        find_stock(design, name, f"stock.{name}")
    for name, recipe in design.recipe.items():
        for number, member in enumerate(recipe.members, start=1):
            interval(as_member(member).interval, f"recipe.{name}.members[{number}]")


def _nuts(design: schema.Design) -> dict[str, Nut]:
    """Every nut at hand, by name: those of the trade and the design's."""
    return {name: find_nut(design, name, f"nut.{name}") for name in (*catalogue.nuts().names, *design.nut)}


def _meant(design: schema.Design, sticks: dict[str, Stick]) -> list[Stick]:
    """The sticks the maker means to play with: the design's, or where it names none, all."""
    return [sticks[name] for name in (design.stick or sticks)]
