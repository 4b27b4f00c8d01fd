"""Puts trim nuts into the design file: what else stands there keeps its words, comments and order.

In: the file, and for some tines the nuts that meet their wish. Out: the changed file, and beside it a copy of the
old one whose name was free. The new text is read back and resolved before it takes the old one's place.
"""

from __future__ import annotations

import math
import shutil
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

from synth.design.file import load
from synth.design.groups import written_at
from synth.design.instrument import Instrument, PlacedNut
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.files import atomic_write
from synth.units import MM

MOST_COPIES: Final = 1000


def write_trims(path: Path, instrument: Instrument, chosen: Mapping[int, Sequence[PlacedNut]]) -> Path:
    """The copy of the old file. `chosen` gives the nuts by the tine's index. Raises `InputError`."""
    import tomlkit

    file = path.resolve()  # a link stays a link
    text = file.read_bytes().decode("utf-8")
    places = _places(load(file), instrument)
    document = tomlkit.parse(text.removeprefix("\ufeff"))
    for index, nuts in chosen.items():
        group, tine = places[index]
        _put(document["group"][group]["tine"][tine], instrument, index, nuts)
    new = ("\ufeff" if text.startswith("\ufeff") else "") + _same_line_ends(tomlkit.dumps(document), text)
    with atomic_write(file) as beside:
        beside.write_bytes(new.encode("utf-8"))
        _check(resolve(load(beside), str(path)), instrument, chosen)
        return _backup(file)  # only of a file that is about to be replaced


def _places(design: Design, instrument: Instrument) -> dict[int, tuple[int, int]]:
    """Where each tine is written: indices of its group and of the tine within, by its own index."""
    places = {}
    for number, group in enumerate(instrument.groups):
        if design.group[number].recipe is None:
            for n, where in enumerate(written_at(design, number)):
                places[group.first + n] = (number, int(where.rsplit("[", 1)[1].rstrip("]")) - 1)
    return places


def _put(table: Any, instrument: Instrument, index: int, nuts: Sequence[PlacedNut]) -> None:
    """The nuts in place of the wish, which stays as a comment."""
    import tomlkit

    wish = instrument.tines[index].wish
    assert wish is not None
    said = (
        table["trim_to"].trivia.comment.removeprefix("#").strip()
        if hasattr(table["trim_to"], "trivia")
        else ""
    )
    spot = next(
        n for n, (key, _) in enumerate(table.value.body) if key is not None and _first(key) == "trim_to"
    )
    table.remove("trim_to")
    fresh = "trim" not in table
    trim = tomlkit.array() if fresh else table["trim"]
    for each, at_mm in zip(nuts, _rounded(nuts), strict=True):
        placed = tomlkit.table() if isinstance(trim, tomlkit.items.AoT) else tomlkit.inline_table()
        placed.update({"nut": each.nut.name, "at_mm": at_mm})
        trim.append(placed)
    if not fresh:
        return
    words = f"brings partial {wish.partial} to {wish.ratio:g} times the pitch"
    trim.comment(f"{words}; {said}" if said else words)
    table["trim"] = trim
    if not isinstance(table, tomlkit.items.InlineTable):
        body = (
            table.value.body
        )  # a new key comes last, behind blank lines and comments that lead to what follows
        body.insert(spot, body.pop())


def _rounded(nuts: Sequence[PlacedNut]) -> list[float]:
    """Places in mm to the hundredth; of nuts that touch neither moves into the other."""
    hundredths = [each.position / MM * 100.0 for each in nuts]
    if len(nuts) == 1:
        return [round(hundredths[0]) / 100.0]
    return [math.floor(hundredths[0]) / 100.0, *(math.ceil(each) / 100.0 for each in hundredths[1:])]


def _first(key: Any) -> str:
    return str(key.as_string()).split(".")[0].strip()


def _same_line_ends(text: str, like: str) -> str:
    return text.replace("\r\n", "\n").replace("\n", "\r\n") if "\r\n" in like else text


def _backup(file: Path) -> Path:
    """A copy beside the file under a name that was free."""
    for number in range(1, MOST_COPIES):
        copy = file.with_name(f"{file.name}.bak{number if number > 1 else ''}")
        if not copy.exists():
            with atomic_write(copy) as beside:
                shutil.copyfile(file, beside)
            return copy
    raise InputError(f"there are {MOST_COPIES} backup copies", remedy="remove old ones", file=str(file))


def _check(new: Instrument, old: Instrument, chosen: Mapping[int, Sequence[PlacedNut]]) -> None:
    """The file says what was meant: the chosen tines have their nuts and no wish, the others are as they were."""
    for index, (now, before) in enumerate(zip(new.tines, old.tines, strict=True)):
        wanted = sorted((*before.trim, *chosen.get(index, ())), key=lambda each: each.position)
        same = [each.nut.name for each in now.trim] == [each.nut.name for each in wanted]
        near = (
            all(abs(a.position - b.position) < 0.01 * MM for a, b in zip(now.trim, wanted, strict=True))
            if same
            else False
        )
        wish = None if index in chosen else before.wish
        if not near or now.wish != wish:
            raise InputError(
                "the nuts could not be put into this file", remedy="write them by hand", file=old.file
            )
