"""The tuner's ear: blocks of samples in, verdicts on taps out, while the tine still rings.

In: blocks (T,) of any size at one rate, as a microphone or a file gives them. Out: `Answer`s. A tap is found in the
last second by `onsets`; its sound is fitted again and again as it grows longer (`LOOKS`), and each look is judged
against the instrument. What rang already before the tap is fitted too, and taken from what the tap began. The clock
is the count of samples: a file fed as fast as it can be read gives the answers that the bench would have had.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np
from threadpoolctl import threadpool_limits

from synth.arrays import Array
from synth.recording.damped_sinusoid_fit import FittedModes, no_modes
from synth.recording.hum import without_hum
from synth.recording.onsets import CHAIN, READING, RISE, SUDDEN, band_levels, taps
from synth.recording.room import indoors
from synth.recording.sinusoids import find
from synth.recording.tapped_tine import Verdict, judged, nothing
from synth.recording.tuning_targets import TuningTargets
from synth.units import CENT

LOOKS: Final = (0.3, 0.55, 1.05, 1.8, 3.0, 5.0)  # s of free ringing at which a tap is judged
QUICK: Final = 0.55  # s: the look at which an answer is due above `LOW`
SLOW: Final = 1.05  # s: and below
LOW: Final = 100.0  # Hz
SURE: Final = 1.0  # cents: a figure less sure is not given
CHECK: Final = 0.05  # s between searches for taps
ALERT: Final = 0.2  # s that are looked at before a search
SEARCHED: Final = 1.0  # s that are searched
SETTLING: Final = 0.3  # s at the beginning of the search in which a tap has nothing to rise from
BEFORE: Final = 0.4  # s before a tap that are fitted as what rang already
GAP: Final = 0.01  # s kept clear of the tap there
KEPT: Final = 7.0  # s of sound
FULLY: Final = 0.5  # of a line's level that it had before the tap: then the tap did not begin it
LATEST: Final = 0.05  # s after a tap from which it is taken as free: the answer is due
CYCLES: Final = 20.0  # while it falls 60 dB: fewer make a knock; a tine on a resonance of the bar has 25


@dataclass(frozen=True)
class Answer:
    """A verdict on the tap at `time`, `spoken` at that count of seconds; `look` tells how long it had rung."""

    time: float
    spoken: float
    look: float
    verdict: Verdict


class Listener:
    """Hears taps in samples at `rate` against `targets`; set `announced` to the tine that the maker says to tap."""

    def __init__(self, targets: TuningTargets, rate: int) -> None:
        self.targets, self.rate = targets, rate
        self.announced: int | None = None
        self._kept = _Kept(round(KEPT * rate))
        self._alert = _Alert(rate)
        self._next_check = 0
        self._search_until = SEARCHED
        self._deaf: list[tuple[float, float]] = []
        self._tap: _Tap | None = None

    @property
    def seconds(self) -> float:
        """How much has been heard."""
        return self._kept.count / self.rate

    def feed(self, block: Array) -> list[Answer]:
        """What is to be said once these samples (T,) have come."""
        answers: list[Answer] = []
        step = max(1, round(CHECK * self.rate))
        for first in range(0, len(block), step):
            self._kept.add(block[first : first + step])
            answers += self._look()
            if self._kept.count >= self._next_check:
                self._next_check = self._kept.count + step
                self._search()
        return answers

    def finish(self) -> list[Answer]:
        """What is to be said once the sound has ended: a last look at a tap that was not heard for long."""
        tap = self._tap
        left = 0.0 if tap is None else self.seconds - tap.free
        if tap is None or not tap.looks or left < LOOKS[0]:
            return []
        return self._answered(tap, left, ended=True)

    def sound_of(self, answer: Answer) -> Array:
        """The samples (T,) from a little before the answer's tap on, as far as they are still kept."""
        return self._span(answer.time - BEFORE, self.seconds).copy()

    def deafen(self, seconds: float) -> None:
        """The tuner's own sound comes for so long from now: it is no tap, and spoils what rings meanwhile."""
        self._deaf = [(start, stop) for start, stop in self._deaf if stop > self.seconds - KEPT]
        self._deaf.append((self.seconds, self.seconds + seconds))
        if self._tap is not None:
            self._tap.looks.clear()

    def _search(self) -> None:
        """Whether the last second has a tap that was not known; asked for a while after the level has risen."""
        if self._alert(self._span(self.seconds - ALERT, self.seconds)):
            self._search_until = self.seconds + SEARCHED
        if self.seconds > self._search_until:
            return
        start = max(0.0, self.seconds - SEARCHED)
        for strike in taps(self._span(start, self.seconds), self.rate):
            time, free = start + strike.time, start + min(strike.free_from, strike.time + LATEST)
            if (start > 0.0 and strike.time < SETTLING) or self._own_sound(time):
                continue
            if self._tap is None or time > self._tap.time + CHAIN:
                self._tap = _Tap(time, free, self.announced, list(LOOKS))
            elif abs(time - self._tap.time) < CHAIN and self._tap.looks == list(LOOKS):
                self._tap.free = min(max(self._tap.free, free), self._tap.time + LATEST)

    def _own_sound(self, time: float) -> bool:
        return any(start <= time < stop for start, stop in self._deaf)

    def _look(self) -> list[Answer]:
        tap = self._tap
        if tap is None or not tap.looks or self.seconds < tap.free + tap.looks[0]:
            return []
        return self._answered(tap, tap.looks.pop(0), ended=False)

    def _answered(self, tap: _Tap, look: float, *, ended: bool) -> list[Answer]:
        span = tap.free, tap.free + look
        lines = self._lines(span)
        if not judged(lines, no_modes(), self.targets, announced=None, seconds=look).candidates:
            return []  # speech, a knock: the room is not asked
        if tap.old is None:
            before = tap.time - BEFORE, tap.time - GAP
            tap.old = self._indoors(self._lines(before), before)
        modes = _begun(self._indoors(lines, span), tap.old)
        verdict = judged(modes, tap.old, self.targets, announced=tap.announced, seconds=look)
        lasting, said = tap.lasting(verdict), self._in_time(verdict, np.inf if ended else look)
        if said is None or not lasting or not tap.better(said):
            return []
        return [Answer(tap.time, self.seconds, look, said)]

    def _in_time(self, verdict: Verdict, look: float) -> Verdict | None:
        """The verdict, a reason once it is due and unsure, or None while it may still become sure."""
        named = verdict.candidates
        low = bool(named) and bool(np.min(self.targets.frequency[list(named), 0, 0]) < LOW)
        due = look >= (SLOW if low else QUICK)
        if verdict.tine is not None and verdict.cents_sd <= SURE:
            return verdict
        if not due or not named:
            return None
        if verdict.tine is None and (not verdict.guesses or verdict.cents_sd <= SURE):
            return verdict
        if verdict.line_sd > SURE:
            return nothing("too soft, or the room too loud: tap again, harder or nearer", named)
        return nothing("its two planes are not told apart yet: let it ring, or tap along the row", named)

    def _lines(self, span: tuple[float, float]) -> FittedModes:
        """What rings in that span, the room's own lines and hum among it."""
        samples = self._span(*span)
        if len(samples) < 0.1 * self.rate or not np.any(samples):
            return no_modes()
        with threadpool_limits(1):  # small matrices: more threads wait for each other
            modes = find(samples - np.mean(samples), self.rate)
        cycles = modes.pole.imag * np.log(1e3) / (2.0 * np.pi * np.maximum(-modes.pole.real, 1e-9))
        return modes.pick(cycles > CYCLES)

    def _indoors(self, lines: FittedModes, span: tuple[float, float]) -> FittedModes:
        """The same without hum and the room's own, as unsure as these leave them."""
        if not len(lines):
            return lines
        samples = self._span(*span)
        with threadpool_limits(1):
            samples, modes, _ = without_hum(samples - np.mean(samples), self.rate, lines)
            try:
                return indoors(samples, self.rate, modes).modes
            except ValueError:  # the fit of a room breaks down on some syllables: nothing is told of them
                return no_modes()

    def _span(self, start: float, stop: float) -> Array:
        return self._kept.part(round(start * self.rate), round(stop * self.rate))


class _Kept:
    """The last samples, at least `most` of them once so many have come."""

    def __init__(self, most: int) -> None:
        self._samples = np.zeros(2 * most)
        self._filled = 0
        self.count = 0

    def add(self, block: Array) -> None:
        if self._filled + len(block) > len(self._samples):
            half = len(self._samples) // 2
            self._samples[:half] = self._samples[self._filled - half : self._filled]
            self._filled = half
        self._samples[self._filled : self._filled + len(block)] = block
        self._filled, self.count = self._filled + len(block), self.count + len(block)

    def part(self, first: int, last: int) -> Array:
        """Samples `first` to `last` by their count from the beginning, as far as they are kept."""
        gone = self.count - self._filled
        return self._samples[max(0, first - gone) : max(0, last - gone)]


class _Alert:
    """Whether the level has risen of late as a tap makes it: never missed, cheap while nothing happens.

    A tap rises over all of the quarter second before, by RISE in a band; here over half of that memory, by less.
    """

    def __init__(self, rate: int) -> None:
        self._rate = rate

    def __call__(self, samples: Array) -> bool:
        if len(samples) < 0.9 * ALERT * self._rate:
            return True
        level = band_levels(samples, self._rate)
        late = round((CHECK + 2.0 * SUDDEN) / READING)
        before = np.max(level[:, 4:-late], axis=1)  # the first frames look beyond the samples
        return bool(np.any(np.max(level[:, -late:], axis=1) > 0.6 * RISE * before))


@dataclass
class _Tap:
    """A tap whose looks are not all done: when, and from when it is free."""

    time: float
    free: float
    announced: int | None  # when it came: a later look is at the same tine
    looks: list[float]
    old: FittedModes | None = None  # what rang before it, once that is asked
    known: float = np.inf  # cents, the least deviation of what was said

    maybe: tuple[int, ...] = ()  # the tines that the look before found

    def lasting(self, verdict: Verdict) -> bool:
        """Whether there is a figure, or a tine that two looks found: a voice has changed by then."""
        before, self.maybe = self.maybe, verdict.candidates
        return verdict.tine is not None or bool(set(before) & set(verdict.candidates))

    def better(self, said: Verdict) -> bool:
        """Whether this is surer than what was said before: a figure is not taken back by a look that knows less."""
        sure = said.cents_sd if said.tine is not None or said.guesses else np.inf
        if self.known < np.inf and sure >= self.known:
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
