"""What a maker writes and reads, to SI and back: notes in both spellings, lengths in both units, ratios."""

import math

import pytest

from synth.errors import InputError
from synth.units import (
    amplitude,
    cents,
    decibels,
    length_said,
    note_hz,
    note_name,
    note_number,
    ratio,
    size_said,
)


@pytest.mark.parametrize("flats", [False, True])
def test_every_note_is_named_as_it_is_read_with_how_far_it_is_off(flats):
    """An octave's number changes between B and C (MIDI 1.0: middle C is 60, C4 here)."""
    for number in range(12, 128):
        for off in (-49.0, 0.0, 49.0):
            name, told = note_name(note_hz(number, 443.0) * ratio(off), 443.0, flats=flats)
            assert note_number(name) == number
            assert told == pytest.approx(off, abs=1e-6)
            assert ("#" not in name) if flats else ("b" not in name)


def test_octaves_change_between_b_and_c():
    assert [note_number(each) for each in ("B3", "C4", "Cb4", "B#3")] == [59, 60, 59, 60]
    assert [note_name(note_hz(each, 440.0), 440.0)[0] for each in (59, 60, 61, 70)] == [
        "B3",
        "C4",
        "C#4",
        "A#4",
    ]
    assert [note_name(note_hz(each, 440.0), 440.0, flats=True)[0] for each in (61, 70)] == ["Db4", "Bb4"]


def test_a_note_is_read_with_either_sign_in_any_octave():
    names = ("C-1", "A-1", "D♭4", "C♯4", "bb2", " g♯9 ", "G9")
    assert [note_number(each) for each in names] == [0, 9, 61, 61, 46, 128, 127]
    for wrong in ("H4", "C", "C##4", "4", "Cb", "C4.5"):
        with pytest.raises(InputError, match="is not a note name"):
            note_number(wrong)


def test_lengths_are_told_in_both_units():
    assert length_said(0.0254, "mm") == "25.4 mm"
    assert length_said(0.0254, "inch") == "1 in"
    assert length_said(0.123456, "mm", figures=2) == "120 mm"
    assert length_said(10.0, "mm") == "10000 mm"
    assert size_said(0.41025, 0.25, "mm") == "410.2 x 250 mm"
    assert size_said(0.41, 0.25, "inch") == "16.1 x 9.84 in"


def test_ratios_and_levels_come_back():
    assert cents(3.0 / 2.0) == pytest.approx(701.955, abs=1e-3)  # a just fifth
    assert ratio(1200.0) == 2.0
    assert decibels(10.0) == 20.0
    assert decibels(0.0) == -math.inf
    assert amplitude(-6.0206) == pytest.approx(0.5, rel=1e-5)
