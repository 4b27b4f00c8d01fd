"""Drill templates, written, read back by other programs and measured."""

import math
import re
import shutil
import subprocess

import ezdxf
import ezdxf.recover
import numpy as np
import pytest

from synth.doors.cli import run
from synth.units import MM
from synth.workshop.bent_template import bent_templates
from synth.workshop.drawing import LAYERS, Arc, Circle, write_dxf, write_svg
from synth.workshop.flat_length import develop
from synth.workshop.template import flat_template
from synth.workshop.tiling import MARGIN, tiles, write_pdf

DPI = 254  # ten dots a millimetre
TENTH = 0.1  # mm


def holes(drawing):
    return sorted(
        (each.centre.x, each.centre.y, each.radius) for each in drawing.shapes if isinstance(each, Circle)
    )


def grey(path):
    """The picture in a PGM file, rows from the top."""
    data = path.read_bytes()
    match = re.match(rb"P5\s+(\d+)\s+(\d+)\s+255\s", data)
    return np.frombuffer(data, np.uint8, offset=match.end()).reshape(int(match[2]), int(match[1]))


def on_circle(image, x, y, radius):
    """What share of a circle's line (centre and radius in mm from the lower left) is dark."""
    angle = np.linspace(0.0, 2.0 * np.pi, 180, endpoint=False)
    scale = DPI / 25.4
    column = np.round((x + radius * np.cos(angle)) * scale - 0.5).astype(int)
    row = np.round(image.shape[0] - (y + radius * np.sin(angle)) * scale - 0.5).astype(int)
    near = [image[row + dr, column + dc] for dr in (-1, 0, 1) for dc in (-1, 0, 1)]
    return np.mean(np.min(near, axis=0) < 160)


def test_holes_stand_where_the_design_has_the_tines(made, straight):
    top, side = (
        [each for each in holes(flat_template(made(straight))) if keep(each)]
        for keep in (lambda h: h[2] == pytest.approx(2.25), lambda h: h[2] == pytest.approx(1.55))
    )
    assert [each[0] for each in top] == pytest.approx([40.0, 55.0])  # from the bar's start
    assert [each[0] for each in side] == pytest.approx([150.0, 170.0])
    assert len({round(each[1], 6) for each in top}) == len({round(each[1], 6) for each in side}) == 1
    assert top[0][1] > side[0][1]  # two strips, one below the other


def test_a_tine_at_a_slant_is_drilled_off_the_middle_line(made, straight):
    instrument = made(straight.replace("spacing_mm = 15.0", "spacing_mm = 15.0\nface_deg = 10.0"))
    drawing = flat_template(instrument)
    middle = next(
        s.start.y for s in drawing.shapes if s.layer == "centre marks" and s.end.x - s.start.x > 300
    )
    # half the bar's height times tan 10 degrees, towards +y, which is up on a strip seen from above
    assert holes(drawing)[0][1] - middle == pytest.approx(10.0 * math.tan(math.radians(10.0)), abs=1e-6)


def test_a_round_bar_is_unrolled(made, straight):
    round_bar = straight.replace(
        '{ shape = "rectangle", width_mm = 30.0, height_mm = 20.0 }',
        '{ shape = "round", diameter_mm = 30.0 }',
    )
    found = holes(flat_template(made(round_bar)))
    quarter = math.pi * 30.0 / 4.0
    assert found[2][1] - found[0][1] == pytest.approx(quarter)  # faces 90 degrees apart


def test_the_flat_bar_is_shorter_than_its_axis_by_the_allowance(made, bent):
    flat = develop(made(bent).bar)
    # inside radius 20, thickness 20: K = 0.325 (DIN 6935), so pi / 2 (20 + 6.5) instead of pi / 2 x 30
    assert flat.length == pytest.approx((250.0 + math.pi / 2 * 26.5) * MM)
    assert flat.bends[0].shortened == pytest.approx(math.pi / 2 * 3.5 * MM)
    assert [each[0] for each in holes(flat_template(made(bent)))] == pytest.approx(
        [30.0, 100.0 + math.pi / 2 * 26.5 + 50.0]
    )


def test_a_given_neutral_axis_replaces_the_rule(made, bent):
    instrument = made(bent + "[bench]\nneutral_axis = 0.5\n")
    assert develop(instrument.bar, instrument.bench.neutral_axis).length == pytest.approx(
        instrument.bar.length
    )
    # and the second hole is drilled as far on as it stands along the axis, whose radius is 30
    assert [each[0] for each in holes(flat_template(instrument))] == pytest.approx(
        [30.0, 100.0 + math.pi / 2 * 30.0 + 50.0]
    )


def test_places_on_the_flat_bar_rise_with_places_on_the_axis(made, bent):
    instrument = made(bent)
    flat = develop(instrument.bar)
    places = [flat.flat(x) for x in np.linspace(0.0, instrument.bar.length, 50)]
    assert np.all(np.diff(places) > 0.0)
    assert places[-1] == pytest.approx(flat.length)


def test_the_bent_bar_is_drawn_round_the_corner(made, bent):
    ((name, drawing),) = bent_templates(made(bent)).items()
    assert name == "from above"
    # the axis: 100 along x, a quarter turn of radius 30 to +y, then along y: the second tine 50 beyond it
    assert [each[:2] for each in holes(drawing)] == [
        pytest.approx((30.0, 0.0), abs=1e-5),
        pytest.approx((130.0, 80.0), abs=1e-5),
    ]
    assert sorted(each.radius for each in drawing.shapes if isinstance(each, Arc)) == pytest.approx(
        [20.0, 40.0]
    )


def test_a_bend_s_arcs_sweep_as_far_as_it_turns_wherever_they_begin(made, bent):
    """Bends of 170 degrees are two arcs of 85 on either side; the second bend begins 170 degrees on from -90."""
    twice = bent.replace("bend_deg = 90.0", "bend_deg = 170.0").replace(
        "{ straight_mm = 150.0 },\n",
        "{ straight_mm = 300.0 },\n{ bend_deg = 170.0, radius_mm = 30.0 },\n{ straight_mm = 20.0 },\n",
    )
    ((_, drawing),) = bent_templates(made(twice)).items()
    arcs = [each for each in drawing.shapes if isinstance(each, Arc)]
    assert [(each.end_deg - each.start_deg) % 360.0 for each in arcs] == pytest.approx([85.0] * 8)
    assert sorted(each.start_deg % 360.0 for each in arcs) == pytest.approx(
        [80.0, 80.0, 165.0, 165.0, 270.0, 270.0, 355.0, 355.0]
    )


def test_a_bar_bent_in_space_has_two_views(made, bent):
    twice = bent.replace(
        "{ straight_mm = 150.0 },\n",
        "{ straight_mm = 150.0 },\n{ bend_deg = 60.0, radius_mm = 40.0, "
        "plane_deg = 90.0 },\n{ straight_mm = 50.0 },\n",
    )
    assert list(bent_templates(made(twice))) == ["from above", "from the front"]


def test_a_straight_bar_has_no_bent_template(made, straight):
    assert bent_templates(made(straight)) == {}


@pytest.mark.parametrize("which", ["straight", "bent"])
def test_dxf_passes_its_audit_in_millimetres_with_layers_for_what_they_hold(made, tmp_path, request, which):
    drawing = flat_template(made(request.getfixturevalue(which)))
    write_dxf(drawing, tmp_path / "a.dxf")
    document, auditor = ezdxf.recover.readfile(tmp_path / "a.dxf")
    assert not auditor.has_errors
    assert not auditor.has_fixes
    assert document.header["$INSUNITS"] == 4  # millimetres
    assert set(LAYERS) <= {layer.dxf.name for layer in document.layers}
    space = document.modelspace()
    found = sorted(
        (e.dxf.center.x, e.dxf.center.y, e.dxf.radius) for e in space.query('CIRCLE[layer=="holes"]')
    )
    assert found == [pytest.approx(each) for each in holes(drawing)]
    bar = max(space.query('LINE[layer=="check bar"]'), key=lambda e: abs(e.dxf.end.x - e.dxf.start.x))
    assert abs(bar.dxf.end.x - bar.dxf.start.x) == pytest.approx(100.0)
    if which == "bent":
        assert len(space.query('LINE[layer=="bend lines"]')) == 2


@pytest.mark.skipif(shutil.which("rsvg-convert") is None, reason="needs rsvg-convert (Debian: librsvg2-bin)")
def test_svg_measures_true_in_a_rasteriser(made, straight, tmp_path):
    drawing = flat_template(made(straight))
    write_svg(drawing, tmp_path / "a.svg")
    png = tmp_path / "a.png"
    command = ["rsvg-convert", "-d", str(DPI), "-p", str(DPI), "-b", "white", tmp_path / "a.svg", "-o", png]
    subprocess.run(command, check=True)
    from matplotlib.image import imread

    image = np.round(imread(png)[..., 0] * 255).astype(int)
    low, _ = drawing.bounds
    for x, y, radius in holes(drawing):
        assert on_circle(image, x - low.x + 5.0, y - low.y + 5.0, radius) > 0.98
        assert on_circle(image, x - low.x + 5.0, y - low.y + 5.0, radius + 5 * TENTH) < 0.2


@pytest.mark.skipif(shutil.which("pdftoppm") is None, reason="needs pdftoppm (Debian: poppler-utils)")
@pytest.mark.parametrize("paper", ["A4", "Letter"])
def test_every_hole_is_at_its_place_on_every_page_that_shows_it(made, straight, tmp_path, paper):
    drawing = flat_template(made(straight))
    write_pdf(drawing, tmp_path / "a.pdf", paper=paper, notes=("Eyes",))
    parts, seen = tiles(drawing, paper), 0
    assert len(parts) > 1
    for number, tile in enumerate(parts, start=1):
        command = ["pdftoppm", "-gray", "-r", str(DPI), "-f", str(number), "-l", str(number), "-singlefile"]
        subprocess.run([*command, tmp_path / "a.pdf", tmp_path / "page"], check=True)
        image = grey(tmp_path / "page.pgm")
        for x, y, radius in holes(drawing):
            x, y = x - tile.corner.x, y - tile.corner.y
            if 5.0 < x < tile.width - 5.0 and 5.0 < y < tile.height - 5.0:
                seen += 1
                assert on_circle(image, MARGIN + x, MARGIN + 14.0 + y, radius) > 0.98
                assert on_circle(image, MARGIN + x, MARGIN + 14.0 + y, radius + 5 * TENTH) < 0.2
    assert seen >= len(holes(drawing))


def test_the_command_writes_all_kinds_whole_and_says_how_to_print(tmp_path, bent, capsys):
    design = tmp_path / "a.toml"
    design.write_text(bent, encoding="utf-8")
    (tmp_path / "out").mkdir()
    (tmp_path / "out" / "mine.txt").write_text("mine")
    assert run(["template", str(design), "-o", str(tmp_path / "out")]) == 0
    names = {each.name for each in (tmp_path / "out").iterdir()}
    kinds = (".dxf", ".svg", ".pdf")
    assert names == {
        "mine.txt",
        *(f"template-flat{kind}" for kind in kinds),
        *(f"template-bent-from-above{kind}" for kind in kinds),
    }
    assert "100 %" in capsys.readouterr().out
    flat = (tmp_path / "out" / "template-flat.svg").read_text(encoding="utf-8")
    assert "neutral axis at 0.33" in flat  # 0.325, DIN 6935
    assert "Safety glasses" in flat
    assert "bend 1: 90 deg to the back (+y)" in flat


def test_what_cannot_be_built_gets_no_template(tmp_path, bent, capsys):
    design = tmp_path / "a.toml"
    design.write_text(bent.replace("free_length_mm = 80.0", 'pitch = "C9"', 1), encoding="utf-8")
    assert run(["template", str(design), "-o", str(tmp_path / "out")]) == 2
    assert not (tmp_path / "out").exists()
    assert "cannot be reached" in capsys.readouterr().err
