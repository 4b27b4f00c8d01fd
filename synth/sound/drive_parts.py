"""A stroke's chunks, a few at a time: what can be heard while the rest is not known yet.

In: the chunk that a stroke begins in. Out: its parts, a short one first, then each twice as long, up to a length.
They are the same for a whole stroke: products over other rows would end in other digits.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import count, takewhile
from typing import Final

import numpy as np

from synth.arrays import Indices
from synth.frozen import frozen

FIRST: Final = 2  # chunks of a stroke's first part; each later part is twice as long as the one before it
DOUBLED: Final = 4  # times, and as long from then on


@frozen
class DrivePart:
    """Some chunks of a stroke, which can be heard as soon as all is known that reaches them."""

    first: int  # chunk
    end: int  # the chunk after the last one
    begin_s: float
    end_s: float
    since_s: float  # from when on impulses reach it
    until_s: float


def drive_parts(begin: int, *, chunk_s: float, reach_s: float) -> Iterator[DrivePart]:
    """Of a stroke that begins in chunk `begin`, one after the other, for ever; impulses reach `reach_s` far."""
    for number in count():
        first, end = begin + _edge(number), begin + _edge(number + 1)
        begin_s, end_s = first * chunk_s, end * chunk_s
        yield DrivePart(first, end, begin_s, end_s, begin_s - reach_s, end_s + reach_s)


def part_edges(chunk: Indices) -> list[int]:
    """Where among the chunks of a stroke (K,), in their order, its parts begin, and where the last one ends."""
    if not len(chunk):
        return [0, 0]
    within = takewhile(lambda each: each <= chunk[-1] - chunk[0], map(_edge, count()))
    return [*np.searchsorted(chunk - chunk[0], list(within)).tolist(), len(chunk)]


def _edge(number: int) -> int:
    """Chunks before the part of this number."""
    doubled = min(number, DOUBLED)
    return FIRST * ((1 << doubled) - 1) + (FIRST << DOUBLED) * (number - doubled)
