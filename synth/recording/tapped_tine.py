"""Whose tap it was, and how far that tine is off: lines of one tap against the instrument's table.

In: the lines that a tap began (`FittedModes`), those that rang before it, `TuningTargets`. Out: a `Verdict`. A
tine is known by its fundamental with the second and third partial in the right ratio to it; tines of one stock
share that ratio, so that what parts two of them is how far each would be off. What does not part them for certain
is told of all of them, each with its figure, and none is chosen, unless the maker has said that they tap what is
announced: then that one is taken where it is among them, and the verdict says so.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.recording.damped_sinusoid_fit import FittedModes
from synth.recording.tuning_targets import TuningTargets
from synth.units import CENT

FURTHEST: Final = 150.0  # cents: a tine as cut is no further off its pitch
USUAL: Final = 40.0  # cents that it is off before it is tuned
COST: Final = 0.25  # score that 1.3 usual errors cost
OVERTONE: Final = 30.0  # cents that an overtone is off the fundamental's offset: clamps and nuts vary
WEIGHTS: Final = (1.0, 0.8, 0.6)  # of the first partials in the score
RIVAL: Final = 0.5  # score by which a tine must lead to be named: 0.495 is what 100 cents, a semitone, cost
LEAST: Final = 1.4  # score without costs: a fundamental alone is of anything, a voice has partials everywhere
FAINT: Final = 10.0 ** (-40.0 / 20.0)  # of the loudest new line: a tapped tine's fundamental is louder
PLANES: Final = 60.0  # cents around a line in which its other plane is sought, beyond the model's own split
ONE_PITCH: Final = 24.0  # cents between planes, below which their mean is the pitch
LOUDER: Final = 0.5  # of a tine's level, from which another that rings is said to be the one that was tapped
TWIN_LEVEL: Final = 0.05  # of the fundamental's level: a fainter line beside it is no plane
STRANGE: Final = (
    25.0  # cents by which two planes differ from the model's split at most, where others are near
)
TWINS: Final = 2.5  # times as fast at most one plane decays as the other: what dies faster is the room's
APART: Final = 0.3  # beats in the span heard, below which two lines are a guess at what one wobbling line is
HIDDEN: Final = 0.3  # of two planes' distance: deviation from their mean of the one line that stands for both
BRIEFLY: Final = (
    0.5  # the same while it has not been heard for `LONG`: opposed phases pull it outside of both
)
LONG: Final = 0.9  # s
FLOOR: Final = 0.02  # cents: what no fit of a line is better than
SAFE: Final = 1.3  # times the deviation that white noise leaves


@dataclass(frozen=True)
class Verdict:
    """What a tap says: the tine (index) or None with the `reason`; pitches in Hz, offsets in cents.

    `sounds` is of the swing along the row, or of the mean of both planes where these lie within `ONE_PITCH`. Where
    more than one tine may have been tapped, `candidates` are all of them and `guesses` what the tap would say of
    each; `tine` is None then, or with `taken` the one that was announced.
    """

    tine: int | None
    candidates: tuple[int, ...]
    sounds: float
    standard_uncertainty: float  # Hz
    cents: float
    line_sd: float  # cents, of its loudest line alone, whichever plane that is
    planes: tuple[float, ...]  # Hz, of the one or two lines of the fundamental, rising
    reason: str
    softer: float = 0.0  # of its two planes, the level of the softer over that of the louder
    overtone: float = float("nan")  # the second partial over the first, in the louder plane
    taken: bool = False
    guesses: tuple[Verdict, ...] = ()

    @property
    def cents_sd(self) -> float:
        return float(self.standard_uncertainty / self.sounds / CENT)

    @property
    def beat(self) -> float:
        """Times a second that the two planes beat; 0 where only one was heard."""
        return self.planes[-1] - self.planes[0] if self.planes else 0.0

    @property
    def split(self) -> float:
        """Cents between the two planes; 0 where only one was heard."""
        return float(np.log(self.planes[-1] / self.planes[0]) / CENT) if self.planes else 0.0


def nothing(reason: str, candidates: tuple[int, ...] = ()) -> Verdict:
    nan = float("nan")
    return Verdict(None, candidates, nan, nan, nan, nan, (), reason)


def judged(
    new: FittedModes, old: FittedModes, targets: TuningTargets, *, announced: int | None, seconds: float
) -> Verdict:
    """The verdict on a tap that began the lines `new` while `old` rang, heard for `seconds`.

    `announced` is the tine (index) that the maker has said to tap; None where nothing was said.
    """
    if not len(new):
        return nothing("")
    explained = [_explained(new, targets, tine) for tine in range(len(targets.name))]
    value = np.array([each.value for each in explained])
    best = float(np.max(value))
    if best == -np.inf:
        return nothing("")
    heard = _Heard(new, old, seconds)
    maybe = np.flatnonzero(value > best - RIVAL)
    candidates = tuple(int(each) for each in maybe[np.argsort(-value[maybe], kind="stable")])
    guesses = tuple(_told(heard, targets, tine, explained[tine].line) for tine in candidates)
    if len(candidates) == 1:
        return guesses[0]
    level = np.abs(new.amplitude[[explained[each].line for each in candidates]])
    pitch = _hertz(new)[[explained[each].line for each in candidates]]
    mine = candidates.index(announced) if announced in candidates else int(np.argmax(level))
    apart = np.abs(np.log(pitch / pitch[mine]) / CENT) > PLANES
    if np.any(apart & (level > LOUDER * level[mine])):
        return nothing("more than one tine rings: hold the others and tap again", candidates)
    if announced in candidates:
        return replace(guesses[mine], taken=guesses[mine].tine is not None, candidates=candidates)
    return _any_of(candidates, guesses)


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


@dataclass(frozen=True)
class _Explained:
    value: float
    line: int  # index of the fundamental's loudest line


def _explained(new: FittedModes, targets: TuningTargets, tine: int) -> _Explained:
    """The best way in which this tine explains the lines."""
    hertz, level = _hertz(new), np.abs(new.amplitude)
    model = targets.frequency[tine]
    off = _nearest_cents(hertz, model[:, 0])
    near = np.flatnonzero((np.abs(off) < FURTHEST) & (level > FAINT * np.max(level)))
    best = _Explained(-np.inf, -1)
    for line in near.tolist():
        score = WEIGHTS[0]
        for partial, weight in enumerate(WEIGHTS[1:], 1):
            if partial < model.shape[1] and np.all(model[:, partial] > 0.0):
                beside = np.min(np.abs(_nearest_cents(hertz, model[:, partial]) - off[line]))
                score += weight * float(np.exp(-0.5 * (beside / OVERTONE) ** 2))
        if score < LEAST:
            continue
        loud = 0.02 * np.log(level[line] / np.max(level))
        value = score + loud - COST * np.log1p((off[line] / USUAL) ** 2)
        if value > best.value:
            best = _Explained(float(value), line)
    return best


@dataclass(frozen=True)
class _Heard:
    """The lines that a tap began, those before it, and for how many seconds it was heard."""

    new: FittedModes
    old: FittedModes
    seconds: float


def _told(heard: _Heard, targets: TuningTargets, tine: int, line: int) -> Verdict:
    hertz, level = _hertz(heard.new), np.abs(heard.new.amplitude)
    beside = np.abs(np.log(hertz / hertz[line]) / CENT) < _split_of(targets, tine) + PLANES
    rate = np.maximum(-heard.new.pole.real, 1e-3)
    differ = abs(float(np.log(np.divide(*targets.decay_rate[tine]))))  # a bar may take more of one plane
    alike = np.abs(np.log(rate / rate[line])) < np.log(TWINS) + differ
    pair = np.flatnonzero(beside & alike & (level > TWIN_LEVEL * level[line]))
    if len(pair) > 2 or _another_rings(hertz[pair], targets, tine):
        return nothing("other tines ring along at its pitch: hold them and tap again", (tine,))
    if _disturbed(hertz[line], level[line], heard.old):
        return nothing("another still rings close to it: hold it and tap again", (tine,))
    pair = pair[np.argsort(hertz[pair])]
    deviation = _deviation(heard.new)
    sounds, own, off = _pitch(hertz[pair], deviation[pair], targets, tine)
    open_ = _unparted(hertz[pair], targets.frequency[tine, :, 0], heard.seconds)
    unsure = float(np.linalg.norm([own, open_, FLOOR * CENT * sounds]))
    return Verdict(
        tine,
        (tine,),
        sounds,
        unsure,
        off,
        float(deviation[line] / hertz[line] / CENT),
        tuple(float(each) for each in hertz[pair]),
        "",
        softer=float(np.min(level[pair]) / np.max(level[pair])) if len(pair) == 2 else 0.0,
        overtone=_overtone(heard.new, targets, tine, line),
    )


def _split_of(targets: TuningTargets, tine: int) -> float:
    """Cents between the planes as the model has them."""
    return abs(float(np.log(np.divide(*targets.frequency[tine, :, 0])) / CENT))


def _another_rings(hertz: Array, targets: TuningTargets, tine: int) -> bool:
    """Whether two lines are too far apart, or too near, for planes, and another tine could have one of them."""
    if len(hertz) < 2:
        return False
    apart = abs(float(np.log(hertz[1] / hertz[0])) / CENT)
    others = np.delete(targets.frequency[:, :, 0], tine, axis=0).ravel()
    near = np.abs(np.log(others[:, None] / hertz)) / CENT < PLANES
    return apart > _split_of(targets, tine) + STRANGE and bool(np.any(near))


def _overtone(new: FittedModes, targets: TuningTargets, tine: int, line: int) -> float:
    """The louder line near where the second partial should be, over the fundamental's; nan where there is none."""
    hertz, level = _hertz(new), np.abs(new.amplitude)
    model = targets.frequency[tine]
    if model.shape[1] < 2 or not np.all(model[:, 1] > 0.0):
        return float("nan")
    off = _nearest_cents(hertz, model[:, 1]) - _nearest_cents(hertz, model[:, 0])[line]
    near = np.flatnonzero(np.abs(off) < FURTHEST)
    return float(hertz[near[np.argmax(level[near])]] / hertz[line]) if len(near) else float("nan")


def _unparted(hertz: Array, model: Array, seconds: float) -> float:
    """Hz that stay open while two planes are not told apart: in opposed phases they sound outside of both."""
    if len(hertz) == 1:
        apart = float(abs(model[0] - model[1]))
        if apart > ONE_PITCH * CENT * hertz[0]:
            return apart  # it may be either
        share = HIDDEN if seconds > LONG else BRIEFLY
        return share * min(apart, 1.0 / seconds)  # further apart they would have been told
    split = float(hertz[1] - hertz[0])
    return 0.5 * split if split * seconds < APART else 0.0


def _pitch(hertz: Array, deviation: Array, targets: TuningTargets, tine: int) -> tuple[float, float, float]:
    """Hz, its deviation, and cents above the target, from the one or two lines of the fundamental.

    Two lines further apart than `ONE_PITCH` are the planes as the model orders them; else their mean is compared
    with the mean that a tine in tune has.
    """
    model = targets.frequency[tine, :, 0]
    if len(hertz) == 2 and np.log(hertz[1] / hertz[0]) > ONE_PITCH * CENT:
        along = int(model[0] > model[1])
        sounds, own, wanted = float(hertz[along]), float(deviation[along]), float(targets.target[tine])
    else:
        sounds, own = float(np.exp(np.mean(np.log(hertz)))), float(np.linalg.norm(deviation)) / len(hertz)
        wanted = float(targets.middle[tine])
    return sounds, own, float(np.log(sounds / wanted) / CENT)


def _disturbed(hertz: float, level: float, old: FittedModes) -> bool:
    """Whether what rang before the tap is close in pitch, and loud enough to move the figure or pose as a plane."""
    close = np.abs(np.log(_hertz(old) / hertz) / CENT) < PLANES
    return bool(np.any(close & (np.abs(old.amplitude) > TWIN_LEVEL * level)))


def _hertz(modes: FittedModes) -> Array:
    return np.asarray(modes.pole.imag / (2.0 * np.pi))


def _deviation(modes: FittedModes) -> Array:
    return np.asarray(SAFE * modes.standard_uncertainty / (2.0 * np.pi))


def _nearest_cents(hertz: Array, planes: Array) -> Array:
    """(K,) cents of each line above the nearer of a partial's two planes, which are Hz."""
    off = np.log(hertz[:, None] / planes) / CENT
    return np.asarray(np.take_along_axis(off, np.argmin(np.abs(off), axis=1)[:, None], axis=1)[:, 0])
