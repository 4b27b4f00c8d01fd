"""What every tine should sound at the bench, and what a turn of its nut does.

In: an instrument, its row, the temperature at the bench. Out: `TuningTargets`. A tine's pitch goes as (L + c)^-2
near its length L, as a slender rod's does with c for nut and root; the model's own slope
d ln f / dL = -2 / (L + c) gives c. Of a line that is partly the bar's motion it is the clamped tine's slope times
the tine's share of the line's energy (Hellmann's and Feynman's theorem); where the line crosses a mode of the bar
within the step it is no slope at all: see `_reach`. A steel that softens by e per kelvin and grows by alpha sounds
(e + alpha) / 2 higher per kelvin (f goes as d sqrt(E / rho) / L^2, and rho falls as d L^2 grows), so that a tine
tuned on a cold morning must stand sharp of its pitch.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array, Bools
from synth.design.fixings import slides, thread_turned
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.recording.identity import retrimmed, tine_name
from synth.recording.predicted_partials import HIGHEST_PREDICTED, bar_of, heard
from synth.units import MM
from synth.vibration.tine import solve_tines
from synth.vibration.tuning import Row

KNOWN: Final = 0.5  # of what is near enough: by so much a figure that says "in tune" may be unsure
STEP: Final = 0.05 * MM  # m of free length over which the slope is taken
STEEPEST: Final = 1.05  # of the clamped slope: what the bar's own spring under a tine may add to it
LEAST_SHARE: Final = 2.0 / 3.0  # of it that is asked


@frozen
class TuningTargets:
    """R tines: `frequency` (R, 2, N) Hz as designed, at the bench; `target` (R,) Hz there, nan where none is given.
    `decay_rate` (R, 2, N) 1/s; where there is no partial, both are 0.

    `middle` (R,) Hz is what the mean of both planes should be where these are too close to be named: that of a
    round tine whose swing along the row has the target, since which way a rod is out of round nobody knows.
    `reach` (R,) is L + c in m, `thread_pitch` (R,) m a turn (0 where no nut is
    turned), `slides` (R,) whether the rod can be moved.
    """

    name: tuple[str, ...]
    frequency: Array
    decay_rate: Array
    target: Array
    middle: Array
    reach: Array
    thread_pitch: Array
    slides: Bools

    def shorten(self, tine: int, sounds: float) -> float:
        """By how many m of free length the tine comes to its target; negative to lengthen."""
        wanted = np.log(self.target[tine] / sounds)
        return float(self.reach[tine] * -np.expm1(-0.5 * wanted))

    def turns(self, tine: int, sounds: float) -> float:
        """Of the base nut, up towards the tip; nan where none is turned."""
        thread = self.thread_pitch[tine]
        return self.shorten(tine, sounds) / float(thread) if thread > 0.0 else float("nan")


def in_tune(cents: float, deviation: float, within: float) -> bool:
    """Whether a figure says that a tine is near enough, and is sure enough to say so."""
    return abs(cents) <= within and deviation <= max(1.0, KNOWN * within)


def tuning_targets(
    instrument: Instrument, row: Row, *, temperature: float | None = None, shift: Array | float = 1.0
) -> TuningTargets:
    """The table at `temperature` (K, the design's where None), targets moved by a ratio, of all or (R,)."""
    bar, which = bar_of(instrument), range(len(instrument.tines))
    model = heard(instrument, bar, row.length, row.trim, which)
    at = model.frequency
    trim = row.trim
    for tine in which:
        trim = retrimmed(instrument, trim, tine, -STEP)
    longer = heard(instrument, bar, row.length + STEP, trim, which, partials=1).frequency
    slope = np.log(longer[:, 0, 0] / at[:, 0, 0]) / STEP
    clamped = [
        solve_tines(instrument.tines, length, nuts, HIGHEST_PREDICTED).frequency[:, 0, 0]
        for length, nuts in ((row.length, row.trim), (row.length + STEP, trim))
    ]
    warm = _warmed(instrument, temperature)
    target = designed_hz(instrument, row, temperature) * shift
    round_rods = heard(_of_round_rod(instrument), bar, row.length, row.trim, which, partials=1)
    planes = round_rods.frequency[:, :, 0]
    return TuningTargets(
        name=tuple(tine_name(instrument, tine) for tine in which),
        frequency=at * warm[:, None, None],
        decay_rate=model.decay_rate,
        target=target,
        middle=target * np.sqrt(planes[:, 1] / planes[:, 0]),
        reach=_reach(slope, np.log(clamped[1] / clamped[0]) / STEP),
        thread_pitch=np.array([thread_turned(tine) for tine in instrument.tines]),
        slides=np.array([slides(tine) for tine in instrument.tines]),
    )


def _reach(slope: Array, clamped: Array) -> Array:
    """L + c (R,) in m by the slopes (R,) on the bar and on a clamp, d ln f / dL.

    The line that is the tine's has half of its energy in it at least: no more than the clamped slope, no less than
    half of it. What is beyond has changed lines within the step, and is told by the clamp. A nut turned for less
    than `LEAST_SHARE` would overshoot by more than half where the bar's mode is left.
    """
    share = slope / clamped
    held = np.where((share > 0.5) & (share < STEEPEST), np.clip(share, LEAST_SHARE, None), 1.0)
    return np.asarray(-2.0 / (clamped * held))


def designed_hz(instrument: Instrument, row: Row, temperature: float | None) -> Array:
    """(R,) Hz that the design wants of each tine at `temperature` (K, its own where None); nan where no pitch."""
    return np.asarray(row.target_hz * _warmed(instrument, temperature))


def _of_round_rod(instrument: Instrument) -> Instrument:
    """The same with round rods: what the bar alone parts stays, whichever way it and a rod would have pulled."""
    return replace(instrument, tines=tuple(replace(tine, split=1.0) for tine in instrument.tines))


def _warmed(instrument: Instrument, temperature: float | None) -> Array:
    """(R,) what a tine in tune at the design's temperature sounds at the bench's, over its pitch."""
    warmer = 0.0 if temperature is None else temperature - instrument.temperature
    steel = [tine.rod.material for tine in instrument.tines]
    stiffer = np.array([1.0 + (each.modulus_slope + each.expansion) * warmer for each in steel])
    return np.asarray(np.sqrt(stiffer))
