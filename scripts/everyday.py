"""Random everyday designs through the commands of the workshop: check, trim, strength, cutlist, template.

    python scripts/everyday.py                      1,000 designs of seed 1
    python scripts/everyday.py --cases 10 --seed 4

A design as a maker would draw it: a straight or bent bar of a sold section, two supports, one to five groups of
threaded or plain rod between C3 and A5, by pitch or by length, some with a wish for an overtone, some with a board.
What cannot be built may be refused in one line; nothing may end otherwise (`judged`). The exit code is 1 where
something did.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
from collections import Counter
from collections.abc import Sequence
from pathlib import Path
from typing import Any, Final

import tomlkit

from judged import Verdict, judged

COMMANDS: Final = (
    ("check",),
    ("trim",),
    ("strength",),
    ("cutlist", "-o", "papers"),
    ("template", "-o", "papers"),
)
NOTES: Final = ["C", "D", "E", "F", "G", "A", "B"]
SECTIONS: Final = [(20, 20), (25, 25), (30, 15), (40, 10), (60, 10), (12, 25), (40, 40)]
STOCKS: Final = ["M2.5", "M3", "M4", "M5", "rod2", "rod3", "батч 1"]
NUT_OF: Final = {"M2.5": "M2.5 hex", "M3": "M3 hex", "M4": "M4 hex", "M5": "M5 hex", "батч 1": "M3 thin hex"}


def main(words: Sequence[str] | None = None) -> int:
    """The exit code: 0 where every design was answered."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--cases", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    chosen = parser.parse_args(words)
    codes: Counter[tuple[str, int | None]] = Counter()
    faulty = 0
    for case in range(chosen.cases):
        if case and case % 25 == 0:
            print(f"{case} designs, {faulty} faults so far", flush=True)
        tree = everyday(random.Random(f"{chosen.seed}/{case}"))
        for verdict in tried(tree):
            codes[verdict.words[0], verdict.code] += 1
            if verdict.faults:
                faulty += 1
                print(f"design {case} of seed {chosen.seed}: {verdict.words[0]}", *verdict.faults, sep="\n")
    for (command, code), count in sorted(codes.items(), key=str):
        print(f"{command:9} exit code {code}: {count}")
    print(f"{chosen.cases} designs, {faulty} faults")
    return 1 if faulty else 0


def tried(tree: dict[str, Any]) -> list[Verdict]:
    """A design through every command, each in a folder of its own; one that check refuses, through trim alone."""
    with tempfile.TemporaryDirectory() as name:
        design = Path(name) / "design.toml"
        design.write_text(tomlkit.dumps(tree), encoding="utf-8")
        verdicts = []
        for command, *more in COMMANDS:
            folder = Path(name) / command
            folder.mkdir()
            words = [folder / each if each == "papers" else each for each in more]
            verdicts.append(judged([command, design, *words], folder))
            if command == "trim" and verdicts[0].code == 2:
                break  # the others would look for the row as long, and refuse it in the same words
        return verdicts


def everyday(draw: random.Random) -> dict[str, Any]:
    """A design as TOML keys."""
    width, height = draw.choice(SECTIONS)
    groups, end = _groups(draw, min(width, height))
    length = round(end + draw.uniform(30.0, 120.0), 1)
    path: list[dict[str, float]] = [{"straight_mm": length}]
    if draw.random() < 0.25:
        bend: dict[str, float] = {
            "bend_deg": draw.choice([30, 90, -45]),
            "radius_mm": draw.choice([80, 150]),
            "plane_deg": draw.choice([0, 90]),
        }
        path += [bend, {"straight_mm": round(draw.uniform(60.0, 200.0), 1)}]
    kind = draw.choice(["cord", "rubber", "foot", "clamp"])
    tree: dict[str, Any] = {
        "name": draw.choice(["Offcut", "Bench piece", "Пробный", "Trial no. 3"]),
        "bar": {
            "section": {"shape": "rectangle", "width_mm": width, "height_mm": height},
            "path": path,
            "material": draw.choice(["mild steel", "304", "aluminium", "brass"]),
            "supports": [{"at_mm": round(each * length, 1), "kind": kind} for each in (0.224, 0.776)],
        },
        "stock": {
            "rod2": {"kind": "plain", "diameter_mm": 2.0},
            "rod3": {"kind": "plain", "diameter_mm": 3.0, "price_per_m": 2.5},
            "батч 1": {"kind": "threaded", "thread": "M3", "bend_diameter_mm": 2.49},
        },
        "recipe": {"fifth": {"members": ["1/1", "3/2", "2/1"]}, "chord": {"members": [0, 4, 7, 12]}},
        "group": groups,
        "bench": {"units": draw.choice(["mm", "inch"]), "paper": draw.choice(["A4", "Letter"])},
    }
    if draw.random() < 0.2:
        tree["board"] = {"panel": _board(draw, length)}
    return tree


def _groups(draw: random.Random, narrowest: float) -> tuple[list[dict[str, Any]], float]:
    """Groups side by side, and where the last one ends, mm."""
    groups: list[dict[str, Any]] = []
    position = draw.uniform(25.0, 60.0)
    for number in range(draw.randint(1, 5)):
        stock = draw.choice([each for each in STOCKS if each != "M5" or narrowest >= 12])
        group: dict[str, Any] = {
            "name": f"{draw.choice(NOTES)} {number + 1}",
            "start_mm": round(position, 1),
            "spacing_mm": draw.choice([11, 12, 14, 16]),
            "stock": stock,
        }
        if draw.random() < 0.5:
            group |= {
                "root": f"{draw.choice(NOTES)}{draw.choice([3, 4, 4, 5])}",
                "recipe": draw.choice(["fifth", "chord"]),
            }
            count = 4
        else:
            count = draw.randint(1, 5)
            group["tine"] = [_tine(draw, stock) for _ in range(count)]
        groups.append(group)
        position += count * group["spacing_mm"] + draw.uniform(10.0, 40.0)
    return groups, position


def _tine(draw: random.Random, stock: str) -> dict[str, Any]:
    tine: dict[str, Any] = (
        {"pitch": f"{draw.choice(NOTES)}{draw.choice([3, 4, 5])}"}
        if draw.random() < 0.5
        else {"free_length_mm": round(draw.uniform(60.0, 200.0), 1)}
    )
    if stock in NUT_OF and draw.random() < 0.25:
        partial, ratio = draw.choice([(2, 6.0), (2, 6.1), (2, 6.25), (2, 5.5), (3, 17.0), (3, 18.0)])
        tine["trim_to"] = {"partial": partial, "ratio": ratio, "nut": NUT_OF[stock]}
    return tine


def _board(draw: random.Random, bar: float) -> dict[str, Any]:
    size = max(bar + 40.0, 250.0)
    feet = [
        {"bar_mm": round(each * bar, 1), "x_mm": round(20.0 + each * bar, 1), "y_mm": 110.0}
        for each in (0.2, 0.8)
    ]
    return {
        "kind": "panel",
        "material": draw.choice(["spruce", "birch plywood"]),
        "width_mm": 220.0,
        "length_mm": round(size, 1),
        "thickness_mm": draw.choice([3.0, 4.0, 8.0]),
        "feet": feet,
    }


if __name__ == "__main__":
    sys.exit(main())
