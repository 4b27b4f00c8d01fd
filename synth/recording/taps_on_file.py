"""Recorded taps told as the bench tells them: a message a tap, the surest that was said of it.

In: a `Recording`, an instrument and its targets. Out: messages as `tap_message` makes them, with `file`; at least
one a file, with a `reason` where nothing can be told, of a file that cannot be read too.
"""

from __future__ import annotations

from pathlib import Path

from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.recording.audio_input import Recording
from synth.recording.tap_listener import Answer, Listener
from synth.recording.tap_message import TunerMessage, tap_message
from synth.recording.tapped_pitch import nothing
from synth.recording.tuning_targets import TuningTargets

SILENT = "no tap of a tine of this design is heard in it"


def messages_of(
    take: Recording, instrument: Instrument, targets: TuningTargets, *, announced: int | None, within: float
) -> list[TunerMessage]:
    """What each tap of the take says; `announced` is the tine (index) that the maker says it is of."""
    from synth.compiled import told_when_compiling

    listener = Listener(targets, take.rate)
    listener.announced = announced
    with told_when_compiling("the tuner's ear"):
        answers = [*listener.feed(take.samples), *listener.finish()]
    best: dict[float, Answer] = {}
    for answer in answers:
        if answer.time not in best or _rank(answer) >= _rank(best[answer.time]):
            best[answer.time] = answer
    told = list(best.values()) or [Answer(0.0, listener.seconds, listener.seconds, nothing(SILENT))]
    return [{"file": take.file, **tap_message(instrument, targets, each, within=within)} for each in told]


def unread(
    path: Path, trouble: InputError, instrument: Instrument, targets: TuningTargets, *, within: float
) -> TunerMessage:
    """The message of a file in which there is no sound to hear, for the reason that the error gives."""
    why = str(InputError(trouble.finding, remedy=trouble.remedy))
    silent = Answer(0.0, 0.0, 0.0, nothing(why))
    return {"file": str(path), **tap_message(instrument, targets, silent, within=within)}


def _rank(answer: Answer) -> tuple[bool, bool]:
    """A figure says more than a choice, and that more than a reason; of equals the later look."""
    return answer.verdict.tine is not None, bool(answer.verdict.guesses)
