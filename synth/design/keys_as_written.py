"""Keys as the design writes them: a length `..._mm` may stand as `..._in`, and messages answer in the same unit.

In: a design, or its tree. Out: keys and figures as written, and the unit that most of its lengths are in.
"""

from __future__ import annotations

import functools
import re
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, Final

from msgspec import NODEFAULT

from synth.design import schema
from synth.frozen import frozen
from synth.units import INCH, MM, Units

_LENGTH: Final = re.compile(r"(.*(?<!_n))_(mm|in)")  # no stiffness: newtons per inch are fewer per millimetre
_BARE_KEY: Final = re.compile(r"[A-Za-z0-9_-]+")
_WORDS: Final = (str, int, float, type(None))  # what no length stands in
Way = tuple[str | int, ...]  # to a key: those of the tables it stands in, and numbers in lists, from 1


class Inches(float):
    """A length in mm that the design gives in inches; any arithmetic makes a plain number of it."""


@frozen
class Written:
    """Where a tine stands in the design file, as key paths, and the unit in which its design tells lengths."""

    table: str = (
        ""  # group[2].tine[3]; of a recipe's tine group[2].change[1], which may be [+], not there yet
    )
    goal: str = ""  # what its pitch or length comes from: group[2].tine[3].pitch_hz, recipe.pair.members[3]
    stock: str = ""
    start: str = ""  # group[2].start_in
    spacing: str = ""
    wish: str = ""  # the table that says trim_to, a recipe's member perhaps
    units: Units = "mm"

    @property
    def there(self) -> str:
        """The innermost table that stands in the file and is not shared with other groups, for messages."""
        return self.table.removesuffix(".change[+]")


def twin(key: str) -> str:
    """A length's key in the other unit, at_in for at_mm and back; "" for any other key."""
    found = _LENGTH.fullmatch(key)
    return f"{found[1]}_{'in' if found[2] == 'mm' else 'mm'}" if found else ""


def key_of(table: schema.WrittenTable, key: str) -> str:
    """A key of the schema as this table has it: at_in for at_mm where the length stands in inches."""
    return twin(key) if isinstance(getattr(table, key), Inches) else key


def key_in(key: str, units: Units) -> str:
    """A key of the schema as a maker who works in a unit would write it."""
    return twin(key) or key if units == "inch" else key


def figure(length_mm: float) -> str:
    """The number that stands in the file."""
    return f"{length_mm * (MM / INCH):.6g}" if isinstance(length_mm, Inches) else f"{length_mm:g}"


def like(old_mm: float, new_mm: float) -> float:
    """A length in the unit in which the old one stands."""
    return Inches(new_mm) if isinstance(old_mm, Inches) else new_mm


def unit_of(length_mm: float | None) -> Units:
    """In which unit a length stands."""
    return "inch" if isinstance(length_mm, Inches) else "mm"


def place_of(location: str, *keys: str) -> str:
    """The place of a key in the table at a place, as messages name it and key paths are written."""
    for key in keys:
        quoted = f"'{key}'" if "'" not in key else '"' + re.sub(r'(["\\])', r"\\\1", key) + '"'
        location = ".".join(each for each in (location, key if _BARE_KEY.fullmatch(key) else quoted) if each)
    return location


def units_in(tree: Mapping[str, Any]) -> Units:
    """What `bench.units` of a design's tree says, else the unit in which most lengths are written."""
    given: Units | None = tree.get("bench", {}).get("units")
    return given or _most_used(tree)


def units_of(design: schema.Design) -> Units:
    """The same of a design."""
    return design.bench.units or _most_used(design)


def in_inches(design: schema.Design) -> frozenset[str]:
    """The paths of the keys that stand in inches, in the schema's names: bar.section.height_mm."""
    return frozenset(_path(way) for way, inch in _lengths(design, ()) if inch)


def written(table: schema.WrittenTable) -> dict[str, Any]:
    """What is not a default of a table, by key."""
    usual = _defaults(type(table))
    return {
        key: value
        for key in table.__struct_fields__
        if (value := getattr(table, key)) is not usual.get(key)
        and not (key in usual and isinstance(value, list | tuple | dict) and not value)
    }


@functools.cache
def _defaults(kind: type[schema.WrittenTable]) -> dict[str, Any]:
    usual = dict(zip(reversed(kind.__struct_fields__), reversed(kind.__struct_defaults__), strict=False))
    return {key: value for key, value in usual.items() if value is not NODEFAULT}


def _most_used(design: object) -> Units:
    inches = [inch for _, inch in _lengths(design, ())]
    return "inch" if sum(inches) > len(inches) / 2 else "mm"


def _lengths(node: object, way: Way) -> Iterator[tuple[Way, bool]]:
    """The way to each length that is written below a node, and whether it is in inches."""
    if isinstance(node, schema.WrittenTable | Mapping):
        for key, value in (written(node) if isinstance(node, schema.WrittenTable) else node).items():
            if isinstance(value, int | float):
                if twin(key):
                    yield (*way, key), key.endswith("_in") or isinstance(value, Inches)
            elif not isinstance(value, _WORDS):
                yield from _lengths(value, (*way, key))
    elif isinstance(node, Sequence):
        for number, each in enumerate(node, start=1):
            if not isinstance(each, _WORDS):
                yield from _lengths(each, (*way, number))


def _path(way: Way) -> str:
    location = ""
    for each in way:
        location = f"{location}[{each}]" if isinstance(each, int) else place_of(location, each)
    return location
