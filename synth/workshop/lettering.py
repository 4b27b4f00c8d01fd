"""Dimensions, arrows, words on a plate: what is lettered on a sheet. Everything in mm; it knows no instrument."""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from typing import Final, Literal

from synth.workshop.drawing import Line, Point, Text
from synth.workshop.picture import Ink, Patch, text_width
from synth.workshop.typeface import shortened

SMALL: Final = 2.2  # mm, height of capitals; ISO 3098 goes down to 1.8
ARROW: Final = 1.6  # mm


def upright(
    words: str,
    ends: tuple[float, float],
    x: float,
    *,
    short: Literal["above", "below"] = "below",
) -> Iterator[Ink]:
    """A vertical dimension between two heights, its figure along it on the left, or where `short` says."""
    low, high = ends
    yield Line("dimensions", Point(x, low), Point(x, high))
    for y, sign in ((low, 1.0), (high, -1.0)):
        yield Line("dimensions", Point(x - 1.0, y), Point(x + 3.0, y))
        yield arrow(Point(x, y), 0.0, sign if high - low > 3 * ARROW else 0.0)
    wide = text_width(words, SMALL)
    if high - low < wide + 1.0:
        y = low - SMALL - 0.8 if short == "below" else high + 0.8
        yield Text("words", Point(x - wide + 1.0, y), SMALL, words)
        return
    yield Text(
        "words", Point(x - 0.8, (low + high - text_width(words, SMALL)) / 2.0), SMALL, words, turn_deg=90.0
    )


def horizontal(words: str, ends: tuple[float, float], y: float) -> Iterator[Ink]:
    left, right = ends
    yield Line("dimensions", Point(left, y), Point(right, y))
    for x, sign in ((left, 1.0), (right, -1.0)):
        yield Line("dimensions", Point(x, y - 1.0), Point(x, y + 4.0))
        yield arrow(Point(x, y), sign, 0.0)
    yield centred(words, (left + right) / 2.0, y + 0.8, SMALL)


def arrow(tip: Point, x: float, y: float) -> Patch:
    """A filled arrowhead whose point is `tip` and whose shaft goes the way (x, y)."""
    wide = ARROW / 6.0
    return Patch("arrow", (tip, tip.moved(ARROW * x - wide * y, ARROW * y + wide * x),
                           tip.moved(ARROW * x + wide * y, ARROW * y - wide * x)))  # fmt: skip


def centred(words: str, x: float, y: float, height: float) -> Text:
    return Text("words", Point(x - text_width(words, height) / 2.0, y), height, words)


def plate(words: str, x: float, y: float, height: float) -> Patch:
    """White paper behind words."""
    half = text_width(words, height) / 2.0 + 0.3
    return Patch("paper", (Point(x - half, y - 0.5), Point(x + half, y - 0.5),
                           Point(x + half, y + height + 0.4), Point(x - half, y + height + 0.4)))  # fmt: skip


def frame(left: float, low: float, right: float, high: float) -> Iterator[Ink]:
    corners = [Point(left, low), Point(right, low), Point(right, high), Point(left, high)]
    for a, b in pairwise([*corners, corners[0]]):
        yield Line("frame", a, b)


def cut(words: str, room: float, height: float = SMALL) -> str:
    """The words, shortened to a width."""
    return shortened(words, room, lambda some: text_width(some, height))
