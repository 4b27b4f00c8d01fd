"""What a maker wishes for, in a line of words, before there is a design.

In: notes or a scale, names of stock, sizes such as "25x25". Out: `Wishes`, lengths in mm as a design file has them.
Refused: words that mean nothing here, each with what would do.
"""

from __future__ import annotations

import re
from typing import Any, Final, Literal

from synth.design import catalogue
from synth.design.groups import interval
from synth.errors import InputError, nearest
from synth.frozen import frozen
from synth.units import INCH, MM, Units, note_number

ShapeWish = Literal["straight", "u", "ring"]
BoardWish = Literal["panel", "box", "none"]
PickupWish = Literal["contact", "pad", "strain"]

MODES: Final = {
    "major": (0, 2, 4, 5, 7, 9, 11),
    "ionian": (0, 2, 4, 5, 7, 9, 11),
    "dorian": (0, 2, 3, 5, 7, 9, 10),
    "phrygian": (0, 1, 3, 5, 7, 8, 10),
    "lydian": (0, 2, 4, 6, 7, 9, 11),
    "mixolydian": (0, 2, 4, 5, 7, 9, 10),
    "aeolian": (0, 2, 3, 5, 7, 8, 10),
    "minor": (0, 2, 3, 5, 7, 8, 10),
    "locrian": (0, 1, 3, 5, 6, 8, 10),
    "harmonic minor": (0, 2, 3, 5, 7, 8, 11),
    "major pentatonic": (0, 2, 4, 7, 9),
    "minor pentatonic": (0, 3, 5, 7, 10),
    "whole tone": (0, 2, 4, 6, 8, 10),
    "chromatic": tuple(range(12)),
}
LETTERS: Final = "CDEFGAB"
SHARPS: Final = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
MOST_GROUPS: Final = 60
MOST_OCTAVES: Final = 5
MM_PER_INCH: Final = INCH / MM


@frozen
class StockWish:
    """A stock by the name it goes by in the design; `plain_mm` 0 where it is a thread's name."""

    name: str
    plain_mm: float


@frozen
class Wishes:
    """All that `draft` is told. A size of 0 is left to the draft; `leg_mm` are both legs of a U."""

    notes: tuple[str, ...]
    tines: int
    octaves: int
    intervals: tuple[str, ...]
    stock: tuple[StockWish, ...]  # for the lowest notes first
    section: dict[str, Any]  # as a design's [bar] has it, in mm
    shape: ShapeWish
    legs_mm: tuple[float, float]
    radius_mm: float
    diameter_mm: float
    board: BoardWish
    pickup: PickupWish
    units: Units


def listed(words: str) -> tuple[str, ...]:
    """The parts between commas, without spaces around them."""
    return tuple(each.strip() for each in words.split(",") if each.strip())


def notes_of(words: str) -> tuple[str, ...]:
    """The notes of a list: "D2,A2". Raises `InputError`."""
    notes = listed(words)
    for note in notes:
        try:
            note_number(note)
        except InputError as error:
            several = note.replace(";", " ").split()
            if len(several) < 2:
                raise
            raise InputError(error.finding, remedy=f"put commas between notes: {','.join(several)}") from None
    return _checked_notes(tuple(note[0].upper() + note[1:] for note in notes))


def scale_notes(words: str, low: str, high: str) -> tuple[str, ...]:
    """The notes of a scale ("D dorian") from one note to another, each with its own letter where there are 7."""
    tonic, _, mode = words.strip().partition(" ")
    steps = MODES.get(mode.strip().casefold())
    if steps is None:
        raise InputError(f"'{words}' is no scale known here", remedy=nearest(mode.strip(), MODES))
    tonic = tonic[:1].upper() + tonic[1:]
    home = note_number(f"{tonic}0")
    first, last = note_number(low), note_number(high)
    names = _spelled(tonic, home, steps)
    wanted = [number for number in range(first, last + 1) if number % 12 in names]
    if not wanted:
        raise InputError(f"no note of {words} stands from {low} to {high}", remedy="set --from below --to")
    return _checked_notes(tuple(_with_octave(names[number % 12], number) for number in wanted))


def intervals_of(words: str) -> tuple[str, ...]:
    """Intervals over each octave of a group's note: "1/1,3/2". Raises `InputError`."""
    found = listed(words)
    if not found:
        raise InputError("no intervals are given", remedy="write 1/1 for octaves alone, 1/1,3/2 with fifths")
    for each in found:
        if not 1.0 <= interval(each, "--intervals") < 2.0:
            raise InputError(
                f"'{each}' is not within an octave",
                remedy="write it from 1/1 to under 2/1; --octaves adds the rest",
            )
    return tuple(sorted(dict.fromkeys(found), key=lambda each: interval(each, "")))


def stock_of(words: str) -> tuple[StockWish, ...]:
    """Stocks from low to high: threads by name, plain rods as "rod3" (mm) or "rod1/8in". Raises `InputError`."""
    found = tuple(_stock(each) for each in listed(words))
    if not found:
        raise InputError("no stock is given", remedy="write threads and plain rods, low to high: M4,rod3,M3")
    return tuple(dict.fromkeys(found))


def wished_section(words: str, units: Units) -> dict[str, Any]:
    """A bar's section: "25x25" (across, up), "round30", "tube30x3", in mm or inches, 1/2 being a half."""
    plain = words.casefold().replace(" ", "")
    match = re.fullmatch(r"(round|tube)?([\d./-]+)(?:x([\d./-]+))?", plain)
    if match is None or (match[1] == "round") != (match[3] is None):
        raise InputError(
            f"'{words}' is no section",
            remedy="write 25x25 (across x up), round30 or tube30x3 (diameter x wall)",
        )
    sizes = [length_mm(each, units) for each in (match[2], match[3]) if each]
    keys = {None: ("width_mm", "height_mm"), "round": ("diameter_mm",), "tube": ("diameter_mm", "wall_mm")}[
        match[1]
    ]
    return {"shape": match[1] or "rectangle", **dict(zip(keys, sizes, strict=True))}


def length_mm(words: str, units: Units) -> float:
    """A length in mm from "25", "1.5", "3/4" or "1-1/2" in the units that are used. Raises `InputError`."""
    match = re.fullmatch(r"(?:(\d+)[- ])?(\d+(?:\.\d+)?)(?:/(\d+))?", words.strip())
    if match is None or (match[1] and not match[3]) or (match[3] and float(match[3]) == 0.0):
        raise InputError(f"'{words}' is not a length", remedy="write 25, 1.5 or 3/4")
    value = float(match[1] or 0) + float(match[2]) / float(match[3] or 1)
    return value * (MM_PER_INCH if units == "inch" else 1.0)


def thickness_mm(section: dict[str, Any]) -> float:
    """The thickest way through a section."""
    return float(max(section.get(key, 0.0) for key in ("width_mm", "height_mm", "diameter_mm")))


def _stock(word: str) -> StockWish:
    match = re.fullmatch(r"rod([\d./]+)(in)?", word)
    if match is not None:
        size = length_mm(match[1], "inch" if match[2] else "mm")
        return StockWish(word.replace("/", "-"), size)
    thread = catalogue.threads().find(word)
    if thread is None:
        raise InputError(
            f"'{word}' is not in stock",
            remedy=f"write rod3 for plain rod of 3 mm, or one of {', '.join(catalogue.threads().names)}",
        )
    return StockWish(thread.name, 0.0)


def _checked_notes(notes: tuple[str, ...]) -> tuple[str, ...]:
    if not notes:
        raise InputError("no notes are given", remedy='write --notes D2,A2,D3 or --scale "D dorian"')
    numbers = [note_number(each) for each in notes]
    if len(notes) > MOST_GROUPS:
        raise InputError(f"{len(notes)} groups on one bar", remedy=f"at most {MOST_GROUPS} are drafted")
    for number, note in zip(numbers, notes, strict=True):
        if numbers.count(number) > 1:
            raise InputError(f"the note {note} is given twice", remedy="a group stands for one note")
    return tuple(note for _, note in sorted(zip(numbers, notes, strict=True)))


def _spelled(tonic: str, home: int, steps: tuple[int, ...]) -> dict[int, str]:
    """The name of each pitch class of a scale: seven notes take seven letters, others sharps."""
    classes = [(home + step) % 12 for step in steps]
    names = [SHARPS[each] for each in classes]
    if len(steps) == 7:
        start = LETTERS.index(tonic[0])
        letters = [LETTERS[(start + degree) % 7] for degree in range(7)]
        off = [
            (own - note_number(f"{letter}0") + 6) % 12 - 6
            for own, letter in zip(classes, letters, strict=True)
        ]
        if all(abs(each) <= 1 for each in off):
            names = [letter + ("b", "", "#")[each + 1] for each, letter in zip(off, letters, strict=True)]
    return dict(zip(classes, names, strict=True))


def _with_octave(name: str, number: int) -> str:
    """The name with the octave in which it is this number: Cb4 is 59."""
    return next(f"{name}{octave}" for octave in range(-3, 12) if note_number(f"{name}{octave}") == number)
