"""Variants of what is compared: several designs, any of their keys, and any part of the stroke.

In: designs as trees of their files, and what is `Varied`. Out: a `Variant` for every combination that can be
built, a `LeftOut` for every other. A key that no design knows is refused; a value that cannot be is left out.
"""

from __future__ import annotations

import dataclasses
import itertools
import math
import re
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from msgspec.structs import fields

from synth.design.decode import decode
from synth.design.edit import Edit, edited_design
from synth.design.file import read_toml
from synth.design.instrument import FixedLength, Instrument, Pitch, PlacedNut, Tine, TrimWish
from synth.design.key_path import steps
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError, named, nearest
from synth.frozen import frozen
from synth.playing.stroke import CHOICES, Stroke, shaped
from synth.vibration.solve import solve_row
from synth.workshop.varied import OF_THE_STROKE, Varied, name_of, value_of

MOST: Final = 64  # combinations: more than anyone compares by ear


@frozen
class WrittenDesign:
    """A design as it stands in its file."""

    file: str
    name: str  # told apart by it
    tree: Mapping[str, Any]


@frozen
class Plain:
    """What is played where nothing is varied."""

    stroke: Callable[[Instrument], Stroke]
    through: str


@frozen
class Variant:
    """One combination: what was chosen, by the outside name; the instrument, and what is played on it."""

    chosen: tuple[tuple[str, str], ...]
    instrument: Instrument
    stroke: Stroke
    through: str

    @property
    def name(self) -> str:
        return name_of(self.chosen)

    @property
    def built(self) -> str:
        """What was chosen that the stroke does not decide."""
        return name_of([each for each in self.chosen if each[0] == "through" or each[0] not in OF_THE_STROKE])


@frozen
class LeftOut:
    """A combination that cannot be, and why, in a line."""

    chosen: tuple[tuple[str, str], ...]
    words: str


def read_designs(paths: Sequence[Path]) -> list[WrittenDesign]:
    """The designs in files, each once, named by what tells their paths apart. Raises `InputError`."""
    files = list(dict.fromkeys(paths))
    stems = [each.stem for each in files]
    return [
        WrittenDesign(str(path), path.stem if stems.count(path.stem) == 1 else str(path), _tree(path))
        for path in files
    ]


def _tree(path: Path) -> dict[str, Any]:
    tree = read_toml(path)
    try:
        decode(tree, Design)
    except InputError as error:
        raise error.within(str(path)) from None
    return tree


def variants(
    designs: Sequence[WrittenDesign], plain: Plain, wanted: Sequence[Varied], *, keep_lengths: bool = False
) -> tuple[list[Variant], list[LeftOut]]:
    """Every combination of designs and varied values. Raises `InputError` for an unknown key, or if none can be."""
    _check(designs, wanted)
    first = _instrument(designs[0], [])
    _played(plain, first)  # what is played on the first is asked for, not varied: refused at once
    cut = _cut(first) if keep_lengths else {}
    built: list[Variant] = []
    left: list[LeftOut] = []
    names = [each.key for each in wanted]
    combinations = itertools.product(*(each.values for each in wanted))
    for design, values in itertools.product(designs, combinations):
        keys = dict(zip(names, values, strict=True))
        of_design = [("design", design.name)] if len(designs) > 1 else []
        chosen = (*of_design, *keys.items())
        try:
            built.append(_variant(design, plain, keys, chosen, cut))
        except InputError as error:
            left.append(LeftOut(chosen, str(error)))
    if not built:
        raise InputError(left[0].words, location="" if len(left) == 1 else "nothing is left to compare")
    return built, left


def _check(designs: Sequence[WrittenDesign], wanted: Sequence[Varied]) -> None:
    if len(designs) == 1 and not wanted:
        raise InputError("nothing is varied", remedy="add --vary KEY=VALUE,VALUE", location="--vary")
    count = len(designs) * math.prod(len(each.values) for each in wanted)
    if count > MOST:
        raise InputError(f"{count} combinations", remedy=f"at most {MOST} are rendered", location="--vary")
    paths: set[object] = set()
    for each in wanted:
        place = each.key if each.of_the_stroke else _path(each.key, designs)
        if place in paths:
            raise InputError(f"'{each.key}' is varied twice", remedy="keep one", location="--vary")
        paths.add(place)


def _path(key: str, designs: Sequence[WrittenDesign]) -> tuple[str | int, ...]:
    """The way to a key of the designs. Raises `InputError` where none of them has it."""
    top = [each.name for each in fields(Design)]
    if not re.search(r"[.\[]", key) and key not in top:
        known = [*OF_THE_STROKE, *top]
        raise InputError(f"'{key}' cannot be varied", remedy=nearest(key, known), location="--vary")
    refused: list[InputError] = []
    for design in designs:
        try:
            return steps(key, design.tree)
        except InputError as error:
            refused.append(error.within("", f"--vary {key}"))
    raise refused[0]


def _variant(
    design: WrittenDesign,
    plain: Plain,
    keys: Mapping[str, str],
    chosen: tuple[tuple[str, str], ...],
    cut: Mapping[tuple[str, int], _Cut],
) -> Variant:
    edits = [Edit(key, value_of(words)) for key, words in keys.items() if key not in OF_THE_STROKE]
    instrument = _as_cut(_instrument(design, edits), cut)
    stroke, through = _played(
        dataclasses.replace(plain, through=keys.get("through", plain.through)), instrument
    )
    for key, words in keys.items():
        if key in OF_THE_STROKE and key != "through":
            stroke = _stroke_with(stroke, instrument, key, words)
    return Variant(chosen, instrument, stroke, through)


def _played(plain: Plain, instrument: Instrument) -> tuple[Stroke, str]:
    return plain.stroke(instrument), instrument.listening(plain.through)


def _stroke_with(stroke: Stroke, instrument: Instrument, key: str, words: str) -> Stroke:
    where = f"--vary {key}"
    if key == "stick":
        return dataclasses.replace(stroke, stick=instrument.stick(words, location=where))
    if key in CHOICES:
        word = named(words, CHOICES[key].words, "there is no", location=where)
        return dataclasses.replace(stroke, **{key: word})  # type: ignore[arg-type]
    try:
        return shaped(stroke, {key: float(words)})
    except ValueError:
        raise InputError(f"'{words}' is not a number", location=where) from None


def _instrument(design: WrittenDesign, edits: Sequence[Edit]) -> Instrument:
    try:
        return resolve(edited_design(design.tree, edits), design.file)
    except InputError as error:
        raise error.within(design.file) from None


@frozen
class _Cut:
    """A tine that exists: how long it is, and where the nut that it wished for was set."""

    length: float
    wish: TrimWish | None
    set_at: float | None


def _cut(instrument: Instrument) -> dict[tuple[str, int], _Cut]:
    """The tines of an instrument as they are cut and trimmed, by group and number."""
    row = solve_row(instrument)
    cut = {}
    for tine, length, trim in zip(instrument.tines, row.length, row.trim, strict=True):
        wished = next((nut.position for nut in trim if nut not in tine.trim), None)
        cut[instrument.groups[tine.group].name, tine.number] = _Cut(float(length), tine.wish, wished)
    return cut


def _as_cut(instrument: Instrument, cut: Mapping[tuple[str, int], _Cut]) -> Instrument:
    """With the lengths that were cut for pitches, and nuts where they were set for the same wish."""

    def kept(tine: Tine) -> Tine:
        old = cut.get((instrument.groups[tine.group].name, tine.number))
        if old is None:
            return tine
        if isinstance(tine.goal, Pitch):
            tine = dataclasses.replace(tine, goal=FixedLength(old.length))
        wish, was = tine.wish, old.wish
        if wish is None or was is None or old.set_at is None:
            return tine
        if (wish.partial, wish.ratio) != (was.partial, was.ratio):
            return tine
        nuts = sorted((*tine.trim, PlacedNut(wish.nut, old.set_at)), key=lambda nut: nut.position)
        return dataclasses.replace(tine, trim=tuple(nuts), wish=None)

    return dataclasses.replace(instrument, tines=tuple(map(kept, instrument.tines)))
