"""Columns and letters of printed tables worked by hand, heads on every page, and drawings' extents and files."""

import re
import shutil
import subprocess
import xml.etree.ElementTree as ET

import numpy as np
import pytest
from reportlab.pdfbase.pdfmetrics import stringWidth

from synth.workshop import paper
from synth.workshop.drawing import Arc, Circle, Drawing, Line, Point, Text, extent, write_dxf, write_svg
from synth.workshop.paper import (
    Bullets,
    Document,
    Heading,
    PaperTable,
    Paragraph,
    part_html,
    scrolled_html,
    write_html,
    write_pages,
)
from synth.workshop.picture import FILLS, PENS, Patch, Sheet, paint, svg_of
from synth.workshop.typeface import typeface

PAD = 9.0  # points beside a cell's words, and one to spare


def test_a_column_to_write_in_has_room_for_a_pencil_and_others_for_their_words():
    table = PaperTable(("a", "found"), (("wide words here", ""),), to_write=("found",))
    least, natural = paper._widths(table, table.heads, list(table.rows), size=8.0)
    words = [stringWidth(each, typeface(), 8.0) for each in ("words", "wide words here")]
    head = stringWidth("found", f"{typeface()}-Bold", 8.0)
    assert least == pytest.approx([words[0] + PAD, max(34.0, head) + PAD])
    assert natural == pytest.approx([words[1] + PAD, max(55.0, head) + PAD])
    assert head < 34.0
    plain = PaperTable(table.heads, table.rows)
    assert paper._widths(plain, table.heads, list(table.rows), size=8.0)[0][1] == pytest.approx(head + PAD)


def test_where_all_have_not_room_the_widest_columns_give_way():
    """Of 300 points: what is narrower than the cap keeps its own, the cap is (300 - 40 - 70) / 2."""
    assert paper._shared([10.0, 20.0, 30.0], [40.0, 70.0, 90.0], 300.0) == [40.0, 70.0, 90.0]
    found = paper._shared([10.0, 20.0, 30.0, 30.0], [40.0, 70.0, 150.0, 400.0], 300.0)
    assert found == pytest.approx([40.0, 70.0, 95.0, 95.0], abs=0.01)
    found = paper._shared([10.0, 20.0, 130.0, 30.0], [40.0, 70.0, 150.0, 400.0], 300.0)
    assert found == pytest.approx([40.0, 65.0, 130.0, 65.0], abs=0.01)


def test_letters_are_as_large_as_lets_every_word_stand_whole():
    """In steps of half a point from the largest down to 5."""
    table = PaperTable(("a", "b"), (("x" * 30, "y" * 30),))

    def needs(size):
        return sum(stringWidth(each * 30, typeface(), size) + PAD for each in "xy")

    for size in (8.0, 7.0, 5.5):
        found, columns = paper._fit(table, table.heads, list(table.rows), width=needs(size) + 0.1, size=8.0)
        assert found == size
        assert sum(columns) <= needs(size) + 0.1
    assert paper._fit(table, table.heads, list(table.rows), width=20.0, size=8.0)[0] == 5.0
    # many words wrap at no cost to the letters
    wrapped = PaperTable(("a",), (("word " * 40,),))
    assert paper._fit(wrapped, wrapped.heads, list(wrapped.rows), width=100.0, size=8.0)[0] == 8.0


@pytest.mark.parametrize(("name", "wide", "high"), [("A4", 210.0, 297.0), ("Letter", 215.9, 279.4)])
def test_pages_are_those_of_the_paper_and_tables_lie_within_its_margins(name, wide, high):
    assert paper.page_size(name) == pytest.approx((wide / 25.4 * 72.0, high / 25.4 * 72.0), abs=0.01)
    assert paper.text_width_of(name) == pytest.approx(wide / 25.4 * 72.0 - 80.0 - 12.0, abs=0.01)


@pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")
def test_a_table_s_head_stands_on_every_page_with_the_page_s_number_below(tmp_path):
    rows = tuple((str(n), "words") for n in range(150))
    write_pages(
        Document("The title", (PaperTable(("number", "what"), rows),)), tmp_path / "a.pdf", paper="A4"
    )
    said = subprocess.run(
        ["pdftotext", tmp_path / "a.pdf", "-"], capture_output=True, text=True, check=True
    ).stdout
    pages = said.split("\f")[:-1]
    assert len(pages) > 2
    for number, page in enumerate(pages, start=1):
        assert page.split().count("number") == 1
        assert f"page {number}" in page
        assert "The title" in page


def test_parts_as_html_are_escaped_and_tables_have_boxes_and_room_to_write():
    assert part_html(Heading("a < b")) == "<h2>a &lt; b</h2>"
    assert part_html(Paragraph("a & b")) == "<p>a &amp; b</p>"
    assert part_html(Bullets(("one", "two"))) == "<ul>\n<li>one</li>\n<li>two</li>\n</ul>"
    table = part_html(PaperTable(("a", "found"), (("1", ""), ("2", "")), ticks=True, to_write=("found",)))
    assert len(re.findall('type="checkbox"', table)) == 2
    assert len(re.findall('class="write"', table)) == 2
    plain = part_html(PaperTable(("a", "found"), (("1", ""),)))
    assert "checkbox" not in plain
    assert "write" not in plain


@pytest.mark.parametrize("seed", range(30))
def test_an_arc_reaches_as_far_as_its_own_points_whichever_way_its_angles_are_told(seed):
    dice = np.random.default_rng(seed)
    start = float(dice.uniform(-360.0, 360.0))
    sweep = float(dice.uniform(5.0, 355.0))
    turns = 360.0 * float(dice.integers(-1, 2))
    arc = Arc("outline", Point(3.0, -2.0), 10.0, start, start + sweep + turns)
    angle = np.radians(np.linspace(start, start + sweep, 20_001))
    x, y = 3.0 + 10.0 * np.cos(angle), -2.0 + 10.0 * np.sin(angle)
    low, high = Drawing("", (arc,)).bounds
    assert (low.x, low.y, high.x, high.y) == pytest.approx((x.min(), y.min(), x.max(), y.max()), abs=1e-5)


@pytest.mark.parametrize("turn", [0.0, 90.0, -90.0, 30.0])
def test_words_reach_along_their_own_direction(turn):
    """0.76 of the height for each letter along, and from descenders of 0.3 up to the height across."""
    along = np.array([np.cos(np.radians(turn)), np.sin(np.radians(turn))])
    across = np.array([-along[1], along[0]])
    corners = np.array(
        [(p.x, p.y) for p in extent(Text("text", Point(5.0, 6.0), 2.0, "abcd", turn_deg=turn))]
    )
    off = corners - (5.0, 6.0)
    assert (off @ along).min() == pytest.approx(0.0, abs=1e-12)
    assert (off @ along).max() == pytest.approx(0.76 * 2.0 * 4)
    assert ((off @ across).min(), (off @ across).max()) == pytest.approx((-0.6, 2.0))


def test_an_svg_has_every_shape_at_its_place_with_y_downwards_and_words_turned_the_other_way(tmp_path):
    """Height 40 from -10 to 30, 5 mm of margin: what is drawn at y stands at 35 - y."""
    shapes = (
        Line("outline", Point(0.0, -10.0), Point(50.0, 30.0)), Circle("holes", Point(20.0, 10.0), 3.0),
        Arc("outline", Point(25.0, 10.0), 8.0, 10.0, 120.0), Arc("outline", Point(25.0, 10.0), 8.0, 0.0, 200.0),
        Text("text", Point(10.0, 5.0), 2.0, "up", turn_deg=90.0),
    )  # fmt: skip
    write_svg(Drawing("t", shapes), tmp_path / "a.svg")
    root = ET.parse(tmp_path / "a.svg").getroot()
    assert (root.get("width"), root.get("height")) == ("60.0000mm", "50.0000mm")
    found = {each.tag.split("}")[1]: each for each in root.iter()}
    line, circle, text = found["line"], found["circle"], found["text"]
    assert [float(line.get(key)) for key in ("x1", "y1", "x2", "y2")] == [5.0, 45.0, 55.0, 5.0]
    assert [float(circle.get(key)) for key in ("cx", "cy", "r")] == [25.0, 25.0, 3.0]
    assert [float(text.get(key)) for key in ("x", "y")] == [15.0, 30.0]
    assert [float(each) for each in re.findall(r"[-\d.]+", text.get("transform"))] == [-90.0, 15.0, 30.0]
    arcs = [each.get("d") for each in root.iter() if each.tag.endswith("path")]
    assert [re.search(r"A 8\.0000 8\.0000 0 (\d) (\d)", each).groups() for each in arcs] == [
        ("0", "0"),
        ("1", "0"),
    ]


def test_a_dxf_file_says_how_far_its_drawing_and_its_paper_reach(tmp_path):
    from ezdxf import filemanagement

    write_dxf(Drawing("t", (Line("outline", Point(-4.0, -10.0), Point(50.0, 30.0)),)), tmp_path / "a.dxf")
    document = filemanagement.readfile(tmp_path / "a.dxf")
    for low, high in (("$EXTMIN", "$EXTMAX"), ("$LIMMIN", "$LIMMAX")):
        assert tuple(document.header[low])[:2] == (-4.0, -10.0)
        assert tuple(document.header[high])[:2] == (50.0, 30.0)
    space = document.modelspace().dxf
    assert (tuple(space.limmin)[:2], tuple(space.limmax)[:2]) == ((-4.0, -10.0), (50.0, 30.0))
    assert (space.extmin[0], space.extmax[1]) == (-4.0, 30.0)


INK = (
    Patch("bar", (Point(1.0, 2.0), Point(5.0, 2.0), Point(5.0, 4.0))), Line("contour", Point(1.0, 2.0),
      Point(5.0, 2.0)),
    Patch("trim nut", (Point(2.0, 2.0), Point(3.0, 2.0), Point(3.0, 9.0))), Line("tine", Point(2.0, 2.0),
      Point(2.0, 8.0)),
    Text("words", Point(6.0, 7.0), 2.0, "a < b"),
)  # fmt: skip


def test_a_sheet_is_painted_in_its_order_with_its_greys_and_pens_in_both_files():
    """A trim nut is darker than the bar, white is the paper; pens of ISO 128-20, a contour 0.35 mm, a tine 0.13."""
    sheet = Sheet("a & b", 20.0, 10.0, INK)
    root = ET.fromstring(svg_of(sheet))
    groups = [each for each in root.iter() if each.tag.endswith("}g")]
    assert [each.get("class") for each in groups] == ["bar", "contour", "trim nut", "tine", "words"]
    greys = [each.get("fill") for each in groups if each.get("fill")]
    assert greys == [f"rgb({n},{n},{n})" for n in (round(255 * 0.86), round(255 * 0.55))]
    widths = [each.get("stroke-width") for each in groups if each.get("stroke-width")]
    assert widths == ["0.35", "0.13", "0.13"]
    (bar, _) = [each.get("points") for each in root.iter() if each.tag.endswith("polygon")]
    assert bar == "1.000,8.000 5.000,8.000 5.000,6.000"  # y downwards from the sheet's upper edge
    done = []

    class Canvas:
        def __getattr__(self, name):
            return lambda *words, **more: done.append((name, *words, *more.values())) or self

    paint(Canvas(), sheet)
    greys = [each[1] for each in done if each[0] == "setFillGray"]
    assert greys == [FILLS["bar"], 0.0, FILLS["trim nut"], 0.0]  # words after a patch are black again
    assert [each[1] for each in done if each[0] == "setLineWidth"] == [
        PENS[n] for n in ("contour", "tine", "words")
    ]
    assert [each[1:] for each in done if each[0] == "moveTo"] == [(1.0, 2.0), (2.0, 2.0)]
    assert [each[1:] for each in done if each[0] == "lineTo"][:2] == [(5.0, 2.0), (5.0, 4.0)]
    assert [each[-2:] for each in done if each[0] == "drawPath"] == [(0, 1)] * 2


def test_on_a_phone_a_table_scrolls_in_its_box_and_words_keep_off_the_edge(tmp_path):
    table = PaperTable(("a",), (("1",),))
    assert scrolled_html(table) == f'<div class="scroll">\n{part_html(table)}\n</div>'
    assert scrolled_html(Paragraph("words")) == "<p>words</p>"
    write_html(Document("List", (Heading("one"), table)), tmp_path / "list.html")
    page = (tmp_path / "list.html").read_text(encoding="utf-8")
    assert page.count('<div class="scroll">\n<table>') == page.count("<table>") == 1
    assert 'content="width=device-width, initial-scale=1"' in page
    assert "padding: 0 1em" in page
    assert ".scroll { overflow-x: auto; }" in page
