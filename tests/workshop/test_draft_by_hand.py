"""Drafts worked by hand: words, members and spacing, places on the bar, boards, in millimetres and in inches."""

from __future__ import annotations

import math
from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.instrument import Bar, Bend, Section, Straight
from synth.errors import InputError
from synth.workshop import draft as room
from synth.workshop import draft_groups, wishes
from synth.workshop.draft_boards import board_tables
from synth.workshop.draft_groups import GroupPlan, members, plan_groups, round_up
from synth.workshop.draft_layout import Layout, layouts
from synth.workshop.wishes import StockWish, intervals_of, length_mm, scale_notes, stock_of, wished_section

INCH = 25.4


def wish(**words):
    plain = {
        "shape": "straight", "units": "mm", "legs_mm": (0.0, 0.0), "radius_mm": 0.0, "diameter_mm": 0.0,
        "section": {"shape": "rectangle", "width_mm": 40.0, "height_mm": 12.0}, "board": "panel",
    }  # fmt: skip
    return SimpleNamespace(**plain | words)


def plan(tines, spacing, corners=8.0, plain=0.0):
    return GroupPlan("D3", StockWish("M4", plain), ("1/1",) * tines, 1, spacing, 150.0, 3.0, corners)


@pytest.mark.parametrize(
    ("words", "units", "expected"),
    [
        ("25", "mm", 25.0), ("1.5", "mm", 1.5), ("3/4", "inch", 19.05), ("1-1/2", "inch", 38.1),
        ("1 1/2", "inch", 38.1), ("2", "inch", 50.8),
    ],
)  # fmt: skip
def test_a_length_is_read_in_the_units_that_are_used(words, units, expected):
    assert length_mm(words, units) == pytest.approx(expected)


@pytest.mark.parametrize("words", ["3/0", "1-2", "wide", "", "-3"])
def test_what_is_no_length_is_refused(words):
    with pytest.raises(InputError, match="is not a length"):
        length_mm(words, "mm")


def test_a_section_is_its_width_before_its_height_and_a_tube_its_diameter_before_its_wall():
    assert wished_section("60x10", "mm") == {"shape": "rectangle", "width_mm": 60.0, "height_mm": 10.0}
    assert wished_section("2x1/2", "inch") == {
        "shape": "rectangle", "width_mm": pytest.approx(50.8), "height_mm": pytest.approx(12.7),
    }  # fmt: skip
    assert wished_section("round 30", "mm") == {"shape": "round", "diameter_mm": 30.0}
    assert wished_section("Tube30x3", "mm") == {"shape": "tube", "diameter_mm": 30.0, "wall_mm": 3.0}
    assert wishes.thickness_mm(wished_section("60x10", "mm")) == 60.0
    assert wishes.thickness_mm(wished_section("10x60", "mm")) == 60.0
    for words in ("round30x3", "30", "tube30"):
        with pytest.raises(InputError, match="is no section"):
            wished_section(words, "mm")


def test_stocks_are_named_once_and_plain_rod_has_its_diameter_in_mm():
    found = stock_of("M4, rod3,rod1/8in,M4")
    assert [(each.name, each.plain_mm) for each in found] == [
        ("M4", 0.0), ("rod3", 3.0), ("rod1-8in", pytest.approx(3.175)),
    ]  # fmt: skip


def test_intervals_stand_rising_within_their_octave_each_once():
    assert intervals_of("3/2,1/1,5/4,3/2") == ("1/1", "5/4", "3/2")
    for words in ("2/1", "1/2"):
        with pytest.raises(InputError, match="not within an octave"):
            intervals_of(words)


def test_a_scale_has_its_own_notes_from_end_to_end_in_their_octaves():
    assert scale_notes("D dorian", "D2", "D3") == ("D2", "E2", "F2", "G2", "A2", "B2", "C3", "D3")
    assert scale_notes("Gb major", "Bb2", "Cb3") == ("Bb2", "Cb3")
    assert scale_notes("B minor", "A#2", "C#3") == ("B2", "C#3")
    assert scale_notes("c minor pentatonic", "C3", "C4") == ("C3", "D#3", "F3", "G3", "A#3", "C4")
    assert len(scale_notes("C chromatic", "C2", "B2")) == 12


def test_of_an_interval_that_is_no_octave_the_fifths_come_after_the_octaves_and_the_lowest_are_doubled():
    assert members(("1/1", "3/2"), 2, 3) == ("1/1", "3/2", "2/1")
    assert members(("1/1", "3/2"), 2, 2) == ("1/1", "2/1")
    assert members(("1/1", "3/2"), 2, 6) == ("1/1", "1/1", "3/2", "2/1", "2/1", "3/1")
    assert members(("5/4", "3/2"), 1, 3) == ("5/4", "5/4", "3/2")
    assert members(("1.25",), 2, 2) == ("5/4", "5/2")


def test_a_group_is_spaced_by_what_needs_most_room(monkeypatch):
    """M4 at D2 swings most, M3 at D4 is held apart by its spanner; F l^3 / 3 E I on the core of an M4, by hand."""
    made = plan_groups(
        SimpleNamespace(
            notes=("D2", "D5"), tines=2, octaves=1, intervals=("1/1", "3/2"),
            stock=(StockWish("M4", 0.0), StockWish("M3", 0.0)), units="mm",
        )
    )  # fmt: skip
    low, high = made
    assert [each.stock.name for each in made] == ["M4", "M3"]
    for each, diameter, corners in ((low, 4.0, 7.66), (high, 3.0, 6.01)):  # e at least, ISO 4032
        assert each.corners_mm == pytest.approx(corners, rel=0.06)
        need = max(10.0, diameter + 6.5, each.corners_mm + 3.9, diameter + 1.05 * each.swing_mm + 0.5)
        assert need - 0.1 <= each.spacing_mm < need + 0.5
        assert (2.0 * each.spacing_mm) % 1.0 == pytest.approx(0.0, abs=1e-9)
        assert each.span_mm == each.spacing_mm
    assert low.swing_mm / high.swing_mm == pytest.approx(
        (low.longest_mm / high.longest_mm) ** 3 * (3.0 / 4.0) ** 4, rel=0.15
    )
    bench = draft_groups._Bench.of(StockWish("rod3", 3.0))
    from synth.vibration.clearance import HOLD

    rod = bench.tine.rod
    inertia = math.pi * 3e-3**4 / 64.0
    root = bench.tine.root.added_length
    assert bench.swing_mm(150.0) == pytest.approx(
        1e3 * HOLD * (0.15 + root) ** 3 / (3.0 * rod.material.youngs * inertia), rel=1e-6
    )
    # lengths go as one over the root of the pitch: 300 mm against 30, stiffer by shear and root
    assert bench.highest / bench.lowest == pytest.approx(100.0, rel=0.07)
    assert bench.length_mm(bench.lowest) == pytest.approx(300.0, rel=1e-6)


@pytest.mark.parametrize(("value", "grid", "up"), [(12.1, 0.5, 12.5), (12.5, 0.5, 12.5), (0.2, 5.0, 5.0)])
def test_marks_of_a_ruler_are_taken_upwards(value, grid, up):
    assert round_up(value, grid) == pytest.approx(up)


def test_a_short_straight_bar_stands_over_by_half_of_its_row_too():
    """Groups of 3 and 4 tines 12 and 10 apart: spans 24 and 30, gaps 26, 32, 40; ends 40 to 115, and half of 80."""
    found = layouts(wish(), (plan(3, 12.0), plan(4, 10.0)))
    assert len(found) == 15
    first = found[0]
    assert first == Layout(({"straight_mm": 160.0},), (40.0, 90.0), 160.0, 26.0, 20.0)
    assert found[5].starts_mm == (60.0, 124.0)  # second end, third gap
    assert found[5].length_mm == 215.0  # 124 + 30 + 60, to the next 5
    assert {each.starts_mm[0] for each in found} == {40.0, 60.0, 85.0, 115.0}
    assert found[9].pickup_mm == 58.0  # half of 115, to the next mark
    long = layouts(wish(), (plan(14, 24.0),))
    assert [each.starts_mm for each in long] == [(40.0,), (60.0,), (85.0,), (115.0,)]
    (_, _, _, _, over) = layouts(wish(), (plan(12, 20.0),))
    assert over.starts_mm == (110.0,)  # half of a span of 220


def test_in_inches_places_are_sixteenths_and_bars_quarters():
    for each in layouts(wish(units="inch"), (plan(3, 12.0), plan(4, 10.0))):
        marks = np.array([*each.starts_mm, each.pickup_mm]) / INCH * 16.0
        assert marks == pytest.approx(np.round(marks), abs=1e-6)
        quarters = each.length_mm / INCH * 4.0
        assert quarters == pytest.approx(round(quarters), abs=1e-6)
        last = each.starts_mm[1] + 30.0
        assert each.starts_mm[0] <= each.length_mm - last < each.starts_mm[0] + INCH / 4.0
        assert each.starts_mm[1] - each.starts_mm[0] >= 24.0 + each.gap_mm - 1e-9


def test_a_u_has_its_low_groups_on_the_first_leg_and_begins_the_second_20_mm_from_the_bend():
    """Three groups of span 40: two on the first leg: 40 + 40 + 26 + 40 + 20 = 166, to the next 5."""
    u = wish(shape="u", section=wished_section("40x12", "mm"))
    first = layouts(u, (plan(5, 10.0),) * 3)[0]
    assert [each.get("straight_mm") for each in first.path] == [170.0, None, 170.0]
    assert first.path[1] == {"bend_deg": 180.0, "radius_mm": 100.0, "plane_deg": 0.0}  # 2.5 times 40
    second = 170.0 + 100.0 * math.pi
    assert first.starts_mm == (40.0, 106.0, math.ceil(second + 20.0))
    assert first.length_mm == pytest.approx(second + 170.0)
    assert first.pickup_mm == 20.0
    thin = layouts(wish(shape="u", section=wished_section("round20", "mm")), (plan(5, 10.0),) * 3)[0]
    assert thin.path[1]["radius_mm"] == 60.0
    asked = layouts(wish(shape="u", radius_mm=80.0, legs_mm=(110.0, 300.0)), (plan(5, 10.0),) * 3)[0]
    assert [each.get("straight_mm", each.get("radius_mm")) for each in asked.path] == [110.0, 80.0, 300.0]
    assert asked.starts_mm[1] == math.ceil(110.0 + 80.0 * math.pi + 20.0)
    with pytest.raises(InputError, match=r"3 groups do not fit legs of 90 mm and 90 mm; legs of 170 mm"):
        layouts(wish(shape="u", legs_mm=(90.0, 90.0)), (plan(5, 10.0),) * 3)


def test_a_ring_shares_its_spare_room_and_keeps_a_joint():
    """Two groups of span 90 on a ring of 200 mm: 628.3 around, 448.3 beside them, less two least gaps of 27."""
    ring = wish(shape="ring", diameter_mm=200.0)
    found = layouts(ring, (plan(10, 10.0),) * 2)
    around = 200.0 * math.pi
    spare = around - 180.0 - 2.0 * 27.0
    assert [each.gap_mm for each in found] == pytest.approx(
        [26.0 + share * spare / 2.0 for share in (1.0, 0.8, 0.6, 0.4)]
    )
    for each in found:
        assert each.path == ({"bend_deg": 360.0, "radius_mm": 100.0, "plane_deg": 0.0},)
        joint = around - 180.0 - (each.gap_mm + 1.0)
        assert each.starts_mm == (
            math.floor(joint / 2.0),
            math.floor(joint / 2.0) + math.ceil(90.0 + each.gap_mm),
        )
        assert each.pickup_mm == math.ceil(each.starts_mm[0] / 2.0)
        assert around - each.starts_mm[1] - 90.0 >= each.starts_mm[0] - 1.0  # as much at the far end
    # 180 and two gaps of 36 around: 80 mm across; eight thicknesses of 40 are more
    assert layouts(wish(shape="ring"), (plan(10, 10.0),) * 2)[0].length_mm == pytest.approx(320.0 * math.pi)
    thin = wish(shape="ring", section=wished_section("round8", "mm"))
    assert layouts(thin, (plan(10, 10.0),) * 2)[0].length_mm == pytest.approx(90.0 * math.pi)
    with pytest.raises(InputError, match=r"ring of 60 mm; a diameter of 80 mm"):
        layouts(
            wish(shape="ring", section=wished_section("round8", "mm"), diameter_mm=60.0),
            (plan(10, 10.0),) * 2,
        )


FLAT = Section("rectangle", 0.040, 0.012, 0.0)


def feet(board):
    return [(each["bar_mm"], each["x_mm"], each["y_mm"]) for each in board["feet"]]


def test_a_board_under_a_straight_bar_is_nearly_as_long_and_its_feet_stand_off_its_middle():
    bar = Bar(None, FLAT, (Straight(1.0),), ())
    (board,) = board_tables(wish(), bar, (220.0, 780.0)).values()
    # 0.94 of the bar to the next 10, less 10; the feet 560 apart about its middle, at four tenths of its width
    assert (board["length_mm"], board["width_mm"], board["thickness_mm"]) == (930.0, 400.0, 4.0)
    assert feet(board) == [(220.0, 185.0, 160.0), (780.0, 745.0, 160.0)]
    assert (board["kind"], board["edges"], board["material"]) == ("panel", "free", "birch plywood 4 mm")
    (short,) = board_tables(wish(), Bar(None, FLAT, (Straight(0.3),), ()), (60.0, 240.0)).values()
    assert (short["length_mm"], feet(short)) == (400.0, [(60.0, 110.0, 160.0), (240.0, 290.0, 160.0)])
    (wide,) = board_tables(wish(), Bar(None, FLAT, (Straight(0.5),), ()), (5.0, 495.0)).values()
    assert wide["length_mm"] == 610.0  # 60 mm beyond the feet on either side


def test_a_board_under_a_bent_bar_is_60_mm_larger_than_its_feet_all_round_and_thicker_from_0_6_m2_on():
    """A half ring of radius 400 with feet at its ends and its top: 400 by 800 in plan."""
    bar = Bar(None, FLAT, (Bend(math.pi, 0.4, 0.0),), ())
    ends = 400.0 * math.pi
    (board,) = board_tables(wish(board="box"), bar, (0.0, ends / 2.0, ends)).values()
    assert (board["length_mm"], board["width_mm"]) == (520.0, 920.0)
    assert board["thickness_mm"] == 4.0  # 0.48 m2
    y = [each["y_mm"] for each in board["feet"]]
    assert sorted(y) == [60.0, 460.0, 860.0]
    assert [each["x_mm"] for each in board["feet"]] == [60.0, 460.0, 60.0]
    assert (board["edges"], board["depth_mm"], board["hole_diameter_mm"]) == ("supported", 120.0, 80.0)
    (large,) = board_tables(wish(units="inch", board="box"), Bar(None, FLAT, (Bend(math.pi, 0.5, 0.0),), ()),
                            (0.0, 250.0 * math.pi, 500.0 * math.pi)).values()  # fmt: skip
    assert (large["thickness_mm"], large["material"]) == (pytest.approx(INCH / 4.0), "birch plywood 6.5 mm")
    assert large["length_mm"] == pytest.approx(25.0 * INCH)  # 620 mm to the next inch
    assert (large["depth_mm"], large["hole_diameter_mm"]) == pytest.approx((4.75 * INCH, 3.25 * INCH))
    for each in large["feet"]:
        sixteenths = 16.0 * each["y_mm"] / INCH
        assert sixteenths == pytest.approx(round(sixteenths), abs=1e-6)


def test_supports_stand_on_the_nearest_half_mark_that_no_nut_is_over():
    """A nut 8 mm over its corners at 100 mm: no cord nearer than 4 + 1.25 mm; plain rod of 3 mm: 3.06."""
    layout = Layout(({"straight_mm": 400.0},), (100.0, 200.0), 400.0, 26.0, 20.0)
    plans = (plan(1, 12.0), plan(2, 15.0, corners=3.0, plain=3.0))
    for nodes, expected in (
        ((101.0, 300.2), (105.5, 300.0)),
        ((99.0, 300.3), (94.5, 300.5)),
        ((201.0, 213.5), (203.5, 211.5)),
    ):
        assert room._supports(wish(), plans, layout, nodes) == expected
    with pytest.raises(InputError, match="no room between its tines"):
        room._supports(wish(), plans, layout, (100.1, 100.2))


def test_nodes_are_where_a_curve_crosses_between_its_points():
    x = np.linspace(0.0, 1.0, 11)
    assert room._zeros(x, np.cos(2.0 * np.pi * (x - 0.02))) == pytest.approx([0.27, 0.77], abs=2e-3)


def test_a_layout_far_off_its_nodes_is_a_last_resort_and_among_the_others_the_mildest_comes_first():
    layout = Layout(({"straight_mm": 1000.0},), (100.0,), 1000.0, 26.0, 20.0)
    near, far = (
        (room._Tried(layout, (220.0, 780.0), (220.0, 780.0 + off), 60.0, 1.0)) for off in (-11.0, 13.0)
    )
    mild = room._Tried(layout, (220.0, 780.0), (221.0, 780.0), 60.0, 0.5)
    assert near.astray == pytest.approx(0.011)
    assert sorted((far, near, mild), key=lambda each: each.rank) == [mild, near, far]
