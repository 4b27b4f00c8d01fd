"""Runs the compiled pass of a stick along a row, at a fineness.

In: a passage, tips, the stick's modes and how the row rings. Out: a `Sweep`: the force's history, a tally for each
tine, the books, the state after the last touch. The compiled code is imported only when a stroke is computed; the
first call ever says that it compiles.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.playing.passage import Passage, first_touch
from synth.playing.stick import StickModes
from synth.playing.stroke import Stroke
from synth.playing.tips import Tips

Array = NDArray[np.float64]
Index = NDArray[np.int64]

AHEAD: Final = 0.5e-3  # m before the first touch, where the stepping starts
TAIL: Final = 0.05  # m beyond the last tine
PATIENCE: Final = 0.2  # s that a stick may take longer than its speed says
ROOM: Final = 4096  # bins of history at first, besides one for every moment


@dataclass(frozen=True)
class Fineness:
    """How finely a contact is followed."""

    tine_modes: int  # in each plane
    beam_modes: int  # of the stick
    step: float  # s
    bin_steps: int  # the force is kept in bins of so many
    booked: bool  # every joule, between touches too

    @property
    def bin(self) -> float:
        """s, of a bin."""
        return self.step * self.bin_steps


FULL: Final = Fineness(tine_modes=10, beam_modes=4, step=0.5e-6, bin_steps=8, booked=True)
EVENT: Final = Fineness(tine_modes=8, beam_modes=4, step=2e-6, bin_steps=2, booked=False)


@dataclass(frozen=True)
class Books:
    """Where the energy of a stroke went, J."""

    hand: float  # work of the hand
    start: float  # in the tines as the stick came
    end: float  # in tines and stick
    damped: float  # lost inside tines and stick; complete in the truth only
    contact: float  # lost between them
    spring: float  # still in the contact's springs

    @property
    def residual(self) -> float:
        """What is missing, as a share of the hand's work."""
        missing = self.hand + self.start - self.end - self.damped - self.contact - self.spring
        return missing / max(abs(self.hand), 1e-30)


@dataclass(frozen=True)
class Ring:
    """How T tines ring, each at its own time: modal displacement and velocity (T, 2, n), time (T,)."""

    displacement: Array
    velocity: Array
    time: Array


@dataclass(frozen=True)
class Sweep:
    """What the kernel tells of T tines. SI."""

    tine: Index  # (H,) 0..T-1, of each bin with a touch
    bin: Index  # (H,) its number
    impulse: Array  # (H, 2) N s in the tine's principal planes
    moment: Array  # (H, 2) N s^2, the impulses times how long after the bin's middle
    normal: Array  # (H,) N s
    up: Array  # (H,) N s, on the tine
    start: float  # s, of bin 0
    width: float  # s, of a bin
    tally: Array  # (T, TALLIES) of `synth.playing.kernel`
    books: Books
    ring: Ring  # after the last touch


def sweep(
    stroke: Stroke,
    way: Passage,
    tip: Tips,
    stick: StickModes,
    ring: Ring,
    fineness: Fineness,
    *,
    leaves: float,
) -> Sweep:
    """The stick's pass, which leaves the last tine at about `leaves` s. Raises `InputError` if it never does."""
    from synth.compiled import undisturbed
    from synth.playing import kernel

    start, first = _course(stroke, way, tip, ring)
    stop = max(leaves, way.start + float(way.place[-1]) / way.speed) + TAIL / way.speed + PATIENCE
    q, p, since = ring.displacement.copy(), ring.velocity.copy(), ring.time.copy()
    flat = (len(since), -1)
    run = kernel.sweeper(q.shape[2], len(stick.omega), fineness.bin_steps)
    fixed = _fixed(stroke, way, tip, stick, fineness.step)
    room = ROOM + int((stop - start) / fineness.bin)
    while True:
        history = np.empty((room, kernel.COLUMNS))
        state = (q.reshape(flat).copy(), p.reshape(flat).copy(), since.copy())
        with told_when_compiling(), undisturbed():
            status, used, tally, books = run(
                *fixed.tines,
                *state,
                *fixed.rest,
                _floats(way.speed, first, start, stop),
                history,
                fineness.booked,
            )
        if status != kernel.CROWDED:
            break
        room = used
    if status == kernel.STUCK:
        raise InputError(
            "the stick stays caught in the row",
            remedy="bite less, let it trail more, or take a softer stick",
        )
    return Sweep(
        tine=history[:used, kernel.H_TINE].astype(np.int64),
        bin=history[:used, kernel.H_BIN].astype(np.int64),
        impulse=history[:used, kernel.H_IMPULSE],
        moment=history[:used, kernel.H_MOMENT],
        normal=history[:used, kernel.H_NORMAL],
        up=history[:used, kernel.H_UP],
        start=start - 0.5 * fineness.step,  # an impulse stands at the end of its step: the bin is around them
        width=fineness.bin,
        tally=tally,
        books=Books(
            hand=float(books[kernel.E_HAND]),
            start=float(books[kernel.E_START]),
            end=float(books[kernel.E_END]),
            damped=float(books[kernel.E_DAMPED]),
            contact=float(books[kernel.E_CONTACT]),
            spring=float(books[kernel.E_SPRING]),
        ),
        ring=Ring(state[0].reshape(q.shape), state[1].reshape(q.shape), state[2]),
    )


def rotation(omega: Array, decay: Array, time: float | Array) -> Array:
    """The exact step of damped modes by a time: four coefficients before the last axis, (..., 4, n)."""
    damped = np.sqrt(omega**2 - decay**2)
    fade = np.exp(-decay * time)
    co, si = fade * np.cos(damped * time), fade * np.sin(damped * time) / damped
    return np.stack([co + decay * si, si, -(omega**2) * si, co - decay * si], axis=-2)


@contextmanager
def told_when_compiling() -> Iterator[None]:
    """Says so on standard error if anything inside has to be compiled, which takes seconds, once."""
    from numba.core import event

    class Teller(event.Listener):
        told = False

        def on_start(self, event: Any) -> None:
            if not Teller.told:
                print(
                    "compiling the contact model; this happens once and takes some seconds", file=sys.stderr
                )
            Teller.told = True

        def on_end(self, event: Any) -> None:
            pass

    with event.install_listener("numba:compile", Teller()):
        yield


@dataclass(frozen=True)
class _Fixed:
    """The kernel's arguments that a second try would not change, before and after the state."""

    tines: tuple[Any, ...]
    rest: tuple[Any, ...]


def _fixed(stroke: Stroke, way: Passage, tip: Tips, stick: StickModes, dt: float) -> _Fixed:
    from synth.playing import kernel

    flat = (len(way.tine), -1)
    omega, decay = 2.0 * math.pi * tip.frequency.reshape(flat), tip.decay.reshape(flat)
    cos, sin = np.cos(tip.axis), np.sin(tip.axis)
    given, rest = stroke.stick, stroke.stick.restitution
    return _Fixed(
        tines=(
            np.stack([rotation(omega, decay, dt * level) for level in kernel.LEVELS]),
            omega,
            decay,
            np.concatenate([tip.shape, tip.shape], axis=1),
            tip.root_moment.reshape(flat),
        ),
        rest=(
            np.stack([way.sign * cos, sin, -way.sign * sin, cos], axis=1),
            np.stack(
                [way.place, np.where(way.touched, way.bite, -1.0), way.core, way.edge, tip.drop], axis=1
            ),
            np.stack([rotation(stick.omega, stick.decay, dt * level) for level in kernel.LEVELS]),
            stick.omega,
            np.ascontiguousarray(stick.shape.T),
            _floats(given.contact_stiffness, given.friction, 8.0 * (1.0 - rest) / (5.0 * rest), dt),
            _floats(given.end_radius, *_sin_cos(stroke.tilt), *reversed(_sin_cos(stroke.skew))),
        ),
    )


def _course(stroke: Stroke, way: Passage, tip: Tips, ring: Ring) -> tuple[float, float]:
    """When the stepping starts, and where the stick's end is at the start."""
    touch = way.place + first_touch(
        way, end_radius=stroke.stick.end_radius, tilt=stroke.tilt, skew=stroke.skew
    )
    omega = 2.0 * math.pi * tip.frequency
    swing = np.abs(tip.shape)[:, None, :] * np.hypot(ring.displacement, ring.velocity / omega)
    back = AHEAD + float(swing.sum(axis=(1, 2)).max())
    first = float(touch[way.touched].min()) - back
    return way.start - back / way.speed, first


def _sin_cos(angle: float) -> tuple[float, float]:
    return math.sin(angle), math.cos(angle)


def _floats(*values: float) -> tuple[float, ...]:
    """Plain floats: another type, an integer speed say, would have the kernel compiled again."""
    return tuple(float(each) for each in values)
