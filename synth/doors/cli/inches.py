"""Lengths on the command line in inches: every option that ends in -mm or -mm-s is understood as -in or -in-s too.

In: the words of a command and its options. Out: the words with such lengths in millimetres, under the options' own
names; what is no number is left as it stands, to be refused by the option itself.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

from synth.units import INCH, MM

_TWIN: Final = re.compile(r"(--[a-z-]+)-in(-s)?")
_NUMBER: Final = re.compile(r"(?<![\w.])[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?(?![\w.])", re.IGNORECASE)


def in_millimetres(words: Sequence[str], options: Iterable[str]) -> list[str]:
    """The words of one command that has these options."""
    return list(_converted(words, frozenset(options)))


def _converted(words: Sequence[str], options: frozenset[str]) -> Iterator[str]:
    given = iter(words)
    for word in given:
        name, sign, value = word.partition("=")
        match = _TWIN.fullmatch(name)
        own = f"{match[1]}-mm{match[2] or ''}" if match else ""
        if name in options or own not in options:
            yield word
        elif sign:
            yield f"{own}={_times(value)}"
        else:
            yield own
            yield from (_times(each) for each in [next(given, None)] if each is not None)


def _times(value: str) -> str:
    """Every number of a value, which may be a list, from inches."""
    return _NUMBER.sub(lambda match: f"{float(match[0]) * (INCH / MM):.12g}", value)
