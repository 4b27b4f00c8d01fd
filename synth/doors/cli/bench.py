"""What the commands at the bench share: tines by their names, recordings with their taps, taps with their tines.

A tine is named as GROUP.N: a group by its name or number, and the tine's number as it stands in the group. A file
called SOMETHING.GROUP-N.wav names its tine itself.
"""

from __future__ import annotations

import re
import sys
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from synth.errors import InputError, guessed
from synth.many import many
from synth.table import Column, Table

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.recording.match import TineAssignment
    from synth.recording.measurement import Measurement, TapPartials


def tine_name(instrument: Instrument, index: int) -> str:
    """A tine as it is named on the command line."""
    from synth.recording.identity import tine_name as name

    return name(instrument, index)


def find_tine(instrument: Instrument, name: str) -> int:
    """The tine that is called GROUP.N. Raises `InputError`."""
    group, dot, number = name.rpartition(".")
    index = _named(instrument, group, number) if dot else None
    if index is None:
        names = [tine_name(instrument, each) for each in range(len(instrument.tines))]
        have = ", ".join(names[:4]) + (f" ... {names[-1]}" if len(names) > 4 else "")
        raise InputError(
            f"there is no tine '{name}'",
            remedy=f"{guessed(name, names)}write GROUP.N, as {have}",
            file=instrument.file,
        )
    return index


def tine_in_file_name(instrument: Instrument, path: Path) -> int | None:
    """The tine that a file called SOMETHING.GROUP-N.wav is of, None where its name says nothing."""
    _, group, number = _said_in(path)
    return _named(instrument, group, number)


def doubts_of_file_name(
    instrument: Instrument, path: Path, heard: str | None, may_be: Sequence[str] = ()
) -> list[str]:
    """What is odd about the name of a file in which the tine `heard` was found: it says another, or none there is.

    Where none was found for certain, `may_be` are those that it sounds like.
    A name that is no tine's is meant as one where GROUP-N stands behind a dot, where there is such a group, or one
    called alike: letters and digits where this has them. Of `tap-3.wav` nothing is said unless there is a group
    `low`.
    """
    before, group, number = _said_in(path)
    mine = _named(instrument, group, number)
    if mine is not None:
        name = tine_name(instrument, mine)
        likely = may_be if heard is None else (heard,)
        if not likely or name in likely:
            return []
        return [f"its name says {name}, it sounds like {' or '.join(likely)}"]
    called = {each for number in range(len(instrument.groups)) for each in _calls(instrument, number)}
    alike = {_shape(each) for each in called}
    if not (number.isdecimal() and group and (before or _shape(_plain(group)) in alike)):
        return []
    name = f"{group}.{number}"
    maybe = guessed(name, (tine_name(instrument, each) for each in range(len(instrument.tines))))
    return [
        f"its name says {name}, and the design has no such tine; {maybe}it is heard as if it said nothing"
    ]


def _said_in(path: Path) -> tuple[str, str, str]:
    """What a file's name may say of a tine: what stands before the last dot, the group and the number."""
    before, _, last = path.stem.rpartition(".")
    return before, *last.rpartition("-")[::2]


def _named(instrument: Instrument, group: str, number: str) -> int | None:
    for index, tine in enumerate(instrument.tines):
        if _plain(group) in _calls(instrument, tine.group) and number == str(tine.number):
            return index
    return None


def _calls(instrument: Instrument, group: int) -> tuple[str, str]:
    """What a group is called: its name, and its number."""
    return _plain(instrument.groups[group].name), str(group + 1)


def _plain(words: str) -> str:
    return words.casefold().replace("_", " ").replace("-", " ").strip()


def _shape(words: str) -> str:
    """The words with `a` for letters in a row and `0` for digits."""
    return re.sub(r"[^\W\d_]+", "a", re.sub(r"\d+", "0", words))


def listen(recordings: Sequence[Path]) -> list[Measurement]:
    """What rings in each recording, with its warnings on standard error."""
    from synth.recording.audio_input import CUT, read_recording
    from synth.recording.partials import measure_taps

    measured = []
    for path in recordings:
        measurement = measure_taps(read_recording(path, remedy=CUT))
        for warning in measurement.warnings:
            warn(path, warning)
        measured.append(measurement)
    return measured


def warn(path: Path | str, warning: str) -> None:
    """A line on standard error about a file that was heard all the same."""
    click.echo(f"warning: {path}: {warning}", file=sys.stderr)


def tines_of_taps(
    instrument: Instrument, measured: Sequence[Measurement], named: Sequence[str]
) -> list[tuple[TapPartials, int | None]]:
    """Every tap with the tine that the maker named: one name a file, or one a tap. Raises `InputError`.

    Where file names are all that names them, a warning on standard error tells of one that is no tine's.
    """
    tines = [find_tine(instrument, name) for name in named]
    taps = [tap for measurement in measured for tap in measurement.taps]
    if not tines:
        paths = [Path(measurement.file) for measurement in measured]
        for path in paths:
            for doubt in doubts_of_file_name(instrument, path, None):
                warn(path, doubt)
        files = [tine_in_file_name(instrument, path) for path in paths]
    elif len(tines) == len(measured):
        files = list(tines)
    elif len(tines) == len(taps):
        return list(zip(taps, tines, strict=True))
    else:
        raise InputError(
            f"{many(len(tines), 'name')} for {many(len(measured), 'recording')} with {many(len(taps), 'tap')}",
            remedy="give --tine once a recording, or once a tap in their order",
        )
    return [
        (tap, tine) for measurement, tine in zip(measured, files, strict=True) for tap in measurement.taps
    ]


def claims_table(instrument: Instrument, claims: Sequence[TineAssignment]) -> str:
    """Which tap is of which tine, and how sure that is."""

    def how(claim: TineAssignment) -> str:
        others = ", ".join(tine_name(instrument, each) for each in claim.others)
        return ("found" + (f", or {others}" if others else "")) if claim.found else "named"

    return Table(
        [
            Column("", "tap", value=lambda row: row[0]),
            Column("", "at s", "{:.2f}", lambda row: row[1].tap.time),
            Column("", "tine", value=lambda row: tine_name(instrument, row[1].tine)),
            Column("", "how", value=lambda row: how(row[1])),
            Column("", "cents off the model", "{:+z.0f}", lambda row: row[1].offset),
        ],
        list(enumerate(claims, start=1)),
    ).text()


def approve(instrument: Instrument, claims: Sequence[TineAssignment], yes: bool) -> None:
    """Show the matches that were found and have them approved. Raises `InputError` where nobody can be asked."""
    click.echo(claims_table(instrument, claims), file=sys.stderr)
    if yes or not any(claim.found for claim in claims):
        return
    if not sys.stdin.isatty():
        raise InputError(
            "the tines of these taps were found, not named",
            remedy="look at the table above, then say --yes, or name them with --tine",
        )
    if not click.confirm("Is this right?", err=True):
        raise InputError(
            "not approved", remedy="name the tines with --tine GROUP.N, once a recording or a tap"
        )
