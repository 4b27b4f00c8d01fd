"""How a tine is fixed in the bar, and how much of the rod that takes.

In: a tine, the bar, the bench. Out: a `Joint`, lengths in m, from the base nut's upper face downwards.

    clearance:   base nut | washer | bar | washer | nut | what stands out
    tapping:     base nut as lock nut (| washer) | screwed into the bar
    plain rod:   through the bar, glued or held by a set screw
    collet:      its nut, where the stock names one as base_nut | through the bar

The washers above the bar are half of them, the odd one on top.
"""

from __future__ import annotations

from typing import Final

from synth.design.instrument import Bar, Bench, Nut, Tine
from synth.frozen import frozen
from synth.units import Units
from synth.vibration.bar import surface_distance
from synth.workshop.holes import Hole, Washer, hole_for, washer_for
from synth.workshop.length_text import UNIT, length_words

ENGAGEMENT: Final = (
    1.5  # diameters of thread in steel, so that the rod breaks before the thread strips; common practice
)
STANDING_OUT: Final = 2.0  # pitches of thread beyond a nut; common practice


@frozen
class Joint:
    hole: Hole
    nuts: tuple[Nut, ...]  # above the bar, then below
    washers: tuple[Washer, ...]
    in_bar: float
    protrusion: float

    @property
    def clamped(self) -> float:
        """What of the rod is not free."""
        nuts = sum(nut.height for nut in self.nuts)
        return nuts + sum(each.thickness for each in self.washers) + self.in_bar + self.protrusion

    def words(self, units: Units) -> str:
        """The clamped length, part by part."""
        unit = UNIT[units]

        def shown(length: float) -> str:
            return f"{length_words(length, units, digits=2)} {unit}"

        parts = [f"{shown(self.in_bar)} {'screwed into' if self.hole.tapped else 'through'} the bar"]
        if self.nuts:
            parts.append(f"{len(self.nuts)} nut{'s' * (len(self.nuts) > 1)} of {shown(self.nuts[0].height)}")
        if self.washers:
            count = len(self.washers)
            parts.append(f"{count} washer{'s' * (count > 1)} of {shown(self.washers[0].thickness)}")
        if self.protrusion:
            parts.append(f"{shown(self.protrusion)} standing out below")
        return " + ".join(parts)


def joint(tine: Tine, bar: Bar, bench: Bench) -> Joint:
    """How this tine is fixed."""
    hole = hole_for(tine, bench)
    through = 2.0 * float(surface_distance(bar.section, tine.face))
    nut = tine.root.base_nut
    if tine.root.fixing not in (None, "nuts"):
        above = () if nut is None else (nut,)  # a collet's own
        return Joint(hole, above, (), through, bench.protrusion or 0.0)
    if hole.tapped:
        steel = bar.section.wall or through  # of a tube, the wall it goes into
        depth = (
            min(ENGAGEMENT * tine.rod.diameter, steel) if bench.tapped_depth is None else bench.tapped_depth
        )
        nuts = () if nut is None else (nut,)
        return Joint(hole, nuts, _washers(tine, bench, usual=0), min(depth, through), 0.0)
    if nut is None:
        return Joint(hole, (), _washers(tine, bench, usual=0), through, bench.protrusion or 0.0)
    out = STANDING_OUT * tine.rod.pitch if bench.protrusion is None else bench.protrusion
    return Joint(hole, (nut, nut), _washers(tine, bench, usual=2), through, out)


def _washers(tine: Tine, bench: Bench, *, usual: int) -> tuple[Washer, ...]:
    washer = washer_for(tine)
    count = usual if bench.washers is None else bench.washers
    return () if washer is None else (washer,) * count
