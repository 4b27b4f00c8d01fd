"""Random designs of an everyday kind, as trees of a design file, and a maker's edits of them by hand.

Straight and bent bars, flat ones lying and on edge; threaded and plain tines mixed; keys in mm and in inches;
supports of every kind, not always written in their order.
"""

from __future__ import annotations

import copy
import functools
import math
import random
import re
from pathlib import Path
from typing import Any

from synth.design.decode import decode
from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.doors.cli import run
from synth.errors import InputError
from synth.vibration.mounted_pitch import mounting
from synth.vibration.quarrels import Quarrel, find_quarrels
from synth.vibration.tuning import Row, tune

Tree = dict[str, Any]
INCH = 25.4
SECTIONS = [
    {"shape": "rectangle", "width_mm": 60.0, "height_mm": 10.0},
    {"shape": "rectangle", "width_mm": 40.0, "height_mm": 12.0},
    {"shape": "rectangle", "width_mm": 12.0, "height_mm": 40.0},
    {"shape": "rectangle", "width_in": 1.0, "height_in": 0.75},
    {"shape": "rectangle", "width_mm": 16.0, "height_mm": 16.0},
    {"shape": "round", "diameter_mm": 25.0},
    {"shape": "tube", "diameter_mm": 30.0, "wall_mm": 3.0},
]
STOCKS = [("M3", 36, 84), ("M4", 40, 84), ("rod3", 38, 88), ("6-32 UNC", 36, 84)]  # with the notes they reach
KINDS = ["cord", "rubber", "clamp", "foot"]


def design_tree(seed: int) -> Tree:
    """A design that can be built."""
    return copy.deepcopy(_design_tree(seed))


@functools.cache
def _design_tree(seed: int) -> Tree:
    draw = random.Random(seed)
    while True:
        tree = _drawn(draw)
        try:
            tune(instrument_of(tree))
        except InputError:
            continue
        return tree


def drafted(folder: Path, *words: str) -> Instrument:
    """What `tinewright draft` writes for these words."""
    path = folder / "drafted.toml"
    if run(["draft", "-o", str(path), "--force", *words]):
        raise ValueError(words)
    return resolve(load(path), str(path))


def instrument_of(tree: Tree) -> Instrument:
    """What the tree resolves to; Raises `InputError`."""
    return resolve(design_of(tree), "everyday.toml")


def design_of(tree: Tree) -> Design:
    return decode(copy.deepcopy(tree), Design)


def solved(tree: Tree) -> tuple[Instrument, Row, tuple[Quarrel, ...]]:
    """The instrument, tuned on its bar, and its quarrels, without any cache."""
    instrument = instrument_of(tree)
    row = tune(instrument, mounting(instrument))
    return instrument, row, find_quarrels(instrument, row)


def edited(tree: Tree, lines: list[str]) -> Tree:
    """The tree as a maker edits the file by what is printed, line by line. Raises `ValueError` at an odd line."""
    new = copy.deepcopy(tree)
    for line in lines:
        if match := re.fullmatch(r"group '(.+)': start_(mm|in) ([\d.]+) -> ([\d.]+)", line):
            (group,) = (each for each in new["group"] if each["name"] == match[1])
            _put(group, f"start_{match[2]}", float(match[3]), float(match[4]))
        elif match := re.fullmatch(r"support (\d+): at_(mm|in) ([\d.]+) -> ([\d.]+)", line):
            support = new["bar"]["supports"][int(match[1]) - 1]
            _put(support, f"at_{match[2]}", float(match[3]), float(match[4]))
        elif match := re.fullmatch(r"bar .+ -> (.+)", line):
            new["bar"]["section"] = _section(match[1])
        elif match := re.fullmatch(r"support (\d+): kind (\w+) -> (\w+), with the usual .+ of one", line):
            support = new["bar"]["supports"][int(match[1]) - 1]
            if support["kind"] != match[2]:
                raise ValueError(line)
            support["kind"] = match[3]
            for key in ("stiffness_n_mm", "rotation_nm_rad", "loss_factor"):
                support.pop(key, None)
        else:
            raise ValueError(line)
    return new


def _put(table: Tree, key: str, old: float, new: float) -> None:
    """The key as it stands in the file, with its unit, gets its new value in that unit."""
    if not math.isclose(table[key], old, rel_tol=1e-5, abs_tol=1e-3):
        raise ValueError(f"{key} is not {old}")
    table[key] = new


def _section(words: str) -> Tree:
    if match := re.fullmatch(r"([\d.]+) x ([\d.]+) (mm|in)", words):
        return {
            "shape": "rectangle",
            f"width_{match[3]}": float(match[1]),
            f"height_{match[3]}": float(match[2]),
        }
    if match := re.fullmatch(r"([\d.]+) (mm|in) round", words):
        return {"shape": "round", f"diameter_{match[2]}": float(match[1])}
    match = re.fullmatch(r"([\d.]+) x ([\d.]+) (mm|in) tube", words)
    if match is None:
        raise ValueError(words)
    return {"shape": "tube", f"diameter_{match[3]}": float(match[1]), f"wall_{match[3]}": float(match[2])}


def _drawn(draw: random.Random) -> Tree:
    groups, end = _groups(draw)
    path, length = _path(draw, end + draw.uniform(30.0, 120.0))
    ends = [draw.uniform(0.1, 0.3) * length, draw.uniform(0.7, 0.9) * length]
    if draw.random() < 0.3:
        ends.append(draw.uniform(0.45, 0.55) * length)  # written last, though it stands between
    kind = draw.choice(KINDS)
    return {
        "name": "everyday",
        "bar": {
            "section": dict(draw.choice(SECTIONS)),
            "path": path,
            "supports": [_length(draw, "at", round(each)) | {"kind": kind} for each in ends],
        },
        "tines": {"seed": draw.randrange(1000)},
        "stock": {"rod3": {"kind": "plain", "diameter_mm": 3.0, "material": "304 spring wire"}},
        "recipe": {"pair": {"members": ["1/1", "1/1", "3/2", "2/1"]}},
        "group": groups,
    }


def _groups(draw: random.Random) -> tuple[list[Tree], float]:
    groups, at = [], draw.uniform(25.0, 60.0)
    for number in range(draw.randint(2, 4)):
        stock, low, high = draw.choice(STOCKS)
        spacing = draw.choice([12.0, 0.5 * INCH])
        group = {
            "name": f"g{number}",
            "stock": stock,
            **_length(draw, "start", round(at, 1)),
            **({"spacing_in": 0.5} if spacing != 12.0 else {}),
            "face_deg": draw.choice([0.0, 0.0, 0.0, 180.0]),
        }
        note = draw.uniform(low, high - 12)
        if draw.random() < 0.5:
            count = 4
            group |= {"root_hz": 440.0 * 2.0 ** ((round(note) - 69) / 12.0), "recipe": "pair"}
        else:
            count = draw.randint(1, 5)
            hertz = [440.0 * 2.0 ** ((note + draw.choice([0, 0, 3, 7]) - 69) / 12.0) for _ in range(count)]
            group["tine"] = [{"pitch_hz": each} for each in hertz]
        groups.append(group)
        at += (count - 1) * spacing + draw.uniform(14.0, 60.0)
    return groups, at


def _path(draw: random.Random, length: float) -> tuple[list[Tree], float]:
    """A path about so long, straight or bent, and its length in mm."""
    if draw.random() < 0.5:
        return [{"straight_mm": round(length)}], float(round(length))
    radius = draw.uniform(1.2, 2.5) * 60.0
    bend, plane = draw.uniform(20.0, 100.0), draw.choice([0.0, 90.0, 30.0])
    first = draw.uniform(0.2, 0.8) * length
    arc = math.radians(bend) * radius
    path = [
        {"straight_mm": first},
        {"bend_deg": bend, "radius_mm": radius, "plane_deg": plane},
        {"straight_mm": max(length - first, 40.0)},
    ]
    return path, first + arc + max(length - first, 40.0)


def _length(draw: random.Random, key: str, value: float) -> Tree:
    if draw.random() < 0.3:
        return {f"{key}_in": round(value / INCH, 2)}
    return {f"{key}_mm": float(value)}
