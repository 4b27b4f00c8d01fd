"""Lengths on the command line in inches: every option that ends in -mm or -mm-s is understood as -in or -in-s too.

In: the words of a command and its options. Out: the words with such lengths in millimetres, under the options' own
names; what is no number is left as it stands, to be refused by the option itself, in inches too.
"""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

import click

from synth.errors import InputError
from synth.units import INCH, MM

_TWIN: Final = re.compile(r"(--[a-z-]+)-in(-s)?")
_GIVEN: Final = "tinewright.given_in_inches"
_NUMBER: Final = re.compile(r"(?<![\w.])[-+]?(\d+\.?\d*|\.\d+)(e[-+]?\d+)?(?![\w.])", re.IGNORECASE)


def in_millimetres(words: Sequence[str], options: Iterable[str]) -> list[str]:
    """The words of one command that has these options. Raises `InputError` where one is given in both units."""
    known = frozenset(options)
    names = [word.partition("=")[0] for word in words]
    for name in names:
        own = _own(name, known)
        if own in names:
            raise InputError(f"given besides {own}", remedy="say it in one unit", location=name)
    return list(_converted(words, known))


def remember(context: click.Context, words: Sequence[str], options: Iterable[str]) -> None:
    """Keep with a call which of its options were given in inches."""
    known = frozenset(options)
    given = {own: name for name in (word.partition("=")[0] for word in words) if (own := _own(name, known))}
    context.meta[_GIVEN] = given


def given_in_inches(parameter: click.Parameter | None, context: click.Context | None) -> str:
    """The name, `--bite-in`, under which an option was given in inches; "" for one that was not."""
    given: dict[str, str] = context.meta.get(_GIVEN, {}) if context is not None else {}
    return next((given[own] for own in parameter.opts if own in given), "") if parameter is not None else ""


def _own(name: str, options: frozenset[str]) -> str:
    """The option in mm that a name in inches stands for; "" for any other name."""
    match = _TWIN.fullmatch(name)
    own = f"{match[1]}-mm{match[2] or ''}" if match else ""
    return own if own in options and name not in options else ""


def _converted(words: Sequence[str], options: frozenset[str]) -> Iterator[str]:
    given = iter(words)
    for word in given:
        name, sign, value = word.partition("=")
        own = _own(name, options)
        if not own:
            yield word
        elif sign:
            yield f"{own}={_times(value)}"
        else:
            yield own
            yield from (_times(each) for each in [next(given, None)] if each is not None)


def _times(value: str) -> str:
    """Every number of a value, which may be a list, from inches."""
    return _NUMBER.sub(lambda match: f"{float(match[0]) * (INCH / MM):.12g}", value)
