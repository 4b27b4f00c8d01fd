"""The stick in the hand as modes: a beam clamped in a mass that hangs on springs.

In: a `Stick`. Out: `StickModes`, seen at the end of the stick. The idea: across itself the stick bends on a hand
that gives; along itself it moves with the hand. Hand and beam are solved together,

    | M_hand + m   G' |                 K_hand
    | G            I  | x'' + diag(     w_i^2  ) x = 0,   G_i = integral of the beam's mode over its mass,

because the end of a stick of a gram in a hand of 150 moves on both.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import CANTILEVER_MASS, Stick
from synth.playing import hand
from synth.playing.tips import Slender

Array = NDArray[np.float64]


@dataclass(frozen=True)
class StickModes:
    """D modes of stick and hand: bending down, bending sideways, along; mass-normalised. SI."""

    omega: Array  # (D,) rad/s
    decay: Array  # (D,) 1/s, amplitude
    shape: Array  # (D, 3) kg^(-1/2) of the end along the row, across it and up


@dataclass(frozen=True)
class StickLine:
    """How a stick swings along its length after an impulse at its end, for the sound of the stick itself.

    After 1 N s at the end, in either direction across the stick, place k moves that way by
    Re sum_m residue[m, k] exp(pole[m] t) m. A conjugate pair of poles is written once, by the one above.
    """

    diameter: float  # m
    place: Array  # (K,) m from the end that strokes
    pole: NDArray[np.complex128]  # (M,) 1/s
    residue: NDArray[np.complex128]  # (M, K) m/(N s)
    across: Array  # (2, 3) the two directions across the stick as (along the row, across it, up)
    axis: Array  # (3,) from the end to the hand, likewise


LINE_POINTS: Final = 33  # of a stick's length: five waves of its tenth bending mode


def stick_line(stick: Stick, *, tilt: float, skew: float, sign: float, beam_modes: int) -> StickLine:
    """The line of a stick held at a tilt and a skew; `sign` -1 for a backward stroke."""
    omega, decay, mode = _bending(stick, beam_modes)
    place = np.linspace(0.0, stick.length, LINE_POINTS)
    shape = mode[:, 0] + np.stack([_end_shape(stick, beam_modes, each) for each in place]) @ mode[:, 1:].T
    damped = np.sqrt(omega**2 - decay**2)
    row = np.array([sign, 1.0, 1.0])
    return StickLine(
        diameter=stick.diameter,
        place=place,
        pole=-decay + 1j * damped,
        residue=-1j * (shape * shape[0]).T / damped[:, None],
        across=_axes(tilt, skew)[:2] * row,
        axis=_axes(tilt, skew)[2] * row,
    )


def _axes(tilt: float, skew: float) -> Array:
    """(3, 3) down, sideways and along the stick, as (along its way, across it, up)."""
    heading = np.array([math.cos(skew), math.sin(skew), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    return np.stack(
        [
            math.cos(tilt) * heading - math.sin(tilt) * up,
            np.array([-math.sin(skew), math.cos(skew), 0.0]),
            math.sin(tilt) * heading + math.cos(tilt) * up,
        ]
    )


def stick_modes(stick: Stick, *, tilt: float, skew: float, beam_modes: int) -> StickModes:
    """The stick held at a tilt from the upright and a skew from the row."""
    omega, decay, end = bending(stick, beam_modes)
    down, sideways, axis = _axes(tilt, skew)
    whole = hand.MASS + stick.mass
    hand_omega = math.sqrt(hand.STIFFNESS / whole)
    return StickModes(
        omega=np.concatenate([omega, omega, [hand_omega]]),
        decay=np.concatenate([decay, decay, [0.5 * hand_damper() / whole]]),
        shape=np.concatenate([np.outer(end, down), np.outer(end, sideways), axis[None] / math.sqrt(whole)]),
    )


def bending(stick: Stick, beam_modes: int) -> tuple[Array, Array, Array]:
    """Beam and hand together across the stick: omega, decay and shape at the end, each (beam_modes + 1,)."""
    omega, decay, mode = _bending(stick, beam_modes)
    return omega, decay, mode[:, 0] + mode[:, 1:] @ _end_shape(stick, beam_modes, 0.0)


def _end_shape(stick: Stick, beam_modes: int, depth: float) -> Array:
    """(beam_modes,) of the clamped beam, `depth` from its end."""
    beam = Slender(np.array([stick.length]), np.array([stick.mass]), beam_modes)
    # a stick whose stiffness, mass and frequency were all measured need not be uniform: the end's give decides
    uniform = CANTILEVER_MASS * stick.mass * (2.0 * math.pi * stick.frequency) ** 2
    return np.asarray(beam.shape(depth)[0] * math.sqrt(uniform / stick.stiffness))


def _bending(stick: Stick, beam_modes: int) -> tuple[Array, Array, Array]:
    """omega (D,), decay (D,), modes (D, 1 + beam_modes) in hand and clamped beam."""
    beam = Slender(np.array([stick.length]), np.array([stick.mass]), beam_modes)
    omega = 2.0 * math.pi * stick.frequency * beam.frequency_ratio / beam.frequency_ratio[0]
    inertia = np.eye(beam_modes + 1)
    inertia[0, 0] = hand.MASS + stick.mass
    inertia[0, 1:] = inertia[1:, 0] = beam.momentum[0]
    spring = np.array([hand.STIFFNESS, *omega**2])
    whitened = np.linalg.inv(np.linalg.cholesky(inertia))
    square, vectors = np.linalg.eigh(whitened @ np.diag(spring) @ whitened.T)
    mode = whitened.T @ vectors
    together = np.sqrt(square)
    loss = mode[0] ** 2 * hand_damper() + stick.material.loss_factor * (omega**2 @ mode[1:] ** 2) / together
    return together, 0.5 * loss, mode.T


def hand_damper() -> float:
    """N s/m."""
    return 2.0 * hand.DAMPING * math.sqrt(hand.STIFFNESS * hand.MASS)
