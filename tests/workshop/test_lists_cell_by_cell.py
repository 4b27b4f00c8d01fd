"""What stands on the bench's papers, cell by cell: each length, count and figure under its head, mm and inch.

A list that swaps two columns, or numbers its pieces from nought, is cut wrong.
"""

import csv
import dataclasses
import math

import numpy as np
import pytest

from synth.units import MM
from synth.vibration.mounted_pitch import mounting
from synth.vibration.solve import solve_loss_shares, solve_model
from synth.vibration.tuning import tune
from synth.workshop.cut_list_pages import COLUMNS, cut_list_document, write_csv
from synth.workshop.cutlist import cut_list
from synth.workshop.length_text import inch_words
from synth.workshop.overview import loss_words, tine_lines, totals
from synth.workshop.paper import PaperTable, Paragraph
from synth.workshop.tuning_sheet import sheet_document

BENCH = """
[stock.M4]
kind = "threaded"
thread = "M4"
price_per_m = 3.0
[nut."M4 hex"]
price = 0.05
[bench]
currency = "EUR"
washer_price = 0.02
stock_length_mm = 500.0
kerf_mm = 2.0
saw_allowance_mm = 1.5
tuning_allowance_mm = 4.0
units = "UNITS"
"""
THROUGH = 2 * 3.05 + 2 * 0.8 + 20.0 + 1.4  # M4: nuts, washers, bar 20 high, two pitches (test_joint)
ASIDE = 30.0  # plain rod, as wide as the bar


@pytest.fixture(params=["mm", "inch"])
def solved(request, made, straight):
    """Instrument, row, cuts, and a length in mm as this bench writes it."""
    text = straight.replace("free_length_mm = 150.0", 'pitch = "A3"')
    instrument = made(text + BENCH.replace("UNITS", request.param))
    row = tune(instrument, mounting(instrument))
    shown = (lambda mm: f"{mm:.1f}") if request.param == "mm" else (lambda mm: inch_words(mm / 25.4))
    return instrument, row, cut_list(instrument, row), shown


def tables(document):
    return {part.heads[0]: part for part in document.parts if isinstance(part, PaperTable)}


def names(instrument):
    return [(instrument.groups[tine.group].name, tine.number) for tine in instrument.tines]


def test_pieces_are_listed_with_their_own_lengths(solved):
    instrument, row, cuts, shown = solved
    table = tables(cut_list_document(instrument, cuts))["no."]
    unit = instrument.bench.units.replace("inch", "in")
    assert table.heads == (
        "no.", "group", "tine", "pitch", "stock", f"cut {unit}", f"free {unit}", f"clamped {unit}", "bar",
        f"trim nuts at {unit}",
    )  # fmt: skip
    for n, (cells, held) in enumerate(zip(table.rows, (THROUGH, THROUGH, ASIDE, ASIDE), strict=True)):
        free = 1e3 * row.length[n]
        bar = next(k for k, stock in enumerate(cuts.bars, start=1) if n in stock.pieces)
        group, number = names(instrument)[n]
        assert cells[:3] == (str(n + 1), group, str(number))
        assert cells[4] == (
            "M4, A2-70" if n < 2 else f"rod3: {'3 mm' if unit == 'mm' else '0.1181 in'} rod, 304 spring wire"
        )
        assert cells[5:9] == (shown(free + held + 5.5), shown(free), shown(held), str(bar))
    assert table.rows[0][3] == "A3"
    assert [cells[9] for cells in table.rows] == ["", f"M4 hex at {shown(60.0)}", "", ""]


def test_bars_are_sawn_in_the_order_and_lengths_of_their_pieces(solved):
    instrument, _, cuts, shown = solved
    table = tables(cut_list_document(instrument, cuts))["bar"]
    for number, (cells, bar) in enumerate(zip(table.rows, cuts.bars, strict=True), start=1):
        lengths = [1e3 * cuts.pieces[index].cut for index in bar.pieces]
        pieces = ", ".join(
            f"{index + 1}: {shown(length)}" for index, length in zip(bar.pieces, lengths, strict=True)
        )
        left = 500.0 - sum(lengths) - 2.0 * (len(lengths) - 1)
        assert cells == (str(number), bar.stock, pieces, shown(left))


def test_what_to_buy_is_listed_with_its_price_and_sum(solved):
    instrument, _, cuts, _ = solved
    table = tables(cut_list_document(instrument, cuts))["what"]
    steel = {"mm": "bar 30.00 x 20.00 mm, mild steel, saw to 300.00 mm",
             "inch": "bar 1.181 x 0.787 in, mild steel, saw to 11.811 in"}[instrument.bench.units]  # fmt: skip
    metric = instrument.bench.units == "mm"
    length, rod, sawn = ("500 mm", "3 mm", "0.3 m") if metric else ("19.69 in", "0.1181 in", "11.811 in")
    assert table.heads == ("what", "how many", "each", "together EUR")
    assert table.rows == (
        (f"M4, A2-70, bar of {length}", "1", "1.50", "1.50"),
        (f"rod3: {rod} rod, 304 spring wire, bar of {length}", "1", "no price given", ""),
        ("M4 hex", "5", "0.05", "0.25"),
        ("M4 plain washer, 9 x 0.8 mm", "4", "0.02", "0.08"),
        (steel, sawn, "no price given", ""),
    )


def test_masses_are_told_part_by_part(solved):
    instrument, _, cuts, _ = solved
    said = next(
        part.words
        for part in cut_list_document(instrument, cuts).parts
        if isinstance(part, Paragraph) and part.words.startswith("Mass:")
    )
    density, steel = instrument.tines[0].rod.material.density, 8000.0
    thread = (
        density * math.pi / 4.0 * (4.0 - 0.615 * 0.7) ** 2 * 1e-6
    )  # heavy as d - 0.615 p, nominal; real ones are 3 % lighter
    rods = sum(
        line * (piece.cut - 1.5 * MM)
        for line, piece in zip(
            (thread, thread, *[steel * math.pi / 4.0 * 9e-6] * 2), cuts.pieces, strict=True
        )
    )
    bar = 7850.0 * 0.03 * 0.02 * 0.3
    assert f"bar {bar:.2f} kg" in said
    told = float(said.split("rods ")[1].split(" g")[0])
    assert told == pytest.approx(1e3 * rods, rel=0.04)
    assert f"together {bar + cuts.rods_mass + cuts.hardware_mass:.2f} kg" in said


def test_the_csv_file_has_the_same_cells(solved, tmp_path):
    instrument, row, cuts, _ = solved
    write_csv(instrument, cuts, tmp_path / "a.csv")
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert tuple(rows[0]) == COLUMNS
    for n, (cells, held) in enumerate(zip(rows, (THROUGH, THROUGH, ASIDE, ASIDE), strict=True)):
        free = 1e3 * row.length[n]
        threaded = n < 2
        assert (cells["number"], cells["group"], int(cells["tine"])) == (str(n + 1), *names(instrument)[n])
        assert float(cells["pitch_hz"]) == pytest.approx(row.mounted_hz[n], abs=1e-3)
        assert float(cells["cut_mm"]) == pytest.approx(free + held + 5.5, abs=0.01)
        assert cells["cut_in"] == inch_words((free + held + 5.5) / 25.4)
        assert float(cells["free_mm"]) == pytest.approx(free, abs=0.01)
        assert float(cells["clamped_mm"]) == pytest.approx(held, abs=0.01)
        assert (cells["base_nut"], cells["base_nuts"], cells["washers"]) == (
            ("M4 hex", "2", "2") if threaded else ("", "0", "0")
        )
        assert float(cells["hole_mm"]) == pytest.approx(4.5 if threaded else 3.1)
        assert float(cells["mass_g"]) == pytest.approx(1e3 * cuts.pieces[n].mass, abs=0.005)
    assert float(rows[0]["pitch_hz"]) == pytest.approx(220.0, abs=0.01)


def test_the_totals_count_what_is_clamped_and_every_nut(solved):
    instrument, row, _, _ = solved
    sums = totals(instrument, row)
    free = 1e3 * row.length
    assert list(sums.rod_m.values()) == pytest.approx(
        [(free[:2].sum() + 2 * THROUGH) / 1e3, (free[2:].sum() + 2 * ASIDE) / 1e3], abs=2e-5
    )
    assert sums.nuts == {"M4 hex": 5}
    assert sums.tine_mass_g == pytest.approx(1e3 * row.modes.mass.sum())


def test_the_tuning_sheet_has_start_target_and_answers_under_their_heads(solved):
    instrument, row, _, shown = solved
    table = tables(sheet_document(instrument, row, solve_model(instrument, row)))["order"]
    unit = instrument.bench.units.replace("inch", "in")
    assert table.heads == (
        "order", "with", "group", "tine", "note", "target Hz", f"tip above nut {unit}", f"tip above bar {unit}",
        "c/turn", "c/mm" if unit == "mm" else "c/thou", "trim nuts", "found Hz", "turned", "notes",
    )  # fmt: skip
    assert [cells[0] for cells in table.rows] == ["1", "2", "3", "4"]
    targets = [float(cells[5]) for cells in table.rows]
    assert targets == sorted(targets)
    for cells in table.rows:
        n = names(instrument).index((cells[2], int(cells[3])))
        free = 1e3 * row.length[n]
        assert cells[5] == f"{row.mounted_hz[n]:.2f}"
        assert cells[6] == shown(free)
        assert cells[7] == shown(
            free + (3.05 + 0.8 if n < 2 else 0.0)
        )  # a nut and the one washer above the bar
        if n != 1:  # a trim nut changes the answer of the one that has it
            slope = 3462.5 / (free + 1e3 * instrument.tines[n].root.added_length)  # cents a mm (test_sheet)
            step = 1.0 if unit == "mm" else 0.0254
            assert float(cells[9]) == pytest.approx(slope * step, rel=0.01, abs=0.06 * step)
            assert (
                cells[8] == "" if n > 1 else float(cells[8]) == pytest.approx(0.7 * slope, rel=0.01, abs=0.06)
            )
        assert cells[10] == (f"M4 hex at {shown(60.0)}" if n == 1 else "")
        assert cells[11:] == ("", "", "")
    assert ("A3", "220.00") in [(cells[4], cells[5]) for cells in table.rows]


def test_a_tapped_tine_has_one_nut_and_no_washer_in_the_file(made, straight, tmp_path):
    instrument = made(straight + '[bench]\nholes = "tapping"\n')
    write_csv(instrument, cut_list(instrument, tune(instrument, mounting(instrument))), tmp_path / "a.csv")
    with (tmp_path / "a.csv").open(encoding="utf-8", newline="") as file:
        cells = next(csv.DictReader(file))
    assert (cells["base_nuts"], cells["washers"], cells["hole_mm"]) == ("1", "0", "3.30")


def test_a_line_of_check_is_of_its_own_tine_and_holds_overtones_to_low_harmonics(solved):
    """Second and third partial 6.52 and 27.3 times the first: 7, and 24, beyond which an ear has no harmonic."""
    instrument, row, _, _ = solved
    frequency = row.modes.frequency.copy()
    frequency[1, 0, 1:3] = np.array([6.52, 27.3]) * frequency[1, 0, 0]
    there = dataclasses.replace(row, modes=dataclasses.replace(row.modes, frequency=frequency))
    lines = tine_lines(instrument, there)
    assert lines[1].ratios == pytest.approx((6.52, 27.3))
    assert lines[1].harmonics == (7, 24)
    wanted = (1200.0 * math.log2(6.52 / 7.0), 1200.0 * math.log2(27.3 / 24.0))
    assert lines[1].harmonic_cents == pytest.approx(wanted)
    for n, line in enumerate(lines):
        assert (line.group, line.number) == names(instrument)[n]
        assert (line.clamped_hz, line.mounted_hz) == (row.clamped_hz[n], row.mounted_hz[n])
        assert line.mount_cents == pytest.approx(1200.0 * math.log2(row.mounted_hz[n] / row.clamped_hz[n]))
        assert line.target_hz == (None if n else pytest.approx(220.0))
        assert line.free_length_mm == pytest.approx(1e3 * row.length[n])
        assert line.mass_g == pytest.approx(1e3 * row.modes.mass[n])
        note, off = instrument.note(float(row.mounted_hz[n]))
        assert (line.note, line.note_cents) == (note, pytest.approx(off))
    assert abs(lines[0].mount_cents) > 3.0
    assert [len(line.trim) for line in lines] == [0, 1, 0, 0]


def test_the_loss_is_told_with_the_clamps_share_its_rise_and_where_claims_end(solved):
    """A slope of 0.5: by the root of kHz, 1.4 times at 2 kHz and 2.2 at 5, where claims end."""
    instrument, row, _, _ = solved
    share = solve_loss_shares(instrument, row)["clamp"][:, 0, 0].mean()
    plain = loss_words(instrument, row)
    assert f"the clamp takes {100.0 * share:.0f}% of the first partials' loss" in plain
    assert plain.endswith("; nothing is claimed above 5 kHz")
    assert "slope" not in plain
    steep = [
        dataclasses.replace(t, root=dataclasses.replace(t.root, loss_slope=0.5)) for t in instrument.tines
    ]
    told = loss_words(dataclasses.replace(instrument, tines=tuple(steep)), row)
    assert "clamp_loss_slope 0.5 makes its loss 1.4 times at 2 kHz and 2.2 times at 5 kHz; nothing" in told
