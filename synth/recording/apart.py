"""What recordings cannot tell apart, and what would: a measured length, or a long tine.

In: a piece, its unknowns, which of them are fitted. Out: words for what is not. The experiments are tried in the
model: the same partials with lengths known to `KEPT`, then the same and those of one tine much longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.recording.calibration_model import MeasuredPiece, Model, covariance, measured
from synth.recording.match import MatchedPartial
from synth.recording.parameters import LOSSES, PLAUSIBLE_SPREAD, Unknown
from synth.units import CENT, MM, Units, length_said
from synth.vibration.tuning import LONGEST

HARMFUL: Final = 30.0  # condition number of the columns, each of length one
TAUGHT: Final = 0.7  # of its plausible spread: an unknown known no better has not been measured
KEPT: Final = 0.03 * MM  # m: what a calliper tells of a free length
LONG: Final = 1.7  # times the longest tine that was measured
PARTIALS: Final = 4  # of the long tine
TREND: Final = 4.0  # cents from the longest to the shortest tine that are worth a word


def whitened(model: Model) -> Array:
    """(n + m, P) slopes by each unknown in standard deviations of the data."""
    whiten = np.linalg.inv(np.linalg.cholesky(covariance(model.piece)))
    return np.asarray(whiten @ model.jacobian(model.start))


def counted(piece: MeasuredPiece) -> tuple[int, int]:
    """How many partials, and how many decays, there are to learn from; the same partial twice counts once."""
    partials = {(line.tine, line.partial) for line in piece.lines}
    return len(partials), len({(line.tine, line.partial) for line in piece.decaying})


def objection(chosen: Sequence[Unknown], jacobian: Array, count: tuple[int, int]) -> tuple[int, str] | None:
    """The first reason why the data do not hold all of these: (which of them, why); jacobian whitened, (K, P)."""
    for index, unknown in enumerate(chosen):
        if np.linalg.norm(jacobian[:, index]) * PLAUSIBLE_SPREAD[unknown.kind] < 1e-3:
            return index, "it moves none of the measured partials"
    lossy = sum(unknown.kind in LOSSES for unknown in chosen)
    for many, held, what in ((len(chosen) - lossy, count[0], "partials"), (lossy, count[1], "decays")):
        if many and held <= many:
            return len(chosen) - 1, f"too few data: {held} {what} measured"
    columns = jacobian / np.linalg.norm(jacobian, axis=0)
    values, vectors = np.linalg.eigh(columns.T @ columns)
    if values[-1] > HARMFUL**2 * max(values[0], 1e-300):
        return _alike(chosen, columns, vectors[:, 0])
    deviation = np.sqrt(np.diag(np.linalg.inv(jacobian.T @ jacobian)))
    for index in np.argsort([-d / PLAUSIBLE_SPREAD[u.kind] for u, d in zip(chosen, deviation, strict=True)]):
        if deviation[index] > TAUGHT * PLAUSIBLE_SPREAD[chosen[index].kind]:
            return int(index), f"the data leave it open by {_open(chosen[index], float(deviation[index]))}"
    return None


def _alike(chosen: Sequence[Unknown], columns: Array, weakest: Array) -> tuple[int, str]:
    first, second = np.argsort(-np.abs(weakest))[:2]
    one, other = sorted((int(first), int(second)))
    alike = abs(float(columns[:, one] @ columns[:, other]))
    name = chosen[one].name
    return (
        other,
        f"every measured partial moves with it as with the {name} (likeness {alike:.4f})",
    )


def _open(unknown: Unknown, deviation: float) -> str:
    return f"+-{deviation:.2g}" if unknown.linear else f"+-{100.0 * deviation:.2g} %"


def would_tell(piece: MeasuredPiece, chosen: Sequence[Unknown], unknown: Unknown) -> str:
    """What would tell this unknown from those that are fitted."""
    if unknown.kind in LOSSES:
        return "decays of more tines, of other lengths, might tell"
    asked, units = [*chosen, unknown], piece.instrument.bench.units
    kept, option = _kept_words(units)
    sharp = replace(piece, length_deviation=min(KEPT, piece.length_deviation))
    if _told(sharp, asked):
        return f"lengths measured to {kept} (--length, {option} {kept.split()[0]}) would tell"
    longer = _with_long_tine(piece)
    if longer is not None:
        tine = f"a tine of {length_said(float(np.max(longer.length)), units, figures=3)}, tapped as well,"
        if _told(longer, asked):
            return f"{tine} would tell"
        if _told(replace(longer, length_deviation=sharp.length_deviation), asked):
            return f"{tine} and lengths measured to {kept} ({option}) would tell"
    return _by_hand(chosen, unknown)


def _kept_words(units: Units) -> tuple[str, str]:
    """How well lengths can be measured, and the option that says so."""
    return length_said(KEPT, units, figures=1), "--length-sd-mm" if units == "mm" else "--length-sd-in"


def _told(piece: MeasuredPiece, asked: Sequence[Unknown]) -> bool:
    return objection(asked, whitened(Model(piece, asked)), counted(piece)) is None


def _by_hand(chosen: Sequence[Unknown], unknown: Unknown) -> str:
    """What no tap tells: whichever of two was wrong, what was fitted stands for both."""
    twins = {"youngs": "bend-diameter", "bend-diameter": "youngs"}
    for each in chosen:
        if each.kind == twins.get(unknown.kind):
            return (
                f"no tap tells it: the {each.name} that was fitted stands for both, and predicts tines of this rod "
                "alone; a static bend of the rod, or its maker's certificate, would tell"
            )
    return "more tines, of other lengths, and more of their partials might tell"


def _with_long_tine(piece: MeasuredPiece) -> MeasuredPiece | None:
    """The piece with one tine more, of a measured stock and much longer; None where all have been measured."""
    stocks = {piece.instrument.tines[tine].rod.name for tine in piece.tines}
    free = [
        index
        for index, tine in enumerate(piece.instrument.tines)
        if index not in piece.tines and tine.rod.name in stocks and not piece.trim[index]
    ]
    if not free:
        return None
    length = piece.length.copy()
    length[free[0]] = min(LONG * float(np.max(length[piece.tines])), 0.9 * LONGEST)
    sure = float(np.median([line.standard_uncertainty for line in piece.lines]))
    lines = [MatchedPartial(free[0], n, None, 1.0, sure, float("nan"), float("nan")) for n in range(PARTIALS)]
    return replace(piece, length=length, lines=(*piece.lines, *lines))


def trend(piece: MeasuredPiece, logs: Array) -> list[str]:
    """Whether what the fitted model (n + m,) leaves of the frequencies goes with the length, as by a wrong root."""
    off = (measured(piece) - logs)[: len(piece.lines)] / CENT
    by_tine = {
        tine: float(np.mean([o for o, line in zip(off, piece.lines, strict=True) if line.tine == tine]))
        for tine in piece.tines
    }
    if len(by_tine) < 3:
        return []
    tines = sorted(by_tine, key=lambda each: piece.length[each])
    slope, middle = np.polyfit(
        [1.0 / piece.length[each] for each in tines], [by_tine[each] for each in tines], 1
    )
    kept, option = _kept_words(piece.instrument.bench.units)
    ends = [slope / piece.length[each] + middle for each in (tines[0], tines[-1])]
    if abs(ends[0] - ends[1]) < TREND:
        return []
    return [
        f"what is left goes with the length, {ends[1]:+z.0f} cents for the longest tine, {ends[0]:+z.0f} for the "
        f"shortest: the root, or the lengths as cut; lengths measured to {kept} ({option}) "
        "would tell"
    ]
