"""Papers of a bar that is six times as wide as high: every face, bend and view has its own size.

A square bar, or one nearly so, cannot tell width from height, nor top from side.
"""

import math

import numpy as np
import pytest

from synth.units import MM
from synth.workshop.bent_template import bent_templates
from synth.workshop.drawing import Arc, Circle, Line, Text
from synth.workshop.fixing import joint
from synth.workshop.flat_length import develop
from synth.workshop.template import flat_template

WIDE, HIGH = 60.0, 10.0
FLAT = """
name = "Slat"
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }
path = [{ straight_mm = 300.0 }]
supports = [{ at_mm = 50.0, kind = "cord" }, { at_mm = 250.0, kind = "cord" }]
[stock.rod3]
kind = "plain"
diameter_mm = 3.0
"""
FACES = {"top": 0.0, "back": 90.0, "bottom": 180.0, "front": 270.0}


def group(name, position, face, stock="M4"):
    return (
        f'[[group]]\nname = "{name}"\nstock = "{stock}"\nstart_mm = {position}\nface_deg = {face}\n'
        "[[group.tine]]\nfree_length_mm = 100.0\n"
    )


def bent(plane, angle=90.0):
    """100 mm straight, a bend of radius 100 on the axis, 100 mm straight."""
    bend = f"{{ bend_deg = {angle}, radius_mm = 100.0, plane_deg = {plane} }}"
    return FLAT.replace(
        "{ straight_mm = 300.0 }", f"{{ straight_mm = 100.0 }}, {bend}, {{ straight_mm = 100.0 }}"
    )


def strips(drawing):
    """The outlines' heights in mm by the first word of the title above each, and their middles."""
    levels = sorted(
        {each.start.y for each in drawing.shapes if each.layer == "outline" and each.start.y == each.end.y}
    )
    pairs = [(levels[n], levels[n + 1]) for n in range(0, len(levels), 2)]
    titles = [each for each in drawing.shapes if isinstance(each, Text) and "seen from outside" in each.words]
    found = {}
    for title in titles:
        low, high = max((pair for pair in pairs if pair[1] < title.at.y), key=lambda pair: pair[1])
        found[title.words.split()[0].rstrip(",")] = (high - low, (low + high) / 2.0)
    return found


def hole_of(drawing, x):
    return next(each for each in drawing.shapes if isinstance(each, Circle) and abs(each.centre.x - x) < 1e-6)


def words(drawing):
    return {each.words: each.at for each in drawing.shapes if isinstance(each, Text)}


def test_a_strip_is_as_high_as_its_face(made):
    text = FLAT + "".join(group(name, 60.0 + 50.0 * n, face) for n, (name, face) in enumerate(FACES.items()))
    found = strips(flat_template(made(text)))
    assert {name: height for name, (height, _) in found.items()} == pytest.approx(
        {"top": WIDE, "back": HIGH, "bottom": WIDE, "front": HIGH}
    )


@pytest.mark.parametrize(
    ("face", "strip", "depth", "side"),
    [  # off the face's middle line by half the depth under it times the slant's tangent, and which way is up there
        (5.0, "top", HIGH, 1.0),  # leans to the back, which is up on the top's strip
        (85.0, "back", WIDE, -1.0),  # leans to the top; the bottom is up on the back's strip
        (95.0, "back", WIDE, 1.0),
        (175.0, "bottom", HIGH, -1.0),  # leans to the back; the front is up on the bottom's strip
        (-85.0, "front", WIDE, 1.0),  # leans to the top, which is up on the front's strip
    ],
)
def test_a_slanting_tine_is_drilled_beside_the_middle_by_the_depth_under_its_face(
    made, face, strip, depth, side
):
    drawing = flat_template(made(FLAT + group("one", 120.0, face, "rod3")))
    middle = strips(drawing)[strip][1]
    expected = side * depth / 2.0 * math.tan(math.radians(5.0))
    assert hole_of(drawing, 120.0).centre.y - middle == pytest.approx(expected, abs=1e-6)
    assert any("at 5.0 deg" in said or "at -5.0 deg" in said for said in words(drawing))


@pytest.mark.parametrize(("face", "through"), [(0.0, HIGH), (90.0, WIDE), (180.0, HIGH)])
def test_rod_goes_through_what_lies_under_its_own_face(made, face, through):
    instrument = made(FLAT + group("one", 120.0, face, "rod3"))
    assert joint(instrument.tines[0], instrument.bar, instrument.bench).in_bar == pytest.approx(through * MM)


@pytest.mark.parametrize(("plane", "thick"), [(0.0, WIDE), (180.0, WIDE), (90.0, HIGH), (-90.0, HIGH)])
def test_a_bend_is_as_thick_as_the_bar_in_its_plane(made, plane, thick):
    """Level bends turn the flat bar on edge: 60 mm thick, and tight; upward ones do not."""
    flat = develop(made(bent(plane) + group("one", 50.0, 0.0)).bar)
    inside = 100.0 - thick / 2.0
    share = min((0.65 + 0.5 * math.log10(inside / thick)) / 2.0, 0.5)  # DIN 6935 (from memory)
    length = math.pi / 2.0 * (inside + share * thick)
    assert flat.bends[0].inside == pytest.approx(inside * MM)
    assert flat.bends[0].length == pytest.approx(length * MM)
    assert flat.length == pytest.approx((200.0 + length) * MM)
    assert flat.flat(350.0 * MM) == pytest.approx((length + 350.0 - 50.0 * math.pi) * MM)  # beyond the bend


def test_supports_on_the_sheet_are_where_they_lie_on_the_flat_bar(made):
    instrument = made(bent(0.0) + group("one", 50.0, 0.0))
    flat = develop(instrument.bar)
    said = next(each for each in words(flat_template(instrument)) if each.startswith("supports at"))
    # the second support at 250 on the axis is within the bend (100 to 257.08): in proportion on the flat bar
    second = 100.0 + (250.0 - 100.0) / (50.0 * math.pi) * flat.bends[0].length / MM
    assert said == f"supports at 50.00, {second:.2f} mm"


@pytest.mark.parametrize(
    ("plane", "angle", "way"),
    [
        (0.0, 90.0, "to the back (+y)"),
        (0.0, -90.0, "to the front (-y)"),
        (90.0, 90.0, "up"),
        (90.0, -90.0, "down"),
        (180.0, 90.0, "to the front (-y)"),
    ],
)
def test_the_sheet_says_which_way_to_bend(made, plane, angle, way):
    said = " ".join(words(flat_template(made(bent(plane, angle) + group("one", 50.0, 0.0)))))
    assert f"bend 1: 90 deg {way}, inside radius" in said


def radii(drawing):
    return sorted(each.radius for each in drawing.shapes if isinstance(each, Arc) and each.layer == "outline")


def test_a_level_bend_seen_from_above_shows_the_width_and_tines_below_are_called_so(made):
    text = bent(0.0) + group("up", 40.0, 0.0) + group("under", 60.0, 180.0) + group("aside", 80.0, 90.0)
    ((name, drawing),) = bent_templates(made(text)).items()
    assert name == "from above"
    assert radii(drawing) == pytest.approx([100.0 - WIDE / 2.0, 100.0 + WIDE / 2.0])
    assert "1 below" in words(drawing)
    # numbers stand by their holes: the tine under the bar is the one at 60, the one on top stands at 40
    assert words(drawing)["1 below"].x == pytest.approx(60.0, abs=6.0)
    assert [
        each.at.x for each in drawing.shapes if isinstance(each, Text) and each.words == "1"
    ] == pytest.approx([40.0, 80.0], abs=6.0)
    assert {each.radius for each in drawing.shapes if isinstance(each, Circle)} == {
        2.25
    }  # M4, ISO 273 medium
    # one that points aside is a stub from the bar's side, no hole seen end on
    assert sorted(each.centre.x for each in drawing.shapes if isinstance(each, Circle)) == pytest.approx(
        [40.0, 60.0]
    )
    stubs = [
        each
        for each in drawing.shapes
        if isinstance(each, Line) and (each.start.x, each.end.x) == (80.0, 80.0)
    ]
    assert any((each.start.y, each.end.y) == pytest.approx((WIDE / 2.0, WIDE / 2.0 + 8.0)) for each in stubs)


def test_an_upward_bend_seen_from_the_front_shows_the_height_and_tines_behind_are_called_so(made):
    text = bent(90.0) + group("front", 40.0, 270.0) + group("behind", 60.0, 90.0)
    ((name, drawing),) = bent_templates(made(text)).items()
    assert name == "from the front"
    assert radii(drawing) == pytest.approx([100.0 - HIGH / 2.0, 100.0 + HIGH / 2.0])
    assert words(drawing)["1"].x == pytest.approx(40.0, abs=6.0)
    assert words(drawing)["1 below"].x == pytest.approx(60.0, abs=6.0)


@pytest.mark.parametrize(("plane", "outer"), [(0.0, WIDE), (90.0, HIGH)])
def test_beyond_the_bend_a_tine_stands_where_the_turned_bar_carries_it(made, plane, outer):
    """A quarter turn of radius 100, then 50 straight: a tine on the inner side points back at the start."""
    position = 100.0 + 50.0 * math.pi + 50.0
    face = 90.0 if plane == 0.0 else 0.0  # towards the bend's centre
    ((_, drawing),) = bent_templates(made(bent(plane) + group("one", position, face))).items()
    low = (200.0 - outer / 2.0, 150.0)
    stubs = [
        each
        for each in drawing.shapes
        if isinstance(each, Line)
        and each.layer == "centre marks"
        and math.isclose(each.start.y, 150.0, abs_tol=1e-5)
    ]
    assert [(each.start.x, each.start.y) for each in stubs] == [pytest.approx(low, abs=1e-5)]
    assert stubs[0].end.x - stubs[0].start.x == pytest.approx(-8.0)


@pytest.mark.parametrize(
    ("section", "broad"),
    [
        ('{ shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }', WIDE),
        ('{ shape = "tube", diameter_mm = 30.0, wall_mm = 3.0 }', 30.0),
    ],
)
def test_ends_of_the_outline_are_as_broad_as_the_bar_there(made, section, broad):
    text = bent(0.0).replace('{ shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }', section)
    ((_, drawing),) = bent_templates(made(text + group("one", 50.0, 0.0))).items()
    ends = [
        np.hypot(each.end.x - each.start.x, each.end.y - each.start.y)
        for each in drawing.shapes
        if isinstance(each, Line) and each.layer == "outline" and each.start.x == each.end.x == 0.0
    ]
    assert ends == pytest.approx([broad])


def middle_of(text):
    """Of words whose letters are 0.76 of their height wide, on their baseline."""
    return text.at.x + 0.76 * text.height * len(text.words) / 2.0, text.at.y + text.height / 2.0


@pytest.mark.parametrize(
    ("face", "off"),
    [(0.0, WIDE / 2.0), (180.0, WIDE / 2.0), (270.0, WIDE / 2.0 + 8.0), (90.0, WIDE / 2.0)],
)
def test_a_group_s_name_stands_outside_the_bend_beside_the_middle_of_its_tines(made, face, off):
    """4 mm and half a letter beyond the bar's edge, or beyond the stubs of 8 mm of tines that stand out there."""
    tines = "".join(f"[[group.tine]]\nfree_length_mm = {length}\n" for length in (100.0, 90.0, 80.0))
    own = f'[[group]]\nname = "own"\nstock = "M4"\nstart_mm = 30.0\nspacing_mm = 12.0\nface_deg = {face}\n{tines}'
    ((_, drawing),) = bent_templates(made(bent(0.0) + own)).items()
    (name,) = [each for each in drawing.shapes if isinstance(each, Text) and each.words == "own"]
    assert middle_of(name) == pytest.approx((42.0, -(off + 4.0 + 1.5)), abs=1e-6)
    position = 100.0 + 50.0 * math.pi + 20.0  # on the second leg outside is to the right
    ((_, drawing),) = bent_templates(made(bent(0.0) + own.replace("30.0", f"{position}"))).items()
    (name,) = [each for each in drawing.shapes if isinstance(each, Text) and each.words == "own"]
    wide = 0.76 * 3.0 * 3
    assert middle_of(name) == pytest.approx((200.0 + off + 4.0 + wide / 2.0, 132.0), abs=1e-6)


def test_both_ends_of_the_bar_and_both_bend_lines_are_drawn_across_it(made):
    ((_, drawing),) = bent_templates(made(bent(0.0) + group("one", 50.0, 0.0))).items()

    def across(layer):
        lines = (each for each in drawing.shapes if isinstance(each, Line) and each.layer == layer)
        points = (((each.start.x, each.start.y), (each.end.x, each.end.y)) for each in lines)
        return {tuple(sorted((round(x, 3), round(y, 3)) for x, y in each)) for each in points}

    half = WIDE / 2.0
    first, last = ((0.0, -half), (0.0, half)), ((200.0 - half, 200.0), (200.0 + half, 200.0))
    assert {first, last} <= across("outline")
    bends = {((100.0, -half), (100.0, half)), ((200.0 - half, 100.0), (200.0 + half, 100.0))}
    assert across("bend lines") == bends
