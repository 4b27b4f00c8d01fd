"""A tuning from the first tap to the last: blocks of sound in, messages out. What terminal, file and page share.

In: an instrument, its row, `TuningWishes`, blocks of samples (T,). Out: messages, plain dicts that JSON can hold,
each with a `kind`:

`tap`    what a tap said, again and again while it rings on. `at_s` of the tap and `look_s` of ringing heard;
         `name`, `group`, `tine` (null where it cannot tell, then `reason` says why and `may_be` names all that it
         may have been); `sounds_hz`, `cents` above the target, `cents_sd`, `turns` of the base nut (up towards
         the tip, null where none is turned), `shorten_mm`, `fixing` and `units` as the design says, `in_tune`;
         `taken` where the tine was taken for the announced one and others of `may_be` sound alike; `planes_hz`,
         `beat_hz` and `beat_cents`; `overtone`, the second partial over the first, `overtone_cents` off what it
         should be; `moved_cents` since the round before; `advice`, sentences.
`next`   `name` and `target_hz` of the tine that is next, or null where all are in tune; `done`, `of`.
`offer`  `words`: the lesson that the taps so far would teach.
`said`   `words`: to which tap the maker's word, that it was the announced one, was applied; or that progress
         cannot be kept.

    session = TuningSession(instrument, solve_row(instrument), TuningWishes(), rate=48_000, path=None)
    for block in blocks:
        for message in session.feed(block): ...

`take_announced`, `at_temperature`, `to_what_is_there` and `lesson` are what a key or a button does; all but the
last give messages too.
"""

from __future__ import annotations

import math
from dataclasses import replace
from datetime import datetime
from pathlib import Path
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.frozen import frozen
from synth.recording.learnt_lengths import ENOUGH, Lesson, lesson
from synth.recording.overtone_advice import Overtones
from synth.recording.tap_listener import Answer, Listener, rehearse
from synth.recording.tap_message import TunerMessage, advice_words, tap_message
from synth.recording.tuning_file import LastTap
from synth.recording.tuning_progress import TuningProgress, begun, fewest_nuts, work_order
from synth.recording.tuning_targets import TuningTargets, designed_hz, tuning_targets
from synth.units import CENTS_PER_OCTAVE, KELVIN_AT_0_C
from synth.vibration.solve import solve_quarrels
from synth.vibration.tuning import Row

KEPT_SOUND: Final = 3.0  # s of a tine's first tap that are kept for a lesson
A_WHOLE_SHIFT: Final = 3  # tines that must have been heard before a common shift is sought


@frozen
class TuningWishes:
    """What the maker asked: cents near enough, K at the bench (None: the design's), the first tine (index).

    `in_order`: that what is announced is tapped. All targets are moved by `shift` cents, and by `stretch` cents an
    octave above a' (below, as much down). `again`: hear every tine once more.
    """

    within: float = 3.0
    temperature: float | None = None
    first: int | None = None
    in_order: bool = False
    shift: float = 0.0
    stretch: float = 0.0
    again: bool = False


class TuningSession:
    """One sitting at the bench; `path` is where progress is kept, None to keep none. Raises `InputError`."""

    def __init__(
        self, instrument: Instrument, row: Row, wishes: TuningWishes, *, rate: int, path: Path | None
    ) -> None:
        self.instrument, self.row, self.wishes, self.rate, self.path = instrument, row, wishes, rate, path
        self.temperature = instrument.temperature if wishes.temperature is None else wishes.temperature
        self.overtones = Overtones(instrument, row)
        self.targets = self._targets()
        self.progress = self._begun()
        self.listener = Listener(self.targets, rate)
        self._first: dict[int, tuple[float, Array]] = {}  # the moment and the sound of a tine's first tap
        self._told: Answer | None = None
        self._said: tuple[float, int] | None = (
            None  # which tap (its moment) the maker said to be of which tine
        )
        self._announced: int | None = -1
        self._offered = False
        self.trouble = self._untold = ""  # why progress is not kept in its file

    def rehearse(self) -> None:
        """Make ready for the first tap: what hears it is loaded or compiled before, not while it rings."""
        from synth.compiled import told_when_compiling, undisturbed

        with told_when_compiling("the tuner's ear"), undisturbed():
            rehearse(self.targets, self.rate)

    def begin(self) -> list[TunerMessage]:
        """Which tine is first."""
        return self._announce()

    def feed(self, block: Array) -> list[TunerMessage]:
        """What is to be said once these samples (T,) have come."""
        return [message for answer in self.listener.feed(block) for message in self._heard(answer)]

    def lost(self) -> list[TunerMessage]:
        """What is to be said where sound was lost between two blocks."""
        return [message for answer in self.listener.lost() for message in self._heard(answer)]

    def finish(self) -> list[TunerMessage]:
        """What is to be said once no more come."""
        return [message for answer in self.listener.finish() for message in self._heard(answer)]

    def take_announced(self) -> list[TunerMessage]:
        """The last tap was of the announced tine: the maker says so where the sound cannot tell."""
        told, announced = self._told, self._announced
        words = self._why_not_announced()
        if words or told is None or announced is None:
            return [{"kind": "said", "words": words}]
        self._said = told.time, announced
        words = f"the tap at {told.time:.2f} s was of {self.targets.name[announced]}"
        return [{"kind": "said", "words": words}, *self._heard(told)]

    def _why_not_announced(self) -> str:
        """Why the maker's word tells nothing of the last tap; nothing where it does."""
        if self._told is None:
            return "no tap has been heard that this could be said of"
        tap, verdict, names = f"the tap at {self._told.time:.2f} s", self._told.verdict, self.targets.name
        if self._said is not None and self._said[0] == self._told.time:
            return f"{tap} is {names[self._said[1]]}'s already"
        if verdict.tine is not None:
            return f"{tap} is {names[verdict.tine]}'s already"
        if self._announced is None or self._announced < 0:
            return f"no tine is announced that {tap} could be of"
        if not any(each.tine == self._announced for each in verdict.guesses):
            name = names[self._announced]
            why = "has no figure" if self._announced in verdict.candidates else f"is not like {name}"
            return f"{tap} {why}: tap {name} again"
        return ""

    def _as_said(self, answer: Answer) -> Answer:
        """The answer, of the tine that the maker said it is of where the sound leaves that open."""
        verdict = answer.verdict
        if self._said is None or answer.time != self._said[0]:
            return answer
        mine = [each for each in verdict.guesses if each.tine == self._said[1]]
        if not mine:
            return answer
        return replace(answer, verdict=replace(mine[0], taken=True, candidates=verdict.candidates))

    def at_temperature(self, kelvin: float) -> list[TunerMessage]:
        """The bench is that warm now: targets follow."""
        self.temperature = kelvin
        return self._retarget()

    def to_what_is_there(self) -> list[TunerMessage]:
        """Move all targets by the common shift that turns the fewest nuts. Raises `InputError`."""
        heard = [tine for tine in self.progress.order if tine in self.progress.last]
        if len(heard) < A_WHOLE_SHIFT:
            raise InputError(
                f"{len(heard)} tines have been heard: too few to say what is there",
                remedy=f"tap at least {A_WHOLE_SHIFT}, better all, before the shift is sought",
            )
        off = np.array([self.progress.off(tine) for tine in heard])
        self.wishes = replace(self.wishes, shift=self.wishes.shift + fewest_nuts(off, self.wishes.within))
        self.progress.shift = self._shift()
        return self._retarget()

    def lesson(self) -> Lesson:
        """What the first taps of tines teach. Raises `InputError` where they teach nothing."""
        first = {tine: sound.astype(np.float64) for tine, (_, sound) in self._first.items()}
        return lesson(self.instrument, self.row, first, self.rate, cut=set(self.progress.last))

    def _begun(self) -> TuningProgress:
        wishes = self.wishes
        progress = begun(
            self.targets.name,
            self._order(),
            within=wishes.within,
            shift=self._shift(),
            designed=self._designed,
            path=self.path,
        )
        if wishes.again and progress.last:
            progress.again()
        return progress

    def _order(self) -> list[int]:
        first, target = self.wishes.first, self.row.target_hz
        if first is not None and not math.isfinite(target[first]):
            raise InputError(
                f"the design gives {self.targets.name[first]} no pitch", remedy="begin with another"
            )
        rods = [tine.rod for tine in self.instrument.tines]
        heavy = np.array([rod.material.density * rod.mass_diameter**2 for rod in rods]) * self.row.length
        late = {each.tine for each in solve_quarrels(self.instrument, self.row) if each.partial == 1}
        return work_order(target, heavy, late, first=first)

    def _designed(self, celsius: float) -> Array:
        """(R,) Hz that the design itself wants at a bench that warm, nothing shifted or stretched."""
        return designed_hz(self.instrument, self.row, celsius + KELVIN_AT_0_C)

    def _shift(self) -> Array:
        return _moved_cents(self.instrument, self.row, self.wishes)

    def _targets(self) -> TuningTargets:
        return wished_targets(self.instrument, self.row, replace(self.wishes, temperature=self.temperature))

    def _retarget(self) -> list[TunerMessage]:
        self.targets = self.listener.targets = self._targets()
        self._announced = -1
        return self._announce()

    def _heard(self, told: Answer) -> list[TunerMessage]:
        """The answer as a message, kept where it is of one tine; then what is next, and what it could teach."""
        self._told, answer = told, self._as_said(told)
        verdict, overtone, moved = answer.verdict, None, None
        if verdict.tine is not None:
            overtone = self.overtones.advice(verdict.tine, verdict.overtone)
            moved = self._kept(verdict.tine, answer)
        message = tap_message(self.instrument, self.targets, answer, within=self.wishes.within)
        message["overtone_cents"] = None if overtone is None else overtone.cents
        message["moved_cents"] = moved
        message["advice"] = advice_words(verdict, self.targets, overtone, moved)
        untold, self._untold = self._untold, ""
        warned = [{"kind": "said", "words": untold}] if untold else []
        return [message, *warned, *self._announce(), *self._offer()]

    def _kept(self, tine: int, answer: Answer) -> float | None:
        """Keep the tap of a tine that has a pitch; by how many cents it had moved since the round before."""
        if not (math.isfinite(answer.verdict.cents) and math.isfinite(answer.verdict.cents_sd)):
            return None
        self._keep_sound(tine, answer)
        moment = datetime.now().astimezone().isoformat(timespec="seconds")
        warmth = self.temperature - KELVIN_AT_0_C
        wanted = float(self._designed(warmth)[tine])
        tap = LastTap(answer.verdict.cents, answer.verdict.cents_sd, moment, warmth, target_hz=wanted)
        self._not_kept(self.progress.hear_and_keep(tine, tap, self.path))
        return self.progress.last[tine].moved

    def _not_kept(self, trouble: str) -> None:
        """That what is heard cannot be kept in its file is told once."""
        self._untold = trouble if trouble != self.trouble else ""
        self.trouble = trouble

    def _keep_sound(self, tine: int, answer: Answer) -> None:
        """Of a tine's first tap, as long as it is looked at: later ones are of a tine whose nut was turned."""
        if tine in self.progress.last and (tine not in self._first or self._first[tine][0] != answer.time):
            return
        sound = self.listener.sound_of(answer)[: round(KEPT_SOUND * self.rate)]
        self._first[tine] = answer.time, sound.astype(np.float32)

    def _announce(self) -> list[TunerMessage]:
        following = self.progress.following()
        self.listener.announced = following if self.wishes.in_order else None
        self.listener.following = following
        if following == self._announced:
            return []
        self._announced = following
        done, whole = len(self.progress.order) - len(self.progress.left()), len(self.progress.order)
        name, hertz = None, None
        if following is not None:
            name, hertz = self.targets.name[following], float(self.targets.target[following])
        return [{"kind": "next", "name": name, "target_hz": hertz, "done": done, "of": whole}]

    def _offer(self) -> list[TunerMessage]:
        if self._offered or len(self._first) < ENOUGH:
            return []
        self._offered = True
        words = (
            f"{len(self._first)} tines were heard as cut: they can correct the model and the other lengths"
        )
        return [{"kind": "offer", "words": words}]


def wished_targets(instrument: Instrument, row: Row, wishes: TuningWishes) -> TuningTargets:
    """The targets at the bench's temperature, shifted and stretched as wished."""
    moved = _moved_ratio(instrument, row, wishes)
    return tuning_targets(instrument, row, temperature=wishes.temperature, shift=moved)


def wished_pitches(instrument: Instrument, row: Row, wishes: TuningWishes) -> Array:
    """(R,) Hz, the `target` alone of `wished_targets`."""
    moved = _moved_ratio(instrument, row, wishes)
    return designed_hz(instrument, row, wishes.temperature) * moved


def _moved_ratio(instrument: Instrument, row: Row, wishes: TuningWishes) -> Array:
    """(R,) by which each target is moved."""
    return np.asarray(2.0 ** (_moved_cents(instrument, row, wishes) / CENTS_PER_OCTAVE))


def _moved_cents(instrument: Instrument, row: Row, wishes: TuningWishes) -> Array:
    """(R,) cents by which each target is moved."""
    return np.asarray(wishes.shift + wishes.stretch * np.log2(row.target_hz / instrument.a4))
