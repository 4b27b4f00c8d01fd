"""What the design says of a tine's two planes, and of the tines near its pitch whose ring may pose as one of them.

In: `TuningTargets`, a tine. Out: cents between planes, and who else could sound there.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array
from synth.recording.plane_pitch import ODD
from synth.recording.tuning_targets import TuningTargets
from synth.units import CENT

FURTHEST: Final = 150.0  # cents: a tine as cut is no further off its pitch
PLANE_REACH: Final = (
    60.0  # cents around a line in which its other plane is sought, beyond the model's own split
)
ONE_PITCH: Final = 24.0  # cents between planes, below which their mean is the pitch
BY_BAR: Final = 6.0  # cents by which a bar parts planes more than a rod does that is out of round, either way
ALONG: Final = 2.0 / 3.0  # that a unison rings along
# no source, as fingers hold it or not; of figures where one does ring 5 to 20 cents away, 19 % are within two
# deviations at 0, 84 % at 1/2, 90 % here, and of 144 taps where none does 90, 89 and 89 % are within a cent at once
SOFTLY: Final = 0.2  # of the usual split's square: no figure hangs on which side of the usual a split is
STRANGE: Final = (
    25.0  # cents by which two planes differ from the model's split at most, where others are near
)


def split_of(targets: TuningTargets, tine: int) -> float:
    """Cents between the planes as the model has them."""
    return abs(float(np.log(np.divide(*targets.frequency[tine, :, 0])) / CENT))


def parted_by_bar(targets: TuningTargets, tine: int) -> float:
    """Cents by which the bar alone parts the planes, however the rod is out of round; nan without a target."""
    return 2.0 * abs(float(np.log(targets.middle[tine] / targets.target[tine]) / CENT))


def unisons(targets: TuningTargets, tine: int) -> list[int]:
    """The other tines (indices) of its pitch, whose ring is taken for a plane of its own."""
    off = np.abs(np.log(targets.target / targets.target[tine])) / CENT
    return [int(each) for each in np.flatnonzero(off < ONE_PITCH) if each != tine]


def misplaced(split: float, odd: float, usual: float) -> float:
    """Cents (one deviation) by which the mean of two lines is off where a unison may ring along with a tine.

    Then one of the lines is the tine's, half the split away; `usual` of it its own planes may be. How likely that
    is, Bayes' rule tells: planes of one rod part with a density of 2 / (pi usual (1 + (split / usual)²)) a cent, a
    unison stands anywhere within `ONE_PITCH`, and `ALONG` says how likely one rings. `odd` is how likely upper
    partials do not share the split, which of one rod's is so in `ODD`: of a unison's they do as likely as not.
    Smoothly: with a root of what is beyond the usual, a split 1 % larger made the whole figure 6 % less sure.
    """
    own = 2.0 / (np.pi * usual * (1.0 + (split / usual) ** 2))
    by_upper = 0.5 * (1.0 - odd) / (1.0 - ODD) + 0.5 * odd / ODD
    other = ALONG / (1.0 - ALONG) * by_upper / ONE_PITCH
    more = split**2 - usual**2
    beyond = 0.5 * (more + np.hypot(more, SOFTLY * usual**2))
    return float(0.5 * np.sqrt(other / (other + own) * beyond))


def has_neighbours(targets: TuningTargets, tine: int) -> bool:
    """Whether another tine's fundamental could be what seems to be a plane of this one's."""
    others = np.delete(targets.frequency[:, :, 0], tine, axis=0)
    return bool(np.any(np.abs(np.log(others / targets.middle[tine])) / CENT < PLANE_REACH + FURTHEST))


def another_rings(hertz: Array, targets: TuningTargets, tine: int) -> bool:
    """Whether lines are too far apart, or too near, for planes, and another tine could have one of them."""
    if len(hertz) < 2:
        return False
    apart = float(np.log(np.max(hertz) / np.min(hertz)) / CENT)
    others = np.delete(targets.frequency[:, :, 0], tine, axis=0).ravel()
    near = np.abs(np.log(others[:, None] / hertz)) / CENT < PLANE_REACH
    return apart > split_of(targets, tine) + STRANGE and bool(np.any(near))
