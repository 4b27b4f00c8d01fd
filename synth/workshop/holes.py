"""Which hole a tine needs, and which washer goes under its nut.

In: a tine and the bench. Out: a `Hole`, SI, as wide as `synth.design.bench` says. Plain rod is glued, soldered or
pinned in a hole of its own diameter (close, reamed) or a little more; common practice, no published source.
"""

from __future__ import annotations

from typing import Final

from synth.design import catalogue
from synth.design.bench import hole_diameter, thread_of
from synth.design.fixings import collet_for, set_screw_for
from synth.design.instrument import Bench, Tine
from synth.design.schema import FixingKind
from synth.frozen import frozen
from synth.units import MM, Units, length_said

_ISO_FIT: Final = {"close": "fine", "normal": "medium", "loose": "coarse"}


@frozen
class Hole:
    """What to drill; `tapped` says that the thread is cut into it."""

    diameter: float
    drill: str  # as one asks for it: "4.5 mm", "#18 (4.31 mm)"
    tapped: bool
    words: str  # why this size


@frozen
class Washer:
    thickness: float
    inside: float
    outside: float
    name: str


def hole_for(tine: Tine, bench: Bench) -> Hole:
    """The hole in the bar for this tine."""
    row, diameter = catalogue.holes().find(thread_of(tine)), hole_diameter(tine, bench)
    kind = tine.root.fixing
    if kind is not None and kind != "nuts":
        return _hole(diameter, "", _beside_words(tine, kind, bench), bench.units, tapped=False)
    if row is None:
        return _hole(
            diameter, "", f"{bench.hole_fit} on plain rod, to glue, solder or pin", bench.units, tapped=False
        )
    units: Units = "mm" if row.name.startswith("M") else bench.units  # metric drills are called by their mm
    if bench.holes == "tapping":
        source = "ISO 2306" if row.name.startswith("M") else "tap drill for about 75 % of thread"
        return _hole(diameter, row.tapping_drill, f"tap {row.name}; {source}", units, tapped=True)
    drill = {"close": row.close_drill, "normal": row.normal_drill, "loose": row.loose_drill}[bench.hole_fit]
    metric = row.name.startswith("M")
    source = f"ISO 273 {_ISO_FIT[bench.hole_fit]}" if metric else f"ASME B18.2.8 {bench.hole_fit}"
    return _hole(diameter, drill, f"clearance for {row.name}; {source}", units, tapped=False)


def _beside_words(tine: Tine, kind: FixingKind, bench: Bench) -> str:
    """How a hole is made that takes no nut."""
    rod = tine.rod
    if kind == "collet":
        return (
            f"seat for an {collet_for(rod)[1]} collet (ISO 15488, from memory): take the collet's own drawing"
        )
    on = f"{bench.hole_fit} on {rod.thread or 'plain'} rod"
    if kind == "glued":
        return f"{on}, to glue: roughen and degrease"
    thread = set_screw_for(rod)
    row = catalogue.holes().find(thread)
    assert row is not None
    tap = length_said(row.tapping_mm * MM, bench.units)
    return f"{on}, with an {thread} set screw from the side at half its depth: tap {thread}, drill {tap} (ISO 2306)"


def washer_for(tine: Tine) -> Washer | None:
    """The plain washer of the tine's thread, or the smallest of its system that goes over a plain rod.

    A rod of so many tenths of a millimetre takes a metric one. None beyond the table.
    """
    row = catalogue.holes().find(thread_of(tine))
    if row is None:
        tenths = tine.rod.diameter / (0.1 * MM)
        metric = abs(tenths - round(tenths)) < 1e-3
        own = [each for each in catalogue.holes() if each.name.startswith("M") == metric]
        fitting = [each for each in own if each.washer_inside_mm * MM > tine.rod.diameter]
        row = min(fitting, key=lambda each: each.washer_inside_mm, default=None)
    if row is None:
        return None
    units: Units = "mm" if row.name.startswith("M") else "inch"  # as its standard and the shop have it
    outside, thick = (
        length_said(each * MM, units, figures=3) for each in (row.washer_outside_mm, row.washer_mm)
    )
    name = f"{row.name} plain washer, {outside.split()[0]} x {thick}"
    return Washer(row.washer_mm * MM, row.washer_inside_mm * MM, row.washer_outside_mm * MM, name)


def _hole(diameter: float, drill: str, words: str, units: Units, *, tapped: bool) -> Hole:
    size = length_said(diameter, units)
    named = f"{drill} ({size})" if drill else size
    return Hole(diameter, named, tapped, words)
