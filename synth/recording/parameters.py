"""What a test piece can teach: the quantities of a design that are never known beforehand.

In: a design's tree and the tines that were measured. Out: `Unknown`s, each with its present value, how far off it
may plausibly be, and the keys of the design file that hold it.
"""

from __future__ import annotations

import statistics
from collections.abc import Callable, Iterable, Iterator, Sequence
from typing import Any, Final

from synth.design import schema
from synth.design.decode import decode
from synth.design.edit import Edit, Tree
from synth.design.file import read_toml
from synth.design.groups import as_member
from synth.design.instrument import Instrument, Tine
from synth.design.keys_as_written import place_of
from synth.design.material import own, own_name
from synth.design.rods_nuts_sticks import PLAIN_MATERIAL, THREADED_MATERIAL, find_stock
from synth.design.schema import Design
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import GPA, MM

# How far each is plausibly off before anything is measured, as a standard deviation of what the fit moves (the
# logarithm, or the value where it may be zero). They only decide whether a recording teaches anything; they do
# not pull on the fit.
PLAUSIBLE_SPREAD: Final = {
    "youngs": 0.04,  # cold drawing takes 193 GPa down to 180 (EN 10270-3)
    "bend-diameter": 0.02,  # class 6g: 0.9 % on M3 between the limits, and rolled threads vary in form
    "root-length": 0.2,  # 0.25 to 0.8 diameters by finite elements of good and bad seats
    "nut-grip": 0.4,  # between 0 and 1
    "clamp-loss": 0.7,  # 3e-4 to 2e-3
    "material-loss": 0.7,
}
KINDS: Final = tuple(PLAUSIBLE_SPREAD)
LOSSES: Final = ("clamp-loss", "material-loss")


@frozen
class Unknown:
    """One quantity: `value` as it stands in the design, in the units of its key."""

    kind: str  # of KINDS
    of: str  # the material, stock or nut; "" for the row as a whole
    key: str  # of the design file
    value: float
    lowest: float
    highest: float
    edits: Callable[[float], tuple[Edit, ...]]

    @property
    def name(self) -> str:
        return f"{self.kind} of {self.of}" if self.of else self.kind

    @property
    def linear(self) -> bool:
        """Whether the fit moves the value itself, which may be zero, or its logarithm."""
        return self.kind in ("root-length", "nut-grip")


def tree_of(path: str) -> dict[str, Any]:
    """The design file as plain tables. Raises `InputError`."""
    try:
        return read_toml(path)
    except InputError as error:
        raise error.within(path) from None


def unknowns(tree: Tree, instrument: Instrument, measured: Sequence[int]) -> list[Unknown]:
    """Everything that could be learnt from these tines (indices), the likeliest first within each kind."""
    design = decode(tree, Design)
    tines = [instrument.tines[index] for index in dict.fromkeys(measured)]
    rods = {tine.rod.name: tine for tine in tines}
    materials = {_material_word(design, tine): tine for tine in rods.values()}
    nuts = {placed.nut.name: placed.nut for tine in tines for placed in tine.trim}
    nuts |= {tine.wish.nut.name: tine.wish.nut for tine in tines if tine.wish is not None}
    # a plain rod's diameter is told by a calliper, a thread's bending diameter by nothing else
    found = [_bend_diameter(design, tine) for tine in rods.values() if tine.rod.thread]
    found += [_youngs(design, word, tine) for word, tine in materials.items()]
    found += [_root_length(design, tines)]
    found += [_grip(name, nut.grip) for name, nut in nuts.items()]
    found += [_clamp_loss(design, tines)]
    found += [_material_loss(design, word, tine) for word, tine in materials.items()]
    return found


def _stock_words(design: Design, tine: Tine) -> list[str]:
    """The names by which the design's groups and tines call this tine's rod."""
    words = {word for group in design.group for word in _stocks(group)}
    words |= {
        each.stock
        for recipe in design.recipe.values()
        for each in map(as_member, recipe.members)
        if each.stock
    }
    return sorted(word for word in words if find_stock(design, word, "").rod.name == tine.rod.name)


def _stocks(group: schema.Group) -> Iterator[str]:
    yield from (each.stock for each in (*group.tine, *group.change) if each.stock)
    if isinstance(group.stock, str):
        yield group.stock
    yield from (each.use for each in group.stock or () if isinstance(each, schema.StockByPitch))


def _material_word(design: Design, tine: Tine) -> str:
    """The material of this tine's rod as the design calls it."""
    given = own(tine.rod.name, design.stock)
    default = THREADED_MATERIAL if tine.rod.thread else PLAIN_MATERIAL
    return (given.material if given is not None else None) or default


def _stock_edits(design: Design, tine: Tine, key: str, value: float | str) -> tuple[Edit, ...]:
    words = [tine.rod.name] if tine.rod.name in design.stock else _stock_words(design, tine)
    new = {"kind": "threaded", "thread": tine.rod.thread}  # only a trade's rod has no table of its own
    return tuple(Edit(place_of("", "stock", word, key), value, new) for word in words)


def _material_edits(design: Design, word: str, tine: Tine, key: str, value: float) -> tuple[Edit, ...]:
    """The material's own table; a copy of it under a new name where the bar is made of it too."""
    written = own_name(word, design.material)
    if word.casefold() != design.bar.material.casefold():
        return (Edit(place_of("", "material", written or word, key), value),)
    name = f"{word} of the rods"
    besides: dict[str, Any] = {"like": word}
    if written is not None:
        given = design.material[written]
        besides = {
            key: getattr(given, key) for key in given.__struct_fields__ if getattr(given, key) is not None
        }
    return (
        Edit(place_of("", "material", name, key), value, besides),
        *_stock_edits(design, tine, "material", name),
    )


def _bend_diameter(design: Design, tine: Tine) -> Unknown:
    rod = tine.rod
    return Unknown(
        kind="bend-diameter",
        of=rod.name,
        key="bend_diameter_mm",
        value=rod.bend_diameter / MM,
        lowest=0.51 * rod.diameter / MM,
        highest=1.04 * rod.diameter / MM,
        edits=lambda value: _stock_edits(design, tine, "bend_diameter_mm", value),
    )


def _youngs(design: Design, word: str, tine: Tine) -> Unknown:
    material = tine.rod.material
    warmed = 1.0 + (material.modulus_slope + material.expansion) * (design.tuning.temperature_c - 20.0)
    value = material.youngs / GPA / warmed  # the file has it at 20 degrees
    return Unknown(
        kind="youngs",
        of=word,
        key="youngs_gpa",
        value=value,
        lowest=0.5 * value,
        highest=2.0 * value,
        edits=lambda new: _material_edits(design, word, tine, "youngs_gpa", new),
    )


def _root_length(design: Design, tines: Sequence[Tine]) -> Unknown:
    """By nuts, glue or whatever holds them: as the tines have it until it is measured."""
    given = design.tines.root_length_per_diameter
    return Unknown(
        kind="root-length",
        of="",
        key="root_length_per_diameter",
        value=_middle(tine.root.added_length / tine.rod.bend_diameter for tine in tines)
        if given is None
        else given,
        lowest=0.0,
        highest=2.0,
        edits=lambda value: (Edit("tines.root_length_per_diameter", value),),
    )


def _grip(name: str, grip: float) -> Unknown:
    return Unknown(
        "nut-grip",
        name,
        "grip",
        grip,
        0.0,
        1.0,
        lambda value: (Edit(place_of("", "nut", name, "grip"), value),),
    )


def _clamp_loss(design: Design, tines: Sequence[Tine]) -> Unknown:
    given = design.tines.clamp_loss_factor
    return Unknown(
        kind="clamp-loss",
        of="",
        key="clamp_loss_factor",
        value=max(_middle(tine.root.loss_factor for tine in tines) if given is None else given, 1e-6),
        lowest=1e-7,
        highest=0.2,
        edits=lambda value: (Edit("tines.clamp_loss_factor", value),),
    )


def _material_loss(design: Design, word: str, tine: Tine) -> Unknown:
    return Unknown(
        kind="material-loss",
        of=word,
        key="loss_factor",
        value=max(tine.rod.material.loss_factor, 1e-6),
        lowest=1e-7,
        highest=0.2,
        edits=lambda value: _material_edits(design, word, tine, "loss_factor", value),
    )


def _middle(values: Iterable[float]) -> float:
    """The median; 0 of none."""
    return float(statistics.median([*values] or [0.0]))
