"""Row, stick and ring as the arrays that the compiled contact works on, at a resolution.

In: a passage, tips, the stick's modes, how the row rings. Out: `Row`, `Held` and `State` of `layout`.
"""

from __future__ import annotations

import functools
import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.frozen import frozen
from synth.playing.contact import layout
from synth.playing.contact.modes import ContactModes
from synth.playing.contact.resolution import ContactResolution
from synth.playing.contact.stick import StickModes
from synth.playing.contact.stick_path import StickPath

CRITICAL: Final = 1e-7  # of a mode's pitch: damped just beyond swinging, it would be divided by nothing
TOO_QUICK: Final = 1.2  # rad in a quiet step


@frozen
class InitialState:
    """How T tines ring, each at its own time: modal displacement and velocity (T, 2, n), time (T,)."""

    displacement: Array
    velocity: Array
    time: Array


def rotation(omega: Array, decay: Array, time: float | Array) -> Array:
    """The exact step of damped modes by a time: four coefficients before the last axis, (..., 4, n).

    A mode damped beyond swinging creeps: the same formula with hyperbolic functions.
    """
    swing = np.sqrt((omega**2 - decay**2).astype(complex))
    damped = np.where(np.abs(swing) < CRITICAL * omega, CRITICAL * omega, swing)
    co = 0.5 * (np.exp((1j * damped - decay) * time) + np.exp((-1j * damped - decay) * time)).real
    si = (np.exp((1j * damped - decay) * time) - np.exp((-1j * damped - decay) * time)) / (2j * damped)
    back = si.real
    return np.stack([co + decay * back, back, -(omega**2) * back, co - decay * back], axis=-2)


def row_arrays(way: StickPath, tip: ContactModes, resolution: ContactResolution) -> Any:
    cos, sin = np.cos(tip.axis), np.sin(tip.axis)
    height = np.where(way.touched, way.bite, -1.0)
    return _tines(tip, resolution.step)._replace(
        plane=np.stack([way.sign * cos, sin, -way.sign * sin, cos], axis=1),
        form=np.stack([way.position, height, way.core, way.edge, tip.drop], axis=1),
    )


@functools.lru_cache(maxsize=32)
def _tines(tip: ContactModes, step: float) -> Any:
    """What is the same of every stroke over these tips; nobody writes to it."""
    flat = (len(tip.length), -1)
    omega, decay = 2.0 * math.pi * tip.frequency.reshape(flat), tip.decay_rate.reshape(flat)
    return layout.Row(
        turns=_turns(omega, decay, step),
        omega=omega,
        decay_rate=decay,
        shape=tip.shape,
        slope=tip.slope,
        root_moment=tip.root_moment.reshape(flat),
        mobility=np.stack(
            [_given(tip, omega[:, : tip.shape.shape[1]], quiet) for quiet in (0.0, *_quiet(step))]
        ),
        plane=None,
        form=None,
    )


def _turns(omega: Array, decay: Array, step: float) -> Array:
    """(5, ..., 4, n) by each of the kernel's levels, and by its quiet steps.

    A quiet step of t is too long for the quickest modes, which would ring with the steps themselves. These go at
    once to where they rest under an even force, q = p/(omega^2 t), p = 0: energy goes out and none comes in.
    """
    turns = [rotation(omega, decay, step * level) for level in layout.LEVELS]
    for quiet in _quiet(step):
        rest = np.stack([0.0 * omega, 1.0 / (omega**2 * quiet), 0.0 * omega, 0.0 * omega], axis=-2)
        turns.append(np.where(_quick(omega, quiet)[..., None, :], rest, rotation(omega, decay, quiet)))
    return np.stack(turns)


def _quiet(step: float) -> tuple[float, ...]:
    """s, the quiet steps."""
    return tuple(step * steps for steps in layout.QUIET)


def _quick(omega: Array, time: float) -> NDArray[np.bool_]:
    return omega * time > TOO_QUICK


def _given(tip: ContactModes, omega: Array, quiet: float) -> Array:
    """(T, 3) what an impulse does to the tips at once, of the modes that a quiet step does not bring to rest."""
    shape, slope = (np.where(_quick(omega, quiet), 0.0, each) for each in (tip.shape, tip.slope))
    return np.stack([(shape**2).sum(axis=1), (shape * slope).sum(axis=1), (slope**2).sum(axis=1)], axis=1)


@functools.lru_cache(maxsize=32)
def stick_arrays(stick: StickModes, resolution: ContactResolution) -> Any:
    return layout.Held(
        turns=_turns(stick.omega[None], stick.decay_rate[None], resolution.step),
        omega=stick.omega[None],
        one=np.ones((1, len(stick.omega))),
        kick=np.stack([stick.kick_place, stick.kick_speed]),
        blocks=np.searchsorted(stick.direction, [1, 2]).astype(np.int64),
        axes=stick.axes,
        mobility=np.stack(
            [stick.compliance(~_quick(stick.omega, quiet)) for quiet in (0.0, *_quiet(resolution.step))]
        ),
    )


def first_state(ring: InitialState, blocks: int) -> Any:
    count = len(ring.time)
    flags = np.zeros((count, layout.FLAGS), np.int64)
    flags[:, layout.BIN] = -1
    touch = np.zeros((count, layout.TOUCH))
    touch[:, layout.LOSS], touch[:, layout.SLID] = -1.0, math.nan
    tally = np.zeros((count, layout.TALLIES))
    tally[:, [layout.T_FIRST, layout.T_LAST]] = math.nan
    return layout.State(
        q=ring.displacement.reshape(count, -1).copy(),
        p=ring.velocity.reshape(count, -1).copy(),
        since=ring.time.copy(),
        stick_q=np.zeros((1, blocks)),
        stick_p=np.zeros((1, blocks)),
        flags=flags,
        touch=touch,
        binned=np.zeros((count, layout.COLUMNS - 2)),
        tally=tally,
        books=np.zeros(layout.ENERGIES),
        clock=np.array([0, 0, 1, 1]),
    )
