"""Which hole a tine needs, and which washer goes under its nut.

In: a tine and the bench. Out: a `Hole`, SI. Clearance holes by ISO 273 or ASME B18.2.8, tapping holes by ISO 2306
or the usual tap drills (rows of `synth/design/data/holes.csv`). Plain rod has no standard: it is glued, soldered
or pinned in a hole of its own diameter (close, reamed), 0.1 mm more (normal) or 0.2 mm more (loose); common
practice, no published source.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from synth.design import stock
from synth.design.instrument import Bench, Tine
from synth.units import MM

PLAIN_ROOM: Final = {
    "close": 0.0,
    "normal": 0.1e-3,
    "loose": 0.2e-3,
}  # m; common practice, no published source
_ISO_FIT: Final = {"close": "fine", "normal": "medium", "loose": "coarse"}


@dataclass(frozen=True)
class Hole:
    """What to drill; `tapped` says that the thread is cut into it."""

    diameter: float
    drill: str  # as one asks for it: "4.5 mm", "#18 (4.31 mm)"
    tapped: bool
    words: str  # why this size


@dataclass(frozen=True)
class Washer:
    thickness: float
    inside: float
    outside: float
    name: str


def hole_for(tine: Tine, bench: Bench) -> Hole:
    """The hole in the bar for this tine."""
    row = stock.holes().find(thread_of(tine))
    if row is None:
        return _plain_hole(tine, bench)
    if bench.holes == "tapping":
        source = "ISO 2306" if row.name.startswith("M") else "tap drill for about 75 % of thread"
        return _hole(row.tapping_mm, row.tapping_drill, f"tap {row.name}; {source}", tapped=True)
    diameter, drill = {
        "close": (row.close_mm, row.close_drill),
        "normal": (row.normal_mm, row.normal_drill),
        "loose": (row.loose_mm, row.loose_drill),
    }[bench.hole_fit]
    metric = row.name.startswith("M")
    source = f"ISO 273 {_ISO_FIT[bench.hole_fit]}" if metric else f"ASME B18.2.8 {bench.hole_fit}"
    return _hole(diameter, drill, f"clearance for {row.name}; {source}", tapped=False)


def washer_for(tine: Tine) -> Washer | None:
    """The plain washer of the tine's thread, or the smallest that goes over a plain rod; None beyond the table."""
    row = stock.holes().find(thread_of(tine))
    if row is None:
        fitting = [each for each in stock.holes() if each.washer_inside_mm * MM > tine.rod.diameter]
        row = min(fitting, key=lambda each: each.washer_inside_mm, default=None)
    if row is None:
        return None
    name = f"{row.name} plain washer, {row.washer_outside_mm:g} x {row.washer_mm:g} mm"
    return Washer(row.washer_mm * MM, row.washer_inside_mm * MM, row.washer_outside_mm * MM, name)


def thread_of(tine: Tine) -> str:
    """The thread that goes through the bar: the rod's, or one cut on plain rod for its base nut; "" for none."""
    nut = tine.root.base_nut
    return tine.rod.thread or (nut.thread if nut is not None else "")


def _plain_hole(tine: Tine, bench: Bench) -> Hole:
    diameter = tine.rod.diameter + PLAIN_ROOM[bench.hole_fit]
    words = f"{bench.hole_fit} on plain rod, to glue, solder or pin"
    return _hole(diameter / MM, "", words, tapped=False)


def _hole(diameter_mm: float, drill: str, words: str, *, tapped: bool) -> Hole:
    named = f"{drill} ({diameter_mm:.2f} mm)" if drill else f"{diameter_mm:.4g} mm"
    return Hole(diameter_mm * MM, named, tapped, words)
