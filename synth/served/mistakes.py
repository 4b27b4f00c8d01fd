"""Where in the text of a design file a mistake stands.

In: the text and an `InputError`. Out: a `Mistake` with the line. A message names a key by its path; the line is
found by asking from which line on the file's beginning, read alone, has that key.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping, Sequence
from typing import Any, Final

from synth.errors import InputError
from synth.frozen import frozen

_LINE: Final = re.compile(r"^line (\d+)\b")
_STEP: Final = re.compile(r"\[([^\]]*)\]|([^.\[\]]+)")


@frozen
class Mistake:
    """What is wrong with the file, in words, and in which line; 0 where no line can be told."""

    words: str
    line: int


def mistake(text: str, error: InputError) -> Mistake:
    """The mistake that an error tells of."""
    told = InputError(error.finding, remedy=error.remedy, location=error.location)
    for words in (error.location, error.finding):
        found = _LINE.match(words)
        if found:
            return Mistake(str(told), int(found[1]))
    line = _line_of(text, error.location) if error.location else 0
    return Mistake(str(told), line)


def _line_of(text: str, location: str) -> int:
    """The line at which the key of a path stands, or the innermost table around it that does."""
    steps = [index or key for index, key in _STEP.findall(location)]
    lines = text.split("\n")
    trees = list(_beginnings(lines))
    while steps:
        before = 0
        for end, tree in trees:
            if _there(tree, steps):
                return _named(lines, before, end, steps)
            before = end
        steps.pop()
    return 0


def _beginnings(lines: Sequence[str]) -> list[tuple[int, Mapping[str, Any]]]:
    """After which line the file so far is whole, and what it says then."""
    found: list[tuple[int, Mapping[str, Any]]] = []
    for end in range(1, len(lines) + 1):
        try:
            found.append((end, tomllib.loads("\n".join(lines[:end]))))
        except tomllib.TOMLDecodeError:
            continue
    return found


def _there(tree: Any, steps: Sequence[str]) -> bool:
    for step in steps:
        if isinstance(tree, list):
            tree = _entry(tree, step)
        elif isinstance(tree, Mapping) and step in tree:
            tree = tree[step]
        else:
            return False
        if tree is None:
            return False
    return True


def _entry(entries: Sequence[Any], step: str) -> Any:
    """By number from 1, or by name."""
    if step.isdecimal():
        return entries[int(step) - 1] if 1 <= int(step) <= len(entries) else None
    return next((each for each in entries if isinstance(each, Mapping) and each.get("name") == step), None)


def _named(lines: Sequence[str], before: int, end: int, steps: Sequence[str]) -> int:
    """Of the lines of one statement, the one on which an entry or a key stands; the first is number 1."""
    number = next((int(each) for each in reversed(steps) if each.isdecimal()), 1)
    key = steps[-1]
    own = [n for n in range(before, end) if re.search(rf"(?<![\w-]){re.escape(key)}(?![\w-])", lines[n])]
    return (own[min(number, len(own)) - 1] if len(own) > 1 else own[0] if own else end - 1) + 1
