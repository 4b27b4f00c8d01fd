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


def stick_modes(stick: Stick, *, tilt: float, skew: float, beam_modes: int) -> StickModes:
    """The stick held at a tilt from the upright and a skew from the row."""
    omega, decay, end = bending(stick, beam_modes)
    heading = np.array([math.cos(skew), math.sin(skew), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    down = math.cos(tilt) * heading - math.sin(tilt) * up
    sideways = np.array([-math.sin(skew), math.cos(skew), 0.0])
    axis = math.sin(tilt) * heading + math.cos(tilt) * up
    whole = hand.MASS + stick.mass
    hand_omega = math.sqrt(hand.STIFFNESS / whole)
    return StickModes(
        omega=np.concatenate([omega, omega, [hand_omega]]),
        decay=np.concatenate([decay, decay, [0.5 * hand_damper() / whole]]),
        shape=np.concatenate([np.outer(end, down), np.outer(end, sideways), axis[None] / math.sqrt(whole)]),
    )


def bending(stick: Stick, beam_modes: int) -> tuple[Array, Array, Array]:
    """Beam and hand together across the stick: omega, decay and shape at the end, each (beam_modes + 1,)."""
    beam = Slender(np.array([stick.length]), np.array([stick.mass]), beam_modes)
    omega = 2.0 * math.pi * stick.frequency * beam.frequency_ratio / beam.frequency_ratio[0]
    # a stick whose stiffness, mass and frequency were all measured need not be uniform: the end's give decides
    uniform = CANTILEVER_MASS * stick.mass * omega[0] ** 2
    end = beam.shape(0.0)[0] * math.sqrt(uniform / stick.stiffness)
    inertia = np.eye(beam_modes + 1)
    inertia[0, 0] = hand.MASS + stick.mass
    inertia[0, 1:] = inertia[1:, 0] = beam.momentum[0]
    spring = np.array([hand.STIFFNESS, *omega**2])
    whitened = np.linalg.inv(np.linalg.cholesky(inertia))
    square, vectors = np.linalg.eigh(whitened @ np.diag(spring) @ whitened.T)
    mode = whitened.T @ vectors
    together = np.sqrt(square)
    loss = mode[0] ** 2 * hand_damper() + stick.material.loss_factor * (omega**2 @ mode[1:] ** 2) / together
    return together, 0.5 * loss, mode[0] + end @ mode[1:]


def hand_damper() -> float:
    """N s/m."""
    return 2.0 * hand.DAMPING * math.sqrt(hand.STIFFNESS * hand.MASS)
