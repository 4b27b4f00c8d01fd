"""Solids and views worked by hand: a flat bar of 60 x 10, tines on two faces, supports, feet, a tube, a brick."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.design.instrument import Bar, Bend, Section, Straight
from synth.vibration.bar import path
from synth.vibration.board import lie
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import tune
from synth.workshop import geometry
from synth.workshop.drawing import Line, Point
from synth.workshop.geometry import Solid, solids, tine_place
from synth.workshop.lettering import ARROW, arrow, cut, frame, horizontal, plate, upright
from synth.workshop.picture import Patch, scaled, text_width
from synth.workshop.views import ABOVE, FRONT, OBLIQUE, View, _facing, hull, looking, painted
from tests import everyday

FLAT = """
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }
path = [{ straight_mm = 400.0 }]
supports = [{ at_mm = 50.0, kind = "rubber" }, { at_mm = 330.0, kind = "cord" }]
[stock.rod3]
kind = "plain"
diameter_mm = 3.0
material = "304 spring wire"
[[group]]
name = "up"
stock = "M4"
start_mm = 90.0
spacing_mm = 20.0
tine = [{ free_length_mm = 120.0, trim = [{ nut = "M4 hex", at_mm = 70.0 }] }]
[[group]]
name = "aside"
stock = "rod3"
start_mm = 200.0
face_deg = 90.0
tine = [{ free_length_mm = 80.0 }]
[board.lid]
kind = "box"
material = "birch plywood 4 mm"
length_mm = 300.0
width_mm = 120.0
thickness_mm = 4.0
depth_mm = 50.0
hole_diameter_mm = 30.0
edges = "supported"
feet = [
    { bar_mm = 60.0, x_mm = 60.0, y_mm = 30.0, along_mm = 24.0, width_mm = 14.0 },
    { bar_mm = 240.0, x_mm = 240.0, y_mm = 30.0 },
]
"""


@pytest.fixture
def flat(made):
    return made(FLAT)


def box(*found: Solid):
    """Least and greatest corner, mm."""
    own = 1e3 * np.concatenate([np.concatenate([each.start, each.end]) for each in found])
    return np.array([own.min(axis=0), own.max(axis=0)])


def drawn(instrument, board=None):
    row = tune(instrument, mounting(instrument))
    return solids(instrument, row.length, row.trim, board)


def test_a_threaded_tine_stands_on_washer_and_nut_and_goes_through_to_a_nut_below(flat):
    """M4: washers 0.8 (ISO 7089), nuts 3.05 high and 6.89 across flats at mid tolerance (ISO 4032)."""
    place = tine_place(flat, flat.tines[0], 0.120)
    assert 1e3 * place.bar == pytest.approx([90.0, 0.0, 5.0])
    assert 1e3 * place.base == pytest.approx([90.0, 0.0, 5.0 + 0.8 + 3.05], abs=0.01)
    assert 1e3 * (place.tip - place.base) == pytest.approx([0.0, 0.0, 120.0])
    found = drawn(flat)
    nuts = [each for each in found if each.kind == "base nut"]
    upper, lower = (box(each) for each in nuts)
    assert upper[:, 2] == pytest.approx([5.8, 8.85], abs=0.01)
    assert lower[:, 2] == pytest.approx([-8.85, -5.8], abs=0.01)
    for each in nuts:  # a hexagon: corners as far as 6.89 over root three
        reach = np.linalg.norm(1e3 * (each.start - each.start.mean(axis=0)), axis=1)
        assert reach == pytest.approx([6.89 / math.sqrt(3.0)] * 6, abs=0.02)
    (trim,) = [box(each) for each in found if each.kind == "trim nut"]
    assert trim[:, 2] == pytest.approx([8.85 + 70.0 - 1.525, 8.85 + 70.0 + 1.525], abs=0.02)
    rods = [each for each in found if each.kind == "tine" and each.group == 0]
    whole = box(*rods)
    assert whole[1, 2] == pytest.approx(8.85 + 120.0, abs=0.01)
    assert whole[0, 2] == pytest.approx(-8.85 - 1.4, abs=0.02)  # two pitches show under the nut
    assert whole[:, 0] == pytest.approx([90.0 - 1.954, 90.0 + 1.954], abs=0.06)  # its outside, M4 6g


def test_a_plain_tine_on_the_side_leaves_the_bar_across_it(flat):
    place = tine_place(flat, flat.tines[1], 0.080)
    assert 1e3 * place.bar == pytest.approx([200.0, 30.0, 0.0], abs=1e-9)
    assert place.direction == pytest.approx([0.0, 1.0, 0.0], abs=1e-12)
    rods = [each for each in drawn(flat) if each.kind == "tine" and each.group == 1]
    free = [each for each in rods if each.start[:, 1].min() > 0.03 - 1e-9]
    assert box(*free)[:, 1] == pytest.approx([30.0, 110.0], abs=1e-6)
    assert box(*free)[:, 2] == pytest.approx([-1.5, 1.5], abs=1e-6)


def test_a_tine_whose_face_is_turned_points_between_up_and_aside(flat):
    tine = dataclasses.replace(flat.tines[1], face=math.radians(30.0))
    start, direction = geometry.stand(flat.bar, tine)
    assert direction == pytest.approx([0.0, 0.5, math.sqrt(0.75)])
    # out through the upper face, 5 mm above the axis
    assert 1e3 * start == pytest.approx([200.0, 5.0 * math.tan(math.radians(30.0)), 5.0])


def test_supports_are_drawn_where_they_are_a_pad_below_and_a_cord_around(flat):
    pad, cord = (box(each) for each in drawn(flat) if each.kind == "support")
    assert pad == pytest.approx(np.array([[40.0, -30.0, -15.0], [60.0, 30.0, -5.0]]))
    assert cord == pytest.approx(np.array([[328.0, -32.0, -7.0], [332.0, 32.0, 7.0]]))
    bar = Bar(None, Section("rectangle", 0.06, 0.01, 0.0), (Straight(0.4),), ())
    clamp = dataclasses.replace(flat.bar.supports[0], position=0.395, kind="clamp")
    (end,) = geometry._support(bar, clamp)
    assert box(end)[:, 0] == pytest.approx([385.0, 400.0])


def test_feet_and_box_stand_under_the_bar_and_the_hole_in_the_middle_of_the_lid(flat):
    board = flat.boards["lid"]
    found = drawn(flat, board)
    (lid,) = [box(each) for each in found if each.kind == "board"]
    low = 1e3 * lie(board, flat.bar).origin[2] - 12.0
    assert lid == pytest.approx(np.array([[0.0, -30.0, low - 50.0], [300.0, 90.0, low]]), abs=1e-6)
    first, second = (box(each) for each in found if each.kind == "foot")
    assert first == pytest.approx(np.array([[48.0, -7.0, low], [72.0, 7.0, -5.0]]), abs=1e-6)
    assert (second[0, 0] + second[1, 0]) / 2.0 == pytest.approx(240.0)
    hole = geometry.board_hole(board, flat.bar)
    assert hole is not None
    rim = 1e3 * hole
    assert rim.mean(axis=0) == pytest.approx([150.0, 30.0, low], abs=1e-6)
    assert np.linalg.norm(rim - rim.mean(axis=0), axis=1) == pytest.approx([15.0] * len(rim))
    panel = dataclasses.replace(board, kind="panel", hole_diameter=0.0)
    assert geometry.board_hole(panel, flat.bar) is None
    (sheet,) = [box(each) for each in geometry.board_solids(panel, flat.bar) if each.kind == "board"]
    assert sheet[1, 2] - sheet[0, 2] == pytest.approx(4.0)
    # on a board the bar stands on its feet, not on its own pad and cord
    assert {each.kind for each in found} >= {"foot"}
    at = [round(float(box(each)[:, 0].mean())) for each in found if each.kind == "support"]
    assert 50 not in at


@pytest.mark.parametrize("shape", ["ring", "u"])
@pytest.mark.parametrize("units", ["mm", "inch"])
def test_a_board_whose_feet_stand_at_rounded_places_is_drawn_square_with_its_own_sides(
    tmp_path, shape, units
):
    """Rounding turns it by hundredths of a degree: the plan told 400.8 of a board of 400 mm."""
    words = ["--scale", "D minor pentatonic", "--from", "D3", "--to", "C5", "--tines", "5", "--units", units]
    instrument = everyday.drafted(tmp_path, *words, "--shape", shape)
    (board,) = instrument.boards.values()
    assert lie(board, instrument.bar).axes[0, 1] != 0.0
    (panel,) = [each for each in geometry.board_solids(board, instrument.bar) if each.kind == "board"]
    low, high = box(panel)
    sides = [1e3 * board.length, 1e3 * board.width, 1e3 * board.thickness]
    assert high - low == pytest.approx(sides, abs=1e-9)
    placement = geometry.set_out(board, instrument.bar)
    for foot in board.feet:
        on = np.array([foot.x - board.length / 2.0, foot.y - board.width / 2.0, 0.0])
        under = path(instrument.bar, np.array([foot.bar_place]))[0][0]
        assert np.linalg.norm((placement.origin + on @ placement.axes - under)[:2]) < 2e-3


def test_a_board_that_is_turned_on_purpose_is_drawn_turned(flat):
    """Feet 180 mm apart, one 5 mm further to the back: 1.6 degrees, though the feet's middle stays."""
    board = flat.boards["lid"]
    first, second = board.feet
    askew = dataclasses.replace(board, feet=(first, dataclasses.replace(second, y=second.y + 5e-3)))
    found, solved = geometry.set_out(askew, flat.bar), lie(askew, flat.bar)
    assert abs(found.axes[0, 1]) == pytest.approx(5.0 / np.hypot(180.0, 5.0))
    assert np.array_equal(found.axes, solved.axes)
    assert np.array_equal(found.origin, solved.origin)


def test_a_tube_shows_its_bore_at_both_ends():
    tube = Bar(None, Section("tube", 0.030, 0.030, 0.003), (Bend(math.pi / 2.0, 0.1, 0.0),), ())
    one, other = (1e3 * each for each in geometry.bore(tube))
    for ring, middle, flat in ((one, [0.0, 0.0, 0.0], 0), (other, [100.0, 100.0, 0.0], 1)):
        assert ring.mean(axis=0) == pytest.approx(middle, abs=1e-6)
        assert np.linalg.norm(ring - middle, axis=1) == pytest.approx([12.0] * len(ring))
        assert np.ptp(ring[:, flat]) < 1e-6
    solid = Bar(None, Section("round", 0.030, 0.030, 0.0), (Straight(0.1),), ())
    assert geometry.bore(solid) == ()
    corners = 1e3 * geometry.section_corners(solid.section, 0.002)
    assert np.linalg.norm(corners, axis=1) == pytest.approx([17.0] * 48)


def test_a_bar_comes_in_pieces_that_lap_and_shows_its_ends_alone():
    bar = Bar(
        None, Section("rectangle", 0.06, 0.01, 0.0), (Straight(0.1), Bend(math.radians(30.0), 0.2, 0.0)), ()
    )
    pieces = [*geometry.bar_solids(bar)]
    assert len(pieces) == 7 + 20  # 100 mm by 15, 30 degrees by 1.5
    assert [each.shown for each in pieces] == [(True, False), *[(False, False)] * 25, (False, True)]
    first, second = (box(each) for each in pieces[:2])
    assert first[:, 0] == pytest.approx([0.0, 100.0 / 7.0 + 2.0])
    assert second[0, 0] == pytest.approx(100.0 / 7.0)
    end = 1e3 * pieces[-1].end.mean(axis=0)
    assert end == pytest.approx(
        [100.0 + 200.0 * math.sin(math.radians(30.0)), 200.0 * (1.0 - math.cos(math.radians(30.0))), 0.0]
    )


def test_a_long_rod_comes_in_pieces_of_15_mm_and_shows_its_ends(flat):
    pieces = [*geometry._rod(flat.tines[1], np.array([0.0, 0.0, 0.0]), np.array([0.0, 0.04, 0.03]))]
    assert len(pieces) == 4  # 50 mm
    assert [each.shown for each in pieces] == [(True, False), (False, False), (False, False), (False, True)]
    assert 1e3 * pieces[1].start.mean(axis=0) == pytest.approx([0.0, 10.0, 7.5])
    for each in pieces:
        around = each.start - each.start.mean(axis=0)
        assert around @ np.array([0.0, 0.8, 0.6]) == pytest.approx([0.0] * 12, abs=1e-12)
        assert np.linalg.norm(around, axis=1) == pytest.approx([1.5e-3] * 12)


@pytest.mark.parametrize("view", [ABOVE, FRONT, OBLIQUE, looking("x", turn_deg=90.0, down_deg=0.0)])
def test_a_view_is_a_right_handed_frame(view):
    frame_ = np.stack([view.right, view.up, view.toward])
    assert frame_ @ frame_.T == pytest.approx(np.eye(3), abs=1e-12)
    assert np.cross(view.right, view.up) == pytest.approx(view.toward, abs=1e-12)


def test_one_goes_round_to_the_right_and_looks_down():
    """From the right end of the bar its far end is at the right: +y there; from above it is the plan."""
    end = looking("end", turn_deg=90.0, down_deg=0.0)
    assert end.toward == pytest.approx([1.0, 0.0, 0.0], abs=1e-12)
    assert end.right == pytest.approx([0.0, 1.0, 0.0], abs=1e-12)
    assert looking("", turn_deg=0.0, down_deg=0.0).toward == pytest.approx(FRONT.toward, abs=1e-12)
    steep = looking("", turn_deg=0.0, down_deg=30.0)
    assert steep.toward == pytest.approx([0.0, -math.sqrt(0.75), 0.5])
    assert steep.up == pytest.approx([0.0, 0.5, math.sqrt(0.75)])
    assert FRONT.flat(np.array([0.1, 0.2, 0.3])) == pytest.approx([100.0, 300.0])
    assert ABOVE.flat(np.array([0.1, 0.2, 0.3])) == pytest.approx([100.0, 200.0])


def brick(x, y, z, size=(0.1, 0.1, 0.1), kind="bar") -> Solid:
    """From its lowest corner, its outline lying, one above the other."""
    low = np.array([[0.0, 0.0, 0.0], [size[0], 0.0, 0.0], [size[0], size[1], 0.0], [0.0, size[1], 0.0]])
    low = low + np.array([x, y, z])
    return Solid(kind, -1, low, low + np.array([0.0, 0.0, size[2]]), smooth=False)


def test_of_a_brick_the_sides_that_look_at_the_viewer_are_seen():
    """Sides in the order of its corners: front, right, back, left; ends: below, above."""
    assert _facing(brick(0, 0, 0), FRONT).sides == (True, False, False, False)
    assert _facing(brick(0, 0, 0), FRONT).ends == (False, False)
    assert _facing(brick(0, 0, 0), ABOVE).sides == (False,) * 4
    assert _facing(brick(0, 0, 0), ABOVE).ends == (False, True)
    left = looking("", turn_deg=-28.0, down_deg=24.0)
    assert _facing(brick(0, 0, 0), left).sides == (True, False, False, True)
    assert _facing(brick(0, 0, 0), left).ends == (False, True)
    below = View("", np.array([1.0, 0, 0]), np.array([0, -1.0, 0]), np.array([0, 0, -1.0]))
    assert _facing(brick(0, 0, 0), below).ends == (True, False)


def test_the_near_is_painted_over_the_far_nuts_over_rods_and_boards_under_all():
    def order(*found, view=FRONT):
        return [each.fill for each in painted(found, view) if isinstance(each, Patch)]

    near, far = brick(0, -0.5, 0, kind="bar"), brick(0, 0.5, 0, kind="foot")
    assert order(near, far) == order(far, near) == ["foot", "bar"]
    high, low = brick(0, 0, 0.5, kind="bar"), brick(0, 0, 0, kind="foot")
    assert order(high, low, view=ABOVE) == ["foot", "bar"]
    board = brick(0, -9.0, 0, kind="board")  # nearer than all, and still below
    assert order(near, far, board) == ["board", "foot", "bar"]
    below = View("", np.array([1.0, 0, 0]), np.array([0, -1.0, 0]), np.array([0, 0, -1.0]))
    assert order(brick(0, 0, -1.0, kind="board"), brick(0, 0, 0), view=below) == ["bar", "board"]
    # a rod through a nut stands as near as its middle, the nut as its front
    rod, nut = brick(0, 0, 0, kind="tine"), brick(0, 0.02, 0, (0.1, 0.1, 0.1), kind="trim nut")
    assert order(nut, rod) == ["tine", "trim nut"]
    # from above its upper face is its front, whichever end that is
    tall, flat_ = (
        brick(0, 0, 0, (0.1, 0.1, 0.3), kind="tine"),
        brick(0, 0, 0.1, (0.1, 0.1, 0.1), kind="trim nut"),
    )
    turned = dataclasses.replace(flat_, start=flat_.end, end=flat_.start)
    assert order(flat_, tall, view=ABOVE) == order(turned, tall, view=ABOVE) == ["tine", "trim nut"]


def test_a_hull_of_a_square_with_points_within_is_its_corners_counter_clockwise():
    points = np.array([[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0], [1.0, 0.5], [1.0, 0.0]])
    assert hull(points).tolist() == [[0.0, 0.0], [2.0, 0.0], [2.0, 1.0], [0.0, 1.0]]
    assert hull(points[:2]).tolist() == [[0.0, 0.0], [2.0, 0.0]]


def test_a_picture_is_scaled_about_its_own_origin_and_put_in_its_place():
    ink = [
        Line("fine", Point(10.0, 20.0), Point(30.0, -20.0)),
        Patch("bar", (Point(5.0, 0.0), Point(0.0, 5.0))),
    ]
    line, patch = scaled(ink, 5.0, Point(100.0, 50.0))
    assert line == Line("fine", Point(102.0, 54.0), Point(106.0, 46.0))
    assert patch == Patch("bar", (Point(101.0, 50.0), Point(100.0, 51.0)))


def lines_of(ink):
    return {(each.start.x, each.start.y, each.end.x, each.end.y) for each in ink if isinstance(each, Line)}


def test_a_dimension_reaches_from_end_to_end_and_its_arrows_point_outwards():
    level = [*horizontal("120", (10.0, 130.0), 40.0)]
    assert (10.0, 40.0, 130.0, 40.0) in lines_of(level)
    assert {(10.0, 39.0, 10.0, 44.0), (130.0, 39.0, 130.0, 44.0)} <= lines_of(level)
    heads = [each for each in level if isinstance(each, Patch)]
    assert [each.corners[0] for each in heads] == [Point(10.0, 40.0), Point(130.0, 40.0)]
    assert [each.corners[1].x for each in heads] == pytest.approx(
        [10.0 + ARROW, 130.0 - ARROW]
    )  # shafts within
    (words,) = [each for each in level if not isinstance(each, Line | Patch)]
    assert words.at.x + text_width("120", words.height) / 2.0 == pytest.approx(70.0)
    assert words.at.y == pytest.approx(40.8)
    tall = [*upright("90", (20.0, 110.0), 15.0)]
    assert lines_of(tall) == {(15.0, 20.0, 15.0, 110.0), (14.0, 20.0, 18.0, 20.0), (14.0, 110.0, 18.0, 110.0)}
    heads = [each for each in tall if isinstance(each, Patch)]
    assert [each.corners[1].y for each in heads] == pytest.approx([20.0 + ARROW, 110.0 - ARROW])
    (words,) = [each for each in tall if not isinstance(each, Line | Patch)]
    assert words.turn_deg == 90.0
    assert words.at.y + text_width("90", words.height) / 2.0 == pytest.approx(65.0)
    assert words.at.x < 15.0
    for side, y in (("below", 20.0 - 3.0), ("above", 22.0 + 0.8)):
        (words,) = [each for each in upright("2", (20.0, 22.0), 15.0, short=side) if hasattr(each, "words")]
        assert (words.turn_deg, words.at.y) == (0.0, pytest.approx(y))


def test_an_arrow_is_three_times_as_long_as_wide():
    tip, one, other = arrow(Point(5.0, 7.0), 0.0, -1.0).corners
    assert (tip.x, tip.y) == (5.0, 7.0)
    assert one.y == other.y == pytest.approx(7.0 - ARROW)
    assert abs(one.x - other.x) == pytest.approx(ARROW / 3.0)


def test_words_lie_on_their_plate_within_their_frame_and_are_cut_to_their_room():
    wide = text_width("low D", 2.2)
    corners = plate("low D", 50.0, 30.0, 2.2).corners
    assert max(p.x for p in corners) - min(p.x for p in corners) == pytest.approx(wide + 0.6)
    assert (min(p.y for p in corners), max(p.y for p in corners)) == (29.5, pytest.approx(32.6))
    assert lines_of(frame(1.0, 2.0, 5.0, 9.0)) == {
        (1.0, 2.0, 5.0, 2.0), (5.0, 2.0, 5.0, 9.0), (5.0, 9.0, 1.0, 9.0), (1.0, 9.0, 1.0, 2.0),
    }  # fmt: skip
    assert cut("low D", wide + 0.1) == "low D"
    short = cut("a long name of a group", 20.0)
    assert short.endswith("\N{HORIZONTAL ELLIPSIS}")
    assert text_width(short, 2.2) <= 20.0 < text_width(short[:-1] + "mm\N{HORIZONTAL ELLIPSIS}", 2.2)
