"""What can be set of a tine: its pitch or length, its stock, its nuts and their places.

In: a model and a tine's index. Out: `Field`s, and for its nuts a `Nuts`: where the list of them goes. A tine of a
recipe is changed in its group's list of what is otherwise than the recipe.
"""

from __future__ import annotations

from dataclasses import asdict
from typing import Any

from synth.design import schema
from synth.design.instrument import Tine
from synth.design.key_path import last_key
from synth.frozen import frozen
from synth.served.fields import STOCKS, Field, Slot, length_field
from synth.served.model import SolvedDesign
from synth.units import MM


@frozen
class Nuts:
    """The nuts of a tine as they are, where the list of them goes, and where each one's place if it is written."""

    slot: Slot
    placed: tuple[dict[str, Any], ...]  # nut, at_mm
    places: tuple[str, ...]  # paths; empty where the list is to be written anew
    wish: str  # in words, where the place of a nut is found
    stays: bool  # the recipe has them: they can be moved, not taken away


def tine_fields(model: SolvedDesign, index: int) -> list[Field]:
    """Pitch or length, and stock."""
    tine = model.instrument.tines[index]
    group = model.design.group[tine.group]
    stock = tine.rod.name
    if group.recipe is not None:
        cents = next((each.cents for each in group.change if each.tine == tine.number), 0.0)
        return [
            Field("Off the recipe", cents, _slot(tine, "cents"), "cents", 1.0),
            Field("Stock", stock, _slot(tine, "stock"), among=STOCKS),
        ]
    given = group.tine[_number(tine) - 1]
    return [*_goals(model, index, given), Field("Stock", stock, _slot(tine, "stock"), among=STOCKS)]


def _goals(model: SolvedDesign, index: int, given: schema.Tine) -> list[Field]:
    """Whichever is set takes the place of what is written."""
    tine, row = model.instrument.tines[index], model.row
    now = next(key for key in ("free_length_mm", "pitch", "pitch_hz") if getattr(given, key) is not None)
    there = last_key(tine.written.goal)

    def slot(key: str) -> Slot:
        return Slot(f"{tine.written.table}.{key}", instead_of="" if key == now else there)

    return [
        Field("Note", given.pitch, slot("pitch"), hint="D3, F#2; takes the place of a length"),
        Field("Pitch", round(float(row.mounted_hz[index]), 3), slot("pitch_hz"), "Hz", 0.1),
        length_field(
            model.instrument.bench.units,
            "Free length",
            round(float(row.length[index]) / MM, 2),
            slot("free_length_mm"),
            0.1,
        ),
    ]


def nuts_of(model: SolvedDesign, index: int) -> Nuts:
    """The nuts above a tine's base."""
    tine, trim = model.instrument.tines[index], model.row.trim[index]
    own = tine.written.wish == tine.written.table
    written = own and tine.wish is None and bool(tine.trim)
    wish = tine.wish
    return Nuts(
        slot=_nuts_slot(tine, own),
        placed=tuple({"nut": each.nut.name, "at_mm": round(each.position / MM, 3)} for each in trim),
        places=tuple(f"{tine.written.table}.trim[{n + 1}].at_mm" for n in range(len(trim)))
        if written
        else (),
        wish=""
        if wish is None
        else f"its place is found: it brings partial {wish.partial} to {wish.ratio:g}",
        stays=not own and bool(trim),
    )


def plain_nuts(nuts: Nuts) -> dict[str, Any]:
    """For JSON."""
    return asdict(nuts)


def _nuts_slot(tine: Tine, own: bool) -> Slot:
    if tine.written.table.endswith("[+]") or not own or tine.wish is None:
        return _slot(tine, "trim")
    path = f"{tine.written.table}.trim"
    if not tine.trim:
        return Slot(path, instead_of="trim_to")
    return Slot(path, also_gone=f"{tine.written.table}.trim_to")


def _slot(tine: Tine, key: str) -> Slot:
    table = tine.written.table
    if table.endswith("[+]"):
        return Slot(table, inner=key, besides={"tine": tine.number})
    return Slot(f"{table}.{key}")


def _number(tine: Tine) -> int:
    """Which of its group's tines it is in the file, from 1."""
    return int(tine.written.table.rsplit("[", 1)[1].rstrip("]"))
