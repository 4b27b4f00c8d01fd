"""From a decoded TOML tree to a schema's type: every key and value is looked at, and the first wrong one is named.

In: dicts, lists and scalars. Out: a `Design`, or a script. The schema's own types drive the walk
(`msgspec.inspect`), so a key added there is checked here. Places are written as a maker reads the file:
`stock.rod3.diameter_mm`, and the second [[group]] is `group[2]`, counted from 1. A length key `..._mm` may be
written `..._in`, and remembers it (`Inches`).
"""

from __future__ import annotations

import datetime
import functools
import math
import numbers
import re
import sys
from collections.abc import Mapping
from typing import Final, TypeVar

from msgspec import inspect

from synth.design import schema
from synth.design.keys_as_written import Inches, place_of, twin, written
from synth.errors import InputError, nearest
from synth.units import INCH, MM

Kind = TypeVar("Kind", bound=schema.WrittenTable)

_LONGEST_NAME: Final = 80  # characters
_MOST_NAMES: Final = 500  # tables of one kind; a catalogue of stock has fewer
_LIMITS: Final = ("ge", "gt", "le", "lt")


def decode(tree: Mapping[str, object], into: type[Kind]) -> Kind:
    """What a TOML tree describes, of a schema's type. Raises `InputError` at the first thing that cannot be."""
    made = _checked(tree, schema_of(into), "")
    assert isinstance(made, into)
    return made


def checked(made: Kind) -> Kind:
    """What was built in Python, held to the same as a file. Raises `InputError` in the same words."""
    return decode(written(made), type(made))


@functools.cache
def schema_of(kind: type[schema.WrittenTable]) -> inspect.Type:
    return inspect.type_info(kind)


def _checked(found: object, kind: inspect.Type, location: str) -> object:
    if isinstance(found, numbers.Number) and hasattr(found, "item"):  # a number of numpy
        found = found.item()
    match kind:
        case inspect.StructType():
            return _table(_mapping(found, location), kind, location)
        case inspect.DictType():
            return _named_tables(_mapping(found, location), kind, location)
        case inspect.ListType():
            return _list(found, kind, location)
        case inspect.UnionType():
            return _checked(found, _alternative(found, kind), location)
        case inspect.LiteralType():
            return _choice(found, kind, location)
        case inspect.StrType():
            return _text(found, kind, location)
        case inspect.BoolType():
            return _truth(found, location)
        case inspect.IntType() | inspect.FloatType():
            return _number(found, kind, location)
    raise AssertionError(f"the schema has a type that is not checked: {kind}")


def _table(found: Mapping[str, object], kind: inspect.StructType, location: str) -> object:
    fields = {field.name: field for field in kind.fields}
    checked: dict[str, object] = {}
    for key, value in found.items():
        if key in fields:
            checked[key] = _checked(value, fields[key].type, place_of(location, key))
        elif (name := twin(key)) in fields:
            if name in found:
                raise InputError(f"'{name}' and '{key}' are both given", remedy="keep one", location=location)
            checked[name] = _from_inches(value, fields[name].type, place_of(location, key))
        else:
            raise unknown_key(key, fields, location, inches=_in_inches(found, fields))
    missing = next((name for name, field in fields.items() if field.required and name not in checked), None)
    if missing is not None:
        raise _lacks(missing, fields[missing].type, location, inches=_in_inches(found, fields))
    return kind.cls(**checked)


def _in_inches(found: Mapping[str, object], fields: Mapping[str, object]) -> bool:
    """Whether a table tells a length in inches."""
    return any(twin(key) in fields for key in found if key not in fields)


def _lacks(key: str, kind: inspect.Type, location: str, *, inches: bool) -> InputError:
    """A key that is missing, in a table that tells lengths in `inches` or in mm."""
    if inches and twin(key):
        key, kind = twin(key), _kind_in_inches(kind)
    remedy = _wanted(kind)
    if isinstance(kind, inspect.StructType):
        remedy = f"write [{_header(place_of(location, key))}]"
    return InputError(f"the key '{key}' is missing", remedy=remedy, location=location)


def _named_tables(found: Mapping[str, object], kind: inspect.DictType, location: str) -> dict[str, object]:
    if len(found) > _MOST_NAMES:
        raise InputError(
            f"there are {len(found)} entries", remedy=f"{_MOST_NAMES} are possible", location=location
        )
    for name in found:
        if not usable_name(name):
            raise InputError(f"{_shown(name)} cannot be a name", remedy=_NAME_RULE, location=location)
    return {name: _checked(value, kind.value_type, place_of(location, name)) for name, value in found.items()}


_NAME_RULE: Final = f"a name is 1 to {_LONGEST_NAME} printable characters, with no space at either end"


def usable_name(name: str) -> bool:
    """Whether a name can stand in tables, messages and file names without surprise."""
    return 0 < len(name) <= _LONGEST_NAME and name.isprintable() and name == name.strip()


def _mapping(found: object, location: str) -> Mapping[str, object]:
    if isinstance(found, Mapping):
        return found
    if isinstance(found, schema.WrittenTable):
        return written(found)
    listed = isinstance(found, list) and found and all(isinstance(each, Mapping) for each in found)
    if listed and not location.endswith("]"):
        raise InputError(
            "is written as a list",
            remedy=f"write [{_header(location)}], in single brackets",
            location=location,
        )
    raise InputError(
        f"{_shown(found)} stands where a table is wanted", remedy="write { key = value }", location=location
    )


def _list(found: object, kind: inspect.ListType, location: str) -> list[object]:
    if isinstance(found, Mapping) and isinstance(kind.item_type, inspect.StructType):
        raise InputError(
            "a table stands where a list of them is wanted",
            remedy=f"write [[{_header(location)}]], in double brackets, or [{{ ... }}]",
            location=location,
        )
    if not isinstance(found, (list, tuple)):
        raise InputError(
            f"{_shown(found)} stands where a list is wanted", remedy="write [ ... ]", location=location
        )
    least, most = kind.min_length or 0, kind.max_length
    if len(found) < least or (most is not None and len(found) > most):
        raise InputError(
            f"there are {len(found)} entries", remedy=f"{least} to {most} are possible", location=location
        )
    return [
        _checked(each, kind.item_type, f"{location}[{number}]") for number, each in enumerate(found, start=1)
    ]


def _alternative(found: object, kind: inspect.UnionType) -> inspect.Type:
    """The member of a union that the value is meant for: text, a list or a table for its like, else a number."""
    choices = [each for each in kind.types if not isinstance(each, inspect.NoneType)]
    texts = [each for each in choices if isinstance(each, inspect.StrType | inspect.LiteralType)]
    lists = [each for each in choices if isinstance(each, inspect.ListType)]
    if isinstance(found, str) and texts:
        return texts[0]
    if isinstance(found, list) and lists:
        return lists[0]
    tables = [each for each in choices if isinstance(each, inspect.StructType)]
    if isinstance(found, Mapping | schema.WrittenTable) and tables:
        return tables[0]
    return next((each for each in choices if each not in (*texts, *lists, *tables)), choices[0])


def _choice(found: object, kind: inspect.LiteralType, location: str) -> object:
    if isinstance(found, str) and found in kind.values:
        return found
    known = [str(each) for each in kind.values]
    remedy = nearest(found, known) if isinstance(found, str) else f"have {', '.join(known)}"
    raise InputError(f"{_shown(found)} is not possible", remedy=remedy, location=location)


def _text(found: object, kind: inspect.StrType, location: str) -> str:
    if isinstance(found, (datetime.date, datetime.time)):  # a bare TOML date, in `measured = 2024-05-01`
        return found.isoformat()
    if not isinstance(found, str):
        raise InputError(
            f"{_shown(found)} stands where text is wanted", remedy='write it in "quotes"', location=location
        )
    if not (kind.min_length or 0) <= len(found) <= (kind.max_length or len(found)):
        raise InputError(f"{_shown(found)} is too long or empty", remedy=_wanted(kind), location=location)
    if found and not found.isprintable():
        raise InputError(f"{_shown(found)} has characters that cannot be printed", location=location)
    return found


def _truth(found: object, location: str) -> bool:
    if not isinstance(found, bool):
        raise InputError(
            f"{_shown(found)} stands where yes or no is wanted",
            remedy="write true or false",
            location=location,
        )
    return found


def _number(found: object, kind: inspect.IntType | inspect.FloatType, location: str) -> int | float:
    whole = isinstance(kind, inspect.IntType)
    if isinstance(found, bool) or not isinstance(found, int if whole else (int, float)):
        wanted = "whole number" if whole else "number"
        raise InputError(
            f"{_shown(found)} stands where a {wanted} is wanted", remedy=_wanted(kind), location=location
        )
    if isinstance(found, float) and not math.isfinite(found):
        raise InputError(f"{found} is not a size", remedy=_wanted(kind), location=location)
    if not whole and abs(found) > sys.float_info.max:
        raise InputError(f"{_shown(found)} is not possible", remedy=_wanted(kind), location=location)
    if not _within(found, kind):
        raise InputError(f"{_shown(found)} is not possible", remedy=_wanted(kind), location=location)
    return found if whole or isinstance(found, Inches) else float(found)


def _within(found: int | float, kind: inspect.IntType | inspect.FloatType) -> bool:
    return not (
        (kind.ge is not None and found < kind.ge)
        or (kind.gt is not None and found <= kind.gt)
        or (kind.le is not None and found > kind.le)
        or (kind.lt is not None and found >= kind.lt)
    )


def _wanted(kind: inspect.Type) -> str:
    """What the schema allows, in words."""
    match kind:
        case inspect.LiteralType():
            return f"have {', '.join(str(each) for each in kind.values)}"
        case inspect.StrType():
            return f"write {kind.min_length or 0} to {kind.max_length} characters" if kind.max_length else ""
        case inspect.IntType() | inspect.FloatType():
            limits = (
                ("at least", kind.ge),
                ("more than", kind.gt),
                ("at most", kind.le),
                ("less than", kind.lt),
            )
            words = " and ".join(f"{word} {limit:.12g}" for word, limit in limits if limit is not None)
            return f"must be {words}" if words else ""
    return ""


def unknown_key(key: str, fields: Mapping[str, object], location: str, *, inches: bool = False) -> InputError:
    """A key that the table has not; of lengths, those in `inches` are offered or those in mm."""
    with_unit = [(inches and twin(name)) or name for name in fields if name.startswith(f"{key}_")]
    if key and with_unit:
        return InputError(
            f"'{key}' lacks its unit", remedy=f"write {' or '.join(with_unit)}", location=location
        )
    return InputError(
        f"unknown key {_shown(key)}", remedy=nearest(key[:_LONGEST_NAME], fields), location=location
    )


def _from_inches(found: object, kind: inspect.Type, location: str) -> Inches:
    """The millimetres of a key written in inches, within what the schema allows; refused in inches."""
    kind = _length(kind)
    inches = _number(found, _kind_in_inches(kind), location)
    limits = [limit for limit in (kind.ge, kind.gt) if limit is not None] or [-math.inf]
    highest = [limit for limit in (kind.le, kind.lt) if limit is not None] or [math.inf]
    return Inches(min(max(inches * (INCH / MM), *limits, -math.inf), *highest, math.inf))


def _kind_in_inches(kind: inspect.Type) -> inspect.FloatType:
    return inspect.FloatType(**{key: _inches(getattr(_length(kind), key)) for key in _LIMITS})


def _length(kind: inspect.Type) -> inspect.FloatType:
    """What the schema says of a length that may also be left out."""
    kind = _alternative(0.0, kind) if isinstance(kind, inspect.UnionType) else kind
    assert isinstance(kind, inspect.FloatType), "no length"
    return kind


def _inches(limit: float | None) -> float | None:
    """A limit in mm as one says it in inches: four figures."""
    return None if limit is None else float(f"{limit / (INCH / MM):.4g}")


def _header(location: str) -> str:
    """What stands in the brackets above a table: its place without the numbers."""
    return re.sub(r"\[\d+\]", "", location)


def _shown(found: object) -> str:
    """A value as a message shows it: short, printable, on one line."""
    if isinstance(found, (dict, list)):
        return "a table" if isinstance(found, dict) else "a list"
    if isinstance(found, bool):
        return str(found).lower()
    if isinstance(found, int) and abs(found) >= 10**15:  # beyond Python's limit, printing one raises
        return "a huge number"
    if not isinstance(found, str):
        return str(found)
    shortened = found if len(found) <= _LONGEST_NAME else f"{found[:_LONGEST_NAME]}..."
    return f"'{shortened}'" if shortened.isprintable() else ascii(shortened)
