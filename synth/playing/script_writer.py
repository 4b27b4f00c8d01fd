"""What was played, written down as a stroke script that plays it again.

In: strokes and holds as they began. Out: the text of a script, one stroke a line. A contact can be so touchy that
the last digit of a number is heard, and not every length in metres is some number times 0.001: a stroke
that is `as_written` before it is played reads back as the very same.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from typing import Any, Final

from synth.design.instrument import Instrument
from synth.playing.midi_mapping import FULL, edged
from synth.playing.stroke import CONTROLS, Control, Hold, Stroke, shaped

LEAST_TAIL: Final = 1e-3  # s


def notated(
    played: Sequence[Stroke | Hold], instrument: Instrument, *, name: str, through: str, seconds: float
) -> str:
    """The script of a performance that lasts `seconds`."""
    tail = max(LEAST_TAIL, seconds - max(each.start for each in played))
    lines = [",\n".join(_line(each, instrument) for each in played)]
    head = [_pair("name", name), _pair("tail_s", tail), "", "stroke = ["]
    return "\n".join([*head, *lines, "]", "", "[defaults]", _pair("through", through), ""])


def as_written(stroke: Stroke) -> Stroke:
    """The stroke as it reads back: its numbers changed by no more than their last digit."""
    return shaped(stroke, {each.key: outside(each, getattr(stroke, each.field)) for each in CONTROLS})


def _line(event: Stroke | Hold, instrument: Instrument) -> str:
    return "  { " + ", ".join(_pair(*each) for each in _said(event, instrument)) + " }"


def _said(event: Stroke | Hold, instrument: Instrument) -> Iterator[tuple[str, Any]]:
    yield "at_s", float(event.start)
    group = instrument.groups[event.group].name
    if isinstance(event, Hold):
        yield event.by, group
        yield "hold_s", float(event.seconds)
        return
    yield "group", group
    yield "direction", event.direction
    yield "stick", event.stick.name
    yield "grip", event.grip
    kept = instrument.sticks[event.stick.name]
    if event.stick != kept:
        yield "brightness", next(each for each in range(FULL + 1) if edged(kept, each) == event.stick)
    for control in CONTROLS:
        yield control.key, outside(control, getattr(event, control.field))


def outside(control: Control, inside: float) -> float:
    """The number that `control.value` brings back to `inside`, or nearest to it."""
    near = inside / control.unit
    for candidate in (near, math.nextafter(near, math.inf), math.nextafter(near, -math.inf)):
        if candidate * control.unit == inside:
            return candidate
    return near


def _pair(key: str, value: Any) -> str:
    return f"{key} = {_quoted(value) if isinstance(value, str) else repr(value)}"


def _quoted(text: str) -> str:
    import tomlkit

    return tomlkit.item(text).as_string()
