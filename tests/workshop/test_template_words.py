"""What is written on a template: every number beside its hole, every place below it, in the units of the bench."""

import math

import pytest

from synth.workshop.drawing import Circle, Line, Text
from synth.workshop.flat_length import develop
from synth.workshop.template import flat_template

UNIT = {"mm": lambda mm: f"{mm:.2f}", "inch": lambda mm: f"{mm / 25.4:.3f}"}


def texts(drawing, layer=None):
    return [each for each in drawing.shapes if isinstance(each, Text) and layer in (None, each.layer)]


def holes(drawing):
    return [each for each in drawing.shapes if isinstance(each, Circle)]


@pytest.fixture(params=["mm", "inch"])
def drawn(request, made, straight):
    units = request.param
    instrument = made(straight + f'[bench]\nunits = "{units}"\n')
    return instrument, flat_template(instrument), UNIT[units]


def test_each_hole_has_its_tines_number_above_and_its_place_below(drawn):
    _, drawing, shown = drawn
    expected = {40.0: "1", 55.0: "2", 150.0: "1", 170.0: "2"}
    assert sorted(each.centre.x for each in holes(drawing)) == pytest.approx(sorted(expected))
    for hole in holes(drawing):
        x = hole.centre.x
        above = [each for each in texts(drawing, "text") if abs(each.at.x - (x - 0.7)) < 1e-6]
        assert [each.words for each in above if each.words.isdigit()] == [expected[round(x)]]
        assert all(each.at.y > hole.centre.y for each in above)
        below = [each for each in texts(drawing, "dimensions") if abs(each.at.x - (x - 1.1)) < 1e-6]
        assert [each.words for each in below] == [shown(x)]
        assert below[0].at.y < hole.centre.y
        assert below[0].turn_deg == -90.0
    ends = [each for each in texts(drawing, "dimensions") if each.words.endswith(" end")]
    assert [(each.words, each.at.x) for each in ends] == [
        (f"{shown(300.0)} end", pytest.approx(300.0 - 1.1))
    ] * 2


def test_each_group_is_named_over_its_first_hole(drawn):
    _, drawing, _ = drawn
    found = {each.words: each.at.x for each in texts(drawing) if each.words in ("up", "aside")}
    assert found == {"up": pytest.approx(40.0 - 0.7), "aside": pytest.approx(150.0 - 0.7)}


def test_the_words_tell_section_length_supports_and_each_size_of_hole(drawn):
    instrument, drawing, shown = drawn
    said = [each.words for each in texts(drawing)]
    unit = instrument.bench.units.replace("inch", "in")
    assert f"Offcut: bar {shown(30.0)} x {shown(20.0)}, mild steel" in said
    assert any(
        each.startswith(f"saw to {shown(300.0)} {unit}; all places from the left end") for each in said
    )
    assert f"supports at {shown(60.0)}, {shown(240.0)} {unit}" in said
    (bar,) = {each for each in said if each.startswith("this bar must measure")}
    marks = [each for each in drawing.shapes if isinstance(each, Line) and each.layer == "check bar"]
    ends = [each.start.x for each in marks]
    assert bar == f"this bar must measure {'4 in' if unit == 'in' else '100 mm'}: print without scaling"
    assert max(ends) - min(ends) == pytest.approx(101.6 if unit == "in" else 100.0)
    assert any(each.startswith("4.5 mm: ") and each.endswith(": up") for each in said)
    assert any(
        each.startswith("0.122 in: " if unit == "in" else "3.1 mm: ") and each.endswith(": aside")
        for each in said
    )


def test_tapped_holes_are_told_with_the_depth_of_the_deepest(made, straight):
    """M4 needs 6 mm of thread, M6 9: one drill stop for all must serve the deepest."""
    two = straight.replace('name = "aside"\nstock = "rod3"', 'name = "aside"\nstock = "M6"')
    said = [each.words for each in texts(flat_template(made(two + '[bench]\nholes = "tapping"\n')))]
    (deep,) = [each for each in said if each.startswith("tapped at least ")]
    assert float(deep.split()[3]) == pytest.approx(
        9.0, rel=0.03
    )  # of the thread as sold, a little below nominal


def test_bend_lines_stand_at_both_ends_of_each_bend_with_their_places(made, bent):
    instrument = made(bent)
    drawing = flat_template(instrument)
    length = 1e3 * develop(instrument.bar).bends[0].length
    lines = [each for each in drawing.shapes if isinstance(each, Line) and each.layer == "bend lines"]
    assert [each.start.x for each in lines] == pytest.approx([100.0, 100.0 + length])
    places = [
        each for each in texts(drawing, "dimensions") if each.words in ("100.00", f"{100.0 + length:.2f}")
    ]
    assert [each.at.x + 1.1 for each in places] == pytest.approx([100.0, 100.0 + length])
    (angle,) = [each for each in texts(drawing) if each.words == "bend 90 deg"]
    assert angle.at.x == pytest.approx(100.0 + length / 2.0)
    said = " ".join(each.words for each in texts(drawing))
    less = 1e3 * math.pi / 2.0 * 0.030 - length
    assert f"inside radius 20.00 mm, between the bend lines at 100.00 and {100.0 + length:.2f}" in said
    assert f"allowance {length:.2f} mm, {less:.2f} less than along the middle" in said


@pytest.mark.parametrize(("face", "side"), [(30.0, 1.0), (-30.0, -1.0), (90.0, 1.0)])
def test_round_a_bar_holes_go_the_way_that_the_faces_turn(made, straight, face, side):
    """The strip is seen from outside with the back up: a face towards the back is drilled above the middle."""
    round_bar = straight.replace(
        '{ shape = "rectangle", width_mm = 30.0, height_mm = 20.0 }',
        '{ shape = "round", diameter_mm = 30.0 }',
    ).replace("face_deg = 90.0", f"face_deg = {face}")
    found = {round(each.centre.x): each.centre.y for each in holes(flat_template(made(round_bar)))}
    expected = side * math.radians(abs(face)) * 15.0
    assert found[150] - found[40] == pytest.approx(expected, abs=1e-6)
