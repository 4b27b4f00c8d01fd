"""The test piece as a function of what is not known about it: every measured line as the model has it.

In: a design's tree, its row as it was cut, measured lines, unknowns. Out: logarithms of frequencies and decay
rates, their slopes by each unknown, and the covariance of what recording, model and saw leave open.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.edit import Edit, Tree, edited_design
from synth.design.instrument import Instrument, PlacedNut
from synth.design.material import own
from synth.design.resolve import resolve
from synth.frozen import frozen
from synth.recording.match import MatchedPartial
from synth.recording.parameters import PLAUSIBLE_SPREAD, Unknown
from synth.recording.predicted_partials import PredictedPartials, bar_of, heard
from synth.units import CENT
from synth.vibration.tuning import Trim

MODEL_CENTS: Final = 1.5  # what the model itself leaves open on each partial
DECAY_ERROR: Final = 0.12  # relative: decays differ from tap to tap by as much
STEP: Final = 0.01  # of an unknown's plausible spread, for slopes


@frozen
class MeasuredPiece:
    """What was measured and of what: the design's tree, the row as it was cut, the lines."""

    tree: Tree
    file: str
    instrument: Instrument
    length: Array  # (R,) m, of all tines, as cut
    trim: Trim
    length_deviation: float  # m
    lines: tuple[MatchedPartial, ...]

    @property
    def tines(self) -> list[int]:
        return sorted({line.tine for line in self.lines})

    @property
    def decaying(self) -> list[MatchedPartial]:
        """The lines whose decay is known."""
        return [line for line in self.lines if np.isfinite(line.decay_rate)]


class Model:
    """The piece as a function of the unknowns: what each measured line should be."""

    def __init__(self, piece: MeasuredPiece, asked: Sequence[Unknown]) -> None:
        self.piece, self.asked = piece, asked
        self.bar = bar_of(piece.instrument)  # of another material, or of a table of its own
        self.start = np.array([to_fit(each, each.value) for each in asked])

    def edits(self, x: Array) -> tuple[Edit, ...]:
        moved = [(u, a) for u, a, b in zip(self.asked, x, self.start, strict=True) if a != b]
        return tuple(edit for u, a in moved for edit in u.edits(from_fit(u, float(a))))

    def heard(self, x: Array) -> PredictedPartials:
        piece = self.piece
        instrument = resolve(edited_design(piece.tree, self.edits(x)), piece.file)
        trim = with_nuts_of(instrument, piece.trim)
        return heard(instrument, self.bar, piece.length, trim, piece.tines)

    def logs(self, x: Array) -> Array:
        """(n + m,) ln frequency of every line, then ln decay rate of those that have one."""
        model = self.heard(x)
        rows = [(line, model.row(line.tine)) for line in self.piece.lines]
        frequency = [line.of(model.frequency[row]) for line, row in rows]
        decay = [line.of(model.decay_rate[row]) for line, row in rows if np.isfinite(line.decay_rate)]
        return np.asarray(np.log([*frequency, *decay]))

    def jacobian(self, x: Array) -> Array:
        """(n + m, P) by differences, inwards where a limit is near."""
        here = self.logs(x)
        columns = []
        for index, unknown in enumerate(self.asked):
            step = STEP * PLAUSIBLE_SPREAD[unknown.kind]
            step = -step if x[index] + step > to_fit(unknown, unknown.highest) else step
            there = x.copy()
            there[index] += step
            columns.append((self.logs(there) - here) / step)
        return np.array(columns).reshape(len(self.asked), len(here)).T


def to_fit(unknown: Unknown, value: float) -> float:
    return value if unknown.linear else float(np.log(value))


def from_fit(unknown: Unknown, x: float) -> float:
    return x if unknown.linear else float(np.exp(x))


def with_nuts_of(instrument: Instrument, trim: Trim) -> Trim:
    """The same places with the nuts as this instrument has them."""
    return tuple(
        tuple(PlacedNut(own(each.nut.name, instrument.nuts) or each.nut, each.position) for each in placed)
        for placed in trim
    )


def measured(piece: MeasuredPiece) -> Array:
    return np.log([*(line.frequency for line in piece.lines), *(line.decay_rate for line in piece.decaying)])


def covariance(piece: MeasuredPiece) -> Array:
    """(n + m, n + m) of the logarithms: recording and model on the diagonal, a tine's length in common."""
    own = [line.standard_uncertainty**2 + (MODEL_CENTS * CENT) ** 2 for line in piece.lines]
    decay = [line.decay_standard_uncertainty**2 + DECAY_ERROR**2 for line in piece.decaying]
    C = np.diag([*own, *decay])
    tine = np.array([line.tine for line in piece.lines])
    stretch = 2.0 * piece.length_deviation / piece.length[tine]  # ln f falls twice as fast as ln length rises
    count = len(tine)
    C[:count, :count] += np.where(tine[:, None] == tine, np.outer(stretch, stretch), 0.0)
    return np.asarray(C)
