"""Runs the compiled pass of a stick along a row, at a resolution.

In: a passage, tips, the stick's modes and how the row rings. Out: a `Sweep`: the force's history, a tally for each
tine, the books, the state after the last touch. The compiled code is imported only when a stroke is computed; the
first call ever says that it compiles.
"""

from __future__ import annotations

import math
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Indices
from synth.errors import InputError
from synth.playing.contact import layout
from synth.playing.contact.modes import ContactModes
from synth.playing.contact.stick import StickModes
from synth.playing.contact.stick_path import StickPath, first_touch
from synth.playing.stroke import Stroke

AHEAD: Final = 0.5e-3  # m before the first touch, where the stepping starts
CRITICAL: Final = 1e-7  # of a mode's pitch: damped just beyond swinging, it would be divided by nothing
TAIL: Final = 0.05  # m beyond the last tine
PATIENCE: Final = 0.2  # s that a stick may take longer than its speed says
ROOM: Final = 16_384  # bins of history at a time
MOST: Final = 8_000_000  # bins of one stroke, half a gigabyte: 16 s of touch in steps of 2 us
FOREVER: Final = 2**60  # steps
TOO_QUICK: Final = 1.2  # rad in a quiet step
SHORT_STEP: Final = 0.5e-6  # s
RING_ON: Final = 0.02  # s of free ring in which the root's moment is followed: two periods at 100 Hz


@dataclass(frozen=True)
class ContactResolution:
    """How finely a contact is followed."""

    tine_modes: int  # in each plane
    beam_modes: int  # of the stick
    step: float  # s
    bin_steps: (
        int  # the force is kept in bins of so many; with one, a bin's middle is the very time of its impulse
    )
    quiet_steps: int = 1  # 1, 2 or 4: taken at once, at most, while one tine is held quietly
    whole: bool = True  # the stick in the fingers without leaving out what is hardly felt

    @property
    def bin(self) -> float:
        """s, of a bin."""
        return self.step * self.bin_steps

    @property
    def finer(self) -> ContactResolution | None:
        """What is tried where the books do not close: first every step, then shorter ones; None at last."""
        if self.quiet_steps > 1 or not self.whole:
            return replace(self, quiet_steps=1, whole=True)
        return replace(self, step=SHORT_STEP) if self.step > SHORT_STEP else None


REFERENCE: Final = ContactResolution(tine_modes=10, beam_modes=12, step=SHORT_STEP, bin_steps=1)
EVENT: Final = ContactResolution(
    tine_modes=8, beam_modes=12, step=2e-6, bin_steps=1, quiet_steps=4, whole=False
)


@dataclass(frozen=True)
class EnergyBalance:
    """Where the energy of a stroke went, J.

    Turning loses only what a mode's own damping takes, exactly; so what was damped is what tines and stick had and
    got and do not have any more, and what can be missing is missing between hand, stick and tines.
    """

    hand: float  # work of the hand
    start: float  # in the tines as the stick came
    end: float  # in tines and stick
    tines: float  # work of the stick on the tines
    stick: float  # work of the hand and the tines on the stick
    contact: float  # lost between them
    spring: float  # still in the contact's springs

    @property
    def damped(self) -> float:
        """Lost inside tines and stick."""
        return self.start + self.tines + self.stick - self.end

    @property
    def residual(self) -> float:
        """What is missing, as a share of the hand's work."""
        return self._missing / max(abs(self.hand), 1e-30)

    @property
    def off(self) -> float:
        """How much is missing or too much, as a share of all that there was to give."""
        return abs(self._missing) / max(abs(self.hand) + self.start, 1e-30)

    @property
    def _missing(self) -> float:
        return self.hand - self.tines - self.stick - self.contact - self.spring


@dataclass(frozen=True)
class InitialState:
    """How T tines ring, each at its own time: modal displacement and velocity (T, 2, n), time (T,)."""

    displacement: Array
    velocity: Array
    time: Array


@dataclass(frozen=True)
class Sweep:
    """What the kernel tells of T tines. SI."""

    tine: Indices  # (H,) 0..T-1, of each bin with a touch
    bin: Indices  # (H,) its number
    impulse: Array  # (H, 2) N s in the tine's principal planes
    turning: Array  # (H, 2) N m s about the tip
    normal: Array  # (H,) N s
    up: Array  # (H,) N s, on the tine
    start: float  # s, of bin 0
    width: float  # s, of a bin
    tally: Array  # (T, TALLIES) of `synth.playing.contact.kernel`
    books: EnergyBalance
    ring: InitialState  # after the last touch


class Pass:
    """A stick's pass that can be followed piece by piece, as live playing wants it.

    It leaves the last tine at about `leaves` s.
    """

    def __init__(
        self,
        stroke: Stroke,
        way: StickPath,
        tip: ContactModes,
        stick: StickModes,
        ring: InitialState,
        resolution: ContactResolution,
        *,
        leaves: float,
    ) -> None:
        start, first = _course(stroke, way, tip, ring)
        stop = max(leaves, way.start + float(way.position[-1]) / way.speed) + TAIL / way.speed + PATIENCE
        numbers = _floats(*_law(stroke, resolution.step), *_form(stroke), way.speed, first, start, stop)
        self.course = layout.Course._make((*numbers, resolution.bin_steps, resolution.quiet_steps))
        self.row, self.held = _row(way, tip, resolution), _held(stick, resolution)
        self.state = _state(ring, len(stick.omega))
        self.stick, self.resolution, self.shape = stick, resolution, ring.displacement.shape
        room = ROOM + len(way.tine) * (layout.LONG // resolution.bin_steps + 2)
        self.history = np.empty((room, layout.COLUMNS))
        self.parts: list[Array] = []
        self._kept = 0  # bins

    def go_on(self, steps: int = FOREVER) -> int:
        """So many steps more, or to the end: PASSED or PAUSED. Raises `InputError` if the stick stays too long."""
        from synth.playing.contact import kernel

        run = kernel.runner(self.row.shape.shape[1])
        until = self.state.clock[layout.DONE] + steps
        status = layout.CROWDED
        while status == layout.CROWDED:
            more = until - self.state.clock[layout.DONE]
            status = run(self.row, self.held, self.course, self.state, self.history, more)
            self.parts.append(self.history[: self.state.clock[layout.USED]].copy())
            self.state.clock[layout.USED] = 0
            self._kept += len(self.parts[-1])
            if self._kept > MOST:
                raise InputError(
                    f"the stick holds the tines for more than {MOST * self.resolution.bin:.2g} s",
                    remedy="stroke faster or bite less",
                )
        if status == layout.STUCK:
            raise InputError(
                "the stick stays caught in the row",
                remedy="bite less, let it trail more, or take a softer stick",
            )
        return status

    def swept(self) -> Sweep:
        """What has come of it."""
        from synth.playing.contact import kernel

        state, history = self.state, np.concatenate(self.parts)
        turns = round(RING_ON / (layout.MIDDLE * self.resolution.step))
        kernel.ring_on(self.row, state.q.copy(), state.p.copy(), state.tally, turns)
        return Sweep(
            tine=history[:, layout.H_TINE].astype(np.int64),
            bin=history[:, layout.H_BIN].astype(np.int64),
            impulse=history[:, layout.H_IMPULSE],
            turning=history[:, layout.H_TURNING],
            normal=history[:, layout.H_NORMAL],
            up=history[:, layout.H_UP],
            # an impulse stands at the end of its step: the bin is around them
            start=self.course.start - 0.5 * self.resolution.step,
            width=self.resolution.bin,
            tally=state.tally,
            books=_books(state, self.row, self.stick),
            ring=InitialState(state.q.reshape(self.shape), state.p.reshape(self.shape), state.since),
        )


def sweep(
    stroke: Stroke,
    way: StickPath,
    tip: ContactModes,
    stick: StickModes,
    ring: InitialState,
    resolution: ContactResolution,
    *,
    leaves: float,
) -> Sweep:
    """The whole pass at once, as in `Pass`. Raises `InputError` as it does."""
    following = Pass(stroke, way, tip, stick, ring, resolution, leaves=leaves)
    from synth.compiled import undisturbed

    with told_when_compiling(), undisturbed():
        following.go_on()
        return following.swept()


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


def _row(way: StickPath, tip: ContactModes, resolution: ContactResolution) -> Any:
    from synth.playing.contact import layout

    flat = (len(way.tine), -1)
    omega, decay = 2.0 * math.pi * tip.frequency.reshape(flat), tip.decay_rate.reshape(flat)
    cos, sin = np.cos(tip.axis), np.sin(tip.axis)
    height = np.where(way.touched, way.bite, -1.0)
    return layout.Row(
        turns=_turns(omega, decay, resolution.step),
        omega=omega,
        decay_rate=decay,
        shape=tip.shape,
        slope=tip.slope,
        root_moment=tip.root_moment.reshape(flat),
        mobility=np.stack(
            [_given(tip, omega[:, : tip.shape.shape[1]], quiet) for quiet in (0.0, *_quiet(resolution.step))]
        ),
        plane=np.stack([way.sign * cos, sin, -way.sign * sin, cos], axis=1),
        form=np.stack([way.position, height, way.core, way.edge, tip.drop], axis=1),
    )


def _turns(omega: Array, decay: Array, step: float) -> Array:
    """(5, ..., 4, n) by each of the kernel's levels, and by its quiet steps.

    A quiet step of t is too long for the quickest modes, which would ring with the steps themselves. These go at
    once to where they rest under an even force, q = p/(omega^2 t), p = 0: energy goes out and none comes in.
    """
    from synth.playing.contact import layout

    turns = [rotation(omega, decay, step * level) for level in layout.LEVELS]
    for quiet in _quiet(step):
        rest = np.stack([0.0 * omega, 1.0 / (omega**2 * quiet), 0.0 * omega, 0.0 * omega], axis=-2)
        turns.append(np.where(_quick(omega, quiet)[..., None, :], rest, rotation(omega, decay, quiet)))
    return np.stack(turns)


def _quiet(step: float) -> tuple[float, ...]:
    """s, the quiet steps."""
    from synth.playing.contact import layout

    return tuple(step * steps for steps in layout.QUIET)


def _quick(omega: Array, time: float) -> NDArray[np.bool_]:
    return omega * time > TOO_QUICK


def _given(tip: ContactModes, omega: Array, quiet: float) -> Array:
    """(T, 3) what an impulse does to the tips at once, of the modes that a quiet step does not bring to rest."""
    shape, slope = (np.where(_quick(omega, quiet), 0.0, each) for each in (tip.shape, tip.slope))
    return np.stack([(shape**2).sum(axis=1), (shape * slope).sum(axis=1), (slope**2).sum(axis=1)], axis=1)


def _held(stick: StickModes, resolution: ContactResolution) -> Any:
    from synth.playing.contact import layout

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


def _state(ring: InitialState, blocks: int) -> Any:
    from synth.playing.contact import layout

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


def _books(state: Any, row: Any, stick: StickModes) -> EnergyBalance:
    from synth.playing.contact import layout

    ringing = 0.5 * float(np.sum(state.p**2 + (row.omega * state.q) ** 2))
    return EnergyBalance(
        hand=float(state.books[layout.E_HAND]),
        start=float(state.books[layout.E_START]),
        end=ringing + stick.energy(state.stick_q[0], state.stick_p[0]),
        tines=float(state.tally[:, layout.T_WORK].sum()),
        stick=float(state.books[layout.E_STICK]),
        contact=float(state.books[layout.E_CONTACT]),
        spring=float(state.touch[:, layout.SPRING].sum()),
    )


def _law(stroke: Stroke, dt: float) -> tuple[float, ...]:
    stick = stroke.stick
    return stick.contact_stiffness, stick.friction, 1.6 * (1.0 - stick.restitution) / stick.restitution, dt


def _form(stroke: Stroke) -> tuple[float, ...]:
    tilt, skew = stroke.tilt, stroke.skew
    return stroke.stick.end_radius, math.sin(tilt), math.cos(tilt), math.cos(skew), math.sin(skew)


def _course(stroke: Stroke, way: StickPath, tip: ContactModes, ring: InitialState) -> tuple[float, float]:
    """When the stepping starts, and where the stick's end is at the start."""
    touch = way.position + first_touch(
        way, end_radius=stroke.stick.end_radius, tilt=stroke.tilt, skew=stroke.skew
    )
    omega = 2.0 * math.pi * tip.frequency
    swing = np.abs(tip.shape)[:, None, :] * np.hypot(ring.displacement, ring.velocity / omega)
    back = AHEAD + float(swing.sum(axis=(1, 2)).max())
    first = float(touch[way.touched].min()) - back
    return way.start - back / way.speed, first


def _floats(*values: float) -> tuple[float, ...]:
    """Plain floats: another type, an integer speed say, would have the kernel compiled again."""
    return tuple(float(each) for each in values)
