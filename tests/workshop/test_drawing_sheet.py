"""The drawing of the instrument: things where the solver has them, to the scale it says, words that cover none."""

import re
import subprocess
import xml.etree.ElementTree as ET

import numpy as np
import pytest

from synth.design.instrument import Bar, Bend, Section
from synth.doors.cli import run
from synth.vibration.bar import solve_bar
from synth.vibration.board import lie
from synth.vibration.coupling import base_frames
from synth.vibration.tuning import tune
from synth.workshop.drawing import Line, Text
from synth.workshop.drawing_sheet import SIZES, drawing_sheet
from synth.workshop.fixing import joint
from synth.workshop.geometry import Solid, bar_solids, solids, tine_place
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
    row = tune(instrument)
    return row, drawing_sheet(instrument, row.length, row.trim, board)


@pytest.mark.parametrize("seed", range(40))
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


def test_solids_keep_the_sizes_of_bar_nuts_trim_nuts_board_and_feet(made, straight):
    instrument = made(straight + BOARD)
    row = tune(instrument)
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
    row = tune(instrument)
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


@pytest.mark.parametrize("seed", range(12))
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
    for words, says in (([], "On lid (box)"), (["--board", "none"], "Supports (rubber) at 60, 240")):
        assert run(["drawing", str(design), *words, "-o", str(tmp_path / "a.svg")]) == 0
        assert says in (tmp_path / "a.svg").read_text(encoding="utf-8")
