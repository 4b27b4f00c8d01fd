"""Which measured partial is which partial of which tine.

In: taps, and what the model says of the tines (`PredictedPartials`). Out: `TineAssignment`s (a tap with its tine)
and `MatchedPartial`s (a measured partial with the model's). The idea: material, thread and clamp move all
partials of all tines by nearly the same interval, so one offset is sought for all taps together, in which the
most partials meet; only then are partials paired off, each with the nearest.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.errors import InputError
from synth.frozen import frozen
from synth.recording.measurement import Partial, TapPartials
from synth.recording.predicted_partials import PredictedPartials
from synth.units import CENT

FURTHEST: Final = (
    150.0  # cents that a model may be off before it is measured: twice what rods and threads vary
)
STEP: Final = 2.0  # cents between offsets tried
CLOSE: Final = 12.0  # cents: partials are off by one another this much, since clamps and nuts vary
WINDOW: Final = 45.0  # cents from the common offset within which a partial is taken for the model's
LOUD: Final = 10.0 ** (-60.0 / 20.0)  # of the tap's loudest
PARTIALS: Final = 6  # of a tine that are looked for
UNSPLIT: Final = 8.0  # cents between planes below which one measured line may be either
LEAST: Final = (
    1.1  # score below which a tap is of no tine: the first partial alone has 1, the second and third 1.4
)
TWINS: Final = 2.5  # times as long at most rings one plane of a tine as the other
UNKNOWN: Final = 0.3  # s that a line of unknown decay is taken to ring
UNDECIDED: Final = 0.85  # of the best score: a tine that scores this much could be meant as well


@frozen
class TineAssignment:
    """A tap and the tine that it is of; `offset` in cents from the model, `others` that fit nearly as well."""

    tap: TapPartials
    tine: int
    offset: float
    found: bool  # by the program, not named by the maker
    others: tuple[int, ...] = ()


@frozen
class MatchedPartial:
    """A measured partial as partial n (from 0) of a tine, in plane 0 (along), 1 (across), or either (None).

    `deviation` is that of ln frequency, from the recording alone; a single line that may be either plane has half
    of their distance in it. Where both planes were heard close together, the line is their mean.
    """

    tine: int
    partial: int
    plane: int | None
    frequency: float
    standard_uncertainty: float
    decay_rate: float  # 1/s, nan where it is not known
    decay_standard_uncertainty: float  # of ln decay_rate
    apart: float = 0.0  # of ln frequency, between the two lines that this one is the mean of

    def of(self, values: Array) -> float:
        """This line's value among a tine's (2, N): its plane's, or the mean of both."""
        both = values[:, self.partial]
        return float(np.sqrt(both[0] * both[1])) if self.plane is None else float(both[self.plane])


def name_tines(
    taps: Sequence[TapPartials], model: PredictedPartials, named: Sequence[int | None]
) -> list[TineAssignment]:
    """Every tap with its tine: as named, or where None as found; `model` holds all tines that may be meant.

    Raises `InputError` for a tap that fits none.
    """
    offsets = np.arange(-FURTHEST, FURTHEST + STEP, STEP)
    table = np.array(
        [[scores(tap, model.frequency[row], offsets) for row in range(len(model.tine))] for tap in taps]
    )
    allowed = np.array([[name in (None, tine) for tine in model.tine] for name in named])
    best = np.max(np.where(allowed[:, :, None], table, -1.0), axis=1)  # (S, offsets)
    common = int(np.argmax(best.sum(axis=0)))
    near = np.abs(offsets - offsets[common]) <= WINDOW
    claims = []
    for tap, name, score, may in zip(taps, named, table, allowed, strict=True):
        reached = np.where(may, np.max(np.where(near, score, -1.0), axis=1), -1.0)
        row = int(np.argmax(reached))
        if name is None and reached[row] < LEAST:
            raise InputError(
                f"the tap at {tap.time:.2f} s is of no tine of this design",
                remedy="name it with --tine, or cut the tap out of the recording",
            )
        offset = float(offsets[near][np.argmax(score[row][near])])
        rivals = np.flatnonzero((reached > UNDECIDED * reached[row]) & (np.arange(len(reached)) != row))
        others = tuple(int(model.tine[each]) for each in rivals)
        claims.append(TineAssignment(tap, int(model.tine[row]), offset, name is None, others))
    return claims


def matched_partials(claim: TineAssignment, model: PredictedPartials) -> list[MatchedPartial]:
    """The partials of the tap that the model's tine explains."""
    frequency = model.frequency[model.row(claim.tine)]
    usable = _usable(claim.tap)
    out: list[MatchedPartial] = []
    for partial in range(min(PARTIALS, int(np.count_nonzero(frequency[0])))):
        planes = frequency[:, partial] * np.exp(claim.offset * CENT)
        near = [each for each in usable if np.min(np.abs(_cents(each.frequency / planes))) < WINDOW]
        out += _paired(claim.tine, partial, planes, _planes_of_one(near))
    return out


def _planes_of_one(near: list[Partial]) -> list[Partial]:
    """The one or two of these lines that are a tine's planes, by rising frequency.

    Both planes of one tine decay nearly alike; what dies much faster beside a partial is the room, however loud.
    """
    lasting = sorted(
        near, key=lambda each: -each.level * (each.decay if np.isfinite(each.decay) else UNKNOWN)
    )
    if len(lasting) < 2 or not np.isfinite(lasting[0].decay):
        return lasting[:1]
    first = lasting[0]
    beside = [each for each in lasting[1:] if abs(np.log(each.decay / first.decay)) < np.log(TWINS)]
    loudest = sorted(beside, key=lambda each: -each.level)[:1]
    return sorted([first, *loudest], key=lambda each: each.frequency)


def _usable(tap: TapPartials) -> list[Partial]:
    loudest = max((each.level for each in tap.partials), default=0.0)
    return [each for each in tap.partials if each.kind == "partial" and each.level > LOUD * loudest]


def scores(tap: TapPartials, frequency: Array, offsets: Array) -> Array:
    """(K,) how many of a tine's partials (2, N) the tap has, at every offset in cents; the lowest count most."""
    measured = np.array([each.frequency for each in _usable(tap)])
    score = np.zeros(len(offsets))
    if len(measured) == 0:
        return score
    for partial in range(min(PARTIALS, int(np.count_nonzero(np.min(frequency, axis=0))))):
        spectral = frequency[:, partial, None] * np.exp(offsets * CENT)
        off = np.min(np.abs(_cents(measured[:, None, None] / spectral)), axis=(0, 1))
        score += np.exp(-0.5 * (off / CLOSE) ** 2) / (1.0 + 0.3 * partial)
    return score


def _paired(tine: int, partial: int, planes: Array, measured: list[Partial]) -> list[MatchedPartial]:
    """The measured lines with the planes: with the mean of both where these are close, else each with the nearest.

    Which of two close planes is the higher depends on the seat of the nut, so a pair counts as its mean.
    """
    split = float(abs(_cents(planes[0] / planes[1])))
    if len(measured) == 2 and split < 2.0 * CLOSE:
        return [_mean(_line(tine, partial, None, measured[0]), _line(tine, partial, None, measured[1]))]
    if len(measured) == 1 and split < UNSPLIT:
        return [_line(tine, partial, None, measured[0], 0.5 * split * CENT)]
    nearest: dict[int, Partial] = {}
    for each in sorted(measured, key=lambda one: one.level):  # the louder one replaces the softer
        nearest[int(np.argmin(np.abs(_cents(each.frequency / planes))))] = each
    return [_line(tine, partial, plane, each) for plane, each in sorted(nearest.items())]


def _mean(one: MatchedPartial, other: MatchedPartial) -> MatchedPartial:
    """Both planes' lines as one, in the logarithm; a decay that only one has is that one's."""
    rates = np.array([one.decay_rate, other.decay_rate])
    known = rates[np.isfinite(rates)]
    sure = np.array([one.decay_standard_uncertainty, other.decay_standard_uncertainty])[np.isfinite(rates)]
    return replace(
        one,
        frequency=float(np.sqrt(one.frequency * other.frequency)),
        standard_uncertainty=float(0.5 * np.hypot(one.standard_uncertainty, other.standard_uncertainty)),
        apart=float(abs(np.log(one.frequency / other.frequency))),
        decay_rate=float(np.exp(np.mean(np.log(known)))) if len(known) else float("nan"),
        decay_standard_uncertainty=float(np.linalg.norm(sure) / len(sure)) if len(known) else float("nan"),
    )


def _line(tine: int, partial: int, plane: int | None, each: Partial, more: float = 0.0) -> MatchedPartial:
    known = np.isfinite(each.decay)
    return MatchedPartial(
        tine=tine,
        partial=partial,
        plane=plane,
        frequency=each.frequency,
        standard_uncertainty=float(np.hypot(each.frequency_deviation / each.frequency, more)),
        decay_rate=each.decay_rate if known else float("nan"),
        decay_standard_uncertainty=each.decay_deviation / each.decay if known else float("nan"),
    )


def _cents(ratio: Array) -> Array:
    return np.asarray(np.log(ratio) / CENT)
