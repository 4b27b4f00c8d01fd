"""The hand behind the stick: what it weighs, how it gives, how evenly it moves.

In: a stroke and a seed. Out: the stroke as a hand makes it: with another speed and another depth every time, and
wandering while it passes. How much is common practice, no published source: a player asked for the same stroke
again stays within about a tenth; a practised one within a third of that. An exact hand is none: it never varies.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.frozen import frozen
from synth.playing.stroke import Grip, Stroke


@frozen
class Fingers:
    """One pad and the finger behind it, in any direction across or along the stick. SI."""

    pad_stiffness: float  # N/m
    pad_damping: float  # N s/m
    skin_mass: float  # kg, moving with the stick
    finger_stiffness: float
    finger_damping: float
    finger_mass: float

    def times(self, count: int) -> Fingers:
        """So many of them side by side."""
        return Fingers(*(count * value for value in dataclasses.astuple(self)))


# Pads: Wiertlewski and Hayward, J. Biomechanics 45 (2012) 1869, lateral; fingers: Hajian and Howe, J. Biomech. Eng.
# 119 (1997) 109, 2 to 20 N. Lowest, usual and highest values; all from memory.
GRIPS: Final[Mapping[Grip, Fingers]] = {
    "light": Fingers(500.0, 0.7, 0.10e-3, 200.0, 2.0, 4e-3),
    "usual": Fingers(1000.0, 1.5, 0.15e-3, 700.0, 4.0, 6e-3),
    "firm": Fingers(2000.0, 3.0, 0.30e-3, 1300.0, 7.0, 7e-3),
}
GREATEST_FORCE: Final = (
    30.0  # N that a pen grip can hold while it moves; common practice, no published source
)

SHARE: Final = {"steady": 1.0 / 3.0, "loose": 1.0}  # of the spreads below
SPEED_SPREAD: Final = 0.08  # standard deviation, of the speed from stroke to stroke
BITE_SPREAD: Final = 0.12  # of the depth from stroke to stroke
WANDER: Final = 0.05  # of the depth from tine to tine
FARTHEST: Final = 2.5  # standard deviations: a hand does not slip


def fingers(grip: Grip) -> Fingers:
    """What carries the stick in this grip."""
    return GRIPS[grip]


def played(stroke: Stroke, seed: int) -> Stroke:
    """The stroke as this hand makes it this time."""
    if stroke.hand == "exact":
        return stroke
    speed, bite = np.exp(_draw(seed, 0, 2) * (SPEED_SPREAD, BITE_SPREAD) * SHARE[stroke.hand])
    return dataclasses.replace(stroke, speed=stroke.speed * float(speed), bite=stroke.bite * float(bite))


def wander(stroke: Stroke, seed: int, count: int) -> NDArray[np.float64]:
    """By what the depth differs from tine to tine (count,)."""
    if stroke.hand == "exact":
        return np.ones(count)
    return np.asarray(np.exp(_draw(seed, 1, count) * WANDER * SHARE[stroke.hand]))


def _draw(seed: int, stream: int, count: int) -> NDArray[np.float64]:
    return np.clip(np.random.default_rng((seed, stream)).standard_normal(count), -FARTHEST, FARTHEST)
