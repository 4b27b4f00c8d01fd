"""What the tuner's messages look like in a terminal: a line each, and figures that are read from two metres.

In: messages as `tuning_session` gives them. Out: lines. A figure is five lines high and a digit six columns wide,
some 20 mm in a terminal's usual type: 35 minutes of arc at 2 m, where 20 are easily read (ISO 9241-303, from
memory).
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Final

from synth.units import MM, Units
from synth.workshop.length_text import UNIT, place_words

if TYPE_CHECKING:
    from synth.recording.tap_message import TunerMessage

_ROWS: Final = {  # five rows of three dots
    "0": "75557",
    "1": "22222",
    "2": "71747",
    "3": "71717",
    "4": "55711",
    "5": "74717",
    "6": "74757",
    "7": "71111",
    "8": "75757",
    "9": "75717",
    "+": "02720",
    "-": "00700",
    ".": "00002",
    " ": "00000",
    "^": "27222",
    "v": "22272",
    "=": "07070",
}


def message_lines(message: TunerMessage, *, tall: bool) -> list[str]:
    """The message as lines, with the figure in large where `tall`."""
    if message["kind"] == "next":
        return _next(message)
    if message["kind"] == "offer":
        return [f"{message['words']}: press c"]
    if message["kind"] == "said":
        return [message["words"]]
    head = f"{message['at_s']:7.2f} s  {what_it_says(message)}"
    lines = [head, *(f"           {each}" for each in message["advice"])]
    return (
        [*lines, *large(large_figure(message)).splitlines()]
        if tall and message["cents"] is not None
        else lines
    )


def what_it_says(message: TunerMessage) -> str:
    """Which tine, how far off, how sure, and what its nut wants; or why that cannot be told."""
    if message["name"] is None:
        names = " or ".join(message["may_be"])
        return f"{names}: {message['reason']}" if names else str(message["reason"])
    if message["cents"] is None:
        return f"{message['name']} sounds {message['sounds_hz']:.2f} Hz; the design gives it no pitch"
    off = f"{message['name']} {message['cents']:+z.1f} cents +-{message['cents_sd']:.1f}"
    return f"{off}: {'in tune' if message['in_tune'] else nut_words(message)}{_planes(message)}"


def nut_words(message: TunerMessage) -> str:
    """What to do with it: which way its base nut goes, and how far, or what its fixing asks for instead."""
    shorter, distance = (
        message["shorten_mm"] > 0.0,
        _distance(abs(message["shorten_mm"]) * MM, message["units"]),
    )
    way = "up" if shorter else "down"
    if message["fixing"] == "glued":
        return f"file {distance} off its tip" if shorter else "glued: a weight at its tip lowers it"
    if message["fixing"] in ("set screw", "collet"):
        return f"{distance} {'into' if shorter else 'out of'} the bar, by its {message['fixing']}"
    if message["turns"] is None:
        return f"{distance} {way}, plain rod"
    return f"{abs(message['turns']):.2f} turns {way}"


def _distance(length: float, units: Units) -> str:
    return f"{place_words(length, units)} {UNIT[units]}"


def large_figure(message: TunerMessage) -> str:
    """Cents and an arrow, which way the nut goes; two bars where it is in tune."""
    sign = "=" if message["in_tune"] else "^" if message["cents"] < 0.0 else "v"
    return f"{message['cents']:+z.1f} {sign}"


def large(figures: str) -> str:
    """Digits five lines high."""
    rows = []
    for row in range(5):
        dots = (f"{int(_ROWS[each][row]):03b}" for each in figures)
        rows.append("  ".join(each.replace("1", "\u2588\u2588").replace("0", "  ") for each in dots))
    return "\n".join(rows)


def _next(message: TunerMessage) -> list[str]:
    if message["name"] is None:
        return [f"all {message['of']} are in tune"]
    return [
        f"next: {message['name']}, {message['target_hz']:.2f} Hz ({message['done']} of {message['of']} done)"
    ]


def _planes(message: TunerMessage) -> str:
    if len(message["planes_hz"]) < 2:
        return ""
    low, high = message["planes_hz"]
    return f"; planes {low:.2f} and {high:.2f} Hz beat {message['beat_hz']:.2f} a second"
