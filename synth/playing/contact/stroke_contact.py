"""A stroke with real contact: the default (`EVENT`) and the truth (`FULL`), the same laws at two finenesses.

In: a stroke, the instrument, its tines' modes, and how they ring when the stick comes. Out: a `Contact`: the trace
of its force, what happened to each tine, warnings, and the books. The idea: the stick needs the tines' whole state
to know where they are, but what it hands on is the force alone, so the ring that was there before goes on by itself
and is damped, caught or driven by what is added. Base and bar hold still for the while of a contact.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np

from synth.arrays import Array, Indices
from synth.design.instrument import Instrument, Tine
from synth.errors import InputError
from synth.playing.contact import hand, layout, refusals
from synth.playing.contact.closed_form import pluck, regime
from synth.playing.contact.modes import ContactModes, tips
from synth.playing.contact.run import (
    EVENT,
    REFERENCE,
    ContactResolution,
    EnergyBalance,
    InitialState,
    Sweep,
    rotation,
    sweep,
)
from synth.playing.contact.stick import StickLine, stick_line, stick_modes
from synth.playing.contact.stick_path import StickPath, passage
from synth.playing.report import REPORTED_PARTIALS, TineTouch
from synth.playing.stroke import ForceTrace, Stroke
from synth.vibration.tine import TineModes

__all__ = ["EVENT", "REFERENCE", "Contact", "ContactResolution", "Ringing", "ringing_since", "stroke_row"]

LOST: Final = 650.0  # nepers: a ring that has fallen by more is below the least number of double precision
CLOSED: Final = 0.02  # of the energy: books that are off by less are taken
LEVERED: Final = 3  # partials among which a turn of the tip is shared out as a force


# How tines (S,) ring at times (S,): modal displacement, kg^(1/2) m, and velocity, kg^(1/2) m/s, in their principal
# planes, (S, 2, N) each.
Ringing = Callable[[Indices, Array], tuple[Array, Array]]


@dataclass(frozen=True)
class Contact:
    """What came of a stroke."""

    trace: ForceTrace
    stick: StickLine  # which pushed back
    touches: tuple[TineTouch, ...]  # of every tine of the group, in the order in which the stick passes
    warnings: tuple[str, ...]
    books: EnergyBalance


def stroke_row(
    stroke: Stroke,
    instrument: Instrument,
    tines: TineModes,
    *,
    seed: int = 0,
    ringing: Ringing | None = None,
    resolution: ContactResolution = EVENT,
    allow_yield: bool = False,
    pad_damping: float = 1.0,
) -> Contact:
    """One stroke over its group. Raises `InputError` if it cannot be made or would bend a tine for good.

    `pad_damping` is a factor on what the player's fingers swallow: how much hangs on it is worth knowing, for
    nobody has measured it in a stroke.
    """
    stroke = hand.played(stroke, seed)
    way = passage(stroke, instrument, tines.frequency[:, 0, 0], seed)
    line = stick_line(
        stroke.stick,
        tilt=stroke.tilt,
        skew=stroke.skew,
        sign=way.sign,
        beam_modes=resolution.beam_modes,
        grip=stroke.grip,
        pad_damping=pad_damping,
    )
    if not way.touched.any():
        nothing = EnergyBalance(0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0)
        return Contact(_silent(way.start, resolution.bin), line, (), (), nothing)
    refusals.refuse_too_low(stroke, way, tines, instrument)
    tip = tips(tines, way.tine, depth=stroke.height, count=resolution.tine_modes)
    closed = pluck(stroke, way, tip)
    refusals.refuse_impossible(stroke, way, closed, instrument)
    refusals.refuse_too_deep(stroke, way, instrument)
    leaves = float(closed.leave[way.touched].max())
    try:
        swept = _followed(
            stroke, way, tip, _ring(way, tip, ringing), resolution, leaves=leaves, pad_damping=pad_damping
        )
    except InputError as error:
        raise error.within(instrument.file) from None
    refusals.refuse_unbooked(swept.books, instrument)
    touches = tuple(_touches(swept, way, tip, closed.strike_number, instrument))
    if not allow_yield:
        refusals.refuse_yield(touches, stroke, instrument)
    return Contact(
        trace=_trace(swept, way, tip),
        stick=line,
        touches=touches,
        warnings=refusals.warnings(stroke, way, touches, tip.length, instrument),
        books=swept.books,
    )


def _followed(
    stroke: Stroke,
    way: StickPath,
    tip: ContactModes,
    ring: InitialState,
    resolution: ContactResolution,
    *,
    leaves: float,
    pad_damping: float,
) -> Sweep:
    """The pass, followed more finely where energy comes from nowhere: 4 % of slow strokes, more as a stick digs in.

    Several steps at once then gave up to 16 % too much, and tines 2 dB.
    """
    while True:
        stick = stick_modes(
            stroke.stick,
            tilt=stroke.tilt,
            skew=stroke.skew,
            beam_modes=resolution.beam_modes,
            grip=stroke.grip,
            pad_damping=pad_damping,
            whole=resolution.whole,
        )
        swept = sweep(stroke, way, tip, stick, ring, resolution, leaves=leaves)
        if swept.books.off <= CLOSED or resolution.finer is None:
            return swept
        resolution = resolution.finer


def ringing_since(tines: TineModes, displacement: Array, velocity: Array, time: float) -> Ringing:
    """How tines ring on still bases after `time`, from their modal state (R, 2, N) then."""

    def later(index: Indices, times: Array) -> tuple[Array, Array]:
        omega, decay = _modes(tines, index)
        turn = np.moveaxis(rotation(omega, decay, (times - time)[:, None, None]), -2, 0)
        q, p = displacement[index], velocity[index]
        return turn[0] * q + turn[1] * p, turn[2] * q + turn[3] * p

    return later


def _ring(way: StickPath, tip: ContactModes, ringing: Ringing | None) -> InitialState:
    """The row's ring as the stick comes to each tine."""
    arrival = way.start + way.position / way.speed
    q, p = np.zeros(tip.frequency.shape), np.zeros(tip.frequency.shape)
    if ringing is not None:
        displacement, velocity = ringing(way.tine, arrival)
        known = min(displacement.shape[2], tip.frequency.shape[2])
        q[:, :, :known], p[:, :, :known] = displacement[:, :, :known], velocity[:, :, :known]
    return InitialState(q, p, arrival)


def _modes(tines: TineModes, index: Indices) -> tuple[Array, Array]:
    """omega and amplitude decay (S, 2, N); 1 and 0 for absent partials."""
    exists = tines.exists[index][:, None, :]
    omega = np.where(exists, 2.0 * math.pi * tines.frequency[index], 1.0)
    return omega, np.where(exists, 0.5 * omega * tines.loss_factor[index], 0.0)


def _trace(swept: Sweep, way: StickPath, tip: ContactModes) -> ForceTrace:
    """The force in the row's own directions, from the tines' principal planes: one tine after the other."""
    lever = _lever(tip)
    impulse, push, turn = (np.empty((len(swept.bin), width)) for width in (2, 3, 2))
    number = np.empty(len(swept.bin), np.int64)
    first = np.zeros(len(way.tine) + 1, np.int64)
    order = np.argsort(way.tine)
    for n, k in enumerate(order):
        mine = np.flatnonzero(swept.tine == k)  # in time's order
        here = slice(first[n], first[n] + len(mine))
        first[n + 1] = here.stop
        cos, sin = np.cos(tip.axis[k]), np.sin(tip.axis[k])
        planes = np.array([[cos, sin], [-sin, cos]])  # from the principal planes to along and across
        push[here, :2] = swept.impulse[mine] @ planes
        turn[here] = swept.turning[mine] @ planes
        push[here, 2] = swept.up[mine]
        impulse[here] = push[here, :2] + lever[k] * turn[here]
        number[here] = swept.bin[mine]
    return ForceTrace(
        start=swept.start,
        bin_s=swept.width,
        time=np.asarray(swept.start + (number + 0.5) * swept.width),
        tine=np.repeat(way.tine[order], np.diff(first)),
        impulse=impulse,
        push=push,
        turn=turn,
    )


def _lever(tip: ContactModes) -> Array:
    """1/m (T,): the force at the contact that does to the first partials, in the mean, what a turn of 1 N m does.

    A turn drives partial n by its slope, a force by its shape: their ratio grows from 1.4 to 11 over the length in
    four partials. Without it octaves from 1 to 16 kHz come out 0.4 to 1.2 dB off, with it 0.4 at most up to 8 kHz,
    0.8 above.
    """
    shape, slope = tip.shape[:, :LEVERED], tip.slope[:, :LEVERED]
    return np.asarray(np.sum(shape * slope, axis=1) / np.sum(shape**2, axis=1))


def _silent(start: float, width: float) -> ForceTrace:
    two, three = np.empty((0, 2)), np.empty((0, 3))
    return ForceTrace(
        start=start,
        bin_s=width,
        time=np.empty(0),
        tine=np.empty(0, np.int64),
        impulse=two,
        push=three,
        turn=two,
    )


def _touches(
    swept: Sweep, way: StickPath, tip: ContactModes, strike_number: Array, instrument: Instrument
) -> Iterator[TineTouch]:
    omega = 2.0 * math.pi * tip.frequency
    since = np.nan_to_num(swept.ring.time - swept.tally[:, layout.T_LAST])[:, None, None]
    swings = tip.decay_rate < omega  # what creeps does not ring, and dies more slowly than by its decay rate
    back = np.where(swings, np.exp(np.minimum(tip.decay_rate * since, LOST)), 0.0)  # as the stick left it
    ring = (swept.ring.displacement - 1j * swept.ring.velocity / omega) * back
    at_tip = ring * tip.tip_shape[:, None, :]
    cos, sin = np.cos(tip.axis)[:, None], np.sin(tip.axis)[:, None]
    along = np.abs(cos * at_tip[:, 0] - sin * at_tip[:, 1])[:, :REPORTED_PARTIALS]
    across = np.abs(sin * at_tip[:, 0] + cos * at_tip[:, 1])[:, :REPORTED_PARTIALS]
    for k, row in enumerate(swept.tally):
        yield TineTouch(
            tine=int(way.tine[k]),
            first_touch=float(row[layout.T_FIRST]),
            last_release=float(row[layout.T_LAST]),
            touches=int(row[layout.T_TOUCHES]),
            greatest_force=float(row[layout.T_FORCE]),
            energy=float(row[layout.T_WORK]),
            along=tuple(along[k].tolist()),
            across=tuple(across[k].tolist()),
            bend=float(row[layout.T_BEND]),
            root_stress=stress(float(row[layout.T_MOMENT]), instrument.tines[way.tine[k]]),
            strike_number=float(strike_number[k]),
            regime=regime(float(strike_number[k])),
        )


def stress(moment: float, tine: Tine) -> float:
    """The bending stress 32 M/(pi d^3) at the core of a rod, Pa, without the notch of a thread."""
    return 32.0 * moment / (math.pi * tine.rod.root_diameter**3)
