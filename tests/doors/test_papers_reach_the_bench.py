"""Papers are set on the paper of the bench, told in its units and at their own size; nothing is drawn."""

from dataclasses import replace
from types import SimpleNamespace

import pytest

from synth.doors.cli import arguments
from synth.doors.cli.board import _write_knock
from synth.workshop.cautions import CAUTIONS, HEADING

from .test_words_reach_rooms import Noted


@pytest.fixture
def noted(monkeypatch):
    return Noted(monkeypatch)


@pytest.fixture(
    params=[("A3", "mm", "400 mm", "320 x 55 mm"), ("Letter", "inch", "15.75 in", "12.6 x 2.17 in")]
)
def bench(request, slat, monkeypatch):
    """The slat at a bench with that paper and these units: what a length and a size are there."""
    paper, units, stock, size = request.param
    changed = replace(slat.instrument, bench=replace(slat.instrument.bench, paper=paper, units=units))
    monkeypatch.setattr(arguments, "instrument", lambda _: changed)
    return SimpleNamespace(slat=slat, instrument=changed, paper=paper, stock=stock, size=size)


def test_cut_list_and_tuning_sheet(bench, noted, tmp_path):
    """Two bars of 400 mm, of which 30 and 50 mm are left: a tenth."""
    cuts = SimpleNamespace(
        bars=[SimpleNamespace(left=0.03), SimpleNamespace(left=0.05)], pieces=range(5), mass=0.123
    )
    noted("synth.workshop.cutlist.cut_list", cut_list=cuts)
    noted("synth.workshop.cut_list_pages.cut_list_document", cut_list_document="list")
    noted("synth.workshop.tuning_sheet.sheet_document", sheet_document="sheet")
    noted(
        "synth.workshop.cut_list_pages.write_csv",
        "synth.workshop.paper.write_pages",
        "synth.workshop.paper.write_html",
    )
    noted("synth.vibration.solve.solve_model", solve_model="model")
    said = bench.slat.said("cutlist", "-o", tmp_path / "out")
    assert said.splitlines()[0] == f"5 tines from 2 bars of {bench.stock}, 10 % left over; 0.12 kg in all"
    for kind, suffix, how in (("pages", "pdf", {"paper": bench.paper}), ("html", "html", {})):
        assert [(given[0], given[1].name, words) for given, words in noted.of[f"write_{kind}"]] == [
            ("list", f"cutlist.{suffix}", how),
            ("sheet", f"sheet.{suffix}", how),
        ]
    ((instrument, pieces, where), _) = noted.of["write_csv"][0]
    assert (instrument, pieces, where.name) == (bench.instrument, cuts, "cutlist.csv")
    assert noted.of["sheet_document"][0][0][2] == "model"


@pytest.mark.parametrize("bent", [False, True])
def test_drill_template(bench, noted, monkeypatch, tmp_path, bent):
    corners = SimpleNamespace(x=-10.0, y=5.0), SimpleNamespace(x=310.0, y=60.0)
    flat, seen = SimpleNamespace(bounds=corners), SimpleNamespace(bounds=corners)
    noted("synth.workshop.template.flat_template", flat_template=flat)
    noted("synth.workshop.bent_template.bent_templates", bent_templates={"from above": seen} if bent else {})
    noted("synth.workshop.drawing.write_dxf", "synth.workshop.drawing.write_svg")
    noted("synth.workshop.tiling.write_pdf", write_pdf=6)
    out = tmp_path / "out"
    lines = bench.slat.said("template", "-o", out).splitlines()
    names = ["template-flat", "template-bent-from-above"] if bent else ["template"]
    assert lines[:-1] == [
        f"{out / name}: .dxf, .svg, .pdf ({bench.size}, 6 pages of {bench.paper})" for name in names
    ]
    drawings = [flat, seen][: 1 + bent]
    for kind in ("dxf", "svg", "pdf"):
        told = noted.of[f"write_{kind}"]
        assert [(given[0], given[1].name) for given, _ in told] == [
            (drawing, f"{name}.{kind}") for drawing, name in zip(drawings, names, strict=True)
        ]
    assert noted.of["write_pdf"][0][1] == {"paper": bench.paper, "notes": (HEADING, *CAUTIONS)}


def test_a_knock_is_told_at_the_gain_that_it_is_written_at(slat, noted, tmp_path):
    noted("synth.sound.boardsheet.knock", knock="pressure")
    noted("synth.vibration.solve.solve_board_of", solve_board_of="board")
    noted("synth.sound.audio.write", write=-7.5)
    noted("synth.sound.loudness.measure", measure="measured")
    noted("synth.sound.loudness.words", words=["loud"])
    path = tmp_path / "a.wav"
    _write_knock(path, slat.instrument, "panel", 6.0)
    assert noted.of["knock"] == [((slat.instrument, "board"), {"foot": 0, "rate": 48_000})]
    assert noted.of["solve_board_of"] == [((slat.instrument, "panel"), {})]
    assert noted.of["write"] == [((path, ["pressure"]), {"gain_db": 6.0})]
    assert noted.of["measure"] == [(("pressure", 48_000), {})]
    assert noted.of["words"] == [(("measured",), {"gain_db": 6.0})]
