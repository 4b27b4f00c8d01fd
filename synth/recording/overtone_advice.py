"""Which way a trim nut slides so that the second partial stands where it should, and what a nut would do.

In: an instrument, its row, a tine and the ratio that was heard. Out: an `OvertoneAdvice`. The ratio heard says how
far it is off; the model is asked only what a millimetre does: d ln(f2 / f1) / d height, the others held still. For
a tine without a nut the model's own picture (`vibration.trimming`) says what one nut could reach.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cached_property
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument, Nut
from synth.frozen import frozen
from synth.recording.predicted_partials import bar_of, heard
from synth.units import CENT, MM, cents
from synth.vibration.trimming.answers import fitting_nuts
from synth.vibration.trimming.search import along
from synth.vibration.trimming.settle import Aim
from synth.vibration.tuning import Row, Trim
from synth.workshop.length_text import UNIT, length_words

STEP: Final = 0.2 * MM  # by which a nut is moved for the slope
NEAR: Final = 15.0  # cents from which a ratio is left alone (common practice, no published source)
FLAT: Final = 2.0  # cents a mm below which sliding does too little to be advised
FURTHEST: Final = 10.0 * MM  # beyond which a slope is no guide


@frozen
class OvertoneAdvice:
    """The ratio heard and the wanted one; `slide` in m up towards the tip, nan where sliding is no help."""

    ratio: float
    wanted: float
    slide: float
    words: str

    @property
    def cents(self) -> float:
        return cents(self.ratio / self.wanted)


class Overtones:
    """What the second partials of an instrument's tines should be, and do as nuts move; worked out when asked."""

    def __init__(self, instrument: Instrument, row: Row) -> None:
        self.instrument, self.row = instrument, row

    def advice(self, tine: int, ratio: float) -> OvertoneAdvice | None:
        """For a tine (index) whose second partial was heard at `ratio` times the first; None where none was."""
        if not np.isfinite(ratio):
            return None
        if not self.row.trim[tine]:
            return self._of_a_nut(tine, ratio)
        wanted = self._wanted(tine)
        off, slope = cents(ratio / wanted), float(self._slope[tine])
        if abs(off) <= NEAR:
            return OvertoneAdvice(ratio, wanted, 0.0, "its nut is right")
        slide = -off / slope if abs(slope) * MM > FLAT else float("nan")
        if not abs(slide) < FURTHEST:
            return OvertoneAdvice(ratio, wanted, float("nan"), "sliding its nut a little does too little")
        way = "up, towards the tip" if slide > 0.0 else "down, towards the bar"
        return OvertoneAdvice(ratio, wanted, slide, f"slide its trim nut {self._said(abs(slide), 1)} {way}")

    def _wanted(self, tine: int) -> float:
        wish = self.instrument.tines[tine].wish
        return wish.ratio if wish is not None and wish.partial == 2 else float(self._ratios[tine])

    def _said(self, length: float, digits: int) -> str:
        units = self.instrument.bench.units
        return f"{length_words(length, units, digits=digits)} {UNIT[units]}"

    @cached_property
    def _ratios(self) -> Array:
        """(R,) as designed."""
        return self._with(self.row.trim)

    @cached_property
    def _slope(self) -> Array:
        """(R,) cents a metre by which the ratio rises as the uppermost nut moves up."""
        moved = tuple(
            (*nuts[:-1], replace(nuts[-1], position=nuts[-1].position + STEP)) if nuts else nuts
            for nuts in self.row.trim
        )
        return np.asarray(np.log(self._with(moved) / self._ratios) / CENT / STEP)

    def _with(self, trim: Trim) -> Array:
        bar, which = bar_of(self.instrument), range(len(self.instrument.tines))
        model = heard(self.instrument, bar, self.row.length, trim, which, partials=2)
        both = model.frequency[:, 0, :2]
        return np.asarray(both[:, 1] / both[:, 0])

    def _of_a_nut(self, tine: int, ratio: float) -> OvertoneAdvice:
        each = self.instrument.tines[tine]
        nuts = fitting_nuts(each, list(self.instrument.nuts.values()))
        wanted = float(np.round(ratio))
        if not nuts:
            return OvertoneAdvice(ratio, wanted, float("nan"), "no nut goes on its rod")
        low, high, place = self._reached(tine, wanted, nuts[0])
        words = f"a nut ({nuts[0].name}) could bring it to {low:.2f} to {high:.2f}"
        where = "" if place is None else f", to {wanted:.0f} at {self._said(place, 0)} above the base nut"
        return OvertoneAdvice(ratio, wanted, float("nan"), words + where)

    def _reached(self, tine: int, wanted: float, nut: Nut) -> tuple[float, float, float | None]:
        """The least and the greatest ratio that one nut gives, and the highest place that gives the wanted one."""
        length, pitch = float(self.row.length[tine]), float(self.row.clamped_hz[tine])
        bare = replace(self.instrument.tines[tine], wish=None)
        starts, curve = along(Aim(bare, length, pitch, ((2, wanted),)), (nut,))
        place = max((start.position[0] for start in starts), default=None)
        return float(np.min(curve.ratio)), float(np.max(curve.ratio)), place
