"""What a tapped tine sounds, once it is known which one it was: its two planes, and cents from the target.

In: a `TappedSound`, the targets, a tine and the line of its fundamental. Out: a `Verdict`. Planes nearer than
`ONE_PITCH` are one pitch, their mean, which `plane_pitch` hears before they are apart; planes that the model has
further apart are told line by line, the one along the row being tuned.
"""

from __future__ import annotations

from dataclasses import field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.frozen import frozen
from synth.recording.damped_sinusoid_fit import FittedModes, sounding
from synth.recording.design_planes import (
    BY_BAR,
    FURTHEST,
    ONE_PITCH,
    PLANE_REACH,
    another_rings,
    has_neighbours,
    misplaced,
    parted_by_bar,
    split_of,
    unisons,
)
from synth.recording.plane_band import WIDEST
from synth.recording.plane_pitch import PlanePitch, plane_pitch
from synth.recording.stirred import NEAR, within
from synth.recording.tuning_targets import TuningTargets
from synth.units import CENT

OVERTONE: Final = 30.0  # cents that an overtone is off the fundamental's offset: clamps and nuts vary
ASKED: Final = 3  # partials, the first ones, that tell of the planes
USUAL_SPLIT: Final = 3.0  # cents between a rod's planes, where the design says less
TWIN_LEVEL: Final = 0.05  # of the fundamental's level: a fainter line beside it is no plane
RINGS: Final = 0.2  # of its level, from which a line too far off for a plane is another tine's
TWINS: Final = 2.5  # times as fast at most one plane decays as the other: what dies faster is the room's
LIKE: Final = (
    3.0  # times as fast at most as the model's it dies: clamps and bars differ; knocks die 16 times as fast
)
ODDLY: Final = 3.0  # cents more than usual, from which planes that upper partials deny are another tine's
LEFT_OUT: Final = 0.2  # cents: see `Verdict.cents_sd`
SURELY: Final = 0.9
OTHERS: Final = "other tines ring along at its pitch: hold them and tap again"
APART: Final = (
    "two pitches ring, further apart than the design has its planes: hold all others and tap along the row"
)
EITHER: Final = (
    "its planes are not both heard, or not as the design has them: tap along the row, then across it"
)
DROWNED: Final = "too soft, or the room too loud: tap again, harder or nearer"
COARSE: Final = 5.0  # cents: a figure less sure is not given, but for tines of its pitch, which are named
SURE: Final = 1.0  # cents: a figure less sure is given when it is due, not before, and with advice
SINGLE: Final = 0.01  # cents, as a usual split: one plane alone,
WIDEST_ALONE: Final = 0.5  # and as the widest that is asked
RESOLVED: Final = 1.5  # beats of two lines within a look, from which they are known to be so far apart


@frozen
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
    planes: tuple[float, ...]  # Hz, of the one or two lines of the fundamental, rising
    reason: str
    softer: float = 0.0  # of its two planes, the level of the softer over that of the louder
    overtone: float = float("nan")  # the second partial over the first, in the louder plane
    left: float = 0.0  # power that no line explains, over the fundamental's
    noisy: float = (
        1.0  # share of the figure's variance that noise alone makes: the rest are planes not told apart
    )
    along: float = 0.0  # share of it that tines of its pitch make, which may ring along
    taken: bool = False
    guesses: tuple[Verdict, ...] = ()

    @property
    def cents_sd(self) -> float:
        """Of the figure: the noise's, and `LEFT_OUT`, what the model of a room leaves out.

        Measured, no law: a second's listening in rooms is beyond two deviations in 7.1 % of figures with none of
        it, 4.3 % with 0.1 cents, 2.9 % with 0.2, 1.4 % with 0.3; near a microphone in 2.4, 0.8, 0.8 and 0 %.
        """
        return float(np.hypot(self.standard_uncertainty / self.sounds / CENT, LEFT_OUT))

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
    return Verdict(None, candidates, nan, nan, nan, (), reason)


@frozen
class TappedSound:
    """The samples (T,) of a tap without hum, all `lines` in them, those that it began (`new`), and those before it
    (`old`, with amplitudes as they were some tenths of a second before)."""

    samples: Array
    rate: float
    lines: FittedModes
    new: FittedModes
    old: FittedModes
    _known: dict[tuple[int, ...], PlanePitch | None] = field(default_factory=dict)

    def middle(
        self, partials: list[int], usual: float, differ: float, *, dies: Array, alone: bool
    ) -> PlanePitch | None:
        """The middle of the planes of these partials (indices of new lines); `alone`: of no line beside them.

        `dies` are the rates, 1/s, at which the model's die: a room stirs a line so that it seems to die at any.
        """
        falls = np.clip(-self.new.pole.real[partials], dies / LIKE, dies * LIKE)
        key = (*partials, *np.round(100.0 * falls).astype(int).tolist())
        key = (*key, round(10.0 * usual), round(10.0 * differ), int(alone))
        if key not in self._known:
            at = self.new.pole.imag[partials]
            poles = [complex(-fall, omega) for fall, omega in zip(falls, at, strict=True)]
            reach = [0.1 if alone else 2.0 * np.pi * within(NEAR, each.imag) for each in poles]
            apart = np.abs(self.lines.pole.imag[:, None] - np.array(poles).imag)
            others = self.lines.pick(np.asarray(np.all(apart > np.array(reach), axis=1)))
            clean = self.samples - sounding(others.amplitude, others.pole, len(self.samples), self.rate)
            # what is left of the lines that were taken away is no plane of this one
            widest = WIDEST_ALONE if alone else WIDEST
            self._known[key] = plane_pitch(
                clean, self.rate, poles, usual=usual, differ=differ, widest=widest, before=self.old
            )
        return self._known[key]


def told_of(heard: TappedSound, targets: TuningTargets, tine: int, line: int) -> Verdict:
    """What the tap says if it was of this tine, with its fundamental at that new line."""
    new = heard.new
    model = float(np.max(targets.decay_rate[tine, :, 0]))
    line = _lasting(new, line, model)
    hertz, level = hertz_of(new), np.abs(new.amplitude)
    split = split_of(targets, tine)
    beside = np.abs(np.log(hertz / hertz[line]) / CENT) < split + PLANE_REACH
    rate = np.maximum(-new.pole.real, 1e-3)
    differ = abs(
        float(np.log(np.divide(*targets.decay_rate[tine, :, 0])))
    )  # a bar may take more of one plane
    alike = np.abs(np.log(rate / rate[line])) < np.log(TWINS) + differ
    pair = np.flatnonzero(beside & alike & (level > TWIN_LEVEL * level[line]))
    dies = TWINS * np.exp(differ) * max(rate[line], model)  # what dies faster is the room's
    lasts = np.flatnonzero(beside & (rate < dies))
    if another_rings(hertz[lasts[level[lasts] > RINGS * level[line]]], targets, tine):
        return nothing(OTHERS, (tine,))
    if _disturbed(hertz[line], level[line], heard.old):
        return nothing("another still rings close to it: hold it and tap again", (tine,))
    off = np.abs(np.log(hertz[pair] / hertz[line]) / CENT)
    beats = np.abs(hertz[pair] - hertz[line]) * len(heard.samples) / heard.rate
    far = (off > ONE_PITCH) & (level[pair] > RINGS * level[line])
    by_bar = parted_by_bar(targets, tine) > BY_BAR
    if split > ONE_PITCH or (by_bar and np.any(far & (beats > RESOLVED))):
        return _far_planes(heard, targets, tine, line, pair)
    if np.any(far) and not by_bar:
        return nothing(APART, (tine,))
    return _near_planes(heard, targets, tine, line)


def _lasting(new: FittedModes, line: int, model: float) -> int:
    """The line, or where one beside it outlasts it by more than planes do, that one: the other is the room's.

    `model` is the rate, 1/s, at which the tine should die: what dies about so is no room's.
    """
    rate, level = np.maximum(-new.pole.real, 0.5), np.abs(new.amplitude)
    if rate[line] < TWINS * model:
        return line
    beside = np.abs(np.log(new.pole.imag / new.pole.imag[line])) / CENT < OVERTONE
    outlasts = beside & (rate < rate[line] / TWINS) & (level > TWIN_LEVEL * level[line])
    near = np.flatnonzero(outlasts)
    return int(near[np.argmax(level[near] / rate[near])]) if len(near) else line


def _near_planes(heard: TappedSound, targets: TuningTargets, tine: int, line: int) -> Verdict:
    """Of planes near to each other: their mean, against that of a tine in tune."""
    usual = max(USUAL_SPLIT, split_of(targets, tine))
    upper = int(targets.frequency[tine, 1, 0] > targets.frequency[tine, 0, 0])
    differ = float(np.log(targets.decay_rate[tine, upper, 0] / targets.decay_rate[tine, 1 - upper, 0]))
    lines, dies = _partials(heard.new, targets, tine, line)
    at = heard.middle(lines, usual, differ, dies=dies, alone=False)
    if at is None:
        return nothing("too short a sound: tap again and let it ring", (tine,))
    by_bar = parted_by_bar(targets, tine) > BY_BAR  # which parts each partial in its own way
    denied = at.odd > SURELY and not by_bar
    if at.parted and at.split > usual + ODDLY and denied and has_neighbours(targets, tine):
        return nothing(OTHERS, (tine,))
    half = np.exp(0.5 * at.split * CENT)
    along = misplaced(at.split, at.odd, usual) if unisons(targets, tine) else 0.0
    open_ = float(np.hypot(_open(at, targets, tine), along)) * CENT * at.hertz
    whole = float(np.hypot(at.standard_uncertainty, open_))
    return Verdict(
        tine,
        (tine,),
        at.hertz,
        whole,
        float(np.log(at.hertz / targets.middle[tine]) / CENT),
        (at.hertz / float(half), at.hertz * float(half)) if at.parted else (at.hertz,),
        "",
        softer=at.softer if at.parted else 0.0,
        overtone=_overtone(heard.new, targets, tine, _along_row(at.hertz, targets, tine)),
        left=at.left,
        noisy=at.noisy * (at.standard_uncertainty / whole) ** 2,
        along=(along * CENT * at.hertz / whole) ** 2,
    )


def _open(at: PlanePitch, targets: TuningTargets, tine: int) -> float:
    """Cents by which the mean may be off where the planes are nearer than the bar of the design alone parts them.

    Then the tine is not on that bar, or the bar is held, and where the mean should be lies between the two.
    """
    by_bar = parted_by_bar(targets, tine)
    missing = by_bar - at.split
    nearer = by_bar > BY_BAR and missing > USUAL_SPLIT + 2.0 * at.split_sd
    return 0.5 * missing if nearer else 0.0


def _far_planes(
    heard: TappedSound, targets: TuningTargets, tine: int, line: int, pair: NDArray[np.int_]
) -> Verdict:
    """Of planes that the bar parts: the one along the row; where one line is heard it may be either."""
    hertz, model = hertz_of(heard.new), targets.frequency[tine, :, 0]
    far = [each for each in pair if abs(np.log(hertz[each] / hertz[line])) > 0.5 * ONE_PITCH * CENT]
    both = sorted([line, *far[:1]], key=lambda each: float(hertz[each]))
    along = both[int(model[0] > model[1]) if len(both) == 2 else 0]
    at = heard.middle([int(along)], SINGLE, 0.0, dies=_dies(targets, tine)[:1], alone=True)
    if at is None:
        return nothing("too short a sound: tap again and let it ring", (tine,))
    level = np.abs(heard.new.amplitude[both])
    open_ = 0.0 if len(both) == 2 else float(abs(model[0] - model[1]))
    wanted = float(targets.target[tine]) if len(both) == 2 else float(targets.middle[tine])
    return Verdict(
        tine,
        (tine,),
        at.hertz,
        float(np.hypot(at.standard_uncertainty, open_)),
        float(np.log(at.hertz / wanted) / CENT),
        tuple(float(hertz[each]) for each in both),
        "",
        softer=float(np.min(level) / np.max(level)) if len(both) == 2 else 0.0,
        overtone=_overtone(heard.new, targets, tine, at.hertz) if len(both) == 2 else float("nan"),
        left=at.left,
        noisy=at.noisy / (1.0 + (open_ / at.standard_uncertainty) ** 2),
    )


def _dies(targets: TuningTargets, tine: int) -> Array:
    """(N,) 1/s, the middle of both planes' decay rates."""
    return np.asarray(np.sqrt(np.prod(targets.decay_rate[tine], axis=0)))


def _partials(new: FittedModes, targets: TuningTargets, tine: int, line: int) -> tuple[list[int], Array]:
    """The line of the fundamental and those that ring most where the next partials should be; the model's rates."""
    hertz, model = hertz_of(new), targets.frequency[tine]
    off = float(nearest_cents(hertz, model[:, 0])[line])
    lasting = np.abs(new.amplitude) / np.maximum(-new.pole.real, 0.5)
    out, which = [line], [0]
    for partial in range(1, min(ASKED, model.shape[1])):
        if np.all(model[:, partial] > 0.0):
            beside = np.abs(nearest_cents(hertz, model[:, partial]) - off) < 1.5 * OVERTONE
            near = np.flatnonzero(beside)
            out += [int(near[np.argmax(lasting[near])])] if len(near) else []
            which += [partial] if len(near) else []
    return out, _dies(targets, tine)[which]


def _along_row(middle: float, targets: TuningTargets, tine: int) -> float:
    """Hz of the swing along the row of a tine whose planes have this middle, as far as the bar parts them."""
    parted = float(targets.target[tine] / targets.middle[tine])
    return middle * parted if np.isfinite(parted) else middle


def _overtone(new: FittedModes, targets: TuningTargets, tine: int, along: float) -> float:
    """The louder line near where the second partial should be over the fundamental along the row, Hz; nan where
    there is none.

    Not over the louder line of the fundamental: the bar parts the planes of that, hardly those of the second, and
    the blow would decide what the ratio is.
    """
    hertz, level = hertz_of(new), np.abs(new.amplitude)
    model = targets.frequency[tine]
    if model.shape[1] < 2 or not np.all(model[:, 1] > 0.0):
        return float("nan")
    off = nearest_cents(hertz, model[:, 1]) - float(np.log(along / model[0, 0]) / CENT)
    near = np.flatnonzero(np.abs(off) < FURTHEST)
    return float(hertz[near[np.argmax(level[near])]] / along) if len(near) else float("nan")


def _disturbed(hertz: float, level: float, old: FittedModes) -> bool:
    """Whether what rang before the tap is close in pitch, and loud enough to move the figure or pose as a plane."""
    close = np.abs(np.log(hertz_of(old) / hertz) / CENT) < PLANE_REACH
    return bool(np.any(close & (np.abs(old.amplitude) > TWIN_LEVEL * level)))


def hertz_of(modes: FittedModes) -> Array:
    return np.asarray(modes.pole.imag / (2.0 * np.pi))


def nearest_cents(hertz: Array, planes: Array) -> Array:
    """(K,) cents of each line above the nearer of a partial's two planes, which are Hz."""
    off = np.log(hertz[:, None] / planes) / CENT
    return np.asarray(np.take_along_axis(off, np.argmin(np.abs(off), axis=1)[:, None], axis=1)[:, 0])
