"""Paths of keys as a maker writes them: `bar.section.height_mm`, `group[D3].tine[2].trim[1].at_mm`.

In: a path and a design's tree. Out: the steps from table to table, and the key as this tree has it: in inches where
it stands in inches. A [[table]] goes by its number, from 1, its name, or [+]. Refused with the nearest key known.
"""

from __future__ import annotations

import re
from collections.abc import Mapping, Sequence
from typing import Any, Final

from msgspec import inspect

from synth.design import schema
from synth.design.decode import schema_of, unknown_key
from synth.design.keys_as_written import place_of, twin
from synth.design.material import own_name
from synth.errors import InputError, nearest
from synth.frozen import frozen

Step = str | int  # a key, or the index of an entry from 0

_QUOTED: Final = r'"(?:[^"\\]|\\.)*"' + r"|'[^']*'"
_PART: Final = re.compile(rf"""\[\s*({_QUOTED}|[^\]"']+)\s*\]|(?:^|\.)\s*({_QUOTED}|[^.\[\]"']+)""")


@frozen
class _Part:
    words: str
    in_brackets: bool
    quoted: bool


def steps(path: str, tree: Mapping[str, Any]) -> tuple[Step, ...]:
    """From the top of a design's tree to the key at a path; what is not there yet is taken as written.

    Raises `InputError` where the schema has no such key, or the list no such entry.
    """
    node: Any = tree
    kind, found, location = schema_of(schema.Design), [], ""
    for part in _parts(path):
        step, kind = _step(node, kind, part, location)
        location = f"{location}[{part.words}]" if part.in_brackets else place_of(location, part.words)
        there = step < len(node) if isinstance(step, int) else step in node
        node = node[step] if there else {}
        found.append(step)
    return tuple(found)


def last_key(path: str) -> str:
    """The last key that a path names, as it names it."""
    return _parts(path)[-1].words


def _parts(path: str) -> list[_Part]:
    parts, at = [], 0
    while at < len(path):
        match = _PART.match(path, at)
        if match is None:
            break
        words = (match[1] or match[2]).strip()
        quoted = words[0] in "\"'"
        plain = re.sub(r"\\(.)", r"\1", words[1:-1]) if words[0] == '"' else words[1:-1] if quoted else words
        parts.append(_Part(plain, match[1] is not None, quoted))
        at = match.end()
    if not parts or at < len(path):
        raise InputError(
            f"'{path}' is not the path of a key",
            remedy="write it like group[D3].tine[2].pitch_hz or bar.material",
        )
    return parts


def _step(node: Any, kind: inspect.Type, part: _Part, location: str) -> tuple[Step, inspect.Type]:
    """One step into a node (empty where it is not there), and the type of what is found there."""
    kind = _branching(kind)
    if isinstance(kind, inspect.ListType) and part.in_brackets:
        return _entry(node, part, location), kind.item_type
    if isinstance(kind, inspect.StructType) and not part.in_brackets:
        fields = {field.name: field.type for field in kind.fields}
        name, other = part.words, twin(part.words)
        if name not in fields and other not in fields:
            raise unknown_key(name, fields, location)
        return (other if other in node and name not in node else name), fields.get(name) or fields[other]
    if isinstance(kind, inspect.DictType) and not part.in_brackets:
        return own_name(part.words, node) or part.words, kind.value_type
    remedy = {
        inspect.ListType: f"write {location}[1]",
        inspect.DictType: f"write {location}.{part.words}",
    }.get(type(kind), "end the path before it")
    raise InputError(f"nothing is called '{part.words}' there", remedy=remedy, location=location)


def _branching(kind: inspect.Type) -> inspect.Type:
    """Of what may stand at a key, what a path can lead into."""
    if not isinstance(kind, inspect.UnionType):
        return kind
    inner = inspect.StructType | inspect.ListType | inspect.DictType
    return next((each for each in kind.types if isinstance(each, inner)), kind)


def _entry(node: Sequence[Any], part: _Part, location: str) -> int:
    """The index of a list's entry, by number or by name; one past the end, or [+], is a new one."""
    if part.words == "+":
        return len(node)
    if part.words.isdecimal() and not part.quoted:
        if not 1 <= int(part.words) <= len(node) + 1:
            raise InputError(
                f"there is no entry {part.words}", remedy=f"it has {len(node)}", location=location
            )
        return int(part.words) - 1
    names = {
        str(each["name"]): n for n, each in enumerate(node) if isinstance(each, Mapping) and "name" in each
    }
    own = own_name(part.words, names)
    if own is None:
        raise InputError(f"there is no '{part.words}'", remedy=nearest(part.words, names), location=location)
    return names[own]
