"""Lengths as one reads them off a ruler: millimetres with a decimal, or inches to the nearest 64th.

In: metres. Out: words without the unit, which stands once in a table's head; such columns. It knows no instrument.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final

from synth.table import Column
from synth.units import INCH, MM, Units

SAME_IN: Final = 0.0004  # from a 64th, that it is told as: 1/16 is 0.0625, and 0.063 is a gauge of its own
FINEST: Final = 64  # parts of an inch on a machinist's rule; common practice
UNIT: Final[dict[Units, str]] = {"mm": "mm", "inch": "in"}
METRES: Final[dict[Units, float]] = {"mm": MM, "inch": INCH}
CALLIPER: Final[dict[Units, tuple[str, float]]] = {
    "mm": ("mm", MM),
    "inch": ("thou", INCH / 1000.0),
}  # of a calliper


def length_words(length: float, units: Units, *, digits: int = 1) -> str:
    """A length in m as "104.2" (mm, so many digits) or "4 7/64" (inches)."""
    return f"{length / MM:.{digits}f}" if units == "mm" else inch_words(length / INCH)


def short_words(length: float, units: Units) -> str:
    """A length in m as one reads it off a rule: "104.2", "104", "4 7/64"."""
    return length_words(length, units).removesuffix(".0")


def sold_words(length: float, units: Units) -> str:
    """A size in m as it is sold: as `short_words`, but 0.065 in where a 64th is another size."""
    if units == "mm" or abs(length / INCH - round(length / INCH * FINEST) / FINEST) < SAME_IN:
        return short_words(length, units)
    return f"{length / INCH:.3f}"


def place_words(length: float, units: Units) -> str:
    """A place to scribe: hundredths of a millimetre or thousandths of an inch."""
    return f"{length / MM:.2f}" if units == "mm" else f"{length / INCH:.3f}"


def length_column(
    key: str,
    heading: str,
    value: Callable[[Any], Any] | None,
    units: Units,
    *,
    digits: int = 1,
    empty: str = "",
) -> Column:
    """A column of lengths in m: millimetres in data, whatever the key says; for people in their unit.

    Inches are shown in thousandths, which is what a calliper tells: a 64th is 14 cents of a short tine.
    """

    def words(millimetres: float) -> str:
        return f"{millimetres:.{digits}f}" if units == "mm" else f"{millimetres * MM / INCH:.3f}"

    return Column(key, f"{heading} {UNIT[units]}", words, value, MM, empty)


def inch_words(inches: float) -> str:
    """The nearest 64th of an inch, reduced: 4 7/64, 3/8, 2, -1/2."""
    parts = math.floor(abs(inches) * FINEST + 0.5)
    whole, rest = divmod(parts, FINEST)
    sign = "-" if inches < 0.0 and parts else ""
    if rest == 0:
        return f"{sign}{whole}"
    common = math.gcd(rest, FINEST)
    fraction = f"{rest // common}/{FINEST // common}"
    return f"{sign}{whole} {fraction}" if whole else f"{sign}{fraction}"
