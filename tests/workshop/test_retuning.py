"""What is done to a tine out of tune, by the way it is fixed, and what a weight at its tip does."""

import numpy as np
import pytest

from synth.design.fixings import slides, thread_turned
from synth.design.instrument import Nut, PlacedNut
from synth.units import cents
from synth.vibration.solve import solve_model, solve_row
from synth.vibration.tine import solve_tines
from synth.workshop.retuning import fixing_notes, retuning_words, tip_weight
from synth.workshop.tuning_sheet import sheet_lines

FLAT = {
    "section": {"shape": "rectangle", "width_mm": 40.0, "height_mm": 12.0},
    "path": [{"straight_mm": 300.0}],
}


@pytest.fixture
def made():
    from synth.design.decode import decode
    from synth.design.resolve import resolve
    from synth.design.schema import Design

    def of(kind, stock="rod3", **more):
        tines = [{"free_length_mm": 100.0}, {"free_length_mm": 70.0}]
        group = {"name": "a", "start_mm": 50.0, "spacing_mm": 20.0, "stock": stock, "tine": tines}
        if kind:
            group["fixing"] = kind
        tree = {
            "bar": FLAT,
            "stock": {"rod3": {"kind": "plain", "diameter_mm": 3.0}},
            "group": [group],
            **more,
        }
        instrument = resolve(decode(tree, Design))
        modes = solve_tines(instrument.tines, [0.1, 0.07], [(), ()])
        return instrument, modes

    return of


@pytest.mark.parametrize("off", [2.0, 20.0, 60.0])
def test_the_weight_lowers_a_tine_by_what_it_is_for(made, off):
    """Solved anew with that mass, small and without size, at the tip."""
    instrument, modes = made("glued")
    for index, length in enumerate((0.1, 0.07)):
        mass = tip_weight(modes, index, off)
        speck = Nut("speck", mass, 1e-6, 4e-3, 0.0, 0.0, "")
        heavy = solve_tines([instrument.tines[index]], [length], [(PlacedNut(speck, length - 1e-6),)])
        fell = cents(modes.frequency[index, 0, 0] / heavy.frequency[0, 0, 0])
        assert fell == pytest.approx(off, rel=0.02)


def test_a_glued_tine_is_filed_when_flat_and_weighted_when_sharp(made):
    instrument, modes = made("glued")
    assert not slides(instrument.tines[0])
    flat = retuning_words(instrument, modes, 0, 0.5e-3, -17.0)
    assert "file 0.5 mm off its tip" in flat
    assert "nut" not in flat
    sharp = retuning_words(instrument, modes, 0, -0.5e-3, 17.0)
    assert f"{1e3 * tip_weight(modes, 0, 17.0):.2g} g at its tip" in sharp


@pytest.mark.parametrize("kind", ["set screw", "collet"])
def test_what_slides_is_loosened_slid_the_right_way_and_tightened(made, kind):
    instrument, modes = made(kind)
    assert slides(instrument.tines[0])
    flat = retuning_words(instrument, modes, 0, 0.5e-3, -17.0)
    assert flat == (
        f"Shorten the free length by 0.5 mm: loosen the {kind}, slide the rod into the bar, tighten, then tap "
        "again."
    )
    assert "Lengthen" in (sharp := retuning_words(instrument, modes, 0, -0.5e-3, 17.0))
    assert "out of the bar" in sharp


def test_a_nut_is_turned_by_its_thread(made):
    instrument, modes = made(None, stock="M4")
    words = retuning_words(instrument, modes, 0, 0.35e-3, -12.0)
    assert "turn the base nut 0.50 turns (4.0 eighths) up, towards the tip; against the clock" in words
    assert "0.7 mm a turn: 24.0 cents a turn" in words
    down = retuning_words(instrument, modes, 0, -0.7e-3, 12.0)
    assert "1.00 turns (8.0 eighths) down, towards the bar; with the clock" in down


def test_a_glued_thread_has_no_nut_to_turn(made):
    """On the sheet as in words: cents a turn are of a nut."""
    instrument, modes = made("glued", stock="M4")
    assert [thread_turned(each) for each in instrument.tines] == [0.0, 0.0]
    assert "turn" not in retuning_words(instrument, modes, 0, 0.5e-3, -17.0)
    row = solve_row(instrument)
    lines = sheet_lines(instrument, row, solve_model(instrument, row))
    assert [each.cents_per_turn for each in lines] == [None, None]
    nuts, _ = made(None, stock="M4")
    row = solve_row(nuts)
    assert [thread_turned(each) for each in nuts.tines] == [pytest.approx(0.7e-3)] * 2
    for each in sheet_lines(nuts, row, solve_model(nuts, row)):
        assert each.cents_per_turn == pytest.approx(0.7e-3 * each.cents_per_metre)


def test_inches_are_told_in_inches(made):
    instrument, modes = made("glued", bench={"units": "inch"})
    assert "file 0.0197 in off its tip" in retuning_words(instrument, modes, 0, 0.5e-3, -17.0)


def test_the_sheet_says_of_each_way_once_whom_it_concerns(made):
    instrument, modes = made("glued")
    (note,) = fixing_notes(instrument, modes)
    each = [0.1e-3 / tip_weight(modes, n, 1.0) for n in range(2)]
    assert note.startswith("Glued: a. ")
    assert f"lowers by {min(each):.0f} to {max(each):.0f} cents" in note
    assert np.ptp(each) > 5.0
    assert fixing_notes(*made(None)) == []
    assert fixing_notes(*made("collet"))[0].startswith("Collet: a. Loosen the collet")
