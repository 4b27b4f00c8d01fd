"""A corrected copy differs from the design in the corrected values and in nothing else."""

from __future__ import annotations

import difflib
import tomllib

import pytest

from synth.errors import InputError
from synth.recording.corrected import Change, corrected_text, dated, put

TEXT = """\
# my words
[material.rod-steel]          # as bought
density_kg_m3 = 7900.0
youngs_gpa = 193.0            # from the catalogue

[stock.rod3]
kind = "threaded"
thread = "M3"
bend_diameter_in = 0.1        # by eye

[nut]
small = { mass_g = 0.5, height_mm = 2.4, width_mm = 5.5 }
"""


def changed_lines(after: str) -> list[str]:
    return [line for line in difflib.ndiff(TEXT.splitlines(), after.splitlines()) if line[0] in "+-"]


def test_a_value_changes_and_its_comment_stays() -> None:
    after = corrected_text(TEXT, [Change(("material", "rod-steel"), "youngs_gpa", 186.1234567, {})])
    assert changed_lines(after) == [
        "- youngs_gpa = 193.0            # from the catalogue",
        "+ youngs_gpa = 186.123            # from the catalogue",
    ]


def test_what_is_not_there_is_added_with_what_it_needs() -> None:
    after = corrected_text(
        TEXT, [Change(("stock", "M4"), "bend_diameter_mm", 3.2, {"kind": "threaded", "thread": "M4"})]
    )
    assert tomllib.loads(after)["stock"]["M4"] == {
        "kind": "threaded",
        "thread": "M4",
        "bend_diameter_mm": 3.2,
    }
    assert not [line for line in changed_lines(after) if line.startswith("-")]


def test_inches_give_way_to_the_measured_millimetres() -> None:
    after = tomllib.loads(corrected_text(TEXT, [Change(("stock", "rod3"), "bend_diameter_mm", 2.47, {})]))
    assert after["stock"]["rod3"] == {"kind": "threaded", "thread": "M3", "bend_diameter_mm": 2.47}


@pytest.mark.parametrize("name", ["Rod3", "ROD3", "rod3"])
def test_a_table_is_found_in_other_capitals(name: str) -> None:
    after = tomllib.loads(corrected_text(TEXT, [Change(("stock", name), "bend_diameter_mm", 2.47, {})]))
    assert list(after["stock"]) == ["rod3"]


def test_a_table_written_in_one_line_is_changed_where_it_stands() -> None:
    after = corrected_text(TEXT, [Change(("nut", "small"), "grip", 0.5, {})])
    assert tomllib.loads(after)["nut"]["small"]["grip"] == 0.5
    assert len(changed_lines(after)) == 2


def test_every_table_touched_gets_the_date_once() -> None:
    changes = dated([Change(("tines",), "a", 1.0, {}), Change(("tines",), "b", 2.0, {})], "2026-03-01")
    assert tomllib.loads(corrected_text(TEXT, changes))["tines"] == {
        "a": 1.0,
        "b": 2.0,
        "measured": "2026-03-01",
    }


def test_the_plain_tree_and_the_file_change_alike() -> None:
    changes = [
        Change(("stock", "M4"), "bend_diameter_mm", 3.2, {"kind": "threaded", "thread": "M4"}),
        Change(("nut", "small"), "grip", 0.25, {}),
        Change(("tines",), "clamp_loss_factor", 0.002, {}),
    ]
    tree = tomllib.loads(TEXT)
    put(tree, changes)
    assert tomllib.loads(corrected_text(TEXT, changes)) == tree


def test_a_name_that_is_no_table_is_refused() -> None:
    with pytest.raises(InputError, match="is not a table"):
        put({"tines": 3}, [Change(("tines",), "a", 1.0, {})])
