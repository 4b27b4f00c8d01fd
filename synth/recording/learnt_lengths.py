"""What the first taps of some tines teach, and how long those that are not cut yet should become.

In: an instrument, its row, the sound of tines that stood as they were cut. Out: a `Lesson`: the calibration of the
recording room, and for every other tine its length before and after. The fit is that of `calibrate`.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.edit import edited_design
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.frozen import frozen
from synth.recording.audio_input import Recording
from synth.recording.calibrate import Calibration, calibrate
from synth.recording.calibration_model import MeasuredPiece
from synth.recording.match import matched_partials, name_tines
from synth.recording.parameters import Unknown, tree_of, unknowns
from synth.recording.partials import measure_taps
from synth.recording.predicted_partials import bar_of, heard
from synth.units import MM
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tuning import Row, tune

ENOUGH: Final = 5  # tines, from which a lesson is offered: three unknowns and something to hold them by
BY_HAND: Final = 0.3 * MM  # how well a nut is set by rule and eye (common practice, no published source)


@frozen
class Lesson:
    """What was learnt; lengths (R,) in m before and after; the tines (indices) that it is of use to."""

    calibration: Calibration
    before: Array
    after: Array
    uncut: tuple[int, ...]


def lesson(
    instrument: Instrument, row: Row, first: Mapping[int, Array], rate: int, *, cut: Collection[int]
) -> Lesson:
    """From the sound (T,) of tines (indices) before their nuts were touched; `cut` are those that stand already.

    Raises `InputError` where the taps teach nothing.
    """
    calibration = calibrate(*_piece(instrument, row, first, rate))
    design = edited_design(tree_of(instrument.file), calibration.edits)
    corrected = resolve(design, instrument.file)
    after = tune(corrected, mounting(corrected)).length
    uncut = tuple(
        tine for tine in range(len(row.length)) if tine not in cut and np.isfinite(row.target_hz[tine])
    )
    return Lesson(calibration, row.length, after, uncut)


def _piece(
    instrument: Instrument, row: Row, first: Mapping[int, Array], rate: int
) -> tuple[MeasuredPiece, list[Unknown]]:
    tines = sorted(first)
    model = heard(instrument, bar_of(instrument), row.length, row.trim, tines)
    takes = [Recording("", rate, 0.0, first[tine], np.abs(first[tine]) >= 1.0, ()) for tine in tines]
    claims = name_tines([measure_taps(take).taps[0] for take in takes], model, tines)
    lines = tuple(line for claim in claims for line in matched_partials(claim, model))
    tree = tree_of(instrument.file)
    piece = MeasuredPiece(tree, instrument.file, instrument, row.length, row.trim, BY_HAND, lines)
    return piece, unknowns(tree, instrument, piece.tines)
