"""What turns a moving instrument into what is heard: one protocol for bar, pickup and board; where the ears are.

In: the modes of the coupled instrument. Out: `weights` (P, M), which say what the bank has to sum, and a filter
from those P contact signals to the pressure at C listening points in Pa. A mode is one damped sinusoid, so any
linear thing between it and the ear is one complex number, exact at the mode's pole (the pressure's residue there):
bar and board put that number into their weights and their filter passes it on. A pickup has a resonance of its own,
so its filter rings.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.vibration.bar import path

EARS: Final = 2  # of the points, the first
Stream = Callable[[Array], Array]  # (P, n) -> (C, n), block after block, keeping its own state


class Radiator(Protocol):
    """What is listened to, built for one `ModalModel`."""

    @property
    def weights(self) -> Complex:
        """(P, M): contact signal p of mode m is Re(weights[p, m] a_m exp(s_m t)), a its complex amplitude."""
        ...

    @property
    def immediate(self) -> NDArray[np.bool_]:
        """(P,): whether a contact signal follows acceleration, and so hears a force on the structure at once."""
        ...

    @property
    def channels(self) -> int: ...

    def stream(self, rate: float) -> Stream:
        """A filter from contact signals (P, n) to pressure (C, n) in Pa that goes on where the last block ended."""
        ...

    def response(self, frequency: Array) -> Complex:
        """The filter's frequency response (C, P, F) at `frequency` (F,) Hz, e^(+jwt)."""
        ...

    def radiate(self, signals: Array, rate: float) -> Array:
        """The pressure (C, N) in Pa of whole contact signals (P, N)."""
        return self.stream(rate)(signals)


@frozen
class Direct(Radiator):
    """A radiator whose weights are pressures already: its filter passes them on."""

    pressures: Complex  # (C, M) Pa per unit of modal amplitude

    @property
    def weights(self) -> Complex:
        return self.pressures

    @property
    def immediate(self) -> NDArray[np.bool_]:
        return np.ones(len(self.pressures), dtype=np.bool_)

    @property
    def channels(self) -> int:
        return len(self.pressures)

    def stream(self, rate: float) -> Stream:
        return lambda signals: signals

    def response(self, frequency: Array) -> Complex:
        return np.repeat(np.eye(self.channels, dtype=np.complex128)[:, :, None], len(frequency), axis=2)


def ears(instrument: Instrument) -> NDArray[np.float64]:
    """The points (C, 3) at which the instrument is heard: the two ears, left first, and the listener's others.

    The ears lie level, at right angles to the line of sight from the middle of the bar.
    """
    listener = instrument.listener
    sine, cosine = math.sin(listener.azimuth), math.cos(listener.azimuth)
    sight = math.sin(listener.angle) * np.array([sine, -cosine, 0.0])
    sight[2] = math.cos(listener.angle)
    left = np.array([-cosine, -sine, 0.0])  # of one who looks at the row
    middle = bar_middle(instrument) + listener.distance * sight
    two = [middle + side * listener.spacing / 2.0 * left for side in (1.0, -1.0)]
    return np.array([*two, *listener.also])


def arrivals(instrument: Instrument, points: Array, nearest: float) -> Array:
    """The ways (C,) in m after which sound is timed: `nearest` at the ears, else that from the bar's middle."""
    ways = np.linalg.norm(points - bar_middle(instrument), axis=1)
    ways[:EARS] = nearest
    return np.asarray(ways)


def bar_middle(instrument: Instrument) -> NDArray[np.float64]:
    """The middle (3,) of the bar, all its length taken together."""
    bar = instrument.bar
    point, _ = path(bar, np.linspace(0.0, bar.length, 201))
    weight = np.full(201, 1.0)
    weight[[0, -1]] = 0.5
    return np.asarray(weight @ point / weight.sum())
