"""The model corrected by what was measured: least squares without priors, and no more unknowns than the data hold.

In: a `MeasuredPiece` and the unknowns. Out: a `Calibration`. With r the logarithms of measured over modelled
frequencies and decay rates,

    minimise r^T C^-1 r,    C = what the recording, the model and the cut leave open

where an error of a tine's length moves all its partials together, so that it stands in C as one common part a tine.
The unknowns move in logarithms (a length or a grip, which may be zero, as they are). An unknown is refused
where it moves nothing, where another does the same (the columns of the whitened Jacobian are nearly parallel:
A. Belsley, E. Kuh & R. Welsch, Regression Diagnostics (1980), take condition numbers above 30 as harmful), or
where the data leave it as open as it was before.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.edit import Edit
from synth.design.key_path import last_key
from synth.errors import InputError
from synth.frozen import frozen
from synth.recording.apart import counted, objection, trend, whitened, would_tell
from synth.recording.calibration_model import MeasuredPiece, Model, covariance, from_fit, measured, to_fit
from synth.recording.match import MatchedPartial
from synth.recording.parameters import PLAUSIBLE_SPREAD, Unknown
from synth.recording.predicted_partials import PredictedPartials
from synth.units import CENT

NOT_ASKED: Final = "not asked for"
ROUNDS: Final = 12
SETTLED: Final = 1e-5  # of each unknown's spread
MISSED: Final = 15.0  # cents from which a partial is named as not explained


@frozen
class Fitted:
    """One unknown's new value, in the units of its key, with its standard deviation."""

    unknown: Unknown
    value: float
    standard_uncertainty: float


@frozen
class Rejected:
    """One unknown that was not fitted, why, and what would tell it."""

    unknown: Unknown
    reason: str
    remedy: str


@frozen
class Calibration:
    """What was learnt; correlations (P, P) between the learnt; the model before and after."""

    fitted: tuple[Fitted, ...]
    correlation: Array
    rejected: tuple[Rejected, ...]
    lines: tuple[MatchedPartial, ...]
    before: PredictedPartials
    after: PredictedPartials
    edits: tuple[Edit, ...]
    warnings: tuple[str, ...]


def calibrate(
    piece: MeasuredPiece, candidates: Sequence[Unknown], asked: Sequence[str] | None = None
) -> Calibration:
    """What the piece teaches: of the candidates all that it can, or exactly those kinds that are asked for.

    Raises `InputError` where the data do not hold what is asked for.
    """
    if not piece.lines:
        raise InputError(
            "no measured partial is one of the model's tines", remedy="name the tines with --tine"
        )
    model = Model(piece, candidates)
    jacobian, count = whitened(model), counted(piece)
    if asked is None:
        chosen, rejected = _affordable(candidates, jacobian, count)
    else:
        chosen, rejected = _demanded(candidates, jacobian, count, asked)
    fit = Model(piece, [candidates[index] for index in chosen])
    whiten = np.linalg.inv(np.linalg.cholesky(covariance(piece)))
    x, spread, misfit = _least_squares(fit, whiten, measured(piece))
    before, after = model.heard(model.start), fit.heard(x)
    deviation = np.sqrt(np.diag(spread))
    return Calibration(
        fitted=tuple(_learnt(u, float(v), float(s)) for u, v, s in zip(fit.asked, x, deviation, strict=True)),
        correlation=spread / np.outer(deviation, deviation),
        rejected=tuple(Rejected(u, why, _remedy(piece, fit.asked, u, why)) for u, why in rejected),
        lines=piece.lines,
        before=before,
        after=after,
        edits=fit.edits(x),
        warnings=(
            *_at_limits(fit, x),
            *_unexplained(piece, after),
            *_scattered(misfit),
            *trend(piece, fit.logs(x)),
        ),
    )


def to_write(edits: Sequence[Edit], date: str) -> list[Edit]:
    """The edits in six figures, and in every table that they touch the date of the measurement."""
    rounded = [
        each if isinstance(each.value, str) else replace(each, value=float(f"{each.value:.6g}"))
        for each in edits
    ]
    tables = dict.fromkeys(each.path.removesuffix(f".{last_key(each.path)}") for each in edits)
    return [*rounded, *(Edit(f"{table}.measured", date) for table in tables)]


def _learnt(unknown: Unknown, x: float, deviation: float) -> Fitted:
    value = from_fit(unknown, x)
    return Fitted(unknown, value, deviation if unknown.linear else deviation * value)


def _remedy(piece: MeasuredPiece, fitted: Sequence[Unknown], unknown: Unknown, why: str) -> str:
    return "" if why == NOT_ASKED else would_tell(piece, fitted, unknown)


def _affordable(
    candidates: Sequence[Unknown], jacobian: Array, counted: tuple[int, int]
) -> tuple[list[int], tuple[tuple[Unknown, str], ...]]:
    """In the order of the candidates, each that the data hold besides those before it."""
    chosen: list[int] = []
    rejected: list[tuple[Unknown, str]] = []
    for index, unknown in enumerate(candidates):
        trial = [*chosen, index]
        against = objection([candidates[each] for each in trial], jacobian[:, trial], counted)
        if against is None:
            chosen = trial
        else:
            blamed = candidates[trial[against[0]]]
            told = against[1] if blamed is unknown else f"with it, {blamed.name}: {against[1]}"
            rejected.append((unknown, told))
    if not chosen:
        reasons = "; ".join(f"{unknown.name}: {why}" for unknown, why in rejected[:3])
        raise InputError("the recordings teach nothing that is not known", remedy=reasons)
    return chosen, tuple(rejected)


def _demanded(
    candidates: Sequence[Unknown], jacobian: Array, counted: tuple[int, int], asked: Sequence[str]
) -> tuple[list[int], tuple[tuple[Unknown, str], ...]]:
    missing = set(asked) - {unknown.kind for unknown in candidates}
    if missing:
        raise InputError(f"these tines have no {' or '.join(sorted(missing))} to fit", remedy="leave it out")
    chosen = [index for index, unknown in enumerate(candidates) if unknown.kind in asked]
    against = objection([candidates[each] for each in chosen], jacobian[:, chosen], counted)
    if against is not None:
        blamed = candidates[chosen[against[0]]]
        raise InputError(
            f"the data do not hold the {blamed.name}: {against[1]}",
            remedy="leave it out, or record tines of other lengths and more of their partials",
        )
    others = [unknown for index, unknown in enumerate(candidates) if index not in chosen]
    return chosen, tuple((unknown, NOT_ASKED) for unknown in others)


def _least_squares(model: Model, whiten: Array, aim: Array) -> tuple[Array, Array, float]:
    """The fit (P,), its covariance (P, P), and the misfit per degree of freedom, 1 where all is as assumed."""
    limits = [(to_fit(u, u.lowest), to_fit(u, u.highest)) for u in model.asked]
    low, high = np.array(limits).T
    spread = np.array([PLAUSIBLE_SPREAD[unknown.kind] for unknown in model.asked])
    x = model.start.copy()
    for _ in range(ROUNDS):
        jacobian = whiten @ model.jacobian(x)
        step = np.linalg.lstsq(jacobian, whiten @ (aim - model.logs(x)), rcond=None)[0]
        new = np.clip(x + np.clip(step, -3.0 * spread, 3.0 * spread), low, high)
        done = bool(np.all(np.abs(new - x) < SETTLED * spread))
        x = new
        if done:
            break
    jacobian = whiten @ model.jacobian(x)
    left = whiten @ (aim - model.logs(x))
    misfit = float(left @ left) / max(1, len(left) - len(x))
    return x, np.asarray(np.linalg.inv(jacobian.T @ jacobian) * max(1.0, misfit)), misfit


def _at_limits(model: Model, x: Array) -> list[str]:
    return [
        f"{unknown.name} ended at its limit, {from_fit(unknown, float(value)):.4g}: something else is wrong"
        for unknown, value in zip(model.asked, x, strict=True)
        if not unknown.lowest < from_fit(unknown, float(value)) < unknown.highest
    ]


def _unexplained(piece: MeasuredPiece, after: PredictedPartials) -> list[str]:
    out = []
    for line in piece.lines:
        off = np.log(line.frequency / line.of(after.frequency[after.row(line.tine)])) / CENT
        if abs(off) > MISSED:
            out.append(
                f"partial {line.partial + 1} at {line.frequency:.2f} Hz stays {off:+z.0f} cents off the model"
            )
    return out


def _scattered(misfit: float) -> list[str]:
    if misfit < 4.0:
        return []
    return [
        f"the data scatter {misfit**0.5:.1f} times as much as assumed; the deviations are widened by that"
    ]
