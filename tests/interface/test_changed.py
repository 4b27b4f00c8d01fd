"""A changed design is the one that the changed file would give, by every way to say the change."""

from pathlib import Path

import pytest

import synth

DATA = Path(__file__).parents[1] / "data"
DESIGN = DATA / "two-tines.toml"
TEXT = DESIGN.read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def ins():
    return synth.open(DESIGN)


def edited(tmp_path, old, new):
    """What the file gives when a piece of its text is another."""
    assert TEXT.count(old) == 1
    path = tmp_path / "edited.toml"
    path.write_text(TEXT.replace(old, new))
    return synth.open(path).design


SECTION = "width_mm = 40.0, height_mm = 12.0"
CHANGES = {
    "a path": ({"bar.section.height_mm": 25}, SECTION, "width_mm = 40.0, height_mm = 25.0"),
    "nested": ({"bar": {"section": {"height_mm": 25}}}, SECTION, "width_mm = 40.0, height_mm = 25.0"),
    "inches": ({"bar.section.height_in": 1}, SECTION, "width_mm = 40.0, height_in = 1.0"),
    "a group by name": ({"group[low A].start_mm": 90}, "start_mm = 100.0", "start_mm = 90.0"),
    "a group by number": ({"group[2].start_mm": 190}, "start_mm = 180.0", "start_mm = 190.0"),
    "a group nested": ({"group": {"low A": {"start_mm": 90}}}, "start_mm = 100.0", "start_mm = 90.0"),
    "a tine": (
        {"group[by hand].tine[1].free_length_mm": 140},
        "free_length_mm = 150.0",
        "free_length_mm = 140.0",
    ),
    "a name": ({"stock.rod3.diameter_mm": 3.2}, "diameter_mm = 3.0", "diameter_mm = 3.2"),
    "a quoted name": ({'material."rod-steel".density_kg_m3': 7800}, "= 7900.0", "= 7800.0"),
    "a list": ({"recipe.pair.members": ["1/1", "3/2"]}, '"1/1", "2/1"', '"1/1", "3/2"'),
    "a key taken away": ({"group[low A].order": None}, 'order = "rising"', ""),
    "a default": ({"tuning.a4_hz": 442}, "a4_hz = 440.0", "a4_hz = 442.0"),
}


@pytest.mark.parametrize(("changes", "old", "new"), CHANGES.values(), ids=CHANGES)
def test_a_change_is_the_edit_of_the_file(ins, tmp_path, changes, old, new):
    wanted = edited(tmp_path, old, new)
    assert ins.with_(changes).design == wanted
    assert ins.with_(**changes).design == wanted
    assert wanted != ins.design


def test_several_changes_are_made_at_once(ins):
    both = ins.with_({"bar.section.height_mm": 25, "group[low A].spacing_mm": 15})
    assert both.design.bar.section.height_mm == 25.0
    assert both.design.group[0].spacing_mm == 15.0


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        (
            {"bar.section.height_mm": 1},
            "bar.section.height_mm: 1 is not possible; must be at least 2 and at most 500",
        ),
        ({"bar.section.hight_mm": 9}, "bar.section: unknown key 'hight_mm'; did you mean 'height_mm'?"),
        ({"group[low B].start_mm": 9}, "group: there is no 'low B'; did you mean 'low A'?"),
        ({"group[4].start_mm": 9}, "group: there is no entry 4; it has 2"),
        ({"stock.rod3.diameter_mm": "3"}, "stock.rod3.diameter_mm: '3' stands where a number is wanted"),
        ({"name.first": "x"}, "name: nothing is called 'first' there"),
        ({"bar..section": 1}, "'bar..section' is not the path of a key"),
        ({"": 1}, "'' is not the path of a key"),
        ({"group[low A].start_mm": 290}, "group[1]"),
    ],
)
def test_what_cannot_be_is_refused_as_the_file_would_be(ins, changes, said):
    with pytest.raises(synth.InputError) as caught:
        ins.with_(changes)
    assert str(caught.value).startswith(f"{DESIGN}: {said}")
