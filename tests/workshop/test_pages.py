"""Pages as a reader sees them: no word or number is parted, no page is empty, none cuts a strip that fits."""

import re
import shutil
import subprocess

import numpy as np
import pytest

from synth.doors.cli import run
from synth.workshop.bent_template import bent_templates
from synth.workshop.drawing import Circle, Text, extent, write_dxf
from synth.workshop.labels import Box
from synth.workshop.paper import Document, PaperTable, write_pages
from synth.workshop.template import flat_template
from synth.workshop.tiling import FOOT, MARGIN, SIZES, tiles, write_pdf
from tests import everyday

INCH = """
[bench]
units = "inch"
paper = "Letter"
"""
RING = """
name = "Ring"
[bar]
section = { shape = "rectangle", width_mm = 20.0, height_mm = 20.0 }
path = [{ bend_deg = 360.0, radius_mm = 250.0, plane_deg = 0.0 }]
[[group]]
name = "east"
stock = "M3"
start_mm = 370.0
spacing_mm = 12.0
tine = [{ free_length_mm = 80.0 }, { free_length_mm = 80.0 }, { free_length_mm = 80.0 }]
[[group]]
name = "north"
stock = "M3"
start_mm = 770.0
spacing_mm = 12.0
tine = [{ free_length_mm = 80.0 }, { free_length_mm = 80.0 }]
"""
needs_poppler = pytest.mark.skipif(shutil.which("pdftotext") is None, reason="needs poppler-utils")


def words_of(pdf):
    """Every word of a PDF as its reader sees it."""
    said = subprocess.run(["pdftotext", "-bbox", pdf, "-"], capture_output=True, text=True, check=True).stdout
    return re.findall(r"<word [^>]*>([^<]*)</word>", said)


@needs_poppler
@pytest.mark.parametrize("units", ["", INCH])
def test_no_word_and_no_number_of_a_tuning_sheet_is_parted(units, straight, tmp_path):
    design = tmp_path / "a.toml"
    long = straight.replace('"up"', '"the lowest, uncommonly"').replace('"aside"', '"Hafenrundfahrtsanleger"')
    design.write_text(long + units, encoding="utf-8")
    assert run(["cutlist", str(design), "-o", str(tmp_path)]) == 0
    for name in ("sheet", "cutlist"):
        page = (tmp_path / f"{name}.html").read_text(encoding="utf-8")
        cells = re.findall(r"<t[dh][^>]*>([^<]*)</t[dh]>", page)
        read = words_of(tmp_path / f"{name}.pdf")
        for word in {word for cell in cells for word in cell.split()}:
            assert word in read, word


@needs_poppler
def test_a_table_too_wide_for_its_letters_gets_smaller_ones(tmp_path):
    words = tuple(f"{n}unbreakable{n}" for n in range(9))
    document = Document("wide", (PaperTable(words, (words[::-1], words)),))
    write_pages(document, tmp_path / "a.pdf", paper="A4")
    assert [words_of(tmp_path / "a.pdf").count(each) for each in words] == [3] * 9


@needs_poppler
def test_an_inch_keeps_its_fraction_and_a_number_its_unit(tmp_path):
    cells = tuple("4 17/64" for _ in range(12))
    write_pages(
        Document("t", (PaperTable(tuple("abcdefghijkl"), (cells, ("+19 c",) * 12)),)),
        tmp_path / "a.pdf",
        paper="A4",
    )
    said = subprocess.run(
        ["pdftotext", "-bbox", tmp_path / "a.pdf", "-"], capture_output=True, text=True, check=True
    )
    place = re.findall(
        r'<word xMin="[\d.]+" yMin="([\d.]+)"[^>]*>(4|17/64|4.17/64|\+19|c|\+19.c)</word>', said.stdout
    )
    assert len({y for y, words in place if "/" in words or words == "4"}) == 1
    assert len({y for y, words in place if words.startswith("+19") or words == "c"}) <= 2


@pytest.mark.parametrize("text", ["straight", "bent", "ring", "inch"])
def test_no_page_is_empty_and_every_hole_is_whole_on_one(text, made, straight, bent, tmp_path):
    instrument = made({"straight": straight, "bent": bent, "ring": RING, "inch": straight + INCH}[text])
    for number, drawing in enumerate([flat_template(instrument), *bent_templates(instrument).values()]):
        paper = instrument.bench.paper
        parts = tiles(drawing, paper)
        for hole in (each for each in drawing.shapes if isinstance(each, Circle)):
            x, y, r = hole.centre.x, hole.centre.y, hole.radius
            assert any(
                t.corner.x <= x - r
                and x + r <= t.corner.x + t.width
                and t.corner.y <= y - r
                and y + r <= t.corner.y + t.height
                for t in parts
            )
        if shutil.which("pdftoppm") is None:
            continue
        pdf = tmp_path / f"{number}.pdf"
        assert write_pdf(drawing, pdf, paper=paper) == len(parts)
        subprocess.run(["pdftoppm", "-gray", "-r", "50", pdf, tmp_path / f"p{number}"], check=True)
        pages = sorted(tmp_path.glob(f"p{number}-*.pgm"))
        assert len(pages) == len(parts)
        for page, tile in zip(pages, parts, strict=True):
            image = read_pgm(page.read_bytes())
            dot = 50 / 25.4
            top = image.shape[0] - round((MARGIN + FOOT + tile.height - 2.0) * dot)
            left = round((MARGIN + 12.0) * dot)
            window = image[
                top : image.shape[0] - round((MARGIN + FOOT + 12.0) * dot),
                left : round((MARGIN + tile.width - 2.0) * dot),
            ]
            beyond = image[
                top : image.shape[0] - round((MARGIN + FOOT + 2.0) * dot), round((MARGIN + 2.0) * dot) :
            ]
            assert (window < 160).any() or (beyond < 160).sum() > 30


@pytest.mark.parametrize("shape", ["ring", "u"])
def test_nothing_of_a_bent_template_stands_on_the_line_round_its_pages(shape, tmp_path):
    """The words began on the dashed line and a ring's outline and names touched it: 1 to 5 mm lie between."""
    instrument = everyday.drafted(tmp_path, "--notes", "B3,D4,F4,G4", "--tines", "5", "--shape", shape)
    for drawing in [flat_template(instrument), *bent_templates(instrument).values()]:
        low, high = drawing.bounds
        parts = tiles(drawing, instrument.bench.paper)
        assert 1.0 <= low.x - min(each.corner.x for each in parts) <= 5.0 + 1e-6
        assert 1.0 <= low.y - min(each.corner.y for each in parts) <= 5.0 + 1e-6
        assert max(each.corner.x + each.width for each in parts) >= high.x + 1.0
        assert max(each.corner.y + each.height for each in parts) >= high.y + 1.0


def read_pgm(data):
    match = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", data)
    return np.frombuffer(data, np.uint8, offset=match.end()).reshape(int(match[2]), int(match[1]))


def test_rows_of_pages_end_between_strips(made, straight):
    """Tines on three faces: three strips of a bar 60 mm high, on more than one page, none cut lengthwise."""
    tall = straight.replace("width_mm = 30.0, height_mm = 20.0", "width_mm = 60.0, height_mm = 60.0")
    third = """
[[group]]
name = "under"
stock = "M4"
start_mm = 260.0
face_deg = 180.0
tine = [{ free_length_mm = 90.0 }]
"""
    drawing = flat_template(made(tall + third))
    parts = tiles(drawing, "A4")
    levels = {round(t.corner.y, 3): t for t in parts}
    assert len(levels) > 1
    assert not any(t.goes_on_below for t in parts)
    for shape in drawing.shapes:
        ys = [p.y for p in extent(shape)]
        assert (
            sum(
                t.corner.y - 1e-6 <= min(ys) and max(ys) <= t.corner.y + t.height + 1e-6
                for t in levels.values()
            )
            == 1
        )
    assert max(t.height for t in parts) <= SIZES["A4"][1] - 2 * MARGIN - FOOT


@pytest.mark.parametrize("text", ["bent", "ring"])
def test_names_on_a_bent_template_stand_at_their_groups_and_its_holes_are_sized(text, made, bent):
    instrument = made({"bent": bent, "ring": RING}[text])
    (drawing,) = bent_templates(instrument).values()
    texts = [each for each in drawing.shapes if isinstance(each, Text)]
    holes = [each for each in drawing.shapes if isinstance(each, Circle)]
    for group in instrument.groups:
        (name,) = [each for each in texts if each.words == group.name]
        points = list(extent(name))
        box = Box(
            min(p.x for p in points),
            min(p.y for p in points),
            max(p.x for p in points),
            max(p.y for p in points),
        )
        middle = np.array([(box.left + box.right) / 2.0, (box.low + box.high) / 2.0])
        distance = {}
        for each in instrument.groups:
            own = np.mean([(h.centre.x, h.centre.y) for h in holes[each.tines]], axis=0)
            distance[each.name] = float(np.hypot(*(middle - own)))
        assert min(distance, key=lambda each: distance[each]) == group.name
        assert 10.0 < distance[group.name] < 35.0
    assert any(each.words.startswith("3.4 mm: clearance for M3; ISO 273") for each in texts)  # medium


def test_dxf_states_the_extents_of_what_it_holds(made, bent, tmp_path):
    from ezdxf import bbox, filemanagement

    for drawing in (flat_template(made(bent)), *bent_templates(made(bent)).values()):
        write_dxf(drawing, tmp_path / "a.dxf")
        document = filemanagement.readfile(tmp_path / "a.dxf")
        low, high = document.header["$EXTMIN"], document.header["$EXTMAX"]
        drawn = bbox.extents(each for each in document.modelspace() if each.dxftype() != "TEXT")
        assert max(low[0] - drawn.extmin.x, low[1] - drawn.extmin.y) < 1e-6
        assert min(high[0] - drawn.extmax.x, high[1] - drawn.extmax.y) > -1e-6
        assert (high[0], high[1]) == pytest.approx((drawing.bounds[1].x, drawing.bounds[1].y))


def test_the_bar_is_bought_at_the_length_that_the_template_saws(made, bent, tmp_path):
    design = tmp_path / "b.toml"
    design.write_text(bent, encoding="utf-8")
    assert run(["cutlist", str(design), "-o", str(tmp_path)]) == 0
    assert run(["template", str(design), "-o", str(tmp_path)]) == 0
    bought = re.search(
        r"bar 20.00 x 20.00 mm, mild steel, saw to ([\d.]+) mm</td><td>([\d.]+) m<",
        (tmp_path / "cutlist.html").read_text(),
    )
    sawn = re.search(r"saw to ([\d.]+) mm", (tmp_path / "template-flat.svg").read_text())
    assert bought[1] == sawn[1]
    assert 1e3 * float(bought[2]) == pytest.approx(float(sawn[1]), abs=0.01)
    # DIN 6935: inside radius 20, k = (0.65 + 0.5 lg 1) / 2 = 0.325
    assert float(sawn[1]) == pytest.approx(250.0 + np.pi / 2.0 * (20.0 + 0.325 * 20.0), abs=0.01)


def test_a_3_mm_rod_takes_an_m3_washer_and_an_eighth_of_an_inch_one_of_its_own_system(made, straight):
    from synth.workshop.holes import washer_for

    instrument = made(straight)
    assert washer_for(instrument.tines[2]).name == "M3 plain washer, 7 x 0.5 mm"  # ISO 7089: bore 3.2 mm
    assert 1e3 * washer_for(instrument.tines[2]).inside == pytest.approx(3.2)
    eighth = made(straight.replace("diameter_mm = 3.0", "diameter_in = 0.125"))
    assert washer_for(eighth.tines[2]).name.startswith(
        "#6-32 UNC plain washer"
    )  # the #4's bore is 3.175 itself


def test_the_quarter_inch_nut_is_the_hex_nut_of_asme_b18_2_2():
    """7/16 in across flats (0.438 to 0.428), 7/32 in high (0.226 to 0.212); from memory."""
    from synth.design import catalogue

    nut = catalogue.nuts().find("1/4-20 UNC hex")
    sizes = (nut.width_max_mm, nut.width_min_mm, nut.height_max_mm, nut.height_min_mm)
    assert sizes == pytest.approx([25.4 * each for each in (0.4375, 0.428, 0.226, 0.212)], abs=0.02)
    hexagon, d = np.sqrt(3.0) / 2.0 * 10.99**2, 6.35
    bored = [7.85e-3 * 5.56 * (hexagon - np.pi / 4.0 * each**2) for each in (d, d - 1.0825 * 1.27)]
    assert bored[0] < nut.mass_g < bored[1]
