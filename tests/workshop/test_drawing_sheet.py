"""The drawing of the instrument: things where the solver has them, to the scale it says, words that cover none."""

import re
import subprocess
import xml.etree.ElementTree as ET
from dataclasses import replace

import numpy as np
import pytest

from synth.design.instrument import Bar, Bend, Section
from synth.doors.cli import run
from synth.vibration.bar import solve_bar
from synth.vibration.board import lie
from synth.vibration.coupling import base_frames
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import tune
from synth.workshop import drawing_sheet as drawing_sheet_module
from synth.workshop.drawing import Line, Point, Text
from synth.workshop.drawing_sheet import SIZES, drawing_sheet
from synth.workshop.fixing import joint
from synth.workshop.geometry import Solid, bar_solids, solids, tine_place
from synth.workshop.labels import Box
from synth.workshop.lettering import SMALL
from synth.workshop.picture import Patch, text_width, write_pdf_sheet, write_svg_sheet
from synth.workshop.views import ABOVE, FRONT, OBLIQUE, hull, painted
from tests import everyday

BOARD = """
[board.lid]
kind = "box"
material = "birch plywood 4 mm"
length_mm = 300.0
width_mm = 120.0
thickness_mm = 4.0
depth_mm = 50.0
hole_diameter_mm = 30.0
edges = "supported"
feet = [{ bar_mm = 60.0, x_mm = 60.0, y_mm = 30.0 }, { bar_mm = 240.0, x_mm = 240.0, y_mm = 30.0 }]
"""


def drawn(instrument, board=None):
    row = tune(instrument, mounting(instrument))
    return row, drawing_sheet(instrument, row.length, row.trim, board)


@pytest.mark.parametrize(
    "seed", [*range(16), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(16, 40))]
)
def test_every_tine_stands_where_the_solver_has_it_and_is_as_long(seed):
    instrument = everyday.instrument_of(everyday.design_tree(seed))
    places = [tine_place(instrument, tine, 0.1) for tine in instrument.tines]
    bar = solve_bar(instrument.bar, [tine.position for tine in instrument.tines])
    bases = base_frames(instrument.tines, instrument.bar, bar)
    centre = np.array([bar.frame_at([tine.position])[0][0] for tine in instrument.tines])
    for n, (tine, place) in enumerate(zip(instrument.tines, places, strict=True)):
        washers = joint(tine, instrument.bar, instrument.bench).washers
        seat = sum(each.thickness for each in washers[: (len(washers) + 1) // 2])
        clamp = centre[n] + bases.arm[n] + (tine.root.added_length + seat) * bases.pointing[n]
        np.testing.assert_allclose(place.base, clamp, atol=1e-9)
        np.testing.assert_allclose(place.tip - place.base, 0.1 * bases.pointing[n], atol=1e-12)


def test_a_boards_hole_is_drawn(made, straight):
    instrument = made(straight + BOARD)
    lid = instrument.boards["lid"]
    (_, holed), (_, plain) = (drawn(instrument, each) for each in (lid, replace(lid, hole_diameter=0.0)))
    assert len(holed.ink) > len(plain.ink)


def test_solids_keep_the_sizes_of_bar_nuts_trim_nuts_board_and_feet(made, straight):
    instrument = made(straight + BOARD)
    row = tune(instrument, mounting(instrument))
    board = instrument.boards["lid"]
    found = solids(instrument, row.length, row.trim, board)

    def extents(kind):
        own = np.concatenate([np.concatenate([s.start, s.end]) for s in found if s.kind == kind])
        return 1e3 * own.min(axis=0), 1e3 * own.max(axis=0)

    low, high = extents("bar")
    np.testing.assert_allclose([low, high], [[0.0, -15.0, -10.0], [300.0, 15.0, 10.0]], atol=1e-9)
    low, high = extents(
        "trim nut"
    )  # ISO 4032 at mid tolerance: 3.05 high, 6.89 across flats; 60 mm above the base
    np.testing.assert_allclose(high[2] - low[2], 3.05, atol=1e-9)
    np.testing.assert_allclose((high[2] + low[2]) / 2.0, 10.0 + 0.8 + 3.05 + 60.0, atol=0.01)
    low, high = extents("board")
    np.testing.assert_allclose(high - low, [300.0, 120.0, 50.0], atol=1e-9)
    middle = 1e3 * lie(board, instrument.bar).origin
    np.testing.assert_allclose(((high + low) / 2.0)[:2], middle[:2], atol=1e-9)
    np.testing.assert_allclose(
        middle[:2], [150.0, 30.0], atol=1e-6
    )  # the feet lie 30 mm off the middle, in front
    assert low[2] < extents("foot")[0][2] < -10.0
    rods = [s for s in found if s.kind == "tine" and s.group == 1]
    tips = np.concatenate([s.end for s in rods])
    assert 1e3 * tips[:, 1].max() == pytest.approx(15.0 + 100.0, abs=1e-6)  # plain rod on the back, no nut


def test_the_near_hides_the_far_and_what_is_hidden_is_painted_first(made, straight):
    """A tine on the back is behind the bar from the front, and over it from above."""
    instrument = made(straight)
    row = tune(instrument, mounting(instrument))
    found = solids(instrument, row.length, row.trim, None)
    order = [each.fill for each in painted(found, FRONT) if isinstance(each, Patch)]
    behind = sum(
        len(s.start) > 0 and s.kind == "tine" and s.group == 1 and s.start[:, 1].mean() > 0.015 for s in found
    )
    assert behind > 8
    assert order[:behind] == ["tine"] * behind
    assert order.index("bar") >= behind


def test_a_box_seen_askew_shows_nine_edges_and_square_on_four():
    face = np.array([[0.0, 0.0, 0.0], [0.3, 0.0, 0.0], [0.3, 0.2, 0.0], [0.0, 0.2, 0.0]])
    box = Solid("board", -1, face, face - np.array([0.0, 0.0, 0.05]), smooth=False)
    for view, edges in ((OBLIQUE, 9), (FRONT, 4), (ABOVE, 4)):
        lines = {
            tuple(sorted((round(p.x, 6), round(p.y, 6)) for p in (s.start, s.end)))
            for s in painted([box], view)
            if isinstance(s, Line)
        }
        assert len({each for each in lines if each[0] != each[1]}) == edges


def test_a_bar_in_pieces_is_drawn_without_its_joints():
    """Forty pieces of a half ring: from above two arcs and two ends, and no line across."""
    bar = Bar(None, Section("rectangle", 0.02, 0.01, 0.0), (Bend(np.pi, 0.1, 0.0),), ())
    lines = [s for s in painted([*bar_solids(bar)], ABOVE) if isinstance(s, Line)]
    centre = np.array([0.0, 100.0])
    radii = np.array([[np.hypot(*(np.array([p.x, p.y]) - centre)) for p in (s.start, s.end)] for s in lines])
    across = np.abs(radii[:, 0] - radii[:, 1]) > 1.0
    assert across.sum() == 2
    np.testing.assert_allclose(np.sort(np.unique(radii.round(3))), [90.0, 110.0], atol=0.02)


@pytest.mark.parametrize(
    "seed", [*range(6), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(6, 12))]
)
def test_words_lie_on_the_sheet_and_never_on_one_another(seed):
    instrument = everyday.instrument_of(everyday.design_tree(seed))
    _, sheet = drawn(instrument)
    boxes = []
    for each in sheet.ink:
        if isinstance(each, Text):
            wide, high = text_width(each.words, each.height), each.height
            across, up = (-high, wide) if each.turn_deg else (wide, high)
            x, y = sorted((each.at.x, each.at.x + across)), sorted((each.at.y, each.at.y + up))
            boxes.append((x[0], y[0], x[1], y[1], each.words))
    for n, a in enumerate(boxes):
        assert min(a[0], a[1], sheet.width - a[2], sheet.height - a[3]) >= 10.0, a
        for b in boxes[n + 1 :]:
            assert a[2] <= b[0] or b[2] <= a[0] or a[3] <= b[1] or b[3] <= a[1], (a, b)
    said = [box[4] for box in boxes]
    assert all(said.count(group.name) >= 3 for group in instrument.groups)  # two views and the table
    frame = (10.0, 10.0, sheet.width - 10.0, sheet.height - 10.0)
    for each in sheet.ink:  # the views, too, and what points at things
        ends = (
            each.corners
            if isinstance(each, Patch)
            else (each.start, each.end)
            if isinstance(each, Line)
            else ()
        )
        for point in ends:
            assert frame[0] - 1e-6 <= point.x <= frame[2] + 1e-6, each
            assert frame[1] - 1e-6 <= point.y <= frame[3] + 1e-6, each


def test_svg_and_pdf_say_the_same_and_measure_what_the_title_says(made, straight, tmp_path):
    instrument = made(straight + BOARD)
    _, sheet = drawn(instrument, instrument.boards["lid"])
    write_svg_sheet(sheet, tmp_path / "a.svg")
    write_pdf_sheet(sheet, tmp_path / "a.pdf")
    root = ET.parse(tmp_path / "a.svg").getroot()
    assert (root.get("width"), root.get("height")) == ("420mm", "297mm")  # A3, ISO 216
    words = {each.text for each in root.iter("{http://www.w3.org/2000/svg}text")}
    said = subprocess.run(
        ["pdftotext", "-layout", tmp_path / "a.pdf", "-"], capture_output=True, text=True, check=True
    )
    for each in words:
        assert set(each.split()) <= set(said.stdout.split())
    (scale,) = [re.search(r"Scale 1:(\d+)", each) for each in words if each.startswith("Scale")]
    contours = [each for each in sheet.ink if isinstance(each, Line) and each.layer == "contour"]
    level = [abs(each.end.x - each.start.x) for each in contours if abs(each.end.y - each.start.y) < 1e-6]
    assert max(level) == pytest.approx(300.0 / float(scale[1]))  # the box, in one line
    assert {"300", "up", "aside", "Offcut"} <= words


def test_sheets_are_those_of_the_standards():
    assert SIZES["A4"] == (420.0, 297.0)  # A3, ISO 216
    assert SIZES["Letter"] == pytest.approx((17.0 * 25.4, 11.0 * 25.4))  # B, ASME Y14.1
    assert SMALL >= 1.8  # ISO 3098, the smallest letters


def test_the_hull_is_that_of_an_independent_library():
    from scipy.spatial import ConvexHull

    points = np.random.default_rng(3).normal(size=(60, 2))
    own = hull(points)
    assert {tuple(p) for p in own.round(6)} == {
        tuple(p) for p in points[ConvexHull(points).vertices].round(6)
    }


def test_the_command_refuses_other_kinds_and_unknown_boards(tmp_path, straight, capsys):
    design = tmp_path / "a.toml"
    design.write_text(straight + BOARD, encoding="utf-8")
    for words in (["-o", str(tmp_path / "a.png")], ["--board", "lidd", "-o", str(tmp_path / "a.svg")]):
        assert run(["drawing", str(design), *words]) == 2
        assert capsys.readouterr().err.startswith("error: ")
    sides = "On lid (box): 300 x 120 x 4, 50 deep, birch plywood 4 mm"
    for words, says in (([], sides), (["--board", "none"], "Supports (rubber) at 60, 240")):
        assert run(["drawing", str(design), *words, "-o", str(tmp_path / "a.svg")]) == 0
        assert says in (tmp_path / "a.svg").read_text(encoding="utf-8")


FLAT = """
name = "Slat"
[bench]
units = "{units}"
[bar]
section = {{ shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }}
path = [{{ straight_mm = 400.0 }}]
supports = [{{ at_mm = 50.0, kind = "rubber" }}, {{ at_mm = 330.0, kind = "cord" }}]
[stock.rod3]
kind = "plain"
diameter_mm = 3.0
material = "304 spring wire"
[[group]]
name = "low"
stock = "M4"
start_mm = 90.0
spacing_mm = 20.0
tine = [{{ free_length_mm = 150.0 }}, {{ free_length_mm = 120.0 }}]
[[group]]
name = "aside"
stock = "rod3"
start_mm = 200.0
spacing_mm = 35.0
face_deg = 90.0
tine = [{{ free_length_mm = 80.0 }}, {{ free_length_mm = 60.5 }}]
"""


def words_of(sheet):
    return [each for each in sheet.ink if isinstance(each, Text)]


def test_every_size_on_the_sheet_is_the_instrument_s_and_stands_at_its_place(made):
    _, sheet = drawn(made(FLAT.format(units="mm")))
    said = [each.words for each in words_of(sheet)]
    (scale,) = [float(re.search(r"1:(\d+)", each)[1]) for each in said if each.startswith("Scale")]
    assert f"Scale 1:{scale:g}; all sizes in mm; 4 tines, 2 groups" in said
    assert "Bar: 60 x 10, mild steel; path 400" in said
    assert "Supports (rubber/cord) at 50, 330" in said
    # the bar's height; its face to the highest tip: washer 0.8, nut 3.05, 150; below: two pitches, nut, washer
    top, below = 0.8 + 3.05 + 150.0, 0.8 + 3.05 + 1.4
    for height in (10.0, top, max(10.0 + top + below, 5.0 + top + 15.0)):
        assert any(re.fullmatch(r"[\d.]+", each) and abs(float(each) - height) < 0.11 for each in said), (
            height,
            said,
        )
    # running dimensions: the bar's start, each group's first tine, the bar's end, at their true distances
    at = {}
    for each in words_of(sheet):
        if each.words in ("0", "90", "200", "400"):
            at.setdefault(each.words, []).append(each.at.x + text_width(each.words, each.height) / 2.0)
    for words, others in (("90", "200"), ("0", "90"), ("0", "400")):
        far = (float(others) - float(words)) / scale
        assert any(abs(b - a - far) < 1e-6 for a in at[words] for b in at[others]), words
    # a row a group: tines, from where to where, stock, lengths
    head = next(each for each in words_of(sheet) if each.words == "tines")
    columns = sorted({each.at.x for each in words_of(sheet) if each.at.y == head.at.y})
    rows = {}
    for each in words_of(sheet):
        if each.at.x in columns and each.at.y < head.at.y and each.at.y > head.at.y - 20.0:
            rows.setdefault(each.at.y, {})[each.at.x] = each.words
    told = [[row[x] for x in columns if x in row] for _, row in sorted(rows.items(), reverse=True)][:2]
    assert told == [
        ["low", "2", "90", "110", "M4; 120 to 150"],
        ["aside", "2", "200", "235", "rod3; 60.5 to 80"],
    ]


def test_brackets_over_the_groups_span_their_tines(made):
    instrument = made(FLAT.format(units="mm"))
    row = tune(instrument, mounting(instrument))
    scene = drawing_sheet_module._Scene(
        instrument,
        solids(instrument, row.length, row.trim, None),
        tuple(tine_place(instrument, t, float(n)) for t, n in zip(instrument.tines, row.length, strict=True)),
        (),
        row.length,
        None,
    )
    lines = [
        each
        for each in drawing_sheet_module._names_over(scene, 2.0, Point(10.0, 0.0), 100.0)
        if isinstance(each, Line)
    ]
    level = {
        (round(each.start.x, 6), round(each.end.x, 6))
        for each in lines
        if each.start.y == each.end.y == 103.0
    }
    assert level == {(10.0 + 45.0 - 0.6, 10.0 + 55.0 + 0.6), (10.0 + 100.0 - 0.6, 10.0 + 117.5 + 0.6)}
    ticks = {(round(each.start.x, 6), round(each.end.y, 6)) for each in lines if each.start.x == each.end.x}
    assert {(54.4, 101.8), (65.6, 101.8)} <= ticks
    marks = [*drawing_sheet_module._running(scene, 2.0, Point(10.0, 0.0), -50.0)]
    (base,) = [each for each in marks if isinstance(each, Line) and each.start.y == each.end.y]
    assert (base.start.x, base.end.x, base.start.y) == (10.0, 210.0, -52.5)


def test_in_inches_the_sheet_tells_inches(made):
    _, sheet = drawn(made(FLAT.format(units="inch")))
    said = [each.words for each in words_of(sheet)]
    assert any("all sizes in inches" in each for each in said)
    assert "Bar: 2 23/64 x 25/64, mild steel; path 15 3/4" in said
    assert {"from in", "to in", "stock; free lengths in"} <= set(said)


@pytest.mark.parametrize(
    ("section", "path", "words"),
    [
        ('shape = "tube", diameter_mm = 30.0, wall_mm = 3.0',
         "{ straight_mm = 150.0 }, { bend_deg = -30.0, radius_mm = 200.0, plane_deg = 0.0 },"
         " { straight_mm = 150.0 }",
         "Bar: tube 30 x 3, mild steel; path 150 + 30\N{DEGREE SIGN} R200 + 150"),
        ('shape = "round", diameter_mm = 25.0', "{ straight_mm = 300.5 }", "Bar: round 25, mild steel; path 300.5"),
    ],
)  # fmt: skip
def test_a_bar_is_told_by_its_section_and_its_path(made, section, path, words):
    text = f"""
    [bar]
    section = {{ {section} }}
    path = [ {path} ]
    [[group]]
    name = "low"
    stock = "M4"
    start_mm = 60.0
    spacing_mm = 20.0
    tine = [{{ free_length_mm = 150.0 }}, {{ free_length_mm = 120.0 }}]
    """
    _, sheet = drawn(made(text))
    said = [each.words for each in words_of(sheet)]
    assert words in said
    assert "No supports" in said


def test_a_name_that_stands_aside_is_joined_to_the_nearest_point_of_its_box():
    box = Box(10.0, 20.0, 30.0, 24.0)
    for anchor, near in (
        ((50.0, 40.0), (30.0, 24.0)),
        ((0.0, 22.0), (10.0, 22.0)),
        ((15.0, 5.0), (15.0, 20.0)),
    ):
        found = [*drawing_sheet_module._label("low", np.array(anchor), box)]
        (leader,) = [each for each in found if isinstance(each, Line)]
        assert ((leader.start.x, leader.start.y), (leader.end.x, leader.end.y)) == (anchor, near)
        (words,) = [each for each in found if isinstance(each, Text)]
        assert words.at.x + text_width("low", words.height) / 2.0 == pytest.approx(20.0)
        assert words.at.y + SMALL / 2.0 == pytest.approx(22.0)
    assert not [
        each
        for each in drawing_sheet_module._label("low", np.array([20.0, 19.5]), box)
        if isinstance(each, Line)
    ]
