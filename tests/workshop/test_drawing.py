"""Drawings read back by other programs and measured."""

import re
import shutil
import subprocess
import xml.etree.ElementTree as ET

import ezdxf.filemanagement
import ezdxf.recover
import numpy as np
import pytest
from ezdxf import units
from ezdxf.entities.arc import Arc as DxfArc

from synth.workshop.drawing import (
    Arc,
    Circle,
    Drawing,
    Line,
    Point,
    Text,
    centre_mark,
    check_bar,
    write_dxf,
    write_svg,
)
from synth.workshop.tiling import MARGIN, OVERLAP, SIZES, tiles, write_pdf

DPI = 254  # ten dots a millimetre
ONE_DOT = 0.1  # mm


@pytest.fixture
def drawing():
    """A 700 mm strip with holes a hundred millimetres apart: longer than two pages."""
    holes = [Circle("holes", Point(50.0 + 100.0 * n, 10.0), 2.0) for n in range(7)]
    marks = [line for hole in holes for line in centre_mark(hole.centre, 1.0)]
    frame = [
        Line("outline", Point(0, 0), Point(700, 0)),
        Line("outline", Point(700, 0), Point(700, 20)),
        Line("outline", Point(700, 20), Point(0, 20)),
        Line("outline", Point(0, 20), Point(0, 0)),
        Arc("bend lines", Point(350, 10), 8.0, 0.0, 180.0),
        Text("text", Point(10, 14), 3.0, "5 < 6 & holes"),
    ]
    return Drawing("strip", tuple(frame + holes + marks + check_bar(Point(10, -10), "mm")))


def dark_columns(image, row):
    """Places in mm where a row of a picture turns dark, left edges only."""
    dark = image[row] < 128
    return (np.flatnonzero(dark[1:] & ~dark[:-1]) + 1) / (DPI / 25.4)


def read_pgm(data):
    match = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", data)
    width, height = int(match[1]), int(match[2])
    return np.frombuffer(data, np.uint8, offset=match.end()).reshape(height, width)


def test_dxf_is_clean_in_millimetres_and_holds_every_hole(drawing, tmp_path):
    write_dxf(drawing, tmp_path / "a.dxf")
    document, auditor = ezdxf.recover.readfile(tmp_path / "a.dxf")
    assert not auditor.has_errors
    assert not auditor.has_fixes
    assert document.units == units.MM
    assert document.header["$MEASUREMENT"] == 1
    circles = list(document.modelspace().query('CIRCLE[layer=="holes"]'))
    assert [each.dxf.center.x for each in circles] == [50 + 100 * n for n in range(7)]
    assert {each.dxf.radius for each in circles} == {2.0}


def test_dxf_as_plain_text_says_the_same_to_a_reader_of_our_own(drawing, tmp_path):
    write_dxf(drawing, tmp_path / "a.dxf")
    lines = [line.strip() for line in (tmp_path / "a.dxf").read_text(encoding="utf-8").splitlines()]
    pairs = list(zip(lines[::2], lines[1::2], strict=True))
    assert pairs[pairs.index(("9", "$INSUNITS")) + 1] == ("70", "4")  # DXF reference: 4 is millimetres
    starts = [n for n, pair in enumerate(pairs) if pair == ("0", "CIRCLE")]
    centres = [float(next(value for code, value in pairs[n:] if code == "10")) for n in starts]
    assert centres == [50.0 + 100.0 * n for n in range(7)]


def test_svg_states_its_size_in_millimetres(drawing, tmp_path):
    write_svg(drawing, tmp_path / "a.svg")
    root = ET.parse(tmp_path / "a.svg").getroot()
    low, high = drawing.bounds
    assert float(root.get("width").removesuffix("mm")) == pytest.approx(high.x - low.x + 10.0)
    assert root.get("viewBox").split()[2] == root.get("width").removesuffix("mm")


@pytest.mark.skipif(shutil.which("rsvg-convert") is None, reason="needs rsvg-convert (Debian: librsvg2-bin)")
def test_svg_measures_true_in_a_rasteriser(drawing, tmp_path):
    write_svg(drawing, tmp_path / "a.svg")
    png = tmp_path / "a.png"
    command = ["rsvg-convert", "-d", str(DPI), "-p", str(DPI), "-b", "white", tmp_path / "a.svg", "-o", png]
    subprocess.run(command, check=True)
    from matplotlib.image import imread

    image = imread(png)[..., 0] * 255
    low, high = drawing.bounds
    row = round((5.0 + high.y - 9.0) * DPI / 25.4)  # through the holes, above their centre marks
    edges = dark_columns(image, row)
    reach = np.sqrt(2.0**2 - 1.0**2)
    expected = [5.0 - low.x + 50 + 100 * n - reach for n in range(7)]
    for position in expected:
        assert np.min(np.abs(edges - position)) < 2 * ONE_DOT


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm (Debian: poppler-utils)")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_pdf_tiles_measure_true_and_forbid_scaling(drawing, tmp_path, paper):
    pages = write_pdf(drawing, tmp_path / "a.pdf", paper=paper)
    parts = tiles(drawing, paper)
    assert pages == len(parts) == 3
    assert b"/PrintScaling /None" in (tmp_path / "a.pdf").read_bytes()
    info = subprocess.run(["pdfinfo", tmp_path / "a.pdf"], capture_output=True, text=True, check=True).stdout
    assert f"Pages:           {pages}" in info
    for number, tile in enumerate(parts, start=1):
        command = ["pdftoppm", "-gray", "-r", str(DPI), "-f", str(number), "-l", str(number), "-singlefile"]
        subprocess.run([*command, tmp_path / "a.pdf", tmp_path / "page"], check=True)
        image = read_pgm((tmp_path / "page.pgm").read_bytes())
        assert abs(image.shape[1] - SIZES[paper][0] * 10) <= 1
        edges = dark_columns(
            image, image.shape[0] - round((MARGIN + 1.5) * 10)
        )  # through the bar's end ticks
        assert np.min(np.abs(edges - MARGIN)) < 2 * ONE_DOT
        assert np.min(np.abs(edges - (MARGIN + 100.0))) < 2 * ONE_DOT
        level = MARGIN + 14.0 + (9.0 - tile.corner.y)
        edges = dark_columns(image, image.shape[0] - round(level * 10))
        for n in range(7):
            x = 50.0 + 100.0 * n - np.sqrt(3.0) - tile.corner.x
            if 0.0 < x < tile.width:
                assert np.min(np.abs(edges - (MARGIN + x))) < 2 * ONE_DOT


def test_neighbouring_tiles_share_the_overlap(drawing):
    first, second = tiles(drawing, "A4")[:2]
    assert first.corner.x + first.width - second.corner.x == pytest.approx(OVERLAP)


ARCS = [(10.0, 80.0), (-30.0, 200.0), (100.0, 95.0), (350.0, 170.0)]  # short and long, across 0 degrees too


def middle_of(arc):
    """The point halfway along an arc that runs counter-clockwise, by its definition."""
    angle = np.radians(arc.start_deg + (arc.end_deg - arc.start_deg) % 360.0 / 2.0)
    return arc.centre.x + arc.radius * np.cos(angle), arc.centre.y + arc.radius * np.sin(angle)


def middle_of_svg(path):
    """The point halfway along `M x1 y1 A r r 0 large sweep x2 y2`, by the SVG standard's words on the flags.

    Sweep 1 runs the way in which angles grow in SVG, from +x to +y, which is downwards on the page; large 1 takes
    the way round of more than half a turn.
    """
    x1, y1, r, _, _, large, sweep, x2, y2 = (float(each) for each in re.findall(r"-?[\d.]+", path))
    half = np.hypot(x2 - x1, y2 - y1) / 2.0
    along = np.array([x2 - x1, y2 - y1]) / (2.0 * half)
    aside = np.array([along[1], -along[0]])  # where an arc of sweep 1 bulges: its left, as seen on the page
    sagitta = r + (1.0 if large else -1.0) * np.sqrt(max(r**2 - half**2, 0.0))
    return np.array([x1 + x2, y1 + y2]) / 2.0 + (1.0 if sweep else -1.0) * sagitta * aside


@pytest.mark.parametrize(("start", "end"), ARCS)
def test_an_arc_bulges_in_svg_where_it_does_in_the_drawing(start, end, tmp_path):
    arc = Arc("outline", Point(30.0, -20.0), 12.0, start, end)
    drawing = Drawing("arc", (arc,))
    write_svg(drawing, tmp_path / "a.svg", margin=5.0)
    (path,) = ET.parse(tmp_path / "a.svg").getroot().iter("{http://www.w3.org/2000/svg}path")
    low, high = drawing.bounds
    x, y = middle_of(arc)
    assert middle_of_svg(path.get("d")) == pytest.approx((x - low.x + 5.0, high.y + 5.0 - y), abs=2e-3)


@pytest.mark.parametrize(("start", "end"), ARCS)
def test_an_arc_bulges_in_dxf_where_it_does_in_the_drawing(start, end, tmp_path):
    arc = Arc("outline", Point(30.0, -20.0), 12.0, start, end)
    write_dxf(Drawing("arc", (arc,)), tmp_path / "a.dxf")
    (found,) = ezdxf.filemanagement.readfile(tmp_path / "a.dxf").modelspace().query("ARC")
    begin, finish = found.dxf.start_angle, found.dxf.end_angle
    assert isinstance(found, DxfArc)
    (point,) = found.vertices([begin + (finish - begin) % 360.0 / 2.0])
    assert (point.x, point.y) == pytest.approx(middle_of(arc))


class Paper:
    """What a canvas of reportlab is asked to draw, with its own meaning of an arc: corners, start, extent."""

    def __init__(self):
        self.arcs, self.turned = [], []

    def arc(self, x1, y1, x2, y2, startAng, extent):
        angle = np.radians(startAng + extent / 2.0)
        self.arcs.append(
            ((x1 + x2) / 2 + (x2 - x1) / 2 * np.cos(angle), (y1 + y2) / 2 + (y2 - y1) / 2 * np.sin(angle))
        )

    def __getattr__(self, name):
        return lambda *given, **named: self.turned.append((name, *given))


@pytest.mark.parametrize(("start", "end"), ARCS)
def test_an_arc_bulges_on_paper_where_it_does_in_the_drawing(start, end):
    from synth.workshop.tiling import draw_shape

    arc, paper = Arc("outline", Point(30.0, -20.0), 12.0, start, end), Paper()
    draw_shape(paper, arc)
    assert paper.arcs == [pytest.approx(middle_of(arc))]


def test_words_stand_and_turn_in_every_file_as_in_the_drawing(tmp_path):
    from synth.workshop.tiling import draw_shape

    words = Text("text", Point(40.0, 30.0), 3.0, "12.50", turn_deg=-90.0)
    drawing = Drawing("words", (Line("outline", Point(0.0, 0.0), Point(100.0, 50.0)), words))
    write_svg(drawing, tmp_path / "a.svg", margin=5.0)
    (found,) = ET.parse(tmp_path / "a.svg").getroot().iter("{http://www.w3.org/2000/svg}text")
    assert (float(found.get("x")), float(found.get("y"))) == pytest.approx((45.0, 5.0 + 50.0 - 30.0))
    assert found.get("transform").startswith(
        "rotate(90.000 45.0000 25.0000)"
    )  # clockwise: SVG counts downwards
    write_dxf(drawing, tmp_path / "a.dxf")
    (text,) = ezdxf.filemanagement.readfile(tmp_path / "a.dxf").modelspace().query("TEXT")
    assert (text.dxf.insert.x, text.dxf.insert.y, text.dxf.rotation, text.dxf.height) == (
        40.0,
        30.0,
        -90.0,
        3.0,
    )
    paper = Paper()
    draw_shape(paper, words)
    assert ("translate", 40.0, 30.0) in paper.turned
    assert ("rotate", -90.0) in paper.turned


def test_a_line_in_svg_runs_between_its_own_ends(tmp_path):
    drawing = Drawing("line", (Line("outline", Point(10.0, 20.0), Point(110.0, 70.0)),))
    write_svg(drawing, tmp_path / "a.svg", margin=5.0)
    (line,) = ET.parse(tmp_path / "a.svg").getroot().iter("{http://www.w3.org/2000/svg}line")
    assert [float(line.get(name)) for name in ("x1", "y1", "x2", "y2")] == [5.0, 55.0, 105.0, 5.0]


def test_an_arc_encloses_its_quarter_points():
    low, high = Drawing("arc", (Arc("outline", Point(0, 0), 10.0, 45.0, 190.0),)).bounds
    assert high.y == pytest.approx(10.0)
    assert low.x == pytest.approx(-10.0)


@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_a_quiet_edge_is_left_round_a_drawing_and_half_of_a_gap_where_rows_part(paper):
    """Three blocks of 100 mm, 8 mm apart, 1.2 pages wide: 5 mm round all of them, 4 mm between rows of pages."""
    wide = 1.2 * (SIZES[paper][0] - 2 * MARGIN)
    blocks = [(108.0 * n, 108.0 * n + 100.0) for n in range(3)]
    shapes = tuple(Line("outline", Point(0.0, low), Point(wide, high)) for low, high in blocks)
    found = tiles(Drawing("T", shapes, quiet=5.0), paper)
    rows = {each.row: each for each in found}
    assert [rows[n].corner.y for n in range(3)] == pytest.approx([-5.0, 104.0, 212.0])
    assert [rows[n].height for n in range(2)] == pytest.approx([109.0, 108.0])
    assert rows[2].corner.y + rows[2].height >= 321.0
    assert min(each.corner.x for each in found) == pytest.approx(-5.0)
    assert max(each.corner.x + each.width for each in found) >= wide + 5.0
    first, second = (each for each in found if each.row == 0)
    assert first.corner.x + first.width - second.corner.x == pytest.approx(OVERLAP)


@pytest.mark.parametrize(("spare", "edge", "pages"), [(12.0, 5.0, 1), (6.0, 3.0, 1), (1.0, 5.0, 2)])
def test_a_quiet_edge_gives_way_before_it_costs_a_page_but_not_to_nothing(spare, edge, pages):
    """What is so much smaller than a page each way, and what is so much smaller than two that overlap by 10 mm."""
    width, height = SIZES["A4"][0] - 2 * MARGIN, SIZES["A4"][1] - 2 * MARGIN - 14.0
    for more in (0.0, 1.0):
        high = Point(width - spare + more * (width - 10.0), height - spare + more * (height - 10.0))
        found = tiles(Drawing("T", (Line("outline", Point(0.0, 0.0), high),), quiet=5.0), "A4")
        assert min(each.corner.x for each in found) == pytest.approx(-edge)
        assert min(each.corner.y for each in found) == pytest.approx(-edge)
        assert max(each.column for each in found) + 1 == max(each.row for each in found) + 1 == pages + more
