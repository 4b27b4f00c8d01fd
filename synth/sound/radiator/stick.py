"""The stick's own sound: a line of dipoles in the air, whatever the instrument stands on.

In: the stick of a contact and the force that it met. Out: its pressure at the ears. After an impulse at its end the
stick swings as `StickLine` says; each piece is a dipole, as a tine's is (`synth.sound.radiator.bar`). It stands
where its end passes the middle of the group: a group is short against the way to the ears. The hand itself, broad
and soft, is taken to be silent.
"""

from __future__ import annotations

import math
from functools import lru_cache
from typing import Final

import numpy as np

from synth.arrays import AnyComplex, Array, Complex, Indices
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.playing.contact.stick import StickLine
from synth.playing.stroke import ForceTrace
from synth.sound.drive import Drive, Driven, Force, Inputs, real_product
from synth.sound.pole_steps import powers
from synth.sound.radiator import EARS, arrivals, ears
from synth.sound.radiator.dipoles import pressures, rods
from synth.vibration.bar import path
from synth.vibration.modal_model import ModalModel

ALONG: Final = 2001  # points of the bar, of which the nearest to an ear is where sound is timed from
QUIET: Final = 1e-3  # of a mode of the stick, -60 dB: what is left at the end of its ring
LONGEST: Final = 1.0  # s of it


@frozen
class StickPressure:
    """Pressure (C, T) Pa from `frame` on."""

    frame: int
    pressure: Array


@frozen
class HeardStick:
    """A stick's modes, made ready: what strokes of one stick on one group share."""

    drive: Drive
    inputs: Inputs  # impulses in the two directions across the stick

    @property
    def swing(self) -> AnyComplex:
        """(M, chunk) what each mode does in a chunk: the same on every group."""
        return _swing((self.drive.pole / self.drive.rate).tobytes(), self.drive.chunk)


@lru_cache(maxsize=8)
def _swing(turn: bytes, chunk: int) -> AnyComplex:
    """Of modes (M,) that turn so far in a frame, complex numbers as bytes."""
    return powers(np.frombuffer(turn, np.complex128), chunk).T


def stick_sound(
    line: StickLine, trace: ForceTrace, model: ModalModel, instrument: Instrument, *, rate: float
) -> StickPressure:
    """What is heard of the stick that left this trace."""
    return stick_pressure(line, trace, heard_stick(line, np.unique(trace.tine), model, instrument, rate=rate))


def heard_stick(
    line: StickLine, passed: Indices, model: ModalModel, instrument: Instrument, *, rate: float
) -> HeardStick:
    """The stick on its way over some tines, which say where it is heard from."""
    weights = stick_weights(line, passed, model, instrument)
    none = np.zeros((1, len(line.pole)))
    drive = Drive(
        np.concatenate([line.pole, line.pole]),
        np.concatenate(weights, axis=1),
        immediate=np.ones(weights.shape[1], dtype=np.bool_),
        rate=rate,
    )
    # the residues hold how an impulse starts each mode: it adds 1 to those of its own direction
    return HeardStick(drive, drive.inputs(np.block([[none + 1.0, none], [none, none + 1.0]])))


def stick_pressure(line: StickLine, trace: ForceTrace, heard: HeardStick) -> StickPressure:
    """What is heard of the stick for a trace, or a part of it."""
    on_stick = trace.push @ -line.across.T  # (S, 2)
    force = Force(trace.time, np.zeros(len(trace.time), np.int64), on_stick)
    return _rung_out(heard, heard.drive(heard.inputs, force))


def weights_depend_on(line: StickLine, passed: Indices) -> bytes:
    """What tells two strokes apart whose sticks sound differently: the stick, and the tines that it passes."""
    parts = (line.position, line.pole, line.residue, line.axis, line.across, line.diameter, passed)
    return b"".join(np.asarray(each).tobytes() for each in parts)


def stick_weights(line: StickLine, passed: Indices, model: ModalModel, instrument: Instrument) -> Complex:
    """(2, C, M) Pa per unit of each mode's amplitude, for impulses in the two directions across the stick.

    `passed`: the tines that it passes, in their order.
    """
    points = ears(instrument)
    nearest = arrivals(instrument, points, nearest_way(instrument))
    bases, middle = model.bases, passed[len(passed) // 2]
    frame = np.stack([bases.along, bases.across, bases.pointing], axis=1)[middle]  # the row's axes as rows
    foot, _ = model.bar.frame_at(bases.position[passed])
    tip = (
        foot
        + bases.arm[passed]
        + (model.tines.tip - model.tines.height[:, 0])[passed, None] * bases.pointing[passed]
    )
    share = np.gradient(line.position)
    share[[0, -1]] /= 2.0
    pieces = rods(
        tip.mean(axis=0) + line.position[:, None] * (line.axis @ frame),
        length=share,
        radius=line.diameter / 2.0,
    )
    moves = line.residue.T
    return np.stack(
        [
            pressures(
                pieces,
                np.eye(len(line.position))[:, None] * (direction @ frame)[:, None],
                moves,
                line.pole,
                points,
                nearest=nearest,
            )
            for direction in line.across
        ]
    )


def nearest_way(instrument: Instrument) -> float:
    """m from the bar to the nearer ear, which a stick's sound is timed from, whatever mesh a model has."""
    bar, _ = path(instrument.bar, np.linspace(0.0, instrument.bar.length, ALONG))
    return float(np.min(np.linalg.norm(ears(instrument)[:EARS, None] - bar, axis=2)))


def _rung_out(stick: HeardStick, driven: Driven) -> StickPressure:
    """What was heard under the force, and the ring that it left, chunk by chunk: there are only a few modes."""
    drive = stick.drive
    chunk, turn = drive.chunk, drive.pole / drive.rate
    first = int(driven.ends[0])
    nth = (driven.ends - first) // chunk
    rings = min(math.log(QUIET) / float(turn.real.max()), LONGEST * drive.rate)  # frames
    last = int(nth[-1])
    state = np.zeros((last + 1 + math.ceil(rings / chunk), len(turn)), np.complex128)
    state[nth] = driven.states
    steps = powers(turn * chunk, len(state) - last)
    for k in range(1, last + 1):
        state[k] += steps[1] * state[k - 1]
    state[last + 1 :] = steps[1:] * state[last]
    ring = real_product(state * drive.weights[:, None], stick.swing).reshape(len(drive.weights), -1)
    heard = np.zeros((len(ring), first - driven.frame + ring.shape[1]))
    heard[:, : driven.signals.shape[1]] = driven.signals
    heard[:, first - driven.frame :] += ring
    return StickPressure(driven.frame, heard)
