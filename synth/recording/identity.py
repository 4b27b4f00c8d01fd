"""Whether a tap is of the tine that was named, or its partials fit another tine of the design better.

In: an instrument, its row, the named tine, taps. Out: a `Found`: at which length the named tine explains the taps
best, and which other tine would explain them better. A tine that stands a tenth too long has all its partials lower
by nearly one interval; another tine of the same stock has the same pattern at another pitch. What tells them is how
far the pitch is from where it should be, and where nuts or stocks differ, the pattern itself. Other tines are asked
as they are clamped, their fundamental as the bar moves it, which costs nothing beside the coupled solution.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.fixings import slides
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.recording.match import STEP, scores
from synth.recording.measurement import TapPartials
from synth.recording.predicted_partials import HIGHEST_PREDICTED
from synth.units import cents
from synth.vibration.tine import solve_tines
from synth.vibration.tuning import LONGEST, SHORTEST, Row, Trim

LONGER: Final = np.array([-0.12, -0.09, -0.06, -0.03, 0.0, 0.03, 0.06, 0.09, 0.12])  # of the length
NEAR: Final = 130.0  # cents off what is expected at one length: more than half of the steps between them
USUAL: Final = 60.0  # cents: models are off by as much before they are calibrated
FAR: Final = (
    0.25  # score that an error of 1.3 usual ones costs; it grows as the logarithm, since blunders happen
)
NEEDLESS: Final = 1e-3  # score a cent: of two lengths with one pitch that which needs the lesser offset
WORD: Final = 0.3  # score that the maker's word is worth
LEAST: Final = 0.8  # score below which no partial of a tine is there: the first alone has one


@frozen
class Likeness:
    """How well a tine explains taps: how many of its partials they have, and what its pitch costs."""

    score: float
    cost: float
    offset: float  # cents from the variant
    variant: int

    @property
    def value(self) -> float:
        return self.score - self.cost


@frozen
class Found:
    """The named tine as it explains the taps best, and who explains them better, if anyone does."""

    likeness: Likeness
    longer: float  # m that it seems to stand longer than the row has it
    frequency: Array  # (2, N) Hz that the model gives it at that length
    other: int | None  # index of the tine


def identify(
    instrument: Instrument, row: Row, tine: int, taps: Sequence[TapPartials], frequency: Array
) -> Found:
    """Who was tapped; `frequency` (2, N) is what the model gives the named tine (index) on its bar, in Hz."""
    longer, variants = _variants(instrument, row, tine, frequency)
    named = _likeness(taps, variants, [cents(float(each[0, 0] / frequency[0, 0])) for each in variants])
    clamped = row.modes.frequency.copy()
    clamped[:, :, 0] *= (row.mounted_hz / row.clamped_hz)[:, None]
    others = {each: _likeness(taps, [clamped[each]], [0.0]) for each in range(len(clamped)) if each != tine}
    best = max(others, key=lambda each: others[each].value, default=tine)
    first = others.get(best, named)
    another = first.score >= LEAST and first.value > named.value + WORD
    return Found(named, float(longer[named.variant]), variants[named.variant], best if another else None)


def _likeness(taps: Sequence[TapPartials], variants: Sequence[Array], off: Sequence[float]) -> Likeness:
    """The best of a tine's variants (2, N) in Hz, each already `off` cents from what is expected of the tine."""
    offsets = np.arange(-NEAR, NEAR + STEP, STEP)
    found = []
    for index, (frequency, already) in enumerate(zip(variants, off, strict=True)):
        score = np.mean([scores(tap, frequency, offsets) for tap in taps], axis=0)
        cost = FAR * np.log1p(((offsets + already) / USUAL) ** 2)
        best = int(np.argmax(score - cost))
        found.append(Likeness(float(score[best]), float(cost[best]), float(offsets[best]), index))
    return max(found, key=lambda each: each.value - NEEDLESS * abs(each.offset))


def _variants(instrument: Instrument, row: Row, tine: int, frequency: Array) -> tuple[Array, list[Array]]:
    """Lengths (V,) in m beyond the row's, and what the tine sounds at each, moved by the bar as at none."""
    longer = LONGER * row.length[tine]
    shortest = max(SHORTEST - row.length[tine], -under_nuts(row, tine))
    longer = longer[(longer == 0.0) | (longer >= shortest) & (longer <= LONGEST - row.length[tine])]
    clamped = {each: _clamped(instrument, row, tine, each, frequency.shape[1]) for each in longer.tolist()}
    still = clamped[0.0]
    moved = [
        np.where(still > 0.0, frequency * each, 0.0) / np.maximum(still, 1e-9) for each in clamped.values()
    ]
    return longer, moved


def _clamped(instrument: Instrument, row: Row, tine: int, longer: float, count: int) -> Array:
    """(2, count) Hz of this tine alone, clamped, its base nut so much further down; absent partials are zero."""
    trim = retrimmed(instrument, row.trim, tine, -longer)[tine]
    length = np.array([float(row.length[tine]) + longer])
    found = solve_tines([instrument.tines[tine]], length, (trim,), HIGHEST_PREDICTED).frequency[0, :, :count]
    return np.asarray(np.pad(found, ((0, 0), (0, count - found.shape[1]))))


def lowered(trim: Trim, tine: int, shorten: float) -> Trim:
    """The nuts' places above the base nut's face, which has come up by `shorten`."""
    moved = tuple(replace(nut, position=nut.position - shorten) for nut in trim[tine])
    return tuple(moved if index == tine else nuts for index, nuts in enumerate(trim))


def retrimmed(instrument: Instrument, trim: Trim, tine: int, shorten: float) -> Trim:
    """The nuts' places once the tine has lost so much length where its fixing lets it: below, or at the tip."""
    return lowered(trim, tine, shorten) if slides(instrument.tines[tine]) else trim


def under_nuts(row: Row, tine: int) -> float:
    """How far the base nut can come up before it meets a trim nut, m."""
    return min((nut.position - 0.5 * nut.nut.height for nut in row.trim[tine]), default=np.inf)


def over_nuts(row: Row, tine: int) -> float:
    """How high the highest trim nut reaches, m above the root."""
    return max((nut.position + 0.5 * nut.nut.height for nut in row.trim[tine]), default=0.0)


def tine_name(instrument: Instrument, index: int) -> str:
    """A tine as the maker names it: GROUP.N."""
    tine = instrument.tines[index]
    return f"{instrument.groups[tine.group].name}.{tine.number}"
