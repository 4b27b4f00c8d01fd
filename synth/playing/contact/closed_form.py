"""The closed form: how hard the stick holds a tine before it slips, how it lets go, pluck or strike.

In: a stick, tines, a stroke. Out: per tine the hold force, the bend, the times of loading and release, and three
numbers. The idea: stick in the hand and tine are springs in series; the stick must rise by what the tine stands in
its way, and the slope of the contact (beta, below level) grows from the tilt a to a right angle as the tine slips
round the stick's rounded end. With phi the friction angle, o the bite, rho = r_end + r_edge:

    F(beta) = (o - rho (1 - sin beta)) / D,   D = sin a cos(a - beta + phi) C - cos a sin(a - beta + phi) C_along
    F_x = F cos(beta - phi), w = F_x/k_tine

C and C_along are the gives of the stick's end in its fingers, across and along it, in the time that the load takes.

It is right within 1.5 dB for the hold force of slow strokes, and within 6.5 dB (68 % of tines) for the first
partial; the stages of a contact interfere, which only stepping through time can follow
(`synth.playing.contact.stroke_contact`). It serves previews, warnings and strength.
"""

from __future__ import annotations

import math
from typing import Final, Literal

import numpy as np

from synth.arrays import Array
from synth.frozen import frozen
from synth.playing.contact.modes import ContactModes
from synth.playing.contact.stick import compliance, give_within
from synth.playing.contact.stick_path import StickPath, touch_time
from synth.playing.stroke import Stroke

Regime = Literal["pluck", "mixed", "strike"]

ROUNDS: Final = 13  # places on the way round the stick's end that are looked at
PLUCK_BELOW: Final = 0.3  # of the strike number; fitted to 2404 contacts of the full model
STRIKE_ABOVE: Final = 3.0
MODES: Final = 10
ERROR_DB: Final = 6.5  # of the first partial's amplitude, 68 % of the tines


@frozen
class Pluck:
    """T tines, closed form. SI."""

    hold_force: Array  # (T,) N, along the row, as the tine begins to slip round the end
    hand_force: (
        Array  # (T,) N, the same of a stroke so slow that the hand gives it all, and the stick's mass nothing
    )
    top_force: Array  # (T,) N, of the drag over the flat top
    bend: Array  # (T,) m, of the contact point under the hold force
    touch: Array  # (T,) s, first touch
    slip: Array  # (T,) s, from bending to slipping round the end
    top: Array  # (T,) s, onto the flat top
    leave: Array  # (T,) s, at the far edge
    drop_time: float  # s, of the drop off the far edge
    strike_number: Array  # (T,) Pi = v/(w_1 w_q)
    release_number: Array  # (T,) X = w_1 rho/v
    softness: Array  # (T,) kappa = k_tine/k_stick

    @property
    def amplitude(self) -> Array:
        """(T,) m of the first partial at the tip: fitted to the full model, `ERROR_DB` for 68 % of the tines."""
        release = 0.47 * (1.0 + self.release_number / 66.0) ** -4.7
        strike = 0.29 * self.strike_number**0.84 * self.softness**0.03
        return np.asarray(self.bend * (release + strike))

    @property
    def greatest_bend(self) -> Array:
        """(T,) m, with the fling of a strike: 1.7, 3.2 and 7 times the bend at Pi of 2, 6 and above 10."""
        fling = np.interp(np.log(np.maximum(self.strike_number, 1e-9)), np.log([0.5, 2.0, 6.0, 20.0]), FLING)
        return np.asarray(self.bend * fling)


FLING: Final = (
    1.1,
    1.7,
    3.2,
    7.2,
)  # greatest bend over held bend, medians of the full model by strike number


def regime(strike_number: float) -> Regime:
    """Plucked, struck, or between."""
    if strike_number < PLUCK_BELOW:
        return "pluck"
    return "strike" if strike_number > STRIKE_ABOVE else "mixed"


def pluck(stroke: Stroke, way: StickPath, tip: ContactModes) -> Pluck:
    """The closed form for every tine of the passage."""
    stick, rho = stroke.stick, stroke.stick.end_radius + way.edge
    slow = Path(stroke, way.bite, rho, tip.stiffness, *compliance(stroke.stick, stroke.grip))
    travel = slow.travel(stroke.tilt)
    # a quick stroke meets the stick's mass: its give depends on the time, and the time on its give
    for _ in range(3):
        time = np.maximum(travel, 0.3 * rho) / stroke.speed
        path = Path(stroke, way.bite, rho, tip.stiffness, *give_within(stroke.stick, stroke.grip, time))
        travel = path.travel(stroke.tilt)
    # a shallow bite meets the rounded end itself and is held hardest somewhere on its way round it
    way_round = np.linspace(stroke.tilt, 0.5 * math.pi, ROUNDS)[:, None]
    held, held_slowly = path.along_row(way_round), slow.along_row(way_round)
    hold, hand, top = held.max(axis=0), held_slowly.max(axis=0), held[-1]
    way_to_slip = np.maximum(travel, 0.0)
    way_round_end = np.maximum(path.travel(0.5 * math.pi) - way_to_slip, 0.3 * rho)
    to_slip, round_end = way_to_slip / stroke.speed, way_round_end / stroke.speed
    touch = touch_time(way, end_radius=stick.end_radius, tilt=stroke.tilt, skew=stroke.skew)
    over = (way.diameter - 2.0 * way.edge) / stroke.speed
    omega = 2.0 * math.pi * tip.frequency[:, 0, 0]
    bend = hold / tip.stiffness
    return Pluck(
        hold_force=hold,
        hand_force=hand,
        top_force=np.minimum(top, hold),
        bend=bend,
        touch=touch,
        slip=touch + to_slip,
        top=touch + to_slip + round_end,
        leave=touch + to_slip + round_end + over,
        drop_time=DROP_WAY / stroke.speed,
        strike_number=stroke.speed / (omega * np.maximum(bend, 1e-12)),
        release_number=omega * rho / stroke.speed,
        softness=tip.stiffness * compliance(stick, stroke.grip)[0],
    )


DROP_WAY: Final = (
    0.2e-3  # m, over which the tine drops off the stick at its far edge; 0.15 to 0.35 mm in the full model
)


@frozen
class Path:
    """The quasi-static way of the contact round the stick's end, for T tines."""

    stroke: Stroke
    bite: Array
    rho: Array
    tine_stiffness: Array
    across: Array | float  # m/N, the end's give across the stick in the time there is
    along: Array | float  # and along it

    @property
    def friction_angle(self) -> float:
        return math.atan(self.stroke.stick.friction)

    def force(self, beta: Array | float) -> Array:
        """(T,) N of the contact, friction included, (B, T) at angles (B, 1); none where the stick passes above."""
        a, bent = self.stroke.tilt, self.stroke.tilt - beta + self.friction_angle
        compliance = math.sin(a) * np.cos(bent) * self.across - math.cos(a) * np.sin(bent) * self.along
        # below the friction angle the give closes and no force would let the tine slip: held at a sliver of it
        compliance = np.maximum(compliance, 1e-3 * self.across)
        return np.asarray(np.maximum(self.bite - self.rho * (1.0 - np.sin(beta)), 0.0) / compliance)

    def along_row(self, beta: Array | float) -> Array:
        """The same along the row."""
        return np.asarray(self.force(beta) * np.cos(beta - self.friction_angle))

    def travel(self, beta: float) -> Array:
        """(T,) m of the hand since the first touch."""
        a, phi, force = self.stroke.tilt, self.friction_angle, self.force(beta)
        bent = a - beta + phi
        compliance = math.cos(beta - phi) / self.tine_stiffness
        compliance = (
            compliance
            + math.cos(a) * math.cos(bent) * self.across
            + math.sin(a) * math.sin(bent) * self.along
        )
        face = np.maximum(self.bite - self.rho * (1.0 - math.sin(a)), 0.0) / math.cos(a)
        return np.asarray(
            force * compliance - self.rho * math.cos(beta) + self.rho * math.cos(a) + face * math.sin(a)
        )
