"""What a page may set: every field says what stands in the file, and setting it changes that alone."""

from __future__ import annotations

import re

import pytest
import tomlkit

from synth.design.edit import Edit, edited
from synth.design.instrument import Pitch
from synth.design.key_path import steps
from synth.errors import InputError
from synth.served.fields import bar_fields, board_fields, choices, foot_fields, group_fields, support_fields
from synth.served.model import SolvedDesign
from synth.served.things import things
from synth.served.tine_fields import nuts_of, tine_fields
from synth.units import MM, cents
from tests.everyday import design_tree

from .conftest import DESIGN


def edits_of(slot, value):
    """As the page's own script makes them."""
    given = {**slot.besides, slot.inner: value} if slot.inner else value
    gone = [Edit(slot.also_gone, None)] if slot.also_gone else []
    return [Edit(slot.path, given, instead_of=slot.instead_of), *gone]


def put(model, slot, value):
    return SolvedDesign(edited(model.text, edits_of(slot, value)), "slat.toml")


def by_label(fields, label):
    return next(each for each in fields if each.label == label)


def stands(tree, path):
    """Whether a key is written in the file."""
    for step in steps(path, tree):
        if not (step < len(tree) if isinstance(step, int) else step in tree):
            return False
        tree = tree[step]
    return True


def moved_by(new, text):
    """The greatest relative change of a number, where nothing else changed: inches are written to seven figures."""
    number = re.compile(r"-?\d+\.\d+")
    assert number.sub("#", new) == number.sub("#", text)
    pairs = zip(number.findall(new), number.findall(text), strict=True)
    return max(abs(float(a) - float(b)) / max(abs(float(b)), 1e-9) for a, b in pairs)


def all_fields(model):
    design = model.design
    return [
        *bar_fields(model),
        *(each for n in range(len(design.bar.supports)) for each in support_fields(model, n)),
        *(each for n in range(len(design.group)) for each in group_fields(model, n)),
        *(each for name in design.board for each in board_fields(model, name)),
        *(
            each
            for name, b in design.board.items()
            for n in range(len(b.feet))
            for each in foot_fields(model, name, n)
        ),
    ]


@pytest.mark.parametrize("seed", range(12))
def test_setting_what_stands_there_changes_no_letter(seed):
    text = tomlkit.dumps(design_tree(seed))
    model = SolvedDesign(text, "everyday.toml")
    for field in all_fields(model):
        if stands(model.tree, field.slot.path):
            new = edited(text, edits_of(field.slot, field.value))
            assert new == text or moved_by(new, text) < 1e-6, field


@pytest.mark.parametrize("seed", range(12))
def test_a_field_says_what_the_design_says_and_sets_it(seed):
    """A step more, in inches or mm: the same field then says so, and no other field of the thing says otherwise."""
    model = SolvedDesign(tomlkit.dumps(design_tree(seed)), "everyday.toml")
    moved = 0
    for index, field in enumerate(all_fields(model)):
        if not field.step or field.value is None:
            continue
        try:
            new = put(model, field.slot, field.value + field.step)
        except InputError:
            continue  # it cannot be built so
        moved += 1
        after = all_fields(new)
        assert after[index].value == pytest.approx(field.value + field.step, rel=1e-6)
        others = [
            (a.value, b.value)
            for n, (a, b) in enumerate(zip(all_fields(model), after, strict=True))
            if n != index
        ]
        assert all(a == b for a, b in others)
    assert moved > 5


def test_a_tine_by_hand_is_set_by_note_pitch_or_length(slat):
    first = tine_fields(slat, 0)
    assert by_label(first, "Free length").value == 150.0
    assert by_label(first, "Pitch").value == pytest.approx(float(slat.row.mounted_hz[0]), abs=1e-3)
    noted = put(slat, by_label(first, "Note").slot, "C3")
    assert "free_length_mm = 150.0" not in noted.text
    assert isinstance(noted.instrument.tines[0].goal, Pitch)
    assert noted.row.mounted_hz[0] == pytest.approx(130.8128, rel=1e-4)
    in_hertz = put(noted, by_label(tine_fields(noted, 0), "Pitch").slot, 131.5)
    assert in_hertz.row.mounted_hz[0] == pytest.approx(131.5, rel=1e-4)
    back = put(in_hertz, by_label(tine_fields(in_hertz, 0), "Free length").slot, 149.0)
    assert back.row.length[0] == pytest.approx(149.0 * MM)
    assert back.text.replace("149.0", "150.0") == DESIGN


def test_a_recipes_tine_is_set_in_its_group(slat):
    fields = tine_fields(slat, 3)
    assert [each.label for each in fields] == ["Off the recipe", "Stock"]
    off = put(slat, by_label(fields, "Off the recipe").slot, 12.0)
    assert cents(off.row.target_hz[3] / slat.row.target_hz[3]) == pytest.approx(12.0)
    assert by_label(tine_fields(off, 3), "Off the recipe").value == 12.0
    both = put(off, by_label(tine_fields(off, 3), "Stock").slot, "rod3")
    assert both.instrument.tines[3].rod.name == "rod3"
    assert both.row.target_hz[3] == off.row.target_hz[3]
    assert [each.rod.name for each in both.instrument.tines[4:]] == ["M4", "M4"]


def test_a_nut_that_is_written_is_moved_where_it_stands(slat):
    nuts = nuts_of(slat, 1)
    (place,) = nuts.places
    moved = SolvedDesign(edited(slat.text, [Edit(place, 61.5)]), "slat.toml")
    assert moved.text == DESIGN.replace("at_mm = 60.0", "at_mm = 61.5")
    gone = put(slat, nuts.slot, None)
    assert gone.row.trim[1] == ()


def test_a_wished_nut_is_taken_by_hand_in_its_wishs_place(slat):
    nuts = nuts_of(slat, 2)
    assert nuts.places == ()
    assert "partial 2 to 6" in nuts.wish
    ((placed),) = nuts.placed
    taken = put(slat, nuts.slot, [{**placed, "at_mm": 50.0}])
    assert "trim_to" not in taken.text
    lines, wish = (
        DESIGN.splitlines(),
        next(n for n, line in enumerate(DESIGN.splitlines()) if "trim_to" in line),
    )
    after = taken.text.splitlines()
    assert after[:wish] == lines[:wish]
    assert after[-len(lines) + wish + 1 :] == lines[wish + 1 :]
    assert after[wish].startswith("trim = [")
    assert [each.position for each in taken.row.trim[2]] == [pytest.approx(50.0 * MM)]
    assert taken.row.mounted_hz[2] == pytest.approx(220.0, rel=1e-4)


def test_a_wish_beside_a_nut_goes_when_the_nuts_are_set_by_hand():
    text = DESIGN.replace("trim_to = {", 'trim = [{ nut = "M4 thin hex", at_mm = 20.0 }]\ntrim_to = {')
    model = SolvedDesign(text, "slat.toml")
    nuts = nuts_of(model, 2)
    assert len(nuts.placed) == 2
    taken = put(model, nuts.slot, [dict(each) for each in nuts.placed])
    assert "trim_to" not in taken.text
    assert len(taken.row.trim[2]) == 2


def test_a_recipes_nut_is_moved_for_this_group_alone(slat):
    nuts = nuts_of(slat, 4)
    assert nuts.stays
    assert not nuts_of(slat, 3).stays  # of its recipe, too, which gives it none
    assert nuts.places == ()
    moved = put(slat, nuts.slot, [{"nut": "M4 hex", "at_mm": 44.0}])
    assert [each.position for each in moved.row.trim[4]] == [pytest.approx(44.0 * MM)]
    assert 'nut = "M4 hex", at_mm = 40.0' in moved.text
    again = nuts_of(moved, 4)
    assert not again.stays
    (place,) = again.places
    assert "at_mm = 45.0" in edited(moved.text, [Edit(place, 45.0)])


def test_choices_are_all_that_may_be_written(slat):
    offered = choices(slat)
    assert offered["stock"][0] == "rod3"
    for stock in offered["stock"]:
        edited(slat.text, [Edit("group[low].stock", stock)])
    assert "M4 hex" in offered["nut"]
    assert offered["recipe"] == ["pair"]


def test_a_support_comes_and_goes(slat):
    more = SolvedDesign(
        edited(slat.text, [Edit("bar.supports[+]", {"at_mm": 210, "kind": "cord"})]), "slat.toml"
    )
    assert len(more.instrument.bar.supports) == 3
    less = SolvedDesign(edited(more.text, [Edit("bar.supports[3]", None)]), "slat.toml")
    assert less.instrument.bar.supports == slat.instrument.bar.supports


def test_all_things_are_told_in_plain_words(slat):
    told = things(slat)
    assert [len(told[each]) for each in ("tines", "groups", "boards")] == [6, 2, 1]
    assert len(told["boards"]["panel"]["feet"]) == 2
    assert len(told["bar"]["supports"]) == 2
