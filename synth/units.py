"""The only unit conversions: what a maker writes (mm, grams, note names) to SI and back.

Inside the package everything is SI and unsuffixed; at the doors the unit stands in the name.
"""

from __future__ import annotations

import math
import re
from typing import Final, Literal

from synth.errors import InputError

MM: Final = 1e-3  # m
MS: Final = 1e-3  # s
INCH: Final = 25.4e-3  # m, exact since the international yard and pound agreement of 1959
GRAM: Final = 1e-3  # kg
GPA: Final = 1e9  # Pa
MPA: Final = 1e6  # Pa
DEGREE: Final = math.pi / 180.0  # rad
KELVIN_AT_0_C: Final = 273.15  # K
CENTS_PER_OCTAVE: Final = 1200.0
CENT: Final = math.log(2.0) / CENTS_PER_OCTAVE  # of the natural logarithm of a frequency
FALL: Final = math.log(1000.0)  # of the natural logarithm of an amplitude in a decay time: 60 dB
CENTS_PER_SEMITONE: Final = 100.0
A4_NOTE_NUMBER: Final = 69  # MIDI 1.0 specification, note number of A above middle C

Units = Literal["mm", "inch"]  # in which lengths are told

_SEMITONE: Final = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTAL: Final = {"": 0, "#": 1, "♯": 1, "b": -1, "♭": -1}
_SHARPS: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_FLATS: Final = ("C", "Db", "D", "Eb", "E", "F", "Gb", "G", "Ab", "A", "Bb", "B")
_NOTE: Final = re.compile(r"([A-Ga-g])([#b♯♭]?)(-?\d+)")


def length_said(length: float, units: Units, *, figures: int = 4) -> str:
    """A length in m as a message tells it: "40 mm", "1.575 in"."""
    mm = units == "mm"
    rounded = float(f"{length / (MM if mm else INCH):.{figures}g}")  # in plain digits: 10000, not 1e+04
    return f"{rounded:.{figures + 2}g} {'mm' if mm else 'in'}"


def length_to(length: float, units: Units, digits: int) -> str:
    """A length in m to so many decimals of a millimetre, "47.0 mm", or two more of an inch, "1.850 in"."""
    return f"{length / MM:.{digits}f} mm" if units == "mm" else f"{length / INCH:.{digits + 2}f} in"


def size_said(width: float, height: float, units: Units) -> str:
    """A width and a height in m as a message tells them: "410 x 250 mm", "16.1 x 9.84 in"."""
    one, other = (length_said(each, units, figures=4 if units == "mm" else 3) for each in (width, height))
    return f"{one.split()[0]} x {other}"


def cents(ratio: float) -> float:
    """The interval of a frequency ratio, in cents (100 to the equal-tempered semitone)."""
    return CENTS_PER_OCTAVE * math.log2(ratio)


def ratio(interval_cents: float) -> float:
    """The frequency ratio of an interval in cents."""
    return float(2.0 ** (interval_cents / CENTS_PER_OCTAVE))


def note_number(name: str) -> int:
    """The MIDI 1.0 note number of a note name: C4 is 60, A4 is 69. Raises `InputError`."""
    match = _NOTE.fullmatch(name.strip())
    if match is None:
        raise InputError(
            f"'{name}' is not a note name", remedy="write a letter, # or b, and the octave: C#4, Bb2"
        )
    letter, accidental, octave = match.groups()
    return 12 * (int(octave) + 1) + _SEMITONE[letter.upper()] + _ACCIDENTAL[accidental]


def note_hz(number: float, a4_hz: float) -> float:
    """The equal-tempered frequency of a note number (ISO 16 when `a4_hz` is 440)."""
    return float(a4_hz * 2.0 ** ((number - A4_NOTE_NUMBER) / 12.0))


def note_name(frequency_hz: float, a4_hz: float, *, flats: bool = False) -> tuple[str, float]:
    """The nearest equal-tempered note and the distance from it: ("C#4", +3.2 cents), or ("Db4", ...)."""
    exact = A4_NOTE_NUMBER + 12.0 * math.log2(frequency_hz / a4_hz)
    number = round(exact)
    return f"{(_FLATS if flats else _SHARPS)[number % 12]}{number // 12 - 1}", CENTS_PER_SEMITONE * (
        exact - number
    )


def decibels(amplitude_ratio: float) -> float:
    """20 log10 of an amplitude ratio; minus infinity for nothing at all."""
    return 20.0 * math.log10(amplitude_ratio) if amplitude_ratio > 0.0 else -math.inf


def amplitude(level_db: float) -> float:
    """The amplitude ratio of a level difference in decibels."""
    return float(10.0 ** (level_db / 20.0))
