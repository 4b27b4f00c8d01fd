"""Values put into a design file's tree where the schema wants them, its comments and its order kept.

In: a tree of tables, plain or of tomlkit, and `Change`s. Out: the tree changed; the text of a corrected file.
The same function serves the fit, which tries values on a plain tree, and the file that is written at the end, so
what is written is what was fitted.
"""

from __future__ import annotations

from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import dataclass
from typing import Any

import tomlkit

from synth.errors import InputError

Tree = MutableMapping[str, Any]


@dataclass(frozen=True)
class Change:
    """One key of the file: the tables that lead to it, its name, its value, and what a new table needs besides."""

    tables: tuple[str, ...]
    key: str
    value: float | str
    besides: Mapping[str, Any]  # keys that the last table gets if it is not there yet


def put(tree: Tree, changes: Sequence[Change]) -> None:
    """The changes made in this tree; a length that stood in inches is replaced."""
    for change in changes:
        table = tree
        for depth, name in enumerate(change.tables):
            last = depth == len(change.tables) - 1
            table = _table(table, name, change.besides if last else {})
        if change.key.endswith("_mm"):
            table.pop(change.key.removesuffix("_mm") + "_in", None)
        table[change.key] = change.value


def _table(tree: Tree, name: str, besides: Mapping[str, Any]) -> Tree:
    """The table of this name, exactly or else in other capitals, or a new one."""
    same = [key for key in tree if key == name] or [key for key in tree if key.casefold() == name.casefold()]
    if not same:
        tree[name] = (
            tomlkit.table() if isinstance(tree, tomlkit.items.AbstractTable | tomlkit.TOMLDocument) else {}
        )
        tree[name].update(besides)
    found = tree[same[0] if same else name]
    if not isinstance(found, MutableMapping):
        raise InputError(f"'{name}' is not a table", location=name)
    return found


def corrected_text(text: str, changes: Sequence[Change]) -> str:
    """The design file's text with the changes in it and everything else as it was."""
    document = tomlkit.parse(text)
    put(document, [_rounded(change) for change in changes])
    return tomlkit.dumps(document)


def _rounded(change: Change) -> Change:
    """Six figures: more than any measurement gives, few enough to read."""
    if isinstance(change.value, str):
        return change
    return Change(change.tables, change.key, float(f"{change.value:.6g}"), change.besides)


def dated(changes: Sequence[Change], date: str) -> list[Change]:
    """The changes, and in every table that they touch the date of the measurement."""
    tables = dict.fromkeys(change.tables for change in changes)
    return [*changes, *(Change(each, "measured", date, {}) for each in tables)]
