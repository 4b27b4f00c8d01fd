"""The one place that edits a design file: values at key paths; words, comments and order around them stay.

In: the file, or its text or tree, and `Edit`s. Out: the text changed in the lines it must; the file in place of the
old one, of which a copy is kept. What is written is read back and held to be the same as the edits made on a plain
tree, and to be an instrument, before it appears.
"""

from __future__ import annotations

import copy
import difflib
import re
import shutil
from collections.abc import Mapping, MutableMapping, Sequence
from dataclasses import field
from pathlib import Path
from typing import Any, Final

import tomlkit
from tomlkit import items
from tomlkit.container import Container, OutOfOrderTableProxy
from tomlkit.exceptions import TOMLKitError

from synth.design.decode import decode
from synth.design.file import BYTE_ORDER_MARK, parsed, read_text
from synth.design.key_path import last_key, steps
from synth.design.keys_as_written import twin, units_in
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.files import atomic_write
from synth.frozen import frozen
from synth.units import INCH, MM, Units

MOST_COPIES: Final = 1000
_LINE: Final = re.compile(r"[^\n]*\n|[^\n]+")
_OF_TOMLKIT: Final = (Container, OutOfOrderTableProxy, items.Item)

Tree = MutableMapping[str, Any]


@frozen
class Edit:
    """The key, table or entry at a path gets a value, or goes (None); an entry one past a list's end is added.

    A length is written in the unit in which it stands, a new one in the design's.
    """

    path: str
    value: Any  # a number, text, list or mapping as the schema has it
    besides: Mapping[str, Any] = field(default_factory=dict)  # what its table gets that is not there yet
    comment: str = ""  # of a new key
    instead_of: str = ""  # the key of the same table that goes; its place and comment are taken over


def edited_design(tree: Mapping[str, Any], edits: Sequence[Edit]) -> Design:
    """The design of a tree with edits made; the tree itself stays as it is. Raises `InputError`."""
    changed = copy.deepcopy(dict(tree))
    put(changed, edits)
    return decode(changed, Design)


def edited(text: str, edits: Sequence[Edit]) -> str:
    """The text of a design file with edits made. Raises `InputError`."""
    lines = text.removeprefix(BYTE_ORDER_MARK).replace("\r\n", "\n")
    tree = parsed(lines)
    put(tree, edits)
    try:
        document = tomlkit.parse(lines)
        before = tomlkit.dumps(document)
        put(document, edits)
        new = _carried_over(before, tomlkit.dumps(document), text)
        same = parsed(new) == tree
    except TOMLKitError:
        same = False
    if not same:
        raise InputError("the change could not be put into this file", remedy="write it by hand")
    return new


def write_edited(
    path: Path, edits: Sequence[Edit], *, read: str | None = None, goal: Path | None = None
) -> Path:
    """Make edits in a file, of which a copy is kept; or in a copy of it at `goal`. Where the old text is found.

    `read` is the text on which the edits were decided. Raises `InputError` where the file has changed since, the
    edits cannot be made or give no instrument; then nothing is changed.
    """
    file = path.resolve()  # a link stays a link
    try:
        text = _unchanged(file, read)
        new = edited(text, edits)
        resolve(decode(parsed(new), Design))
        with atomic_write(goal or file) as beside:
            beside.write_bytes(new.encode("utf-8"))
            _unchanged(file, text)
            return file if goal else backup(file)  # only of a file that is about to be replaced
    except InputError as error:
        raise error.within(str(path)) from None


def put_text(path: Path, text: str, *, read: str, keep: bool) -> None:
    """Another whole text in the place of a design file that still says `read`; a copy of that is kept if asked for.

    Raises `InputError` where the file has changed since, or the disk refuses; then nothing is changed.
    """
    file = path.resolve()
    try:
        _unchanged(file, read)
        with atomic_write(file) as beside:
            beside.write_bytes(text.encode("utf-8"))
            _unchanged(file, read)
            if keep:
                backup(file)
    except InputError as error:
        raise error.within(str(path)) from None


def put(tree: Tree, edits: Sequence[Edit]) -> None:
    """Edits made in a tree, plain or of tomlkit. Raises `InputError`."""
    for edit in edits:
        way, value = list(steps(edit.path, tree)), edit.value
        table: Any = tree
        around = table
        for depth, step in enumerate(way[:-1], start=1):
            if not _has(table, step):
                if isinstance(way[depth], int):  # a list that is not there yet comes with its first entry
                    for key in way[:depth:-1]:
                        value = [value] if isinstance(key, int) else {key: value}
                    way, value = way[:depth], [value]
                    break
                _insert(table, step, _made(table, edit.besides if depth == len(way) - 1 else {}))
            around, table = table, table[step]
        if edit.value is None and way[-1:] == [0] and len(table) == 1:  # the only entry goes with its list
            table, way = around, way[:-1]
        gone = edit.instead_of or way[-1]
        if (edit.value is None or edit.instead_of) and not _has(table, gone):
            raise InputError(f"there is no '{gone}' that could go", location=edit.path)
        if edit.value is not None:
            _set(table, way[-1], value, edit, units_in(tree))
        else:
            _remove(table, way[-1])


def _set(table: Any, key: str | int, value: Any, edit: Edit, units: Units) -> None:
    if key == twin(last_key(edit.path)):  # it stands in the other unit
        value = _converted(last_key(edit.path), value)
    elif isinstance(key, int) or _has(table, key):
        value = _in_units(value, units)
    else:
        ((key, value),) = _in_units({key: value}, units).items()
    if _has(table, key):
        value = _as_before(table[key], value)
        if _same(table[key], value):
            return
    item, comment = _made(table, value), edit.comment
    old = table[edit.instead_of] if edit.instead_of else None
    if isinstance(old, items.Item):
        comment = "; ".join(each for each in (comment, old.trivia.comment.removeprefix("#").strip()) if each)
    if comment and isinstance(item, items.Item):
        item.comment(comment)
    _insert(table, key, item, after=edit.instead_of)
    if edit.instead_of:
        table.pop(edit.instead_of)


def _same(old: Any, new: Any) -> bool:
    return bool((old.unwrap() if hasattr(old, "unwrap") else old) == new)


def _as_before(old: Any, new: Any) -> Any:
    """A whole number in the place of 12.0 is written as 13.0."""
    return float(new) if isinstance(old, items.Float) and type(new) is int else new


def _remove(table: Any, step: Any) -> None:
    """Without the item; blank lines and comments behind a [table] lead to what comes next and stay."""
    tail = "".join(each.as_string() for _, each in _cut_tail(table[step]))
    if isinstance(table, items.AoT) and step + 1 < len(table):
        table[step + 1].trivia.indent = tail + table[step + 1].trivia.indent
    elif isinstance(table, items.AoT) and step > 0:
        _end(table[step - 1]).body.append((None, items.Whitespace(tail)))
    elif tail and isinstance(body := table.value if isinstance(table, items.Table) else table, Container):
        index = next(n for n, (key, _) in enumerate(body.body) if key is not None and key.key == step)
        del body[step]
        body.body[index] = (None, items.Whitespace(tail))
        return
    del table[step]


def _has(table: Any, step: str | int) -> bool:
    return step < len(table) if isinstance(step, int) else step in table


def _in_units(value: Any, units: Units) -> Any:
    """The value with the lengths in it in inches, where that is the unit."""
    if isinstance(value, Mapping):
        keys = {key: twin(key) if units == "inch" and twin(key).endswith("_in") else key for key in value}
        return {
            own: _converted(key, value[key]) if own != key else _in_units(value[key], units)
            for key, own in keys.items()
        }
    return [_in_units(each, units) for each in value] if isinstance(value, list) else value


def _converted(key: str, length: float) -> float:
    """A length under a key in the other unit; seven figures are a thousandth of what a workshop can measure."""
    return float(f"{length * (MM / INCH if key.endswith('_mm') else INCH / MM):.7g}")


def _made(within: Any, value: Any) -> Any:
    """The value as what it is put into wants it: plain, or as an item of tomlkit."""
    if not isinstance(within, _OF_TOMLKIT):
        return copy.deepcopy(value)
    if isinstance(value, Mapping):
        inline = isinstance(within, items.InlineTable | items.Array)
        table: Any = tomlkit.inline_table() if inline else tomlkit.table()
        for key, each in value.items():
            table[key] = _made(table, each)
        return table
    if isinstance(value, list) and isinstance(within, items.Table) and any(_many(each) for each in value):
        tables = tomlkit.aot()
        for each in value:
            tables.append(_made(within, each))
        return tables
    if isinstance(value, list):
        array = tomlkit.array()
        for each in value:
            array.append(_made(array, each))
        return array
    return tomlkit.item(value)


def _many(value: Any) -> bool:
    """Whether it is a table that would be long in one line: with a list in it."""
    return isinstance(value, Mapping) and any(isinstance(each, list) for each in value.values())


def _insert(table: Any, step: str | int, item: Any, *, after: str = "") -> None:
    """The item at its key or index; a new key of a [table] follows the last one, before the blank lines."""
    if isinstance(item, items.Table | items.AoT) and (
        _has(table, step) or isinstance(table, items.Table | items.AoT)
    ):
        tail = _cut_tail(table[step] if _has(table, step) else table)
        if not isinstance(table, items.AoT) or _has(table, step):
            table[step] = item
        else:
            item.trivia.indent = "\n"
            table.append(item)
        _end(item).body.extend(tail)
        return
    if isinstance(step, int) and step == len(table):
        table.append(item)
        return
    body = table.value if isinstance(table, items.Table) else table
    plain = isinstance(item, items.Item) and not isinstance(item, items.Table | items.AoT)
    if not plain or not isinstance(body, Container) or isinstance(table, items.InlineTable) or step in body:
        table[step] = item
        return
    keys = [
        key for key, each in body.body if key is not None and not isinstance(each, items.Table | items.AoT)
    ]
    anchor = next((key for key in keys if key.key == after), keys[-1] if keys else None)
    if anchor is None:
        table[step] = item
        return
    before = body.item(anchor)
    item.trivia.indent = before.trivia.indent if isinstance(before, items.Item) else ""
    body._insert_after(anchor, str(step), item)


def _cut_tail(table: Any) -> list[tuple[Any, Any]]:
    """The blank lines and comments with which a [table], or the last of [[tables]], ends, taken off it."""
    if not isinstance(table, items.Table | items.AoT) or table == []:
        return []
    body = _end(table).body
    kept = len(body)
    while kept and body[kept - 1][0] is None:
        kept -= 1
    tail = body[kept:]
    del body[kept:]
    return tail


def _end(table: Any) -> Container:
    """The innermost table with which a table, or a list of them, ends."""
    if isinstance(table, items.AoT):
        return _end(table[-1])
    body: Container = table.value
    last = next((each for _, each in reversed(body.body) if not isinstance(each, items.Null)), None)
    return _end(last) if isinstance(last, items.Table | items.AoT) else body


def _carried_over(before: str, after: str, text: str) -> str:
    """The text, changed as `before` was into `after`.

    Its lines are those of `before`, but each keeps its end, and tomlkit draws together tables that belong together.
    """
    mark = BYTE_ORDER_MARK if text.startswith(BYTE_ORDER_MARK) else ""
    old, new, lines = (_LINE.findall(each) for each in (before, after, text.removeprefix(mark)))
    end = "\r\n" if lines and lines[0].endswith("\r\n") else "\n"
    where = _matching([line.replace("\r\n", "\n") for line in lines], old)
    out = {index: [line] for index, line in enumerate(lines)}
    for tag, a, b, first, last in difflib.SequenceMatcher(None, old, new, autojunk=False).get_opcodes():
        if tag == "equal":
            continue
        for each in range(a, b):
            out[where[each]] = []
        fresh = [line.replace("\n", end) for line in new[first:last]]
        if b > a:
            out[where[a]] = fresh
        elif a:
            out[where[a - 1]] = out[where[a - 1]] + fresh
        else:
            out[0] = fresh + out.get(0, [])
    return mark + "".join(line for index in sorted(out) for line in out[index])


def _matching(lines: Sequence[str], other: Sequence[str]) -> list[int]:
    """For each of the other lines its index among the lines, whose blocks may stand in another order."""
    free: dict[str, list[int]] = {}
    for index, line in enumerate(lines):
        free.setdefault(line, []).append(index)
    found: list[int] = []
    for line in other:
        left = free.get(line) or [len(lines)]
        next_one = found[-1] + 1 if found else 0
        found.append(next_one if next_one in left else left[0])
        free[line] = [each for each in left if each != found[-1]]
    return found


def _unchanged(file: Path, read: str | None) -> str:
    text = read_text(file)
    if read is not None and text != read:
        raise InputError("has been changed since it was read", remedy="start again from what it says now")
    return text


def backup(file: Path) -> Path:
    """A copy beside the file under a name that was free, which is given back. Raises `InputError`."""
    for number in range(1, MOST_COPIES):
        name = file.with_name(f"{file.name}.bak{number if number > 1 else ''}")
        if not name.exists():
            with atomic_write(name, like=file) as beside:
                shutil.copyfile(file, beside)
            return name
    raise InputError(f"there are {MOST_COPIES} backup copies", remedy="remove old ones")
