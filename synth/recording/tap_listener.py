"""The tuner's ear: blocks of samples in, verdicts on taps out, while the tine still rings.

In: blocks (T,) of any size at one rate, as a microphone or a file gives them. Out: `Answer`s. A tap is found in the
last second by `onsets`; its sound is fitted again and again as it grows longer (`LOOKS`), and each look is judged
against the instrument. What rang already before the tap is fitted too, and taken from what the tap began. The clock
is the count of samples: a file fed as fast as it can be read gives the answers that the bench would have had.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.cores import one_core
from synth.frozen import frozen
from synth.recording.damped_sinusoid_fit import FittedModes, no_modes
from synth.recording.hum import MAINS, without_hum
from synth.recording.onsets import CHAIN
from synth.recording.sinusoids import find
from synth.recording.steady_lines import glance, voiced
from synth.recording.tap_watch import CHECK, KEPT, TapWatch
from synth.recording.tapped_pitch import (
    COARSE,
    DROWNED,
    EITHER,
    SURE,
    TappedSound,
    Verdict,
    hertz_of,
    nothing,
)
from synth.recording.tapped_tine import alone_at_a_glance, alone_in, could_be, judged, may_be_of
from synth.recording.tuning_targets import TuningTargets
from synth.units import CENT

QUICK: Final = 0.58  # s of free ringing: the look at which an answer is due above `LOW`
PROMPT: Final = 0.6  # s after the tap: that look waits for no more sound, 0.1 s are left to compute
SLOW: Final = 1.05  # s: and below
LOOKS: Final = (0.3, QUICK, SLOW, 1.8, 3.0, 5.0)  # s of free ringing at which a tap is looked at
LOW: Final = 100.0  # Hz
FINE: Final = 0.25  # cents: no later look is needed
BEFORE: Final = 0.4  # s before a tap that are fitted as what rang already
GAP: Final = 0.01  # s kept clear of the tap there
SEAM: Final = 0.15  # s after samples were lost: a tap so soon has nothing before it to be told from
FULLY: Final = 0.5  # of a line's level that it had before the tap: then the tap did not begin it
LATEST: Final = 0.05  # s after a tap from which it is taken as free: the answer is due
ALONE: Final = "only its fundamental stands out of the noise: tap again, harder or nearer"
CYCLES: Final = 20.0  # while it falls 60 dB: fewer make a knock; a tine on a resonance of the bar has 25


@frozen
class Answer:
    """A verdict on the tap at `time`, `spoken` at that count of seconds; `look` tells how long it had rung."""

    time: float
    spoken: float
    look: float
    verdict: Verdict


class Listener:
    """Hears taps in samples at `rate` against `targets`; set `announced` to the tine that the maker says to tap.

    `following` is the tine that is next, of which nothing was said.
    """

    def __init__(self, targets: TuningTargets, rate: int) -> None:
        self.targets, self.rate = targets, rate
        self.announced: int | None = None
        self.following: int | None = None
        self._watch = TapWatch(rate)
        self._deaf: list[tuple[float, float]] = []
        self._seam = 0.0  # when samples were lost last
        self._tap: _Tap | None = None
        self._waiting = np.zeros(0)

    @property
    def seconds(self) -> float:
        """How much has been heard."""
        return self._watch.seconds

    def feed(self, block: Array) -> list[Answer]:
        """What is to be said once these samples (T,) have come."""
        self._waiting = np.concatenate((self._waiting, block))
        answers: list[Answer] = []
        while len(self._waiting) >= (step := self._step()):
            self._hear(self._waiting[:step])
            self._waiting = self._waiting[step:]
            answers += self._look()
        return answers

    def _step(self) -> int:
        """Samples to the next search for taps, or to a look that is due before."""
        check = max(1, round(CHECK * self.rate))
        step = check - self._heard % check
        due = 0 if self._tap is None else self._due_at(self._tap) - self._heard
        return min(step, due) if due > 0 else step

    @property
    def _heard(self) -> int:
        return round(self.seconds * self.rate)

    def _due_at(self, tap: _Tap) -> int:
        """The count of samples at which its next look is due; 0 where none is left."""
        if not tap.looks:
            return 0
        due = tap.free + tap.looks[0]
        due = min(due, tap.time + PROMPT) if tap.looks[0] == QUICK else due
        return math.ceil(due * self.rate - 1e-6)

    def finish(self) -> list[Answer]:
        """What is to be said once the sound has ended: a last look at a tap that was not heard for long."""
        self._hear(self._waiting)
        self._waiting = np.zeros(0)
        tap = self._tap
        left = 0.0 if tap is None else self.seconds - tap.free
        if tap is None or not tap.looks or left < LOOKS[0]:
            return []
        return self._answered(tap, left, ended=True)

    def sound_of(self, answer: Answer) -> Array:
        """The samples (T,) from a little before the answer's tap on, as far as they are still kept."""
        return self._watch.span(answer.time - BEFORE, self.seconds).copy()

    def deafen(self, seconds: float) -> None:
        """The tuner's own sound comes for so long from now: it is no tap, and spoils what rings meanwhile."""
        self._deaf = [(start, stop) for start, stop in self._deaf if stop > self.seconds - KEPT]
        self._deaf.append((self.seconds, self.seconds + seconds))
        if self._tap is not None:
            self._tap.looks.clear()

    def lost(self) -> list[Answer]:
        """What is to be said where samples were lost: the seam clicks as a tap does, and no fit holds across it."""
        now, tap = self.seconds + len(self._waiting) / self.rate, self._tap
        spoiled = tap is not None and bool(tap.looks) and tap.known == np.inf
        self.deafen(SEAM)
        self._deaf[-1] = (now - GAP, now + SEAM)
        self._seam = now
        if not spoiled or tap is None:
            return []
        return [
            Answer(
                tap.time, now, now - tap.free, nothing("sound was lost while it rang: tap again", tap.maybe)
            )
        ]

    def _hear(self, samples: Array) -> None:
        """These samples more; a tap in them that was not known is the one that is looked at."""
        for strike in self._watch.add(samples):
            time, free = strike.time, min(strike.free_from, strike.time + LATEST)
            if self._own_sound(time):
                continue
            if self._tap is None or time > self._tap.time + CHAIN:
                self._tap = _Tap(time, free, self.announced, self.following, list(LOOKS))
            elif abs(time - self._tap.time) < CHAIN and self._tap.looks == list(LOOKS):
                self._tap.free = min(max(self._tap.free, free), self._tap.time + LATEST)

    def _own_sound(self, time: float) -> bool:
        return any(start <= time < stop for start, stop in self._deaf)

    def _look(self) -> list[Answer]:
        tap = self._tap
        if tap is None or not tap.looks or self._heard < self._due_at(tap):
            return []
        if tap.known < FINE:
            tap.looks.clear()
            return []
        return self._answered(tap, tap.looks.pop(0), ended=False)

    def _answered(self, tap: _Tap, look: float, *, ended: bool) -> list[Answer]:
        with one_core(with_scipy=False):  # small matrices: more threads wait for each other
            return self._looked(tap, look, ended=ended)

    def _looked(self, tap: _Tap, look: float, *, ended: bool) -> list[Answer]:
        if look == LOOKS[0] and not self._glance(tap):
            tap.looks.clear()
            return []
        heard = self._sound(tap, look)
        if heard is None:
            return []
        if not may_be_of(heard.new, self.targets):
            return self._alone(tap, alone_in(heard.new, self.targets), np.inf if ended else look)
        if look == LOOKS[0] and not ended:
            tap.maybe = tuple(
                may_be_of(heard.new, self.targets)
            )  # who it may be; for a figure it is too early
            return []
        verdict = judged(heard, self.targets, announced=tap.announced, following=tap.following)
        lasting, said = tap.lasting(verdict), self._in_time(verdict, np.inf if ended else look)
        if said is None or not lasting or not tap.better(said):
            return []
        rung = min(look, round(self.seconds - tap.free, 6))
        return [Answer(tap.time, self.seconds, rung, said)]

    def _alone(self, tap: _Tap, maybe: tuple[int, ...], look: float) -> list[Answer]:
        """What is to be said where one line alone stands above the noise, at two looks, of these tines."""
        lasting = bool(set(tap.maybe) & set(maybe))
        tap.maybe = maybe
        if not lasting or tap.told or not self._due(maybe, look):
            return []
        tap.told = True
        named = (tap.announced,) if tap.announced in maybe else maybe
        return [Answer(tap.time, self.seconds, look, nothing(ALONE, named))]

    def _due(self, named: tuple[int, ...], look: float) -> bool:
        """Whether an answer is due, of one of these tines."""
        low = bool(named) and bool(np.min(self.targets.frequency[list(named), 0, 0]) < LOW)
        return look >= (SLOW if low else QUICK)

    def _glance(self, tap: _Tap) -> bool:
        """Whether a tine of this design could sound like that: asked before anything is fitted."""
        seen = glance(self._watch.span(tap.free, tap.free + LOOKS[0]), self.rate)
        begun = seen.steady & ~seen.since(glance(self._before(tap), self.rate))
        if voiced(seen.hertz[begun], seen.level[begun]):
            return False
        alone = alone_at_a_glance(seen.hertz[begun], seen.level[begun], self.targets)
        return alone or could_be(seen.hertz[seen.rough], seen.hertz[seen.steady], self.targets)

    def _sound(self, tap: _Tap, look: float) -> TappedSound | None:
        """What the tap began and what rang before it, without hum; None where no tine could sound like that."""
        samples, lines = self._lines((tap.free, tap.free + look))
        if tap.old is None:
            tap.old = self._lines(self._span_before(tap))[1]
        begun = _begun(lines, tap.old)
        if not (may_be_of(lines, self.targets) or alone_in(begun, self.targets)):
            return None  # a knock
        if voiced(hertz_of(begun), np.abs(begun.amplitude)):
            return None  # speech; hum has been there before
        samples, lines, _ = without_hum(samples, self.rate, lines)
        return TappedSound(samples, self.rate, lines, _begun(lines, tap.old), tap.old)

    def _before(self, tap: _Tap) -> Array:
        """The samples just before it."""
        return self._watch.span(*self._span_before(tap))

    def _span_before(self, tap: _Tap) -> tuple[float, float]:
        return max(tap.time - BEFORE, self._seam), tap.time - GAP

    def _in_time(self, verdict: Verdict, look: float) -> Verdict | None:
        """The verdict, a reason once it is due and unsure, or None while it may still become sure."""
        named = verdict.candidates
        due = self._due(named, look)
        figure = verdict.tine is not None or bool(verdict.guesses)
        if figure and verdict.cents_sd <= (COARSE if due else SURE):
            return verdict
        if figure and due and verdict.along > 0.5:
            return verdict  # as sure as it can be until the others are held, which it says
        if not due or not named:
            return None
        if not figure:
            return verdict
        return nothing(DROWNED if verdict.noisy > 0.5 else EITHER, named)

    def _lines(self, span: tuple[float, float]) -> tuple[Array, FittedModes]:
        """The samples of that span, and what rings in it, the room's own lines and hum among it."""
        samples = self._watch.span(*span)
        if len(samples) < 0.1 * self.rate or not np.any(samples):
            return samples, no_modes()
        samples = samples - np.mean(samples)
        modes = find(samples, self.rate)
        cycles = modes.pole.imag * np.log(1e3) / (2.0 * np.pi * np.maximum(-modes.pole.real, 1e-9))
        return samples, modes.pick(cycles > CYCLES)


def rehearse(targets: TuningTargets, rate: int) -> None:
    """Hear a made-up tap of the first tine, in hum: nothing is to be loaded or compiled while a true one rings."""
    time = np.arange(round((SLOW + 0.4) * rate)) / rate
    hertz = targets.frequency[0].ravel()
    hertz, decay = np.where(hertz < 0.45 * rate, hertz, 0.0), np.full(len(hertz), targets.decay_rate[0, 0, 0])
    tap = np.sum(np.exp(-np.outer(decay, time)) * np.sin(2.0 * np.pi * np.outer(hertz, time)), axis=0)
    noise = 1e-3 * np.random.default_rng(0).normal(size=len(time) + rate // 2)
    before = np.arange(len(noise)) / rate
    noise += 0.02 * sum(np.sin(2.0 * np.pi * each * MAINS[0] * before) for each in (1, 2, 3))
    noise[rate // 2 :] += tap
    ear = Listener(targets, rate)
    ear.announced = 0
    ear.feed(noise)


@dataclass
class _Tap:
    """A tap whose looks are not all done: when, and from when it is free."""

    time: float
    free: float
    announced: int | None  # when it came: a later look is at the same tine
    following: int | None
    looks: list[float]
    old: FittedModes | None = None  # what rang before it, once that is asked
    known: float = np.inf  # cents, the least deviation of what was said
    told: bool = False  # that it was too soft
    why: tuple[str, tuple[int, ...]] = ("", ())  # it has no figure, and of which tines that was said
    maybe: tuple[int, ...] = ()  # the tines that the look before found

    def lasting(self, verdict: Verdict) -> bool:
        """Whether there is a figure, or a tine that two looks found: a voice has changed by then."""
        before, self.maybe = self.maybe, verdict.candidates
        return verdict.tine is not None or bool(set(before) & set(verdict.candidates))

    def better(self, said: Verdict) -> bool:
        """Whether this is surer than what was said before, or another reason why there is no figure.

        A figure is not taken back by a look that knows less.
        """
        sure = said.cents_sd if said.tine is not None or said.guesses else np.inf
        if self.known < np.inf and sure >= self.known:
            return False
        before, self.why = self.why, (said.reason, said.candidates)
        if sure == np.inf and before == self.why:
            return False
        self.known = min(self.known, sure)
        return True


def _begun(modes: FittedModes, old: FittedModes) -> FittedModes:
    """The lines that the tap began: those that were not there before it about as loud."""
    if not len(modes) or not len(old):
        return modes
    apart = np.abs(modes.pole.imag[:, None] - old.pole.imag) / (2.0 * np.pi)
    hertz = modes.pole.imag[:, None] / (2.0 * np.pi)
    same = apart < np.maximum(0.3, 2.0 * CENT * hertz)
    before = np.max(np.where(same, np.abs(old.amplitude) * np.exp(old.pole.real * BEFORE), 0.0), axis=1)
    return modes.pick(np.asarray(before < FULLY * np.abs(modes.amplitude)))
