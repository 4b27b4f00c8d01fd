"""Keys as they were written: which a tine came from, and in which unit a length stands."""

from __future__ import annotations

import tomllib

from synth.design.decode import decode
from synth.design.edit import Edit, edited
from synth.design.resolve import resolve
from synth.design.schema import Design
from tests.design.test_edit import TEXT


def test_each_tine_knows_the_keys_it_came_from() -> None:
    text = TEXT.replace('order = "falling"', "").replace(
        '[[group]]\nname = "E3"\n', '[[group]]\norder = "falling"\nname = "E3"\n'
    )
    text = text.replace('tine = [{ pitch = "E3", trim', 'tine = [{ pitch_hz = 100.0 }, { pitch = "E3", trim')
    text = text.replace("[listener]", '[recipe."1 and 5"]\nmembers = ["1/1", "3/2"]\n[listener]')
    drone = {"name": "d", "start_in": 12.0, "stock": "M4", "root": "D3", "recipe": "1 AND 5"}
    tines = resolve(decode(tomllib.loads(edited(text, [Edit("group[3]", drone)])), Design)).tines
    written = [tine.written for tine in tines]
    assert [each.there for each in written] == [
        *(
            "group[1].tine[1]",
            "group[1].tine[2]",
            "group[2].tine[2]",
            "group[2].tine[1]",
            "group[3]",
            "group[3]",
        )
    ]
    assert [each.goal for each in written[2:]] == [
        *("group[2].tine[2].pitch", "group[2].tine[1].pitch_hz"),
        *("recipe.'1 and 5'.members[1]", "recipe.'1 and 5'.members[2]"),
    ]
    assert {each.stock for each in written} == {"group[1].stock", "group[2].stock", "group[3].stock"}
    assert written[-1].start == "group[3].start_in"
    assert written[-1].spacing == "group[3].spacing_mm"


def test_the_instrument_says_which_key_a_length_stands_under() -> None:
    instrument = resolve(decode(tomllib.loads(TEXT), Design))
    assert instrument.key("bar.section.width_mm") == "bar.section.width_in"
    assert instrument.key("bar.section.height_mm") == "bar.section.height_mm"
    assert instrument.key("bar.supports[2].at_mm") == "bar.supports[2].at_in"
    assert instrument.inches == {
        "bar.section.width_mm",
        "bar.supports[2].at_mm",
        "stock.rod3.bend_diameter_mm",
    }


def test_a_design_is_in_inches_when_most_of_its_lengths_are_or_its_bench_says_so() -> None:
    inch = TEXT.replace("straight_mm = 500.0", "straight_in = 19.685").replace(
        "start_mm = 60.0", "start_in = 2.4"
    )
    assert resolve(decode(tomllib.loads(TEXT), Design)).bench.units == "mm"
    assert resolve(decode(tomllib.loads(inch), Design)).bench.units == "mm"  # five of ten
    inch = inch.replace("start_mm = 200.0", "start_in = 8.0")
    assert resolve(decode(tomllib.loads(inch), Design)).bench.units == "inch"
    assert resolve(decode(tomllib.loads(inch + '\n[bench]\nunits = "mm"\n'), Design)).bench.units == "mm"
