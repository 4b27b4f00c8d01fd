"""What is to be played, however it is given: a stroke script or a MIDI file, by its path, as text, or as a dict.

In: one of these and the instrument. Out: a `Performance`, and in words what of it cannot be played.
"""

from __future__ import annotations

from collections.abc import Mapping
from os import PathLike
from pathlib import Path
from typing import Final

from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.playing.script import Performance, Script, read_script, schedule, script_in

MIDI: Final = (".mid", ".midi", ".smf")  # endings of a MIDI file; anything else is a stroke script


def performance(
    score: str | PathLike[str] | Mapping[str, object] | Script,
    instrument: Instrument,
    *,
    through: str | None = None,
    skip_unplayable: bool = False,
) -> tuple[Performance, tuple[str, ...]]:
    """The performance, and the notes left out of it. Text of several lines is a script's, of one a path.

    `through` for what does not say otherwise. Raises `InputError` with the place.
    """
    if isinstance(score, (Mapping, Script)):
        return schedule(score, instrument, through=through), ()
    if isinstance(score, str) and "\n" in score:
        return script_in(score, instrument, through=through), ()
    path = Path(score)
    if path.suffix.lower() not in MIDI:
        return read_script(path, instrument, through=through), ()
    return _of_midi(path, instrument, through=through or "bar", skip_unplayable=skip_unplayable)


def _of_midi(
    path: Path, instrument: Instrument, *, through: str, skip_unplayable: bool
) -> tuple[Performance, tuple[str, ...]]:
    from synth.playing.midi import missing_words, read_midi, refuse_missing

    piece, missing = read_midi(path, instrument, through=through)
    if not skip_unplayable:
        refuse_missing(missing, instrument, path)
    if not piece.played:
        raise InputError(
            "none of its notes has a group", remedy="give groups that root or midi_note", file=str(path)
        )
    return piece, tuple(f"left out: {words}" for words in missing_words(missing, instrument))
