"""Lengths in inches on the command line and in what commands print for a design in inches."""

import re

import pytest

from synth.doors.cli import run
from synth.doors.cli.inches import in_millimetres

METRIC = re.compile(r"[\d/ ](mm|cm|m)\b")
OPTIONS = ("--bite-mm", "--speed-mm-s", "--move-mm", "--group", "--fade-in")


@pytest.mark.parametrize(
    ("words", "meant"),
    [
        (["--bite-in", "0.1"], ["--bite-mm", "2.54"]),
        (["--bite-in=.5", "x.toml"], ["--bite-mm=12.7", "x.toml"]),
        (["--speed-in-s", "20"], ["--speed-mm-s", "508"]),
        (["--bite-in", "0.1,1e-1,-2"], ["--bite-mm", "2.54,2.54,-50.8"]),
        (["--bite-in"], ["--bite-mm"]),
        (["--bite-in", "deep"], ["--bite-mm", "deep"]),
        (["--bite-mm", "0.1"], ["--bite-mm", "0.1"]),
        (["--fade-in", "2"], ["--fade-in", "2"]),  # an option that is called so itself
        (["--depth-in", "2"], ["--depth-in", "2"]),  # no such option: refused by its own name
        (["D3-in", "--group", "D3"], ["D3-in", "--group", "D3"]),
    ],
)
def test_inches_become_millimetres_and_nothing_else_changes(words, meant):
    assert in_millimetres(words, OPTIONS) == meant


def test_a_command_takes_a_bite_in_inches(slat):
    inch = slat.data("strength", "--stick", "birch", "--bite-in", "0.1", "--speed-in-s", "10")
    assert (inch["bite_mm"], inch["speed_mm_s"]) == (pytest.approx(2.54), pytest.approx(254.0))
    metric = slat.data("strength", "--stick", "birch", "--bite-mm", "2.54", "--speed-mm-s", "254")
    assert inch == metric


def test_what_is_out_of_range_in_inches_is_refused_in_one_line(slat, capsys):
    assert run(["strength", str(slat.design), "--bite-in", "40"]) == 2
    said = capsys.readouterr()
    assert (said.out, said.err.count("\n")) == ("", 1)


@pytest.fixture(scope="module")
def inch_slat(slat, tmp_path_factory):
    """The same design for a bench in inches."""
    path = tmp_path_factory.mktemp("inch") / "slat.toml"
    path.write_text(slat.design.read_text().replace("[bench]", '[bench]\nunits = "inch"'))
    return type(slat)(path)


def column(table, *heads):
    """The words under a head of several, in tables whose other cells are single words."""
    names, rows = table
    before = names.split(" ".join(heads))[0].split()
    return [row[len(before)] for row in rows]


@pytest.mark.parametrize(
    ("command", "head", "words"),
    [
        ("strength", "free", ("--stick", "birch")),
        ("modes", "free", ()),
    ],
)
def test_tables_of_an_inch_design_tell_lengths_in_thousandths(slat, inch_slat, command, head, words):
    metric = column(slat.table(command, *words), head, "mm")
    inch = column(inch_slat.table(command, *words), head, "in")
    assert len(metric) == len(inch) > 2
    for mm, thousandths in zip(metric, inch, strict=True):
        assert len(thousandths.split(".")[1]) == 3
        assert float(thousandths) == pytest.approx(float(mm) / 25.4, abs=0.003)


def test_check_tells_an_inch_design_in_inches_and_gives_the_same_data(slat, inch_slat):
    heads, rows = inch_slat.table("check")
    assert "free in" in heads
    for row, length in zip(rows, slat.row.length, strict=True):
        assert f"{1e3 * length / 25.4:.3f}" in row
    said = inch_slat.said("check")
    assert "bar: 12.60 in" in said  # 320 mm
    assert " m of " not in said
    one, other = slat.data("check"), inch_slat.data("check")
    assert one["tines"][0]["free_length_mm"] == other["tines"][0]["free_length_mm"]
    assert one["totals"] == other["totals"]


def test_tolerance_and_trim_tell_an_inch_design_in_inches(inch_slat):
    said = inch_slat.said("tolerance", "--trials", "5")
    assert "a cut of +-0.0197 in" in said
    assert "nut in" in said
    assert " mm" not in said
    trim = inch_slat.said("trim", "--group", "low")
    assert "free in" in trim
    assert "c/thou" in trim
    assert " mm" not in trim


@pytest.mark.parametrize(("size", "width"), [("1.25x1", 31.75), ("1.25x1in", 31.75), ("31.75x25.4mm", 31.75)])
def test_a_size_without_a_unit_is_in_the_benchs_own(inch_slat, size, width):
    from synth.doors.cli.suggest import _section

    section = _section(inch_slat.instrument, size)
    assert (section.width, section.height) == (pytest.approx(width / 1e3), pytest.approx(25.4e-3))


def test_what_was_written_is_told_in_inches(inch_slat, tmp_path):
    words = inch_slat.said("template", "-o", tmp_path / "template")
    assert " mm" not in words
    assert " in, " in words
    words = inch_slat.said("cutlist", "-o", tmp_path / "list")
    assert "of 15.75 in" in words  # 400 mm
    words = inch_slat.said("drawing", "-o", tmp_path / "sheet.svg")
    assert words.strip().endswith(" in")


@pytest.fixture(scope="module")
def drafted(slat, tmp_path_factory):
    """A design that is written in inches alone, of threads and plain rod sold by the inch."""
    path = tmp_path_factory.mktemp("drafted") / "own.toml"
    assert run(["draft", "-o", str(path), "--units", "inch", "--notes", "D3,F3,A3"]) == 0
    return type(slat)(path)


def papers(drafted, folder):
    """All that `cutlist` writes to be read by people, tags and all."""
    drafted.said("cutlist", "-o", folder)
    return {each.name: each.read_text(encoding="utf-8") for each in sorted(folder.glob("*.html"))}


def test_what_a_tine_is_sawn_from_is_asked_for_in_inches(drafted, tmp_path):
    """It was a "3.175 mm rod", and the bar 0.4699 m."""
    assert "in of rod1-8in: 0.125 in rod, 304 spring wire" in drafted.said("check")
    told = papers(drafted, tmp_path)["cutlist.html"]
    assert "rod1-8in: 0.125 in rod, 304 spring wire, bar of 39.37 in" in told
    assert "<td>18.5 in</td>" in told  # the bar's length, to buy
    assert not METRIC.search(told)


def test_a_tuning_sheet_counts_cents_by_the_thousandth(drafted, tmp_path):
    """A metric sheet's c/mm is 39.37 times as much."""
    told = papers(drafted, tmp_path)["sheet.html"]
    assert "<th>c/thou</th>" in told
    assert "on plain rod, cents a thousandth of an inch" in told
    assert not METRIC.search(told)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--bite-in", "2"], "--bite-in: 2 is out of range; 0 to 0.787 is possible"),
        (["--bite-in=-0.1"], "--bite-in: -0.1 is out of range; 0 to 0.787 is possible"),
        (["--speed-in-s", "200"], "--speed-in-s: 200 is out of range; 0.394 to 197 is possible"),
        (["--bite-in", "deep"], "--bite-in: 'deep' is not a number; write a length in inches"),
        (["--bite-in", "0.1", "--bite-mm", "2"], "--bite-in: given besides --bite-mm; say it in one unit"),
        (
            ["--speed-mm-s=2", "--speed-in-s=1"],
            "--speed-in-s: given besides --speed-mm-s; say it in one unit",
        ),
    ],
)
@pytest.mark.parametrize("command", ["stroke", "strength"])
def test_what_is_said_in_inches_is_refused_in_inches(slat, capsys, tmp_path, command, words, said):
    """It was refused as bite_mm 50.8 of 0 to 20; of both units the last was taken silently."""
    if command == "strength" and "0 to" in said:
        said = said.replace("0 to", "0.000394 to")  # it tells no stroke that bites nothing
    given = ["--group", "low", "-o", str(tmp_path / "x.wav")] if command == "stroke" else []
    assert run([command, str(slat.design), *given, *words]) == 2
    assert capsys.readouterr().err == f"error: {said}\n"


def test_a_comparison_of_a_design_in_inches_tells_lengths_in_inches(drafted, tmp_path):
    """It told "free mm"; its data stay in mm."""
    varied = ("--group", "D3", "--vary", "bar.section.height_in=0.75,1", "--seconds", "0.2")
    said = drafted.said("compare", *varied, "-o", tmp_path / "compared")
    assert " free in " in said
    assert not METRIC.search(said.replace(str(tmp_path), ""))
    keys = (tmp_path / "compared" / "changes.csv").read_text(encoding="utf-8").splitlines()[0]
    assert "free_length_mm_before,free_length_mm," in keys


def test_a_stroke_that_cannot_be_is_refused_in_the_benchs_unit(drafted, capsys, tmp_path):
    words = ["--group", "D3", "-o", str(tmp_path / "x.wav"), "--height-in", "5"]
    assert run(["stroke", str(drafted.design), *words]) == 2
    said = capsys.readouterr().err
    assert "5 in below the tips is at the root of tine 9 of group 'D3', which is 1.8" in said
    assert " in at most for this group" in said
    assert not METRIC.search(said.replace(str(tmp_path), ""))


def test_what_a_board_does_is_told_for_a_bend_in_inches(drafted):
    said = drafted.said("board", "panel")
    assert "bent 0.039 in along the row" in said
    assert " mm" not in said.replace(
        "birch plywood 4 mm", ""
    )  # the sheet's name; N s/m resist, and are no length


def test_what_was_learnt_is_told_by_the_key_that_a_maker_in_inches_writes():
    """bend_diameter_mm was told of a stock in inches; data keep it."""
    from types import SimpleNamespace

    from synth.recording.calibration_list import _fitted

    diameter = SimpleNamespace(name="bend diameter", key="bend_diameter_mm", value=3.175)
    loss = SimpleNamespace(name="loss", key="clamp_loss", value=0.002)
    fitted = [
        SimpleNamespace(unknown=each, value=each.value, standard_uncertainty=0.0254)
        for each in (diameter, loss)
    ]
    rows = _fitted(SimpleNamespace(fitted=fitted), "inch").cells
    assert rows[0][1:] == ("bend_diameter_in", "0.125", "0.125", "0.001")
    assert rows[1][1:] == ("clamp_loss", "0.002", "0.002", "0.025")
    assert _fitted(SimpleNamespace(fitted=fitted)).data()[0]["before"] == 3.175


def test_a_note_that_cannot_be_built_in_inches_is_refused_in_inches(tmp_path, capsys):
    assert run(["draft", "-o", str(tmp_path / "a.toml"), "--units", "inch", "--notes", "C0"]) == 2
    said = capsys.readouterr().err
    assert " in and room to swing within " in said
    assert not METRIC.search(said)


@pytest.mark.parametrize(
    ("words", "metres"), [("low.1=4.6in", 4.6 * 0.0254), ("low.1=4.6 in", 4.6 * 0.0254), ("low.1=117", 0.117)]
)
def test_a_measured_length_may_be_in_inches(inch_slat, words, metres):
    from synth.doors.cli.calibrate import _as_cut

    assert _as_cut(inch_slat.instrument, inch_slat.row, [words])[0] == pytest.approx(metres)


@pytest.mark.parametrize("words", ["low.1=0.2in", "low.1=4.6", "low.1=in"])
def test_a_measured_length_that_is_none_is_asked_for_in_inches(inch_slat, words):
    from synth.doors.cli.calibrate import _as_cut
    from synth.errors import InputError

    with pytest.raises(InputError, match=r"write GROUP.N=4.6in, 0.787 to 23.6 in"):
        _as_cut(inch_slat.instrument, inch_slat.row, [words])
