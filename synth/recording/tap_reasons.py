"""Why a figure of a recorded tap is null: a reason beside each, whoever knows it.

In: messages as `messages_of` gives them, and what they were heard in. Out: the same with `reason` where a figure is
missing: where no tine is named the ear's own and what is wrong with the recording, else the design's.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np

from synth.design.fixings import why_no_turns
from synth.design.instrument import Instrument, Tine
from synth.recording.audio_input import Recording
from synth.recording.onsets import Strike, taps
from synth.recording.tap_listener import QUICK
from synth.recording.tap_message import TunerMessage
from synth.recording.taps_on_file import SILENT

NO_PITCH: Final = "the design gives it no pitch"
CLIPPED: Final = "it is clipped: record at a lower level"


def with_reasons(
    messages: Sequence[TunerMessage], instrument: Instrument, take: Recording
) -> list[TunerMessage]:
    """The messages, each with a reason where a figure in it is null."""
    tines = {(instrument.groups[each.group].name, each.number): each for each in instrument.tines}

    def why(message: TunerMessage) -> str | None:
        if message["name"] is None:
            return _why_unnamed(str(message["reason"]), take)
        return _why_null(message, tines[message["group"], message["tine"]])

    return [{**each, "reason": why(each)} for each in messages]


def _why_null(message: TunerMessage, tine: Tine) -> str | None:
    return NO_PITCH if message["cents"] is None else why_no_turns(tine)


def _why_unnamed(reason: str, take: Recording) -> str:
    """The ear's reason, and what of the recording may have made it."""
    if np.any(take.clipped):
        return f"{reason}; {CLIPPED}"
    left = _left(take)
    if reason != SILENT or left >= QUICK:
        return reason
    return f"{reason}; it ends {left:.2f} s after the tap, too soon to tell: let it ring for a second"


def _left(take: Recording) -> float:
    """The s from its loudest tap to its end, from its beginning where there is no tap.

    Of several, since the quiet with which a file begins counts as a tap too.
    """

    def loudness(strike: Strike) -> float:
        first, last = round(strike.time * take.rate), round(strike.free_to * take.rate)
        return float(np.max(np.abs(take.samples[first:last]), initial=0.0))

    loudest = max(taps(take.samples, take.rate), key=loudness, default=None)
    return take.seconds - (0.0 if loudest is None else loudest.free_from)
