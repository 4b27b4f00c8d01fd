"""One answer of the tuner's ear as a message: a plain dict, and sentences on what to do.

In: an `Answer`, the targets, what is near enough. Out: dicts that JSON can hold (keys as `tuning_session` tells
them), and words. What cannot be told is None.
"""

from __future__ import annotations

import math
from typing import Any, Final

from synth.design.instrument import Instrument
from synth.recording.design_planes import parted_by_bar, unisons
from synth.recording.overtone_advice import OvertoneAdvice
from synth.recording.tap_listener import Answer
from synth.recording.tapped_pitch import DROWNED, SURE, USUAL_SPLIT, Verdict
from synth.recording.tuning_targets import TuningTargets, in_tune
from synth.units import MM, ratio

TunerMessage = dict[str, Any]

SLOWEST_BEAT: Final = 0.3  # Hz: a slower one is over before it is heard
FASTEST_BEAT: Final = 12.0  # Hz; above it the ear hears roughness, not a beat
BEATS: Final = 0.1  # of the louder plane's level: a fainter one makes the level waver by less than 2 dB
TURNED_AWAY: Final = 1.0  # cents of a rod's own split, from which turning it in its hole is worth while
MOVED: Final = 1.0  # cents: less is not told
NEAR_PLANES: Final = "its planes are not told apart yet: let it ring, or tap again, "
STIRRED: Final = (
    0.01  # of the fundamental's power that no line explains: dry and near by it is a fifth of that
)


def tap_message(
    instrument: Instrument, targets: TuningTargets, answer: Answer, *, within: float
) -> TunerMessage:
    """What the tap said, without what the session adds."""
    verdict = answer.verdict
    tine = None if verdict.tine is None else instrument.tines[verdict.tine]
    return {
        "kind": "tap",
        "at_s": answer.time,
        "look_s": answer.look,
        "name": None if verdict.tine is None else targets.name[verdict.tine],
        "group": None if tine is None else instrument.groups[tine.group].name,
        "tine": None if tine is None else tine.number,
        "fixing": None if tine is None else tine.root.fixing,
        "units": instrument.bench.units,
        **_figures(targets, verdict, within),
        "taken": verdict.taken,
        "may_be": [targets.name[each] for each in verdict.candidates],
        "reason": verdict.reason or None,
        "planes_hz": list(verdict.planes),
        "beat_hz": verdict.beat if len(verdict.planes) == 2 else None,
        "beat_cents": verdict.split if len(verdict.planes) == 2 else None,
        "overtone": _known(verdict.overtone),
    }


def _figures(targets: TuningTargets, verdict: Verdict, within: float) -> TunerMessage:
    told = {"sounds_hz": _known(verdict.sounds), "cents": None, "cents_sd": None, "turns": None}
    told |= {"shorten_mm": None, "in_tune": None}
    if verdict.tine is None or not math.isfinite(verdict.cents):
        return told
    level = float(targets.target[verdict.tine]) * ratio(
        verdict.cents
    )  # along the row, whatever plane was heard
    return told | {
        "cents": verdict.cents,
        "cents_sd": verdict.cents_sd,
        "turns": _known(targets.turns(verdict.tine, level)),
        "shorten_mm": targets.shorten(verdict.tine, level) / MM,
        "in_tune": in_tune(verdict.cents, verdict.cents_sd, within),
    }


def advice_words(
    verdict: Verdict, targets: TuningTargets, overtone: OvertoneAdvice | None, moved: float | None
) -> list[str]:
    """Sentences beside the figure: who else it may have been, why it is unsure, its beat, its second partial, what
    it did since."""
    others = [targets.name[each] for each in verdict.candidates if each != verdict.tine]
    return [
        *(
            [f"taken for the announced one: {' and '.join(others)} would sound like this too"]
            if verdict.taken
            else []
        ),
        *_guesses(verdict, targets),
        *_unsure(verdict, targets),
        *_beating(verdict, targets),
        *([] if overtone is None else [_overtone(overtone)]),
        *(
            [f"moved {moved:+z.1f} cents since the last round"]
            if moved is not None and abs(moved) > MOVED
            else []
        ),
    ]


def _guesses(verdict: Verdict, targets: TuningTargets) -> list[str]:
    told = [each for each in verdict.guesses if each.tine is not None and math.isfinite(each.cents)]
    return [f"if it was {targets.name[each.tine or 0]}: {each.cents:+z.1f} cents" for each in told]


def _unsure(verdict: Verdict, targets: TuningTargets) -> list[str]:
    """Beside a figure that is not known to a cent: what keeps it, and what would help."""
    if verdict.tine is None or not verdict.cents_sd > SURE:
        return []
    if verdict.along > 0.5:
        return [f"not within a cent: {_held(verdict.tine, targets)}"]
    if verdict.noisy > 0.5:
        return [f"not within a cent: {DROWNED}"]
    how = "harder or nearer" if verdict.left > STIRRED else "a quarter round it"
    return [f"not within a cent: {NEAR_PLANES}{how}"]


def _beating(verdict: Verdict, targets: TuningTargets) -> list[str]:
    if verdict.tine is not None and not targets.slides[verdict.tine]:
        return []  # what is glued is not turned
    if verdict.softer < BEATS or not SLOWEST_BEAT <= verdict.beat <= FASTEST_BEAT:
        return []
    if verdict.tine is not None and verdict.split - parted_by_bar(targets, verdict.tine) < TURNED_AWAY:
        return []  # what the bar parts no turning joins
    twins = verdict.tine is not None and unisons(targets, verdict.tine) and verdict.split > USUAL_SPLIT
    said = verdict.along > 0.5 and verdict.cents_sd > SURE
    return [
        *([_held(verdict.tine or 0, targets)] if twins and not said else []),
        f"its planes are {verdict.split:.1f} cents apart and beat {verdict.beat:.1f} a second: turn it an eighth "
        "in its hole, tighten, tap again, and keep the place where it beats least",
    ]


def _held(tine: int, targets: TuningTargets) -> str:
    others = " and ".join(targets.name[each] for each in unisons(targets, tine))
    return f"hold {others} and tap again: two tines of one pitch beat as two planes do"


def _overtone(overtone: OvertoneAdvice) -> str:
    return (
        f"second partial {overtone.ratio:.3f} times the first, {overtone.cents:+z.0f} cents from "
        f"{overtone.wanted:.4g}: {overtone.words}"
    )


def _known(value: float) -> float | None:
    return float(value) if math.isfinite(value) else None
