"""A design with some of its keys changed, by the names that they have in the file.

In: a `Design` and keys such as `bar.section.height_mm` or `group[D3].spacing_mm`, or nested dicts. Out: the design
as the maker would write it then, checked like a file.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any, Final

import msgspec

from synth.design.decode import decode
from synth.design.schema import Design
from synth.errors import InputError, nearest

# one step of a key path: a bare word, a "quoted name", or [a name or a number]
_STEP: Final = re.compile(r'\.?(?:"(?P<quoted>[^"]+)"|\[(?P<picked>[^\]]+)\]|(?P<word>[^.\["]+))')


def changed(design: Design, wanted: Mapping[str, object], *, file: str = "") -> Design:
    """The design with these keys changed. Raises `InputError` for what is unknown or out of range."""
    tree = msgspec.to_builtins(design)
    try:
        for path, value in wanted.items():
            _set(tree, path, value)
        return decode(tree, Design)
    except InputError as error:
        raise error.within(file) from None


def _set(tree: Any, path: str, value: object) -> None:
    *way, last = _steps(path)
    for step in way:
        tree = _into(tree, step, path)
    if not isinstance(tree, (dict, list)):
        raise InputError(f"'{path}' leads into what is no table", remedy="name a key of the design file")
    if isinstance(value, Mapping):
        inner = _into(tree, last, path)
        for key, each in value.items():
            _set(inner, f"[{key}]" if isinstance(inner, list) else f'"{key}"', each)
    elif isinstance(tree, list):
        tree[_number(tree, last, path)] = value
    else:
        tree.pop(_twin(last), None)
        tree[last] = value


def _steps(path: str) -> list[str]:
    steps, at = [], 0
    while (match := _STEP.match(path, at)) is not None:
        steps.append(next(each for each in match.groups() if each is not None))
        at = match.end()
    if not steps or at < len(path):
        raise InputError(f"'{path}' is no key", remedy="write it as bar.section.height_mm or group[D3].root")
    return steps


def _into(tree: Any, step: str, path: str) -> Any:
    """The table or list at a step; one that is not there yet is made, and refused later if it has no place."""
    if isinstance(tree, list):
        return tree[_number(tree, step, path)]
    return tree.setdefault(step, {}) if isinstance(tree, dict) else None


def _number(entries: list[Any], step: str, path: str) -> int:
    """Which entry of a list is meant: one by its name, or by its number from 1."""
    names = [each.get("name", "") for each in entries if isinstance(each, dict)]
    if step in names:
        return names.index(step)
    if step.isdecimal() and 1 <= int(step) <= len(entries):
        return int(step) - 1
    remedy = (
        nearest(step, [each for each in names if each]) if any(names) else f"1 to {len(entries)} are there"
    )
    raise InputError(f"there is no '{step}'", remedy=remedy, location=path)


def _twin(key: str) -> str:
    """The key of the same length in the other unit, which gives way."""
    return f"{key[:-3]}_mm" if key.endswith("_in") else f"{key[:-3]}_in"
