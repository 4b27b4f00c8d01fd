"""How the stick passes a row: which tines it meets in which order, where, and how deep it bites each.

In: a `Stroke` and the instrument. Out: a `Passage`, T tines in the order of meeting, seen along the stick's way
(a backward stroke is the forward stroke of the mirrored row). The hand moves on a straight line; a bite that
differs from tine to tine stands in the height of the tips.

    z           hand     The stick trails: its end is behind the hand by the tilt a, from the upright.
    |          /         The end's centre C moves along +x at the stroke's speed. It touches the rear edge of
    |   ( C---'          the tine, climbs round it on its own rounded end, is dragged over the flat top and
    |    | |    | |      drops off the far edge.
    +----tines-------> x
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import EDGE_RADIUS, Instrument
from synth.frozen import frozen
from synth.playing.contact.hand import wander
from synth.playing.contact.stick import compliance
from synth.playing.stroke import Stroke

NO_BITE: Final = 1e-7  # m: less is rounding
EDGE_SHARE: Final = 0.25  # of the diameter: the most that a thin tine's edge can be rounded


@frozen
class StickPath:
    """T tines in the order in which the stick meets them. SI."""

    tine: NDArray[np.int64]  # (T,) index into the instrument's tines
    position: NDArray[np.float64]  # (T,) along the stick's way, the first at 0
    bite: NDArray[np.float64]  # (T,) with lean, pressure and an unsteady hand; 0 where the stick passes above
    diameter: NDArray[np.float64]  # (T,)
    edge: NDArray[np.float64]  # (T,) radius of the top edge
    sign: float  # +1 forward, -1 backward: turns the row's `along` into the stick's way
    start: float  # s, of the first touch
    speed: float

    @property
    def core(self) -> NDArray[np.float64]:
        """(T,) half the width of the flat top, which the edges are rounded around."""
        return np.asarray(self.diameter / 2.0 - self.edge)

    @property
    def touched(self) -> NDArray[np.bool_]:
        return self.bite > 0.0


def passage(
    stroke: Stroke, instrument: Instrument, fundamental: NDArray[np.float64], seed: int = 0
) -> StickPath:
    """Whom the stroke meets. `fundamental` (R,) Hz tells low tines from high ones, for the lean."""
    group = instrument.groups[stroke.group]
    index = np.arange(group.first, group.first + group.count)
    along = np.array([instrument.tines[i].position for i in index])
    sign = 1.0 if stroke.direction == "forward" else -1.0
    order = np.argsort(sign * along, kind="stable")
    diameter = np.array([instrument.tines[i].rod.diameter for i in index])
    bite = stroke.bite * (1.0 + stroke.lean * height_in_row(fundamental[index]))
    bite *= wander(stroke, seed, group.count)
    # one that passes above presses on nothing
    bite = np.where(bite > NO_BITE, bite + stroke.pressure * lowered_by(stroke), 0.0)
    return StickPath(
        tine=index[order],
        position=sign * (along[order] - along[order][0]),
        bite=bite[order],
        diameter=diameter[order],
        edge=np.minimum(EDGE_RADIUS, EDGE_SHARE * diameter[order]),
        sign=sign,
        start=stroke.start,
        speed=stroke.speed,
    )


def lowered_by(stroke: Stroke) -> float:
    """m/N: by what a stick pressed by a hand would stand lower if nothing held it."""
    across, lengthwise = compliance(stroke.stick, stroke.grip)
    return across * math.sin(stroke.tilt) ** 2 + lengthwise * math.cos(stroke.tilt) ** 2


def height_in_row(fundamental: NDArray[np.float64]) -> NDArray[np.float64]:
    """-1 for the lowest tine, +1 for the highest, by pitch between them; 0 where all are alike."""
    pitch = np.log2(fundamental)
    middle, half = (pitch.max() + pitch.min()) / 2.0, (pitch.max() - pitch.min()) / 2.0
    return np.zeros_like(pitch) if half < 1e-9 else (pitch - middle) / half


def first_touch(way: StickPath, *, end_radius: float, tilt: float, skew: float) -> NDArray[np.float64]:
    """Where the centre of the stick's end is (T,), relative to each tine's axis, as the face meets the rear edge.

    The face touches the edge's circle when (E - C) . n = rho, with n = (cos a, -sin a), E the edge's centre and
    rho = r_end + r_edge. All this in the plane of the stick's heading, which a skew turns away from the row.
    """
    rho = end_radius + way.edge
    rise = way.bite - rho  # of the edge's centre above the stick end's
    on_face = (rho + rise * math.sin(tilt)) / math.cos(tilt)
    on_end = np.sqrt(np.maximum(rho**2 - rise**2, 0.0))  # a shallow bite meets the rounded end itself
    shallow = rise < -rho * math.sin(tilt)
    ahead = way.core + np.where(shallow, on_end, on_face)
    return np.asarray(-ahead / math.cos(skew))


def touch_time(way: StickPath, *, end_radius: float, tilt: float, skew: float) -> NDArray[np.float64]:
    """When the stick touches each tine (T,) s, unbent; the first touch of all is the stroke's start."""
    where = way.position + first_touch(way, end_radius=end_radius, tilt=tilt, skew=skew)
    reached = where[way.touched] if way.touched.any() else where
    return np.asarray(way.start + (where - reached.min()) / way.speed)
