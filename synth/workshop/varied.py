"""What is varied, as it is typed and as it is told: "KEY=VALUE,VALUE".

In: words of a command line. Out: `Varied`, values as a design file means them, and what was chosen in words for
people. A key is one of the stroke's, or the path of a key of the design (`synth.design.key_path`).
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Sequence
from typing import Any, Final

from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.stroke import CHOICES, CONTROLS

OF_THE_STROKE: Final = ("stick", "through", *CHOICES, *(each.key for each in CONTROLS))
_OPENING: Final = {"[": "]", "{": "}"}
_UNITS: Final = (
    ("_mm_s", "mm/s"),
    ("_n_mm", "N/mm"),
    ("_nm_rad", "N m/rad"),
    ("_kg_m3", "kg/m³"),
    ("_mm", "mm"),
    ("_in", "in"),
    ("_deg", "°"),
    ("_hz", "Hz"),
    ("_gpa", "GPa"),
    ("_mpa", "MPa"),
    ("_cents", "cents"),
    ("_c", "°C"),
    ("_n", "N"),
    ("_m", "m"),
    ("_g", "g"),
)


@frozen
class Varied:
    """A key and what it is given: words as they were typed."""

    key: str
    values: tuple[str, ...]

    @property
    def of_the_stroke(self) -> bool:
        return self.key in OF_THE_STROKE


def varied(given: Sequence[str]) -> list[Varied]:
    """What varies, from "KEY=VALUE,VALUE". Raises `InputError`."""
    found: dict[str, Varied] = {}
    for words in given:
        key, *rest = parted(words, "=")
        key = key.strip().removeprefix("--")
        values = [each.strip() for each in parted("=".join(rest), ",") if each.strip()]
        if not key or not values:
            raise InputError(f"'{words}' varies nothing", remedy="write KEY=VALUE,VALUE", location="--vary")
        key = key.replace("-", "_") if key.replace("-", "_") in OF_THE_STROKE else key
        if key in found:
            raise InputError(f"'{key}' is varied twice", remedy="put all values in one", location="--vary")
        found[key] = Varied(key, tuple(dict.fromkeys(values)))
    return list(found.values())


def parted(words: str, mark: str) -> list[str]:
    """Words between marks, where a mark in quotes or brackets is none."""
    parts, closing, quote = [""], [""], ""
    for letter in words:
        if quote:
            quote = "" if letter == quote else quote
        elif letter in "\"'":
            quote = letter
        elif letter in _OPENING:
            closing.append(_OPENING[letter])
        elif letter == closing[-1]:
            closing.pop()
        elif letter == mark and len(closing) == 1:
            parts.append("")
            continue
        parts[-1] += letter
    return parts


def value_of(words: str) -> Any:
    """What words mean in a design file: a number, a list, a table, quoted text; else the words themselves."""
    try:
        found = tomllib.loads(f"value = {words}")
    except (tomllib.TOMLDecodeError, RecursionError, ValueError):
        return words
    alone = len(found) == 1 and isinstance(found["value"], bool | int | float | str | list | dict)
    return found["value"] if alone else words


def name_of(chosen: Sequence[tuple[str, str]]) -> str:
    return "_".join(f"{key}={value}" for key, value in chosen)


def variant_words(chosen: Sequence[tuple[str, str]]) -> str:
    """What was chosen as a musician reads it: "group D3 spacing 10 mm, stick birch"."""
    return ", ".join(f"{key_words(key)} {value_words(key, value)}" for key, value in chosen)


def key_words(key: str) -> str:
    """A key without brackets and without its unit."""
    plain = re.sub(r"[\[\].\"'_]+", " ", _unit(key)[0])
    return " ".join(plain.split())


def value_words(key: str, value: str) -> str:
    """What a key was given, with its unit."""
    return f"{value} {_unit(key)[1]}".strip()


def _unit(key: str) -> tuple[str, str]:
    found = next(((suffix, unit) for suffix, unit in _UNITS if key.endswith(suffix)), ("", ""))
    return key.removesuffix(found[0]), found[1]
