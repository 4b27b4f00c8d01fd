"""A table of results gives the same values as text, data, CSV and page."""

import csv
import io
import json
import math
from types import SimpleNamespace

import numpy as np
import pytest

from synth.table import Column, Table, as_json, of_words

ROWS = [
    SimpleNamespace(name="a <b>", length=0.1234, off=-0.04, decay=math.inf),
    SimpleNamespace(name="two words that are long", length=1.0, off=12.0, decay=2.5),
]
TABLE = Table(
    [
        Column("name", "name"),
        Column("length_mm", "mm", "{:.1f}", lambda row: row.length, unit=1e-3),
        Column("off", "cents", "{:+.1f}"),
        Column("decay_s", "s", "{:.2f}", lambda row: row.decay, empty="?"),
        Column("hidden", value=lambda row: np.array([1.0, math.nan])),
        Column("", "twice", value=lambda row: 2 * len(row.name)),
    ],
    ROWS,
)


def test_text_sets_numbers_right_and_words_left():
    assert Table(TABLE.columns[:3], ROWS).text() == (
        "name                         mm  cents\n"
        "a <b>                     123.4   +0.0\n"
        "two words that are long  1000.0  +12.0"
    )


@pytest.mark.parametrize(
    ("value", "said"), [(-0.04, "0.0"), (-0.06, "-0.1"), (0.04, "0.0"), (-20.0, "-20.0")]
)
def test_what_rounds_to_nothing_has_no_minus(value, said):
    assert Column("x", "x", "{:.1f}").words({"x": value}) == said


def test_data_are_in_the_unit_of_their_key_and_null_where_there_is_no_finite_number():
    first, second = json.loads(TABLE.json())
    assert first == {
        "name": "a <b>",
        "length_mm": pytest.approx(123.4),
        "off": -0.04,
        "decay_s": None,
        "hidden": [1.0, None],
    }
    assert second["decay_s"] == 2.5


def test_csv_has_full_numbers_or_those_shown():
    full = list(csv.DictReader(io.StringIO(TABLE.csv())))
    assert float(full[0]["length_mm"]) == pytest.approx(123.4, rel=1e-12)
    assert full[0]["decay_s"] == ""
    assert full[0]["name"] == "a <b>"
    rounded = list(csv.DictReader(io.StringIO(TABLE.csv(rounded=True))))
    assert (rounded[0]["length_mm"], rounded[0]["off"]) == ("123.4", "+0.0")
    assert "twice" not in rounded[0]


def test_a_page_escapes_what_a_maker_wrote_and_leaves_room_for_a_pencil():
    page = Table(
        [Column("name", "n&m"), Column("", "found", value=lambda _: None, pencil=True)], ROWS, True
    ).html()
    assert "<th></th><th>n&amp;m</th>" in page
    assert '<td>a &lt;b&gt;</td><td class="write"></td>' in page
    assert page.count('type="checkbox"') == 2


def test_a_narrow_terminal_wraps_the_widest_words_and_loses_none():
    lines = TABLE.text(40).splitlines()
    assert max(map(len, lines)) <= 40
    assert " ".join(line[:12].strip() for line in lines).split() == [
        "name",
        *["a", "<b>", "two", "words", "that", "are", "long"],
    ]
    assert TABLE.text(400) == TABLE.text()


def test_a_table_without_rows_is_its_head():
    assert Table([Column("a", "first"), Column("b", "second")], []).text() == "first  second"


def test_data_of_any_shape_are_json_that_others_can_read():
    assert json.loads(as_json({"a": (1, -math.inf), "b": {"c": np.float64(2.0), "d": True}})) == {
        "a": [1, None],
        "b": {"c": 2.0, "d": True},
    }


def test_every_number_of_a_cell_is_in_the_unit_of_its_key_however_deep_it_lies():
    cell = [1e-3, (2e-3, math.inf), {"a": 3e-3, "b": [4e-3]}, np.array([5e-3, math.nan])]
    wanted = [1.0, [2.0, None], {"a": 3.0, "b": [4.0]}, [5.0, None]]
    (told,) = Table([Column("lengths_mm", unit=1e-3)], [{"lengths_mm": cell}]).data()
    assert told == {"lengths_mm": wanted}


def test_words_in_rows_leave_the_named_columns_wide_for_a_pencil():
    html = of_words(("group", "now", "done"), [("a", "1", ""), ("b", "2", "")], pencil=("done",)).html()
    assert html.count('<td class="write"></td>') == 2
    assert html.count('class="write"') == 2
    assert '<td>1</td><td class="write">' in html
