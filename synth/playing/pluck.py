"""The closed form: how hard the stick holds a tine before it slips, how it lets go, pluck or strike.

In: a stick, tines, a stroke. Out: per tine the hold force, the bend, the times of loading and release, and three
numbers. The idea: stick, hand and tine are springs in series; the stick must rise by what the tine stands in its
way, and the slope of the contact (beta, below level) grows from the tilt a to a right angle as the tine slips round
the stick's rounded end. With phi the friction angle, o the bite, rho = r_end + r_edge:

    F(beta) = (o - rho (1 - sin beta)) / D,   D = sin(beta - phi)/K_hand + sin a cos(a - beta + phi)/k_stick
    F_x = F cos(beta - phi), w = F_x/k_tine

It is right within 1.5 dB for the hold force of slow strokes, and within 6.5 dB (68 % of tines) for the first
partial; the stages of a contact interfere, which only stepping through time can follow (`synth.playing.contact`).
It serves previews, warnings and strength.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final, Literal

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument, Stick
from synth.playing import hand
from synth.playing.passage import Passage, passage, touch_time
from synth.playing.stroke import Excitation, Stroke
from synth.playing.tips import Tips, tips
from synth.vibration.tine import TineModes

Array = NDArray[np.float64]
Regime = Literal["pluck", "mixed", "strike"]

ROUNDS: Final = 13  # places on the way round the stick's end that are looked at
PLUCK_BELOW: Final = 0.3  # of the strike number; fitted to 2404 contacts of the full model
STRIKE_ABOVE: Final = 3.0
MODES: Final = 10
ERROR_DB: Final = 6.5  # of the first partial's amplitude, 68 % of the tines


@dataclass(frozen=True)
class Pluck:
    """T tines, closed form. SI."""

    hold_force: Array  # (T,) N, along the row, as the tine begins to slip round the end
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


def pluck(stroke: Stroke, way: Passage, tip: Tips) -> Pluck:
    """The closed form for every tine of the passage."""
    stick, rho = stroke.stick, stroke.stick.end_radius + way.edge
    give = np.full(len(way.bite), 1.0 / hand.STIFFNESS)
    # a quick stroke meets the hand's mass: its give depends on the time, and the time on its give
    for _ in range(3):
        path = Path(stick, stroke.tilt, way.bite, rho, give, tip.stiffness)
        x = math.sqrt(hand.STIFFNESS / hand.MASS) * np.maximum(path.travel(stroke.tilt), 0.0) / stroke.speed
        give = x**2 / (6.0 + x**2) / hand.STIFFNESS
    start = np.minimum(stroke.tilt, 0.5 * math.pi)
    top = path.along(0.5 * math.pi)
    # a shallow bite meets the rounded end itself and is held hardest somewhere on its way round it
    hold = np.max([path.along(beta) for beta in np.linspace(start, 0.5 * math.pi, ROUNDS)], axis=0)
    to_slip = np.maximum(path.travel(start), 0.0) / stroke.speed
    round_end = (
        np.maximum(path.travel(0.5 * math.pi) - np.maximum(path.travel(start), 0.0), 0.3 * rho) / stroke.speed
    )
    touch = touch_time(way, end_radius=stick.end_radius, tilt=stroke.tilt, skew=stroke.skew)
    over = (way.diameter - 2.0 * way.edge) / stroke.speed
    omega = 2.0 * math.pi * tip.frequency[:, 0, 0]
    bend = hold / tip.stiffness
    return Pluck(
        hold_force=hold,
        top_force=np.minimum(top, hold),
        bend=bend,
        touch=touch,
        slip=touch + to_slip,
        top=touch + to_slip + round_end,
        leave=touch + to_slip + round_end + over,
        drop_time=DROP_WAY / stroke.speed,
        strike_number=stroke.speed / (omega * np.maximum(bend, 1e-12)),
        release_number=omega * rho / stroke.speed,
        softness=tip.stiffness / stick.stiffness,
    )


DROP_WAY: Final = (
    0.2e-3  # m, over which the tine drops off the stick at its far edge; 0.15 to 0.35 mm in the full model
)


@dataclass(frozen=True)
class Path:
    """The quasi-static way of the contact round the stick's end, for T tines."""

    stick: Stick
    tilt: float
    bite: Array
    rho: Array
    hand_give: Array  # m/N, the hand's give in the time there is
    tine_stiffness: Array

    @property
    def friction_angle(self) -> float:
        return math.atan(self.stick.friction)

    def force(self, beta: float) -> Array:
        """(T,) N of the contact, normal and friction together; none where the stick passes above."""
        a, phi = self.tilt, self.friction_angle
        give = (
            math.sin(beta - phi) * self.hand_give
            + math.sin(a) * math.cos(a - beta + phi) / self.stick.stiffness
        )
        # below the friction angle the give closes and no force would let the tine slip: held at a sliver of it
        give = np.maximum(give, 1e-3 / self.stick.stiffness)
        return np.asarray(np.maximum(self.bite - self.rho * (1.0 - math.sin(beta)), 0.0) / give)

    def along(self, beta: float) -> Array:
        """(T,) N along the row."""
        return self.force(beta) * math.cos(beta - self.friction_angle)

    def travel(self, beta: float) -> Array:
        """(T,) m of the hand since the first touch."""
        a, phi, force = self.tilt, self.friction_angle, self.force(beta)
        lean = math.cos(a) * math.cos(a - beta + phi) / self.stick.stiffness
        give = (1.0 / self.tine_stiffness + self.hand_give) * math.cos(beta - phi) + lean
        face = np.maximum(self.bite - self.rho * (1.0 - math.sin(a)), 0.0) / math.cos(a)
        return np.asarray(
            force * give - self.rho * math.cos(beta) + self.rho * math.cos(a) + face * math.sin(a)
        )


def excite(stroke: Stroke, instrument: Instrument, tines: TineModes, seed: int = 0) -> Excitation:
    """The stroke as three smooth changes of force per tine: loading, slipping round the end, dropping off.

    A force step dF bends the tine to a new place of rest, about which it then swings: seen from there, mode n jumps
    by -dF phi_n/w_n^2. Spread evenly over a time tau the jump shrinks by sinc(w tau/2), as a raised cosine it
    shrinks by cos(w tau/2)/(1 - (w tau/pi)^2).
    """
    stroke = hand.played(stroke, seed)
    way = passage(stroke, instrument, tines.frequency[:, 0, 0], seed)
    tip = tips(tines, way.tine, depth=stroke.height, count=MODES)
    closed = pluck(stroke, way, tip)
    heading = (math.cos(stroke.skew) * way.sign, math.sin(stroke.skew))
    width = tines.frequency.shape[2]
    steps = [
        (closed.touch, closed.slip, closed.hold_force, even),
        (closed.slip, closed.top, closed.top_force - closed.hold_force, raised_cosine),
        (closed.leave, closed.leave + closed.drop_time, -closed.top_force, raised_cosine),
    ]
    omega = np.where(tines.exists[:, None, :], 2.0 * math.pi * tines.frequency, 1.0)[way.tine]
    shape = np.where(tines.exists, tines.at(np.full(len(tines.mass), stroke.height)), 0.0)[way.tine]
    plane = in_planes(heading, tip.axis)
    jump = [
        -(force[:, None] * plane)[:, :, None]
        * shape[:, None, :]
        / omega**2
        * spread(omega * (end - begin)[:, None, None])
        for begin, end, force, spread in steps
    ]
    time = np.concatenate([0.5 * (begin + end) for begin, end, _, _ in steps])
    order = np.argsort(time, kind="stable")
    displacement = np.concatenate(jump).reshape(-1, 2, width)[order]
    struck = np.tile(way.touched, len(steps))[order]
    return Excitation(
        time=time[order][struck],
        tine=np.tile(way.tine, len(steps))[order][struck],
        displacement=displacement[struck],
        velocity=np.zeros_like(displacement[struck]),
    )


def in_planes(heading: tuple[float, float], axis: Array) -> Array:
    """(T, 2): a direction (along, across) seen in the tines' principal planes."""
    along, across = heading
    return np.stack(
        [np.cos(axis) * along + np.sin(axis) * across, np.cos(axis) * across - np.sin(axis) * along], axis=1
    )


def even(angle: Array) -> Array:
    """sin(x)/x at half the angle w tau: a force that changes evenly over tau."""
    return np.asarray(np.sinc(angle / (2.0 * math.pi)))


def raised_cosine(angle: Array) -> Array:
    """A force that changes as half a cosine over tau: cos(x)/(1 - (2 x/pi)^2) at half the angle w tau."""
    x = angle / 2.0
    near = np.abs(x - 0.5 * math.pi) < 1e-5  # 0/0 there, pi/4 in the limit
    safe = np.where(near, 0.0, x)
    return np.asarray(np.where(near, 0.25 * math.pi, np.cos(safe) / (1.0 - (2.0 * safe / math.pi) ** 2)))
