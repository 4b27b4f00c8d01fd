"""What words of a drawing lie on: boxes of texts as they are set, against one another and against drawn lines."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from itertools import combinations, pairwise
from typing import Any

import numpy as np

from synth.workshop.drawing import Arc, Circle, Line, Text, on_circle
from synth.workshop.labels import Box, crossed
from synth.workshop.picture import text_width

TOUCH = 0.05  # mm by which boxes are taken in, so that what only touches is no overlap
DEEP = set("gjpqy,;()Q/")  # letters that go below the line


def box_of(text: Text) -> Box:
    """Level or upright words, as high as their capitals, with most of their descenders."""
    wide, high = text_width(text.words, text.height), text.height
    low = -0.2 * high if DEEP & set(text.words) else 0.0
    x, y = text.at.x, text.at.y
    if text.turn_deg == 0.0:
        return Box(x, y + low, x + wide, y + high)
    if text.turn_deg == 90.0:
        return Box(x - high, y, x - low, y + wide)
    if text.turn_deg == -90.0:
        return Box(x + low, y - wide, x + high, y)
    raise ValueError(text)


def segments_of(shapes: Sequence[Any]) -> np.ndarray:
    """Lines, circles and arcs as straight segments (n, 2, 2)."""
    found = []
    for each in shapes:
        if isinstance(each, Line):
            found.append(((each.start.x, each.start.y), (each.end.x, each.end.y)))
        elif isinstance(each, Arc | Circle):
            start, sweep = 0.0, 360.0
            if isinstance(each, Arc):
                start, sweep = each.start_deg, (each.end_deg - each.start_deg) % 360.0
            parts = max(2, math.ceil(sweep / 3.0))
            points = [
                on_circle(each.centre, each.radius, start + sweep * n / parts) for n in range(parts + 1)
            ]
            found += [((a.x, a.y), (b.x, b.y)) for a, b in pairwise(points)]
    return np.array(found).reshape(-1, 2, 2)


def overlaps(shapes: Sequence[Any], layers: set[str] | None = None) -> Iterator[str]:
    """A line of words for each text on another or on a line, of all layers or of some."""
    texts = [(each, box_of(each)) for each in shapes if isinstance(each, Text) and each.words.strip()]
    for (one, its), (other, others) in combinations(texts, 2):
        if _taken_in(its).meets(_taken_in(others)):
            yield f"{one.words!r} on {other.words!r} at {one.at.x:.1f}, {one.at.y:.1f}"
    lines = [each for each in shapes if not isinstance(each, Text) and hasattr(each, "layer")]
    for layer in sorted({each.layer for each in lines}):
        if layers is not None and layer not in layers:
            continue
        segments = segments_of([each for each in lines if each.layer == layer])
        for text, box in texts:
            if crossed(_taken_in(box), segments):
                yield f"{text.words!r} on a line of {layer} at {text.at.x:.1f}, {text.at.y:.1f}"


def _taken_in(box: Box) -> Box:
    return Box(box.left + TOUCH, box.low + TOUCH, box.right - TOUCH, box.high - TOUCH)
