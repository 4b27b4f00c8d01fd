"""Whose tap it was, and how far that tine is off: lines of one tap against the instrument's table.

In: a `TappedSound`, `TuningTargets`. Out: a `Verdict`. A
tine is known by its fundamental with the second and third partial in the right ratio to it; tines of one stock
share that ratio, so that what parts two of them is how far each would be off. What does not part them for certain
is told of all of them, each with its figure, and none is chosen, unless the maker has said that they tap what is
announced: then that one is taken where it is among them, and the verdict says so. Of tines that should sound one
pitch the one that is next is taken without a word: the figure is the same for each.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array, Bools
from synth.frozen import frozen
from synth.recording.damped_sinusoid_fit import FittedModes
from synth.recording.design_planes import FURTHEST, PLANE_REACH
from synth.recording.predicted_partials import HIGHEST_PREDICTED
from synth.recording.tapped_pitch import (
    LIKE,
    OVERTONE,
    TappedSound,
    Verdict,
    hertz_of,
    nearest_cents,
    nothing,
    told_of,
)
from synth.recording.tuning_targets import TuningTargets
from synth.units import CENT

USUAL: Final = 40.0  # cents that it is off before it is tuned
COST: Final = 0.25  # score that 1.3 usual errors cost
WEIGHTS: Final = (1.0, 0.8, 0.6)  # of the first partials in the score
RIVAL: Final = 0.5  # score by which a tine must lead to be named: 0.495 is what 100 cents, a semitone, cost
LEAST: Final = 1.4  # score without costs: a fundamental alone is of anything, a voice has partials everywhere
FAINT: Final = 10.0 ** (-40.0 / 20.0)  # of the loudest new line: a tapped tine's fundamental is louder
ROUGHLY: Final = 2.0 * OVERTONE  # cents, at a glance
OWN: Final = 0.1  # of the power begun, that is a tapped tine's own at least
TINES: Final = 0.6  # of it, that tines account for together: of taps over 0.85, of a hammered thing up to 0.5
STRAYS: Final = 100.0  # cents around a partial, where a room's lines are its own
ALONE: Final = 0.9  # of the power begun, of a fundamental that stands alone
KNOWN: Final = 0.05  # relative deviation of its amplitude: that of whistled notes is 0.11 and more
UNISON: Final = 0.5  # cents between targets that are one pitch
LOUDER: Final = 0.5  # of a tine's level, from which another that rings is said to be the one that was tapped


def could_be(low: Array, high: Array, targets: TuningTargets) -> bool:
    """Whether a line of `low` and one of `high`, in Hz, told roughly, have the ratio of a tine's first partials."""
    if not len(low) or not len(high):
        return False
    model = np.log(np.maximum(targets.frequency[:, :, : len(WEIGHTS)], 1e-9)) / CENT  # (R, 2, N)
    first = np.log(low)[:, None, None] / CENT - model[..., 0]  # (K, R, 2) cents off
    first = np.where(np.abs(first) < FURTHEST, first, np.inf)
    upper = np.log(high)[:, None, None, None] / CENT - model[..., 1:]  # (L, R, 2, N - 1)
    return bool(np.any(np.abs(upper[:, None] - first[..., None]) < ROUGHLY))


def alone_at_a_glance(hertz: Array, level: Array, targets: TuningTargets) -> bool:
    """Whether the loudest of what began is near a tine's fundamental, and all else is near it or much softer."""
    if not len(hertz):
        return False
    loudest = int(np.argmax(level))
    other = np.abs(np.log(hertz / hertz[loudest]) / CENT) > STRAYS
    near = np.abs(np.log(hertz[loudest] / targets.frequency[:, :, 0])) / CENT < PLANE_REACH
    return bool(np.any(near) and np.sum(level[other] ** 2) < (1.0 / ALONE - 1.0) * level[loudest] ** 2)


def may_be_of(new: FittedModes, targets: TuningTargets) -> dict[int, int]:
    """The tines (indices) that may have begun these lines, the likeliest first; of each its fundamental's."""
    if not len(new):
        return {}
    fundamental = np.abs(np.log(hertz_of(new)[:, None, None] / targets.frequency[:, :, 0])) / CENT
    far = np.min(fundamental, axis=(0, 2)) >= FURTHEST
    explained = [NOT_AT_ALL if far[tine] else _explained(new, targets, tine) for tine in range(len(far))]
    value = np.array([each.value for each in explained])
    best = float(np.max(value))
    if best == -np.inf:
        return {}
    maybe = np.flatnonzero(value > best - RIVAL)
    return {int(each): explained[each].line for each in maybe[np.argsort(-value[maybe], kind="stable")]}


def alone_in(new: FittedModes, targets: TuningTargets) -> tuple[int, ...]:
    """The tines (indices), the nearest first, whose fundamental may be all that began: one pitch that dies so."""
    if not len(new):
        return ()
    hertz, level = hertz_of(new), np.abs(new.amplitude)
    own = np.abs(np.log(hertz / hertz[np.argmax(level)]) / CENT) < STRAYS
    if _share(new, own) < ALONE:
        return ()
    rate = np.maximum(-new.pole.real, 1e-3)
    known = (new.amplitude_deviation < KNOWN) & (2.0 * new.standard_uncertainty < rate)
    line = int(np.argmax(own * known * level / np.maximum(rate, 0.3)))
    off = np.min(np.abs(np.log(hertz[line] / targets.frequency[:, :, 0])) / CENT, axis=1)
    dies = np.max(np.abs(np.log(rate[line] / targets.decay_rate[:, :, 0])), axis=1) < np.log(LIKE)
    if not (own & known)[line]:
        return ()
    near = np.flatnonzero((off < PLANE_REACH) & dies)
    return tuple(near[np.argsort(off[near], kind="stable")].tolist())


def judged(
    heard: TappedSound, targets: TuningTargets, *, announced: int | None, following: int | None = None
) -> Verdict:
    """The verdict on a tap.

    `announced` is the tine (index) that the maker has said to tap; None where nothing was said. `following` is the
    one that is next: among tines of one pitch, for each of which the figure is the same, it is taken.
    """
    found = may_be_of(heard.new, targets)
    own = {tine: _own(heard.new, targets, tine, at) for tine, at in found.items()}
    known = _predicted(heard.new)
    line = {tine: at for tine, at in found.items() if _share(heard.new, own[tine], known) > OWN}
    candidates = tuple(line)
    if not candidates or _share(heard.new, np.any([own[tine] for tine in candidates], axis=0), known) < TINES:
        return nothing("")
    if len(candidates) == 1:
        return told_of(heard, targets, candidates[0], line[candidates[0]])
    level = np.abs(heard.new.amplitude[[line[each] for each in candidates]])
    pitch = hertz_of(heard.new)[[line[each] for each in candidates]]
    word = announced if announced in candidates else following if _one_pitch(candidates, targets) else None
    mine = candidates.index(word) if word in candidates else int(np.argmax(level))
    apart = np.abs(np.log(pitch / pitch[mine]) / CENT) > PLANE_REACH
    if np.any(apart & (level > LOUDER * level[mine])):
        return nothing("more than one tine rings: hold the others and tap again", candidates)
    if word in candidates:
        verdict = told_of(heard, targets, candidates[mine], line[candidates[mine]])
        return replace(verdict, taken=verdict.tine is not None, candidates=candidates)
    return _any_of(candidates, tuple(told_of(heard, targets, tine, line[tine]) for tine in candidates))


def _own(new: FittedModes, targets: TuningTargets, tine: int, line: int) -> Bools:
    """Which of the lines that the tap began stand near the tine's partials; a babble has lines anywhere."""
    hertz, model = hertz_of(new), targets.frequency[tine]
    off = float(nearest_cents(hertz, model[:, 0])[line])
    near = np.zeros(len(new), bool)
    for partial in np.flatnonzero(np.all(model > 0.0, axis=0)).tolist():
        near |= np.abs(nearest_cents(hertz, model[:, partial]) - off) < STRAYS
    return near


def _predicted(new: FittedModes) -> Bools:
    """Which of the lines are so low that the model has every tine's partials there.

    Of what rings above nobody knows whose it is: it speaks for none and against none.
    """
    return np.asarray(hertz_of(new) < HIGHEST_PREDICTED * np.exp(-FURTHEST * CENT))


def _share(new: FittedModes, lines: Bools, among: Bools | bool = True) -> float:
    """Of the power that the tap began, that of some of its lines, `among` those that count."""
    power = np.abs(new.amplitude) ** 2 * among
    return float(np.sum(power[lines]) / max(np.sum(power), 1e-300))


def _one_pitch(candidates: tuple[int, ...], targets: TuningTargets) -> bool:
    """Whether all of these should sound the same."""
    target = targets.target[list(candidates)]
    return bool(np.all(np.abs(np.log(target / target[0]) / CENT) < UNISON))


def _any_of(candidates: tuple[int, ...], guesses: tuple[Verdict, ...]) -> Verdict:
    """No tine, but what the tap says of each that it may have been."""
    sure = tuple(each for each in guesses if each.tine is not None)
    if not sure:
        return replace(guesses[0], candidates=candidates)
    return replace(
        sure[0],
        tine=None,
        candidates=candidates,
        cents=float("nan"),
        reason=f"cannot tell which of {len(candidates)}",
        guesses=sure,
    )


@frozen
class _Explained:
    value: float
    line: int  # index of the fundamental's loudest line


NOT_AT_ALL: Final = _Explained(-np.inf, -1)


def _explained(new: FittedModes, targets: TuningTargets, tine: int) -> _Explained:
    """The best way in which this tine explains the lines.

    A partial above those that the model has may be any line up there: it tells no tine from another.
    """
    hertz, level = hertz_of(new), np.abs(new.amplitude)
    model = targets.frequency[tine]
    told = np.all(model > 0.0, axis=0)
    open_ = sum(WEIGHTS[int(np.sum(told)) :]) if np.any(~_predicted(new)) else 0.0
    off = nearest_cents(hertz, model[:, 0])
    near = np.flatnonzero((np.abs(off) < FURTHEST) & (level > FAINT * np.max(level)))
    best = NOT_AT_ALL
    for line in near.tolist():
        score = WEIGHTS[0]
        for partial, weight in enumerate(WEIGHTS[1:], 1):
            if partial < len(told) and told[partial]:
                beside = np.min(np.abs(nearest_cents(hertz, model[:, partial]) - off[line]))
                if partial == 1 and beside > STRAYS and abs(off[line]) > USUAL:
                    break  # so far off a third without a second is a line of something else
                score += weight * float(np.exp(-0.5 * (beside / OVERTONE) ** 2))
        if score < LEAST:
            continue
        loud = 0.02 * np.log(level[line] / np.max(level))
        value = score + open_ + loud - COST * np.log1p((off[line] / USUAL) ** 2)
        if value > best.value:
            best = _Explained(float(value), line)
    return best
