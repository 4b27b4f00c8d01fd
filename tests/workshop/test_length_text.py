"""Lengths in words."""

from fractions import Fraction

from hypothesis import given
from hypothesis import strategies as st

from synth.units import INCH
from synth.workshop.length_text import inch_words, length_words, sold_words


def read(words):
    """An inch fraction back into a number, the way one reads it."""
    sign = -1 if words.startswith("-") else 1
    return sign * sum(Fraction(part) for part in words.removeprefix("-").split())


@given(st.floats(-400.0, 400.0))
def test_inches_are_right_to_half_a_64th_and_reduced(inches):
    words = inch_words(inches)
    assert abs(read(words) - inches) <= 1 / 128 + 1e-9
    if "/" in words:
        part = words.split()[-1].removeprefix("-")
        assert str(Fraction(part)) == part


def test_words():
    assert inch_words(4.11) == "4 7/64"
    assert inch_words(0.999) == "1"
    assert inch_words(-0.5) == "-1/2"
    assert inch_words(-0.001) == "0"
    assert length_words(0.1042, "mm") == "104.2"
    assert length_words(2.375 * INCH, "inch") == "2 3/8"


def test_a_size_is_told_as_it_is_sold():
    """The nearest 64th of 0.120, 0.095 and 0.065 in is a wall of another gauge."""
    told = [sold_words(each * INCH, "inch") for each in (0.12, 0.095, 0.065, 0.125, 0.0625, 1.0, 1.5)]
    assert told == ["0.120", "0.095", "0.065", "1/8", "1/16", "1", "1 1/2"]
    assert sold_words(0.0025, "mm") == "2.5"
