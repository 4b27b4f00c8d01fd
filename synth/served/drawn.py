"""Whether a change is of the same thing in the file as in an older text, from which a page drew what it changes.

In: edits and two trees of the design. Out: yes or no. A page goes by numbers: the second group, the third tine. In
between, another program may have put a group before it, or have changed what stands there: a change that was
decided without seeing that would land on the neighbour, or on what nobody was shown.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

from synth.design.edit import Edit
from synth.design.key_path import Step, steps
from synth.errors import InputError


def as_drawn(edits: Sequence[Edit], drawn: Mapping[str, Any], now: Mapping[str, Any]) -> bool:
    """Whether every path of the edits leads to the same thing in both trees, with the same value.

    Raises `InputError` for a path that is none where it was drawn.
    """
    return all(_same(steps(each.path, drawn), each.path, drawn=drawn, now=now) for each in edits)


def _same(way: tuple[Step, ...], path: str, *, drawn: Any, now: Any) -> bool:
    try:
        other = steps(path, now)
    except InputError:  # the list has no such entry any more
        return False
    for old, new in zip(way, other, strict=True):
        if isinstance(old, int) and isinstance(new, int):
            if old == len(drawn):  # one more
                return bool(drawn == now)
            if new == len(now) or not _same_entry(drawn[old], now[new]):
                return False
        elif old != new:  # it stands in the other unit
            return False
        drawn, now = _at(drawn, old), _at(now, new)
    return bool(drawn == now)


def _same_entry(old: Any, new: Any) -> bool:
    """Whether an entry of a list is the same: of the same name or, if it has none, the same throughout."""
    if isinstance(old, Mapping) and isinstance(new, Mapping) and "name" in old:
        return bool(old["name"] == new.get("name"))
    return bool(old == new)


def _at(node: Any, step: Step) -> Any:
    """What stands at a step; an empty table where nothing does."""
    there = step < len(node) if isinstance(step, int) else step in node
    return node[step] if there else {}
