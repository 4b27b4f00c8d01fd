"""A standard MIDI file becomes a performance.

In: a file of format 0 or 1 and the instrument. Out: a `Performance`, and the notes that cannot be played. The idea:
merge the tracks by tick, turn ticks into seconds through the tempo map, and let `synth.playing.midi_mapping` say
what each message means. mido reads the bytes; whatever it stumbles over in a broken file becomes one line.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Final

from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.frozen import frozen
from synth.many import many
from synth.playing.midi_mapping import Keys, Unplayable
from synth.playing.script import LONGEST_S, MOST_EVENTS, Performance, Played
from synth.units import note_hz

if TYPE_CHECKING:
    import mido

LARGEST: Final = 1 << 20  # bytes; thirty times a long piece for one instrument
DEFAULT_TEMPO: Final = 500_000  # microseconds a beat until a file says otherwise (SMF specification 1.0)
TAIL_S: Final = 4.0  # left for the last stroke to ring
DROP_FRAME: Final = 29  # SMPTE code that stands for 30000/1001 frames a second
SHOWN: Final = 12  # unplayable notes listed before the rest is counted


@frozen
class Missing:
    """A note that no group plays: when, on which track (counted from 1), and what."""

    time: float
    track: int
    note: Unplayable


def read_midi(path: Path, instrument: Instrument, *, through: str) -> tuple[Performance, tuple[Missing, ...]]:
    """The performance in a MIDI file and what of it cannot be played. Raises `InputError`."""
    through = instrument.listening(through)
    file = _parsed(path)
    try:
        played, missing = _played(file, instrument, through)
    except InputError as error:
        raise error.within(str(path)) from None
    if not played and not missing:
        raise InputError("no note is played in it", file=str(path))
    last = max((each.event.start for each in played), default=0.0)
    return Performance(path.stem, tuple(played), last + TAIL_S), tuple(missing)


def refuse_missing(missing: tuple[Missing, ...], instrument: Instrument, path: Path) -> None:
    """Refuse a file of which something cannot be played, with what and where. Raises `InputError`."""
    if missing:
        raise InputError(
            f"{many(len(missing), 'note')} cannot be played: {'; '.join(missing_words(missing, instrument))}",
            remedy="give a group that root or midi_note, or use --skip-unplayable",
            file=str(path),
        )


def missing_words(missing: tuple[Missing, ...], instrument: Instrument) -> list[str]:
    """The notes that cannot be played in words, the first dozen of them."""
    words = [
        f"{instrument.note(note_hz(each.note.note, instrument.a4))[0]} (note {each.note.note}) "
        f"at {each.time:.2f} s on track {each.track}"
        for each in missing[:SHOWN]
    ]
    return words if len(missing) <= SHOWN else [*words, f"and {len(missing) - SHOWN} more"]


def _parsed(path: Path) -> mido.MidiFile:
    import mido

    try:
        size = path.stat().st_size
        if size > LARGEST:
            raise InputError(f"is {size} bytes long", remedy=f"at most {LARGEST} are read", file=str(path))
        file = mido.MidiFile(str(path))
    except InputError:
        raise
    except OSError as error:
        finding = error.strerror or f"is not a MIDI file that can be read ({_plain(error)})"
        raise InputError(finding, remedy="give a standard MIDI file", file=str(path)) from None
    except (
        Exception
    ) as error:  # mido raises whatever a broken byte leads it to: ValueError, KeyError, EOFError ...
        raise InputError(
            f"is not a MIDI file that can be read ({_plain(error)})",
            remedy="give a standard MIDI file",
            file=str(path),
        ) from None
    if file.type not in (0, 1):
        raise InputError(
            f"is of format {file.type}", remedy="save it as format 0 or 1, one piece a file", file=str(path)
        )
    if file.ticks_per_beat == 0:
        raise InputError("its division is 0 ticks a beat", remedy="give a standard MIDI file", file=str(path))
    return file


def _plain(error: Exception) -> str:
    ends = "it ends too soon" if isinstance(error, EOFError) else type(error).__name__
    return " ".join(str(error).split())[:100] or ends


def _played(file: mido.MidiFile, instrument: Instrument, through: str) -> tuple[list[Played], list[Missing]]:
    keys = Keys(instrument)
    played: list[Played] = []
    missing: list[Missing] = []
    for time, track, message in timed(file):
        if time > LONGEST_S:
            raise InputError(
                f"the piece lasts over {LONGEST_S:.0f} s", remedy="cut it", location=f"track {track}"
            )
        for event in keys.receive(message, time):
            if isinstance(event, Unplayable):
                missing.append(Missing(time, track, event))
            else:
                played.append(Played(event, through))
        if len(played) > MOST_EVENTS:
            raise InputError(f"over {MOST_EVENTS} strokes", remedy="cut it", location=f"track {track}")
    return played, missing


def timed(file: mido.MidiFile) -> Iterator[tuple[float, int, mido.Message]]:
    """Every channel message with its second and its track (from 1), in the order they sound.

    At the same tick tracks come in their order; a tempo counts from its own tick on (SMF specification 1.0).
    """
    merged = sorted(_ticked(file.tracks), key=lambda each: each[:2])
    per_second = _frames_per_second(file.ticks_per_beat)
    second, last, tempo = 0.0, 0, DEFAULT_TEMPO
    for tick, track, message in merged:
        if per_second is None:
            second += (tick - last) * tempo * 1e-6 / file.ticks_per_beat
        else:
            second = tick / per_second
        last = tick
        if message.type == "set_tempo":
            tempo = message.tempo
        elif not message.is_meta:
            yield second, track, message


def _ticked(tracks: Iterable[Iterable[mido.Message]]) -> Iterator[tuple[int, int, mido.Message]]:
    for number, track in enumerate(tracks, start=1):
        tick = 0
        for message in track:
            tick += int(message.time)
            yield tick, number, message


def _frames_per_second(division: int) -> float | None:
    """Ticks a second of a division in SMPTE frames (its top bit set), or None where it counts ticks a beat."""
    if division > 0:
        return None
    frames, ticks = 256 - ((division & 0xFF00) >> 8), division & 0xFF
    rate = 30000.0 / 1001.0 if frames == DROP_FRAME else float(frames)
    if ticks == 0 or not math.isfinite(rate):
        raise InputError("its division is 0 ticks a frame", remedy="give a standard MIDI file")
    return rate * ticks
