"""Why a figure of a recorded tap is null: a reason beside each, whoever knows it.

In: messages as `messages_of` gives them. Out: the same with `reason` where a figure is missing: the ear's own where
no tine is named, else the design's.
"""

from __future__ import annotations

from collections.abc import Sequence

from synth.design.fixings import why_no_turns
from synth.design.instrument import Instrument, Tine
from synth.recording.tap_message import TunerMessage

NO_PITCH = "the design gives it no pitch"


def with_reasons(messages: Sequence[TunerMessage], instrument: Instrument) -> list[TunerMessage]:
    """The messages, each with a reason where a figure in it is null."""
    called = {(instrument.groups[each.group].name, each.number): each for each in instrument.tines}
    return [
        each
        if each["name"] is None
        else {**each, "reason": _why_null(each, called[each["group"], each["tine"]])}
        for each in messages
    ]


def _why_null(message: TunerMessage, tine: Tine) -> str | None:
    return NO_PITCH if message["cents"] is None else why_no_turns(tine)
