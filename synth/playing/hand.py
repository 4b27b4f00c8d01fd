"""The hand behind the stick: what it weighs, how it gives, how evenly it moves.

In: a stroke and a seed. Out: the stroke as a hand makes it: with another speed and another depth every time, and
wandering while it passes. How much is common practice, no published source: a player asked for the same stroke
again stays within about a tenth; a practised one within a third of that. An exact hand is none: it never varies.
"""

from __future__ import annotations

import dataclasses
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.playing.stroke import Stroke

# Of a pen grip. Impedances of it have been measured (Hasser and Cutkosky 2002; Fu and Cavusoglu 2012) but the
# numbers were not seen: assumed. 0.5 to 4 kN/m changes the force threefold, 0.05 to 0.4 kg the energy by a third.
STIFFNESS: Final = 1500.0  # N/m
MASS: Final = 0.15  # kg, moving with the stick
DAMPING: Final = 0.6  # of critical
GREATEST_FORCE: Final = (
    30.0  # N that a pen grip can hold while it moves; common practice, no published source
)

SHARE: Final = {"steady": 1.0 / 3.0, "loose": 1.0}  # of the spreads below
SPEED_SPREAD: Final = 0.08  # standard deviation, of the speed from stroke to stroke
BITE_SPREAD: Final = 0.12  # of the depth from stroke to stroke
WANDER: Final = 0.05  # of the depth from tine to tine
FARTHEST: Final = 2.5  # standard deviations: a hand does not slip


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
