"""The reference: every key, message and command with default, range and meaning, as the README and `keys` print it.

In: `design/data/keys.csv`, where each is explained once; the schema, which knows the ranges; the table of controls.
Out: rows, and the README's appendix. Nothing is said twice: a range stands in the schema alone.
"""

from __future__ import annotations

import csv
import functools
import re
from collections.abc import Callable, Iterator
from dataclasses import asdict, replace
from pathlib import Path
from typing import Any, Final

from msgspec import inspect

from synth.design import catalogue, schema
from synth.frozen import frozen
from synth.playing.script import Script
from synth.playing.stroke import CONTROLS, Control, default_of

BEGIN: Final = "<!-- reference:begin, written by scripts/readme_reference.py -->"
END: Final = "<!-- reference:end -->"
KEYS: Final = Path(catalogue.__file__).parent / "data" / "keys.csv"
STOCK: Final[dict[str, Callable[[], catalogue.Shelf[Any]]]] = {
    "materials": catalogue.materials,
    "threads": catalogue.threads,
    "nuts": catalogue.nuts,
    "holes": catalogue.holes,
    "sheets": catalogue.sheets,
    "sticks": catalogue.sticks,
    "bars": catalogue.bars,
    "surfaces": catalogue.surfaces,
}
_TITLES: Final = {
    "script": "Keys of a stroke script",
    "midi": "MIDI messages",
    "commands": "Commands",
}
ANY_SIZE: Final = 1e9  # where the schema stops a number that has no bench's limit


@frozen
class Row:
    """What one line says: of which table, how that is written, its keys, default with reason, range, meaning."""

    table: str
    heading: str
    key: str
    default: str
    range: str
    meaning: str


def rows() -> tuple[Row, ...]:
    """The whole reference, in the order of the design file, then script, MIDI and commands."""
    with KEYS.open(encoding="utf-8", newline="") as file:
        written = [Row(range=_possible(each), **each) for each in csv.DictReader(file)]
    return (
        *(each for each in written if each.table not in _TITLES),
        *(each for each in written if each.table == "script"),
        *(_of_control(each) for each in CONTROLS),
        *(each for each in written if each.table == "midi"),
        *_unnamed_controllers(written),
        *(each for each in written if each.table == "commands"),
    )


def stock(kind: str) -> list[dict[str, Any]]:
    """The rows of one of the tables that ship with the tool, each cell by its column."""
    return [asdict(each) for each in STOCK[kind]()]


def appendix() -> str:
    """The README's appendix, between its markers, in Markdown."""
    found = rows()
    parts = [BEGIN, "### Keys of the design file", _markdown([r for r in found if r.table not in _TITLES])]
    for table, title in _TITLES.items():
        parts += [f"### {title}", _markdown([each for each in found if each.table == table])]
    parts += ["### Names from the shipped tables", "\n".join(_names(kind) for kind in STOCK), END]
    return "\n\n".join(parts)


def written_into(text: str) -> str:
    """The README's text with the appendix as it is now."""
    before, rest = text.split(BEGIN)
    return before + appendix() + rest.split(END, 1)[1]


def _names(kind: str) -> str:
    return f"- {kind}: {', '.join(f'`{each.name}`' for each in STOCK[kind]())}"


def _markdown(found: list[Row]) -> str:
    """The rows as a table; a heading stands once above what follows, columns without a word are left out."""
    key = {"midi": "message", "commands": "command"}.get(found[0].table, "key")
    heads = {"heading": "table", "key": key, "default": "default", "range": "possible", "meaning": "meaning"}
    columns = [each for each in heads if any(getattr(row, each) for row in found)]
    lines = [[heads[each] for each in columns], ["---"] * len(columns)]
    last = ""
    for row in found:
        shown = replace(row, heading="" if row.heading == last else row.heading)
        lines.append([getattr(shown, each) for each in columns])
        last = row.heading
    return "\n".join(f"| {' | '.join(cells)} |" for cells in lines)


def _of_control(control: Control) -> Row:
    return Row(
        table="script",
        heading="",
        key=f"`{control.key}`",
        default=f"{float(default_of(control.field)) / control.unit:g}",
        range=f"{control.lowest:g} to {control.highest:g}",
        meaning=control.meaning,
    )


def _unnamed_controllers(written: list[Row]) -> Iterator[Row]:
    """Controllers in the table of controls that the table of messages does not explain."""
    told = " ".join(each.key for each in written if each.table == "midi")
    for control in CONTROLS:
        given = control.controller
        if given is None or given.message == "aftertouch" or re.search(rf"\bCC {given.message}\b", told):
            continue
        span = f"{given.low / control.unit:g} at 0 to {given.high / control.unit:g} at 127"
        yield Row("midi", "", f"CC {given.message}", "", "", f"`{control.key}`, {span}: {control.meaning}")


def _possible(written: dict[str, str]) -> str:
    """The ranges of the numbers that a line names, from the schema."""
    table, keys = written["table"], written["key"]
    if table in ("midi", "commands"):
        return ""
    tables = _schema(Script if table == "script" else schema.Design)
    owner = (re.findall(r"\(of a (support|stick|foot)\)", keys) or [table])[0]
    start = next((each for each in tables if each.cls.__name__.casefold() == owner), tables[0])
    ranges = _ranges(start.cls)
    named = re.findall(r"`([^`]*)`", keys) + re.findall(r"`([^`]*)`", written["meaning"])
    found = {key: ranges[key] for key in re.findall(r"\w+", " ".join(named)) if ranges.get(key)}
    if len(found) == 1 and f"`{next(iter(found))}`" in keys:
        return next(iter(found.values()))
    return "; ".join(f"`{key}` {said}" for key, said in found.items())


@functools.cache
def _schema(of: type) -> tuple[inspect.StructType, ...]:
    """A table of the schema and every one below it, the nearest first."""
    return tuple(_tables(inspect.type_info(of)))


@functools.cache
def _ranges(of: type) -> dict[str, str]:
    """What the schema allows each number of a table and of those below it, by key; the nearest wins."""
    ranges: dict[str, str] = {}
    for each in _schema(of):
        for field in each.fields:
            ranges.setdefault(field.name, _range(field.type))
    return ranges


def _tables(kind: inspect.Type) -> list[inspect.StructType]:
    """The table and every one below it, the nearest first."""
    waiting, found = [kind], list[inspect.StructType]()
    while waiting:
        match waiting.pop(0):
            case inspect.StructType() as here if here not in found:
                found.append(here)
                waiting += [field.type for field in here.fields]
            case inspect.UnionType(types=types):
                waiting += types
            case inspect.ListType(item_type=inner) | inspect.DictType(value_type=inner):
                waiting.append(inner)
    return found


def _range(kind: inspect.Type) -> str:
    """The numbers that the schema allows, in words; empty for what is no number."""
    if isinstance(kind, inspect.UnionType):
        return next((said for said in map(_range, kind.types) if said), "")
    if not isinstance(kind, inspect.FloatType | inspect.IntType):
        return ""
    if kind.le == ANY_SIZE:
        return "more than 0" if kind.ge else "0 or more"
    low = kind.gt if kind.ge is None else kind.ge
    high = kind.lt if kind.le is None else kind.le
    if low is None or high is None:
        return ""
    return f"{'more than ' * (kind.ge is None)}{low:g} to {'less than ' * (kind.le is None)}{high:g}"
