"""The tuning sheet: where to start, how the pitch answers, what belongs together."""

import html.parser

import pytest

from synth.doors.cli import run
from synth.units import MM
from synth.vibration.solve import solve_model, solve_row
from synth.workshop import tuning_sheet
from synth.workshop.tuning_sheet import letters, sheet_document, sheet_lines, together

UNISONS = """
name = "Unisons"
[bar]
section = { shape = "rectangle", width_mm = 12.0, height_mm = 12.0 }
path = [{ straight_mm = 260.0 }]
supports = [{ at_mm = 60.0, kind = "cord" }, { at_mm = 200.0, kind = "cord" }]
[[group]]
name = "pair"
stock = "M4"
start_mm = 80.0
spacing_mm = 20.0
[[group.tine]]
pitch = "A3"
[[group.tine]]
pitch = "D3"
[[group.tine]]
pitch = "A3"
"""


@pytest.fixture
def solved(made):
    instrument = made(UNISONS)
    row = solve_row(instrument)
    return instrument, row, solve_model(instrument, row)


def test_unisons_on_a_light_bar_belong_together_and_a_fifth_below_does_not(solved):
    _, row, model = solved
    assert together(row, model) == [(0, 2)]


def test_on_a_bar_too_heavy_to_move_every_tine_is_alone(made):
    instrument = made(UNISONS.replace("12.0", "400.0", 2))
    row = solve_row(instrument)
    assert together(row, solve_model(instrument, row)) == []


def test_low_comes_before_high_and_what_belongs_together_in_one_go(solved):
    instrument, row, model = solved
    lines = sheet_lines(instrument, row, model)
    assert [line.tine for line in lines] == [1, 0, 2]
    assert [line.order for line in lines] == [1, 2, 3]
    assert [line.cluster for line in lines] == [0, 1, 1]
    assert lines[1].pulled > 1.0
    assert lines[0].pulled == 0.0


def test_a_start_is_the_free_length_over_nut_and_washer(solved):
    instrument, row, model = solved
    line = sheet_lines(instrument, row, model)[0]
    assert line.free == row.length[1]
    # an M4 nut of 3.05 mm at mid tolerance (ISO 4032) and one washer of 0.8 mm (ISO 7089) above the bar
    assert line.above_bar - line.free == pytest.approx((3.05 + 0.8) * MM)
    assert line.target == pytest.approx(146.832, abs=1e-3)  # D3, equal temperament of A = 440 Hz (ISO 16)
    assert (line.note, round(line.note_cents)) == ("D3", 0)


def test_a_turn_is_3462_cents_times_pitch_over_length(solved):
    instrument, row, model = solved
    for line in sheet_lines(instrument, row, model):
        whole = line.free + instrument.tines[line.tine].root.added_length
        assert line.cents_per_turn == pytest.approx(
            3462.5 * 0.7 * MM / whole, rel=3e-3
        )  # closed form; M4, ISO 262


def test_the_sheet_leaves_space_to_write(solved):
    document = sheet_document(*solved)
    table = next(part for part in document.parts if hasattr(part, "rows"))
    assert table.ticks
    assert len(table.rows) == 3
    assert all(row[-3:] == ("", "", "") for row in table.rows)
    assert table.to_write == table.heads[-3:]


def test_letters():
    assert [letters(n) for n in (0, 1, 26, 27, 52, 53, 702, 703)] == [
        "",
        "A",
        "Z",
        "AA",
        "AZ",
        "BA",
        "ZZ",
        "AAA",
    ]


class Words(html.parser.HTMLParser):
    said = ""

    def handle_data(self, data):
        self.said += data


def test_the_command_writes_lists_and_sheet_and_leaves_other_files_alone(tmp_path, capsys):
    design = tmp_path / "a.toml"
    design.write_text(UNISONS, encoding="utf-8")
    folder = tmp_path / "out"
    folder.mkdir()
    (folder / "mine.txt").write_text("mine")
    assert run(["cutlist", str(design), "-o", str(folder)]) == 0
    names = sorted(each.name for each in folder.iterdir())
    assert names == ["cutlist.csv", "cutlist.html", "cutlist.pdf", "mine.txt", "sheet.html", "sheet.pdf"]
    page = Words()
    page.feed((folder / "sheet.html").read_text(encoding="utf-8"))
    assert "146.83" in page.said
    assert "safety glasses" in page.said
    assert "3 tines" in capsys.readouterr().out
    assert run(["cutlist", str(design), "-o", str(design)]) == 2  # a file stands where the folder should


@pytest.mark.parametrize(
    ("cents", "told"), [(0.4, ""), (0.6, "up to 1 cents apart"), (7.2, "up to 7 cents apart")]
)
def test_unisons_that_are_pulled_by_no_figure_are_not_told_of(cents, told):
    assert told in tuning_sheet._let_go(cents)
    assert bool(tuning_sheet._let_go(cents)) is bool(told)
