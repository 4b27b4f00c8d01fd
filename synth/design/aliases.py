"""What a name of the trade became: a table is known by several names, and a design may use any of them.

In: a design as written. Out: sentences for the names that the shelves list under another, so that a maker sees what
was taken for "A4-70" or "steel". Names that the design defines itself are its own.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from typing import Any, Final

from synth.design import catalogue, schema
from synth.design.keys_as_written import place_of, written

Shelves = tuple[Callable[[], catalogue.Shelf[Any]], ...]

SHELVES: Final[dict[str, Shelves]] = {
    "material": (catalogue.materials,),
    "like": (catalogue.materials, catalogue.sheets),
    "thread": (catalogue.threads,),
    "stock": (catalogue.threads,),
    "use": (catalogue.threads,),
    "nut": (catalogue.nuts,),
    "base_nut": (catalogue.nuts,),
}
OF_A_SHEET: Final[Shelves] = (catalogue.sheets, catalogue.materials)  # a board's material


def names_taken(design: schema.Design) -> list[str]:
    """A sentence for every name that is another's, told once, at the first key that has it."""
    own = {*design.material, *design.stock, *design.nut}
    said: dict[tuple[str, str], str] = {}
    for key, path, name in _names(design, ""):
        shelves = OF_A_SHEET if path.startswith("board.") and key == "material" else SHELVES[key]
        found = next((row for row in (shelf().find(name) for shelf in shelves) if row is not None), None)
        if name in own or found is None or found.name.casefold() == name.strip().casefold():
            continue
        said.setdefault((name, found.name), f"{path}: '{name}' is taken as '{found.name}'")
    return list(said.values())


def _names(node: object, location: str) -> Iterator[tuple[str, str, str]]:
    """The key, the path and the word of everything below a node that may name a thing of the trade."""
    if isinstance(node, Mapping | schema.WrittenTable):
        for key, value in (node if isinstance(node, Mapping) else written(node)).items():
            if key in SHELVES and isinstance(value, str):
                yield key, place_of(location, key), value
            else:
                yield from _names(value, place_of(location, key))
    elif isinstance(node, Sequence) and not isinstance(node, str):
        for number, each in enumerate(node, start=1):
            yield from _names(each, f"{location}[{number}]")
