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
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np
from numpy.typing import NDArray

AIR_DENSITY: Final = 1.204  # kg/m3, dry air at 20 C and 101.325 kPa (ISO 9613-1 reference conditions)
SOUND_SPEED: Final = 343.2  # m/s, the same air (ISO 9613-1, 343.2 (T / 293.15 K)^0.5)

Signals = NDArray[np.float64]
Complex = NDArray[np.complex128]
Stream = Callable[[Signals], Signals]  # (P, n) -> (C, n), block after block, keeping its own state


class Radiator(Protocol):
    """What is listened to, built for one `ModalModel`."""

    @property
    def weights(self) -> Complex:
        """(P, M): contact signal p of mode m is Re(weights[p, m] a_m exp(s_m t)), a its complex amplitude."""
        ...

    @property
    def channels(self) -> int: ...

    def stream(self, rate: float) -> Stream:
        """A filter from contact signals (P, n) to pressure (C, n) in Pa that goes on where the last block ended."""
        ...

    def response(self, frequency: Signals) -> Complex:
        """The filter's frequency response (C, P, F) at `frequency` (F,) Hz, e^(+jwt)."""
        ...

    def radiate(self, signals: Signals, rate: float) -> Signals:
        """The pressure (C, N) in Pa of whole contact signals (P, N)."""
        return self.stream(rate)(signals)


@dataclass(frozen=True)
class Direct(Radiator):
    """A radiator whose weights are pressures already: its filter passes them on."""

    pressures: Complex  # (C, M) Pa per unit of modal amplitude

    @property
    def weights(self) -> Complex:
        return self.pressures

    @property
    def channels(self) -> int:
        return len(self.pressures)

    def stream(self, rate: float) -> Stream:
        return lambda signals: signals

    def response(self, frequency: Signals) -> Complex:
        return np.repeat(np.eye(self.channels, dtype=np.complex128)[:, :, None], len(frequency), axis=2)


@dataclass(frozen=True)
class Listener:
    """Two points in the air, `spacing` apart, as a spaced pair of microphones or ears without a head.

    `distance` (m) from the middle of the instrument; `angle` (rad) from straight above it, pi/2 is level;
    `azimuth` (rad) of the side: 0 in front of the row (-y), pi/2 off the bar's far end (+x). The pair lies level,
    at right angles to the line of sight; first the left one.
    """

    distance: float = 1.0
    angle: float = math.pi / 4.0  # a head above a bar on a table
    azimuth: float = (
        math.pi / 6.0
    )  # a little to one side: straight in front is a null of every tine in the row
    spacing: float = 0.2  # two points 0.1 m to either side

    def ears(self, centre: NDArray[np.float64]) -> NDArray[np.float64]:
        """The points (2, 3) for an instrument whose middle is at `centre` (3,)."""
        level = np.array([math.sin(self.azimuth), -math.cos(self.azimuth), 0.0])
        sight = math.sin(self.angle) * level + math.cos(self.angle) * np.array([0.0, 0.0, 1.0])
        left = np.array(
            [-math.cos(self.azimuth), -math.sin(self.azimuth), 0.0]
        )  # of one who looks at the row
        middle = centre + self.distance * sight
        return np.stack([middle + side * self.spacing / 2.0 * left for side in (1.0, -1.0)])
