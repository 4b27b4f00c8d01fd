"""Names that are others' are told, each once, at the key that has it; a design's own names are its own."""

import pytest

from synth.design.aliases import names_taken
from synth.design.decode import decode
from synth.design.schema import Design

BAR = {
    "section": {"shape": "rectangle", "width_mm": 40.0, "height_mm": 12.0},
    "path": [{"straight_mm": 300.0}],
}


def said(**tables):
    group = {"name": "a", "start_mm": 50.0, "stock": "M4", "tine": [{"free_length_mm": 90.0}]}
    return names_taken(decode({"bar": BAR, "group": [group], **tables}, Design))


def test_plain_names_are_not_told():
    assert said() == []
    assert said(bar={**BAR, "material": "Mild Steel"}) == []


@pytest.mark.parametrize(
    ("tables", "words"),
    [
        ({"bar": {**BAR, "material": "S235"}}, "bar.material: 'S235' is taken as 'mild steel'"),
        (
            {"stock": {"bolt": {"kind": "threaded", "thread": "1/4-20", "material": "A4-70"}}},
            "stock.bolt.thread: '1/4-20' is taken as '1/4-20 UNC'|"
            "stock.bolt.material: 'A4-70' is taken as 'A2-70'",
        ),
        (
            {"board": {"p": {"kind": "panel", "material": "plywood", "width_mm": 300.0, "length_mm": 300.0,
                             "thickness_mm": 4.0, "feet": [{"bar_mm": 50.0, "x_mm": 50.0, "y_mm": 50.0}]}}},
            "board.p.material: 'plywood' is taken as 'birch plywood 4 mm'",
        ),
        (
            {"group": [{"name": "a", "start_mm": 50.0, "stock": "1/4-20", "tine": [
                {"free_length_mm": 90.0, "trim": [{"nut": "M4 nut", "at_mm": 30.0}]},
                {"free_length_mm": 80.0, "trim": [{"nut": "M4 nut", "at_mm": 30.0}]}]}]},
            "group[1].stock: '1/4-20' is taken as '1/4-20 UNC'|"
            "group[1].tine[1].trim[1].nut: 'M4 nut' is taken as 'M4 hex'",
        ),
    ],
)  # fmt: skip
def test_a_name_of_the_trade_is_told_with_what_it_became(tables, words):
    assert sorted(said(**tables)) == sorted(words.split("|"))


def test_a_designs_own_table_is_no_alias():
    own = {"S235": {"density_kg_m3": 7800.0, "youngs_gpa": 205.0}}
    assert said(bar={**BAR, "material": "S235"}, material=own) == []
