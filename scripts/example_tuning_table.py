"""An example in Python: a tuning table for a scale on a bar of your own.

`python scripts/example_tuning_table.py [DESIGN] [--root-hz 146.83] [--scale 1/1 9/8 ...] [--stock M4]` puts one
tine a note onto the design's bar and prints CSV: what it sounds like mounted, how long it is, and how far a
millimetre of rod moves it. `fall_per_mm_cents` is how much lower a tine 1 mm longer sounds.
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
from fractions import Fraction
from pathlib import Path
from typing import Any

import synth

DESIGNS = Path(__file__).resolve().parent.parent / "designs"
PENTATONIC = ("1/1", "9/8", "5/4", "3/2", "5/3", "2/1")  # just intonation, small whole numbers


def main(words: list[str]) -> int:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("design", nargs="?", default=DESIGNS / "test-piece.toml")
    parser.add_argument("--root-hz", type=float, default=146.83)
    parser.add_argument("--scale", nargs="+", default=PENTATONIC, metavar="RATIO")
    parser.add_argument("--stock", default="M4")
    told = parser.parse_args(words)
    wanted = [told.root_hz * float(Fraction(each)) for each in told.scale]
    table = tuning_table(synth.open(told.design), wanted, stock=told.stock)
    writer = csv.DictWriter(sys.stdout, list(table[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows({**line, "ratio": ratio} for ratio, line in zip(told.scale, table, strict=True))
    return 0


def tuning_table(design: synth.OpenDesign, wanted_hz: list[float], *, stock: str) -> list[dict[str, Any]]:
    """A line a tine; the bar lends its give to every pitch, so the lengths are found with all tines in place."""
    tuned = scale_on(design, stock, [{"pitch_hz": hz} for hz in wanted_hz])
    lengths = tuned.check().free_length_mm
    longer = scale_on(design, stock, [{"free_length_mm": float(each) + 1.0} for each in lengths])
    return [
        {
            "ratio": "",
            "note": line.note,
            "from_note_cents": round(line.note_cents, 2),
            "wanted_hz": round(hz, 3),
            "mounted_hz": round(line.mounted_hz, 3),
            "free_length_mm": round(line.free_length_mm, 2),
            "fall_per_mm_cents": round(1200.0 * math.log2(line.mounted_hz / lower), 1),
        }
        for hz, line, lower in zip(wanted_hz, tuned.check().tines, longer.check().mounted_hz, strict=True)
    ]


def scale_on(design: synth.OpenDesign, stock: str, tines: list[dict[str, float]]) -> synth.OpenDesign:
    """The design with one group of these tines, 12 mm apart around the bar's middle, instead of its own."""
    middle = 500.0 * design.instrument.bar.length
    start = middle - 6.0 * (len(tines) - 1)
    return design.with_(group=[{"name": "scale", "stock": stock, "start_mm": start, "tine": tines}])


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
