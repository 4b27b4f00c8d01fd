"""A bent bar laid flat: how long it is before it is bent, and where on it everything goes.

In: a bar whose path is drawn along its axis. Out: a `Development`. A bend stretches the bar outside and shortens it
inside; what keeps its length, the neutral axis, lies at a share K of the thickness T from the inside, so that

    flat length of a bend = angle (R_inside + K T)

The middle (K = 1/2) for wide bends; further in for tight ones: K = (0.65 + 0.5 log10(R_inside / T)) / 2, DIN 6935
(from memory), which is 1/2 from R_inside = 5 T on. The design's `bench.neutral_axis` replaces it: 0.41 is what
Machinery's Handbook takes for soft steel (L = 1.57 R + 0.64 T for a right angle; from memory).
"""

from __future__ import annotations

import math
from typing import Final

from synth.design.instrument import Bar, Bend, Section
from synth.frozen import frozen
from synth.units import Units
from synth.workshop.length_text import place_words

TIGHTEST: Final = 0.2  # share of the thickness; the rule is for sheet and bar, not for a folded edge


@frozen
class FlatBend:
    """One bend on the flat bar, between two bend lines."""

    bend: Bend
    start: float
    length: float
    inside: float  # radius
    neutral: float  # share of the thickness, from the inside

    @property
    def end(self) -> float:
        return self.start + self.length

    @property
    def shortened(self) -> float:
        """How much less than along the axis."""
        return self.bend.length - self.length


@frozen
class Development:
    length: float
    bends: tuple[FlatBend, ...]
    marks: tuple[tuple[float, float], ...]  # rising: place along the axis, place on the flat bar

    def flat(self, position: float) -> float:
        """Where a place along the axis lies on the flat bar; linear within every piece."""
        for (low, flat_low), (high, flat_high) in zip(self.marks, self.marks[1:], strict=False):
            if position <= high:
                return flat_low + (position - low) * (flat_high - flat_low) / (high - low)
        return self.length


def develop(bar: Bar, neutral: float | None = None) -> Development:
    """The bar before bending; `neutral` replaces the rule for every bend."""
    position = flat = 0.0
    bends, marks = [], [(0.0, 0.0)]
    for segment in bar.path:
        length = segment.length
        if isinstance(segment, Bend):
            bends.append(_flat_bend(segment, bar.section, flat, neutral))
            length = bends[-1].length
        position, flat = position + segment.length, flat + length
        marks.append((position, flat))
    return Development(flat, tuple(bends), tuple(marks))


def bar_words(section: Section, units: Units) -> str:
    """What bar to ask for, to a hundredth of a mm or a thousandth of an inch, without the unit."""
    width, height, wall = (place_words(each, units) for each in (section.width, section.height, section.wall))
    if section.shape == "rectangle":
        return f"bar {width} x {height}"
    return f"tube {width} x {wall}" if section.shape == "tube" else f"round bar {width}"


def bend_allowance(angle: float, *, inside: float, thickness: float, neutral: float) -> float:
    """The flat length of a bend of `angle` rad, in the unit of radius and thickness."""
    return abs(angle) * (inside + neutral * thickness)


def neutral_share(inside: float, thickness: float) -> float:
    """Where a bend of this inside radius keeps its length, as a share of the thickness (DIN 6935)."""
    k = 0.65 + 0.5 * math.log10(max(inside, 1e-9) / thickness)
    return min(max(k / 2.0, TIGHTEST), 0.5)


def thickness_in(section: Section, plane: float) -> float:
    """How thick the bar is in the plane of a bend: its extent in that direction."""
    if section.shape != "rectangle":
        return section.width
    return section.width * abs(math.cos(plane)) + section.height * abs(math.sin(plane))


def _flat_bend(bend: Bend, section: Section, start: float, neutral: float | None) -> FlatBend:
    thickness = thickness_in(section, bend.plane)
    inside = bend.radius - thickness / 2.0
    share = neutral_share(inside, thickness) if neutral is None else neutral
    length = bend_allowance(bend.angle, inside=inside, thickness=thickness, neutral=share)
    return FlatBend(bend, start, length, inside, share)
