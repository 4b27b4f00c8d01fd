"""A design with some of its keys changed, by the names that they have in the file.

In: a `Design` and keys such as `bar.section.height_mm` or `group[D3].spacing_mm`, or nested dicts. Out: the design
as the maker would write it then, by the same edits as every command's (`synth.design.edit`), checked like a file.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

import msgspec

from synth.design.edit import Edit, edited_design
from synth.design.key_path import steps
from synth.design.schema import Design
from synth.errors import InputError


def changed(design: Design, wanted: Mapping[str, object], *, file: str = "") -> Design:
    """The design with these keys changed; None takes a key away. Raises `InputError`."""
    tree = msgspec.to_builtins(design)
    try:
        edits = [edit for path, value in wanted.items() for edit in _edits(path, value, tree)]
        return edited_design(tree, edits)
    except InputError as error:
        raise error.within(file) from None


def _edits(path: str, value: object, tree: Mapping[str, Any]) -> Iterator[Edit]:
    """One edit a key, of a nested dict as of a path."""
    if not isinstance(value, Mapping):
        yield Edit(path, value)
        return
    inside = "[{}]" if isinstance(_at(path, tree), list) else ".{}"
    for key, each in value.items():
        yield from _edits(path + inside.format(_written(key)), each, tree)


def _at(path: str, tree: Any) -> Any:
    """What stands at a path; nothing where it is not there yet."""
    for step in steps(path, tree):
        there = step < len(tree) if isinstance(step, int) else step in tree
        if not there:
            return None
        tree = tree[step]
    return tree


def _written(key: object) -> str:
    """A key as a path has it; a number counts entries from 1."""
    return str(key) if re.fullmatch(r"[A-Za-z0-9_-]+", str(key)) else json.dumps(str(key), ensure_ascii=False)
