"""Runs the compiled pass of a stick along a row, at a resolution.

In: a passage, tips, the stick's modes and how the row rings. Out: a `Sweep`: the force's history, a tally for each
tine, the books, the state after the last touch. The compiled code is imported only when a stroke is computed; the
first call ever says that it compiles.
"""

from __future__ import annotations

import math
from typing import Any, Final, NamedTuple

import numpy as np

from synth.arrays import Array, Indices
from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.contact import layout
from synth.playing.contact.arrays import InitialState, first_state, row_arrays, stick_arrays
from synth.playing.contact.modes import ContactModes
from synth.playing.contact.resolution import ContactResolution
from synth.playing.contact.stick import StickModes
from synth.playing.contact.stick_path import StickPath, first_touch
from synth.playing.stroke import Stroke

AHEAD: Final = 0.5e-3  # m before the first touch, where the stepping starts
TAIL: Final = 0.05  # m beyond the last tine
PATIENCE: Final = 0.2  # s that a stick may take longer than its speed says
ROOM: Final = 16_384  # bins of history at a time
MOST: Final = 8_000_000  # bins of one stroke, half a gigabyte: 16 s of touch in steps of 2 us
FOREVER: Final = 2**60  # steps
RING_ON: Final = 0.02  # s of free ring in which the root's moment is followed: two periods at 100 Hz


@frozen
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


class HistoryPart(NamedTuple):
    """The force on some tines, bin by bin, as the kernel wrote it: each tine's in time's order."""

    rows: Array  # (H, COLUMNS) of `layout`
    start: float  # s, of bin 0
    width: float  # s, of a bin


@frozen
class Sweep:
    """What the kernel tells of T tines. SI."""

    tine: Indices  # (H,) 0..T-1, of each bin with a touch
    time: Array  # (H,) s, of its middle
    impulse: Array  # (H, 2) N s in the tine's principal planes
    turning: Array  # (H, 2) N m s about the tip
    normal: Array  # (H,) N s
    up: Array  # (H,) N s, on the tine
    start: float  # s, of bin 0
    width: float  # s, of a bin, or of the first: others may be narrower
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
        self.way, self.tip, self.stick, self.shape = way, tip, stick, ring.displacement.shape
        self.row, self.held = row_arrays(way, tip, resolution), stick_arrays(stick, resolution)
        self.state = first_state(ring, len(stick.omega))
        self.resolution = resolution
        room = ROOM + len(way.tine) * (layout.LONG // resolution.bin_steps + 2)
        self.history = np.empty((room, layout.COLUMNS))
        self.parts: list[HistoryPart] = []
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
            self._keep(self.history[: self.state.clock[layout.USED]].copy())
            self.state.clock[layout.USED] = 0
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

    @property
    def now(self) -> float:
        """s, up to which it was followed."""
        return float(self.course.start + self.state.clock[layout.DONE] * self.course.step)

    @property
    def books(self) -> EnergyBalance:
        """As they stand."""
        return _books(self.state, self.row, self.stick)

    def shut(self) -> None:
        """Write the bins that nothing can be added to any more: a tine's last one waits for its next touch."""
        flags = self.state.flags
        under_way = (self.state.clock[layout.DONE] + 1) // self.course.bin_steps
        over = np.flatnonzero((flags[:, layout.BIN] >= 0) & (flags[:, layout.BIN] < under_way))
        if not len(over):
            return
        rows = np.empty((len(over), layout.COLUMNS))
        rows[:, layout.H_TINE], rows[:, layout.H_BIN] = over, flags[over, layout.BIN]
        rows[:, layout.H_BIN + 1 :] = self.state.binned[over]
        self._keep(rows)
        self.state.binned[over], flags[over, layout.BIN] = 0.0, -1

    def kept(self) -> tuple[Any, int]:
        """What `back` needs to take it back to here."""
        return _copied(self.state), len(self.parts)

    def back(self, kept: tuple[Any, int]) -> None:
        """To where it was then, as it was then."""
        state, parts = kept
        self.state = _copied(state)
        self._kept -= sum(len(each.rows) for each in self.parts[parts:])
        del self.parts[parts:]

    def refine(self, resolution: ContactResolution) -> None:
        """Go on more finely, of the same stick and modes, every bin being shut and taken."""
        clock, times = self.state.clock, round(self.resolution.step / resolution.step)
        clock[layout.DONE] *= times
        # the last impulse stands for half of the step to come: that one stays as long, up to the longest there is
        clock[layout.CALMED], clock[layout.NEXT] = 1, min(times * clock[layout.NEXT], layout.QUIET[-1])
        self.course = self.course._replace(step=resolution.step, quiet=resolution.quiet_steps)
        self.row, self.held = row_arrays(self.way, self.tip, resolution), stick_arrays(self.stick, resolution)
        self.resolution = resolution

    def taken(self) -> list[HistoryPart]:
        """The force since it was asked for last."""
        parts, self.parts = self.parts, []
        return parts

    def _keep(self, rows: Array) -> None:
        self._kept += len(rows)
        # an impulse stands at the end of its step: the bin is around them
        start = self.course.start - 0.5 * self.resolution.step
        self.parts.append(HistoryPart(rows, start, self.resolution.bin))

    def moments(self, borne: Array) -> Array:
        """(T,) the greatest at each root as in `tally`, where there could be more than is `borne` (T,).

        Where not even all modes together reach it, or no touch has been, what has been so far.
        """
        state, so_far = self.state, self.state.tally[:, layout.T_MOMENT]
        touched = state.tally[:, layout.T_TOUCHES] > 0.0
        most = (np.abs(self.row.root_moment) * np.hypot(state.q, state.p / self.row.omega)).sum(axis=1)
        return self.tally()[:, layout.T_MOMENT] if (touched & (most > borne)).any() else so_far

    @property
    def ring(self) -> InitialState:
        """How the tines ring, each as of when it was followed last."""
        state = self.state
        return InitialState(state.q.reshape(self.shape), state.p.reshape(self.shape), state.since)

    def tally(self) -> Array:
        """(T, ...) what is counted of each tine, its root's moment as it swings on from here as well."""
        from synth.playing.contact import kernel

        tally: Array = self.state.tally.copy()
        turns = round(RING_ON / (layout.MIDDLE * self.resolution.step))
        kernel.ring_on(self.row, self.state.q.copy(), self.state.p.copy(), tally, turns)
        return tally

    def swept(self) -> Sweep:
        """What has come of it so far, with the force since it was asked for last."""
        if not self.parts:
            self._keep(self.history[:0])
        parts = self.taken()
        history = np.concatenate([each.rows for each in parts])
        time = [each.start + (each.rows[:, layout.H_BIN] + 0.5) * each.width for each in parts]
        return Sweep(
            tine=history[:, layout.H_TINE].astype(np.int64),
            time=np.concatenate(time),
            impulse=history[:, layout.H_IMPULSE],
            turning=history[:, layout.H_TURNING],
            normal=history[:, layout.H_NORMAL],
            up=history[:, layout.H_UP],
            start=parts[0].start,
            width=parts[0].width,
            tally=self.tally(),
            books=self.books,
            ring=self.ring,
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
    from synth.compiled import told_when_compiling, undisturbed

    with told_when_compiling(), undisturbed():
        following.go_on()
        return following.swept()


def _books(state: Any, row: Any, stick: StickModes) -> EnergyBalance:
    ringing = 0.5 * float((state.p**2 + (row.omega * state.q) ** 2).sum())
    return EnergyBalance(
        hand=float(state.books[layout.E_HAND]),
        start=float(state.books[layout.E_START]),
        end=ringing + stick.energy(state.stick_q[0], state.stick_p[0]),
        tines=float(state.tally[:, layout.T_WORK].sum()),
        stick=float(state.books[layout.E_STICK]),
        contact=float(state.books[layout.E_CONTACT]),
        spring=float(state.touch[:, layout.SPRING].sum()),
    )


def _copied(state: layout.State) -> layout.State:
    return layout.State(*(each.copy() for each in state))


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
