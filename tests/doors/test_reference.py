"""`keys`, `stock` and the README's appendix say what the schema and the shipped tables say."""

import functools
import json
import re
from pathlib import Path

import msgspec
import pytest

from synth.design import catalogue, schema
from synth.doors import reference
from synth.doors.cli import COMMANDS, run
from synth.doors.reference import BEGIN, END, STOCK, appendix, written_into
from synth.playing.script import Script
from synth.playing.stroke import CONTROLS

rows = functools.cache(reference.rows)  # made once for all tests: they only read
README = Path(__file__).resolve().parents[2] / "README.md"


def said(capsys, *words):
    assert run(list(words)) == 0
    return capsys.readouterr().out


def refused(capsys, *words):
    assert run(list(words)) == 2
    return capsys.readouterr().err


def test_the_readme_holds_the_reference_as_it_would_be_written_today():
    text = README.read_text(encoding="utf-8")
    assert text.count(BEGIN) == text.count(END) == 1
    assert written_into(text) == text, "run scripts/readme_reference.py"


def test_what_stands_around_the_reference_stays():
    assert written_into(f"before\n{BEGIN}\nold\n{END}\nafter\n") == f"before\n{appendix()}\nafter\n"


def tables(kind):
    found = {kind.__name__: kind}
    for field in msgspec.inspect.type_info(kind).fields:  # type: ignore[attr-defined]
        waiting = [field.type]
        while waiting:
            inner = waiting.pop()
            waiting += getattr(inner, "types", ())
            waiting += [getattr(inner, name) for name in ("item_type", "value_type") if hasattr(inner, name)]
            if isinstance(inner, msgspec.inspect.StructType) and inner.cls.__name__ not in found:
                found |= tables(inner.cls)
    return found


@pytest.mark.parametrize("kind", [schema.Design, Script])
def test_every_key_is_explained_in_the_rows_themselves(kind):
    mine = [each for each in rows() if (each.table == "script") == (kind is Script)]
    text = " ".join(f"{each.heading} {each.key} {each.meaning} {each.default}" for each in mine)
    words = set(re.findall(r"\w+", " ".join(re.findall(r"`([^`]*)`", text))))
    keys = {each for table in tables(kind).values() for each in table.__struct_fields__}
    assert keys - words == set()
    assert "spacing_mm" in keys or "at_beat" in keys


def test_defaults_are_those_of_the_schema():
    """Each default of the schema that is a number or a word stands in the row of its key."""
    checked = 0
    mine = [each for each in rows() if each.table not in ("midi", "commands")]
    for table in {**tables(schema.Design), **tables(Script)}.values():
        for field in msgspec.structs.fields(table):
            if field.default in (None, "", msgspec.NODEFAULT):
                continue
            said = f"{field.default:g}" if isinstance(field.default, float) else str(field.default)
            told = [each.default for each in mine if field.name in re.findall(r"`(\w+)`", each.key)]
            assert any(re.search(rf"(?<![\d.]){re.escape(said)}(?![\d.]*\d)", each) for each in told), (
                field.name
            )
            checked += 1
    assert checked > 25


def possible(table, key):
    (found,) = [each.range for each in rows() if each.table == table and each.key == key]
    return found


def test_ranges_are_those_of_the_schema():
    assert possible("tuning", "`a4_hz`") == "380 to 500"
    assert possible("group", "`spacing_mm`") == "1 to 500"
    assert possible("material", "`poisson`") == "0 to less than 0.5"
    assert possible("stick", "`end_radius_mm`") == "more than 0 to 25"
    assert possible("bar", "`stiffness_n_mm` (of a support)") == "more than 0"
    assert (
        possible("board", "`width_mm`, `along_mm` (of a foot)")
        == "`width_mm` 0.1 to 500; `along_mm` 0.1 to 500"
    )
    assert possible("board", "`length_mm`, `width_mm`, `thickness_mm`").startswith("`length_mm` 1 to 10000;")
    assert possible("nut", "`mass_g`, `height_mm`, `width_mm`").startswith("`mass_g` more than 0 to 500;")
    assert possible("script", "`brightness`") == "0 to 127"
    assert possible("midi", "note on") == ""


def test_controls_stand_with_their_own_ranges_and_defaults():
    speed = next(each for each in rows() if each.key == "`speed_mm_s`")
    assert (speed.default, speed.range) == ("500", "10 to 5000")
    tilt = next(each for each in rows() if each.key == "`tilt_deg`")
    assert (tilt.default, tilt.range) == ("45", "1 to 85")
    assert {f"`{each.key}`" for each in CONTROLS} <= {each.key for each in rows() if each.table == "script"}


def test_every_command_has_a_row():
    told = " ".join(each.key for each in rows() if each.table == "commands")
    assert [each for each in COMMANDS if f"tinewright {each}" not in told] == []


def test_keys_prints_one_table_in_any_capitals(capsys):
    lines = said(capsys, "keys", "Listener").splitlines()
    assert lines[0].split() == ["table", "key", "default", "possible", "meaning"]
    assert [line.split()[:2] for line in lines[1:]] == [
        ["listener", "distance_m"],
        ["listener", "angle_deg,"],
        ["listener", "spacing_mm"],
    ]
    assert "`" not in "".join(lines)


def test_keys_as_data_holds_every_row(capsys):
    data = json.loads(said(capsys, "keys", "--json"))
    assert len(data) == len(rows())
    assert data[0] == {
        "table": "top",
        "heading": "(top)",
        "key": "`name`",
        "default": "empty",
        "range": "",
        "meaning": "title of the design",
    }


def test_a_table_or_kind_that_is_not_there_is_refused_with_the_nearest(capsys):
    assert "there is no table 'borad'; did you mean 'board'?" in refused(capsys, "keys", "borad")
    assert "there is no kind of stock 'thread'; did you mean 'threads'?" in refused(capsys, "stock", "thread")


def test_stock_prints_each_row_of_a_kind(capsys):
    lines = said(capsys, "stock", "threads").splitlines()
    assert len(lines) == 1 + len(catalogue.threads().rows)
    heads = lines[0].split()
    m4 = next(line for line in lines if line.startswith("M4 "))
    assert "0.7" in m4.split()
    assert "pitch_mm" in heads
    assert "source" not in heads


@pytest.mark.parametrize("kind", STOCK)
def test_stock_as_data_holds_every_cell(capsys, kind):
    data = json.loads(said(capsys, "stock", kind, "--json"))
    for row, each in zip(STOCK[kind](), data, strict=True):
        assert {key: getattr(row, key) for key in each} == each
        assert each["source"]


def test_stock_alone_names_everything(capsys):
    lines = said(capsys, "stock").splitlines()
    assert [line.split()[0] for line in lines[1:]] == list(STOCK)
    assert "birch, bamboo, brass, nylon" in lines[1 + list(STOCK).index("sticks")]
