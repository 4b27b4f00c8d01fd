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

from synth.arrays import Array
from synth.recording.damped_sinusoid_fit import FittedModes, no_modes
from synth.recording.onsets import CHAIN, taps
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
    """Hears taps in samples at `rate` against `targets`; set `following` to the tine next in the order."""

    def __init__(self, targets: TuningTargets, rate: int) -> None:
        self.targets, self.rate = targets, rate
        self.following: int | None = None
        self._samples = np.zeros(0)
        self._first = 0  # the count of the sample at the buffer's head
        self._next_check = 0
        self._tap: _Tap | None = None

    @property
    def seconds(self) -> float:
        """How much has been heard."""
        return (self._first + len(self._samples)) / self.rate

    def feed(self, block: Array) -> list[Answer]:
        """What is to be said once these samples (T,) have come."""
        self._samples = np.concatenate((self._samples, block))
        if len(self._samples) > 2.0 * KEPT * self.rate:
            drop = len(self._samples) - round(KEPT * self.rate)
            self._samples, self._first = self._samples[drop:], self._first + drop
        answers = self._look()
        if self._first + len(self._samples) >= self._next_check:
            self._next_check = self._first + len(self._samples) + round(CHECK * self.rate)
            self._search()
        return answers

    def _search(self) -> None:
        """Whether the last second has a tap that was not known."""
        start = max(0.0, self.seconds - SEARCHED)
        for strike in taps(self._span(start, self.seconds), self.rate):
            time, free = start + strike.time, start + min(strike.free_from, strike.time + LATEST)
            if start > 0.0 and strike.time < SETTLING:
                continue
            if self._tap is None or time > self._tap.time + CHAIN:
                old = self._fitted(time - BEFORE, time - GAP)
                self._tap = _Tap(time, free, old, self.following, list(LOOKS))
            elif abs(time - self._tap.time) < CHAIN and self._tap.looks == list(LOOKS):
                self._tap.free = min(max(self._tap.free, free), self._tap.time + LATEST)

    def _look(self) -> list[Answer]:
        tap = self._tap
        if tap is None or not tap.looks or self.seconds < tap.free + tap.looks[0]:
            return []
        look = tap.looks.pop(0)
        modes = self._fitted(tap.free, tap.free + look)
        verdict = judged(_begun(modes, tap.old), tap.old, self.targets, following=tap.following, seconds=look)
        said = self._in_time(verdict, look)
        return [] if said is None else [Answer(tap.time, self.seconds, look, said)]

    def _in_time(self, verdict: Verdict, look: float) -> Verdict | None:
        """The verdict, a reason once it is due and unsure, or None while it may still become sure."""
        named = verdict.candidates
        low = bool(named) and bool(np.min(self.targets.frequency[list(named), 0, 0]) < LOW)
        due = look >= (SLOW if low else QUICK)
        if verdict.tine is not None and verdict.cents_sd <= SURE:
            return verdict
        if not due or not named:
            return None
        if verdict.tine is None:
            return verdict
        if verdict.line_sd > SURE:
            return nothing("too soft, or the room too loud: tap again, harder or nearer", named)
        return nothing("its two planes are not told apart yet: let it ring, or tap along the row", named)

    def _fitted(self, start: float, stop: float) -> FittedModes:
        samples = self._span(max(start, self._first / self.rate), stop)
        if len(samples) < 0.1 * self.rate or not np.any(samples):
            return no_modes()
        modes = find(samples - np.mean(samples), self.rate)
        cycles = modes.pole.imag * np.log(1e3) / (2.0 * np.pi * np.maximum(-modes.pole.real, 1e-9))
        return modes.pick(cycles > CYCLES)

    def _span(self, start: float, stop: float) -> Array:
        first, last = (max(0, round(each * self.rate) - self._first) for each in (start, stop))
        return self._samples[first:last]


@dataclass
class _Tap:
    """A tap whose looks are not all done: when, from when it is free, what rang before."""

    time: float
    free: float
    old: FittedModes
    following: int | None  # the tine that was next when it came: a later look is at the same tine
    looks: list[float]


def _begun(modes: FittedModes, old: FittedModes) -> FittedModes:
    """The lines that the tap began: those that were not there before it about as loud."""
    if not len(modes) or not len(old):
        return modes
    apart = np.abs(modes.pole.imag[:, None] - old.pole.imag) / (2.0 * np.pi)
    hertz = modes.pole.imag[:, None] / (2.0 * np.pi)
    same = apart < np.maximum(0.3, 2.0 * CENT * hertz)
    before = np.max(np.where(same, np.abs(old.amplitude) * np.exp(old.pole.real * BEFORE), 0.0), axis=1)
    return modes.pick(np.asarray(before < FULLY * np.abs(modes.amplitude)))
