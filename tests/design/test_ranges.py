"""What may stand at a key: its range with both ends, none of what lies beyond, as many entries as are said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any

import pytest
from msgspec import inspect

from synth.design import schema
from synth.design.decode import decode
from synth.errors import InputError

LIMITS = ("ge", "gt", "le", "lt")


def tables(kind: inspect.Type, seen: dict[str, inspect.StructType]) -> None:
    """Every kind of table that a design may hold, by its name."""
    if isinstance(kind, inspect.StructType) and kind.cls.__name__ not in seen:
        seen[kind.cls.__name__] = kind
        for each in kind.fields:
            tables(each.type, seen)
    for name in ("item_type", "value_type"):
        if hasattr(kind, name):
            tables(getattr(kind, name), seen)
    for each in getattr(kind, "types", ()):
        tables(each, seen)


TABLES: dict[str, inspect.StructType] = {}
tables(inspect.type_info(schema.Design), TABLES)


def numbers() -> Iterator[tuple[str, str, inspect.IntType | inspect.FloatType]]:
    for name, table in TABLES.items():
        for field in table.fields:
            kinds = field.type.types if isinstance(field.type, inspect.UnionType) else (field.type,)
            for kind in kinds:
                if isinstance(kind, inspect.IntType | inspect.FloatType):
                    yield name, field.name, kind


def valid(kind: inspect.Type) -> Any:
    """Something that may stand there."""
    match kind:
        case inspect.UnionType():
            return valid(kind.types[0])
        case inspect.LiteralType():
            return kind.values[0]
        case inspect.StrType():
            return "x" * (kind.min_length or 1)
        case inspect.IntType() | inspect.FloatType():
            return kind.ge if kind.ge is not None else kind.gt + 1
        case inspect.ListType():
            return [valid(kind.item_type)] * (kind.min_length or 0)
        case inspect.StructType():
            return {each.name: valid(each.type) for each in kind.fields if each.required}
    raise AssertionError(kind)


def taken(table: str, key: str, value: float) -> Any:
    tree = valid(TABLES[table]) | {key: value}
    return getattr(decode(tree, TABLES[table].cls), key)


def refused(table: str, key: str, value: float) -> str:
    with pytest.raises(InputError) as caught:
        taken(table, key, value)
    return str(caught.value)


def beyond(value: float, way: float, kind: inspect.Type) -> float:
    return value + way if isinstance(kind, inspect.IntType) else math.nextafter(value, way * math.inf)


@pytest.mark.parametrize(("table", "key", "kind"), [pytest.param(*n, id=f"{n[0]}.{n[1]}") for n in numbers()])
def test_a_number_may_stand_at_either_end_of_its_range_and_not_beyond(table, key, kind):
    assert any(getattr(kind, limit) is not None for limit in LIMITS), "a number without a range"
    for limit, way in (("ge", -1.0), ("le", 1.0)):
        end = getattr(kind, limit)
        if end is not None:
            assert taken(table, key, end) == end
            assert key in refused(table, key, beyond(end, way, kind))
    for limit, way in (("gt", 1.0), ("lt", -1.0)):
        end = getattr(kind, limit)
        if end is not None:
            assert key in refused(table, key, end)
            within = beyond(end, way, kind)
            assert taken(table, key, within) == within
    for none in (math.nan, math.inf, -math.inf, True):
        refused(table, key, none)


def test_there_are_ranges_to_ask_about():
    assert len(TABLES) > 25
    assert sum(1 for _ in numbers()) > 100


@pytest.mark.parametrize(
    ("table", "key", "least", "most"),
    [
        ("Bar", "path", 1, 200),
        ("Bar", "supports", 0, 100),
        ("Recipe", "members", 1, 100),
        ("Board", "feet", 1, 20),
        ("Room", "reverberation_s", 6, 6),
        ("Room", "instrument_at_m", 3, 3),
        ("Made", "trim", 0, 20),
        ("Group", "tine", 0, 200),
        ("Proposal", "through", 1, 6),
    ],
)
def test_a_list_has_as_many_entries_as_are_possible_and_the_refusal_tells_how_many(table, key, least, most):
    name = "Tine" if table == "Made" else table
    field = next(each for each in TABLES[name].fields if each.name == key)
    kinds = field.type.types if isinstance(field.type, inspect.UnionType) else (field.type,)
    (kind,) = (each for each in kinds if isinstance(each, inspect.ListType))
    one = {"straight_mm": 100.0} if key == "path" else valid(kind.item_type)
    for count in (least, most):
        assert len(taken(name, key, [one] * count)) == count
    for count in (least - 1, most + 1):
        if count >= 0:
            assert f"there are {count} entries; {least} to {most} are possible" in refused(
                name, key, [one] * count
            )


def test_tables_of_one_kind_are_counted_and_the_refusal_tells_how_many_there_may_be():
    design = valid(TABLES["Design"])
    stock = {"kind": "plain", "diameter_mm": 3.0}
    assert len(decode(design | {"stock": {f"rod{n}": stock for n in range(500)}}, schema.Design).stock) == 500
    with pytest.raises(InputError, match=r"stock: there are 501 entries; 500 are possible"):
        decode(design | {"stock": {f"rod{n}": stock for n in range(501)}}, schema.Design)
