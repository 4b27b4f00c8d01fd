"""The stroke script: a TOML file with a stroke a line becomes a performance.

In: a path and the instrument. Out: a `Performance`, every stroke at its second. Beats become seconds through
the tempo, phrases are written out, names are looked up; a mistake is told with its line, key and value.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final, get_args

from msgspec import Meta, defstruct, field, structs

from synth.design.decode import checked, decode
from synth.design.file import parsed, read_text
from synth.design.instrument import Instrument
from synth.design.keys_as_written import place_of
from synth.design.material import own
from synth.design.schema import Positive, WrittenTable
from synth.errors import InputError, named
from synth.frozen import frozen
from synth.playing.lines import line_of
from synth.playing.midi_mapping import NEUTRAL, edged
from synth.playing.stroke import CONTROLS, Direction, Grip, Hand, Hold, HoldKind, Stroke, shaped

MOST_EVENTS: Final = 20_000  # twenty minutes of sixteen strokes a second
LONGEST_S: Final = 1200.0  # twenty minutes of audio

Tempo = Annotated[float, Meta(ge=5.0, le=600.0)]  # beats a minute
Second = Annotated[float, Meta(ge=0.0, le=LONGEST_S)]
Beat = Annotated[float, Meta(ge=0.0, le=100_000.0)]


class TempoChange(WrittenTable, frozen=True, kw_only=True):
    at_beat: Beat
    bpm: Tempo


# The numbers of a stroke, one key for each row of the table of controls.
if TYPE_CHECKING:

    class Numbers(WrittenTable, frozen=True, kw_only=True):
        """A number for each row, which a type checker cannot know."""

        def __init__(self, **said: Any) -> None: ...

else:
    Numbers = defstruct(
        "Numbers",
        [(each.key, float | None, None) for each in CONTROLS],
        bases=(WrittenTable,),
        frozen=True,
        kw_only=True,
    )


class How(Numbers, frozen=True, kw_only=True):
    """What can be said of a stroke, once for all in [defaults] or of each."""

    if TYPE_CHECKING:

        def __init__(self, **said: Any) -> None: ...

    direction: Direction | None = None
    stick: str | None = None
    through: str | None = None
    grip: Grip | None = None
    brightness: Annotated[int, Meta(ge=0, le=127)] | None = (
        None  # as MIDI's controller 74; 64 changes nothing
    )


class Entry(How, frozen=True, kw_only=True):
    """One line: a stroke of a `group`, a `phrase`, a `palm` laid on a group, or a stick that only touches one."""

    at_s: Second | None = None
    at_beat: Beat | None = None
    group: str | None = None
    phrase: str | None = None
    palm: str | None = None
    touch: str | None = None
    hold_s: Annotated[float, Meta(gt=0.0, le=60.0)] | None = None  # of a palm or a touch; default 0.3
    times: Annotated[int, Meta(ge=1, le=1000)] | None = None  # how often a phrase is played; default once
    every_beats: Annotated[float, Meta(gt=0.0, le=1000.0)] | None = None  # from one time to the next
    shift: Annotated[int, Meta(ge=-200, le=200)] | None = None  # a phrase onto groups further along the bar
    onto: dict[str, str] | None = None  # a phrase onto other groups by name


class Phrase(WrittenTable, frozen=True, kw_only=True):
    stroke: Annotated[list[Entry], Meta(min_length=1, max_length=MOST_EVENTS)]


class Script(WrittenTable, frozen=True, kw_only=True):
    """The whole file."""

    name: str = ""
    tempo_bpm: Tempo = 60.0  # a beat a second, until told otherwise
    tempo: list[TempoChange] = field(default_factory=list)
    tail_s: Positive = 4.0  # how long the last stroke is left to ring
    defaults: How = field(default_factory=How)
    phrase: dict[str, Phrase] = field(default_factory=dict)
    stroke: Annotated[list[Entry], Meta(min_length=1, max_length=MOST_EVENTS)]


HOLD_S: Final = 0.3  # long enough for a palm to settle on a row
_KINDS: Final[tuple[str, ...]] = ("group", "phrase", *get_args(HoldKind))


@frozen
class Played:
    """A stroke or a hold, and what it is heard through."""

    event: Stroke | Hold
    through: str


@frozen
class Performance:
    """Everything that is played, by start; `seconds` includes the last ring."""

    name: str
    played: tuple[Played, ...]
    seconds: float


def held_by(piece: Performance, hand: Hand) -> Performance:
    """The same performance, every stroke of it made by this hand."""
    played = tuple(
        dataclasses.replace(each, event=dataclasses.replace(each.event, hand=hand))
        if isinstance(each.event, Stroke)
        else each
        for each in piece.played
    )
    return dataclasses.replace(piece, played=played)


def read_script(path: Path, instrument: Instrument, *, through: str | None = None) -> Performance:
    """The performance in a stroke script; `through` for what does not say otherwise.

    Raises `InputError` with file, line, key and value.
    """
    try:
        return script_in(read_text(path), instrument, through=through)
    except InputError as error:
        raise error.within(str(path)) from None


def script_in(text: str, instrument: Instrument, *, through: str | None = None) -> Performance:
    """The performance in the text of a stroke script. Raises `InputError` with line, key and value."""
    tree = parsed(text)
    try:
        return _performed(decode(tree, Script), instrument, through=through)
    except InputError as error:
        line = line_of(text, error.location)
        location = f"line {line}: {error.location}" if line else error.location
        raise InputError(error.finding, remedy=error.remedy, location=location) from None


def schedule(
    script: Script | Mapping[str, object], instrument: Instrument, *, through: str | None = None
) -> Performance:
    """The performance that a script, or the same as a dict, describes on an instrument.

    Raises `InputError` with the place.
    """
    made = checked(script) if isinstance(script, Script) else decode(script, Script)
    return _performed(made, instrument, through=through)


def _performed(script: Script, instrument: Instrument, *, through: str | None) -> Performance:
    clock = BeatClock.of(script)
    defaults = structs.replace(script.defaults, through=script.defaults.through or through or "bar")
    played = [
        _played(placed, defaults, instrument)
        for number, entry in enumerate(script.stroke, start=1)
        for placed in _written_out(
            entry, f"stroke[{number}]", script=script, clock=clock, instrument=instrument
        )
    ]
    if len(played) > MOST_EVENTS:
        raise InputError(f"{len(played)} strokes in all", remedy=f"at most {MOST_EVENTS}", location="stroke")
    played.sort(key=lambda each: each.event.start)
    seconds = max(each.event.start for each in played) + script.tail_s
    if seconds > LONGEST_S:
        raise InputError(
            f"the piece lasts {seconds:.0f} s", remedy=f"at most {LONGEST_S:.0f} s", location="stroke"
        )
    return Performance(script.name, tuple(played), seconds)


@frozen
class BeatClock:
    """Beats to seconds: tempo changes as (beat, second at which it is reached, beats a minute from there on)."""

    changes: tuple[tuple[float, float, float], ...]

    @classmethod
    def of(cls, script: Script) -> BeatClock:
        changes = [(0.0, 0.0, script.tempo_bpm)]
        for number, change in enumerate(script.tempo, start=1):
            beat, second, bpm = changes[-1]
            if change.at_beat <= beat and number > 1:
                raise InputError(
                    f"beat {change.at_beat:g} does not come after the one before",
                    remedy="write tempo changes in their order",
                    location=f"tempo[{number}].at_beat",
                )
            changes.append((change.at_beat, second + (change.at_beat - beat) * 60.0 / bpm, change.bpm))
        return cls(tuple(changes))

    def second(self, beat: float) -> float:
        start, second, bpm = next(each for each in reversed(self.changes) if each[0] <= beat)
        return second + (beat - start) * 60.0 / bpm


@frozen
class _Placed:
    """An entry that is no phrase any more, with its second, its group and where in the file it stands."""

    entry: Entry
    start: float
    group: int
    location: str


def _written_out(
    entry: Entry, location: str, *, script: Script, clock: BeatClock, instrument: Instrument
) -> Iterator[_Placed]:
    """The strokes and holds that one line stands for. A phrase counts its beats or seconds from its own start."""
    kind = _kind(entry, location)
    if kind != "phrase":
        start = clock.second(entry.at_beat) if entry.at_beat is not None else _given(entry.at_s)
        yield _Placed(
            entry,
            start,
            instrument.group_index(str(getattr(entry, kind)), location=f"{location}.{kind}"),
            location,
        )
        return
    name = named(str(entry.phrase), script.phrase, "there is no phrase", location=f"{location}.phrase")
    if (entry.times or 1) > 1 and entry.every_beats is None:
        raise InputError("a phrase played more than once needs 'every_beats'", location=location)
    for time in range(entry.times or 1):
        offset = time * (entry.every_beats or 0.0)
        for number, part in enumerate(script.phrase[name].stroke, start=1):
            part_place = f"{place_of('phrase', name)}.stroke[{number}]"
            yield _moved(
                part,
                part_place,
                caller=entry,
                caller_place=location,
                offset=offset,
                clock=clock,
                instrument=instrument,
            )


def _moved(
    part: Entry,
    location: str,
    *,
    caller: Entry,
    caller_place: str,
    offset: float,
    clock: BeatClock,
    instrument: Instrument,
) -> _Placed:
    """One line of a phrase, moved in time and onto other groups."""
    kind = _kind(part, location)
    if kind == "phrase":
        raise InputError(
            "a phrase cannot hold a phrase", remedy="write its strokes", location=f"{location}.phrase"
        )
    start = _phrase_second(part, caller, offset, clock)
    name = str(getattr(part, kind))
    target = own(name, caller.onto or {}) or name
    where = f"{caller_place}.onto" if target != name else f"{location}.{kind}"
    group = instrument.group_index(target, location=where) + (caller.shift or 0)
    if not 0 <= group < len(instrument.groups):
        raise InputError(
            f"{caller.shift:+d} moves '{target}' off the bar",
            remedy=f"there are {len(instrument.groups)} groups",
            location=f"{caller_place}.shift",
        )
    said = {
        each: getattr(caller, each) for each in How.__struct_fields__ if getattr(caller, each) is not None
    }
    changed = {**{each: getattr(part, each) for each in Entry.__struct_fields__}, **said}
    return _Placed(Entry(**changed), start, group, location)


def _phrase_second(part: Entry, caller: Entry, offset: float, clock: BeatClock) -> float:
    if caller.at_beat is not None and part.at_beat is not None:
        return clock.second(caller.at_beat + offset + part.at_beat)
    begin = clock.second(caller.at_beat + offset) if caller.at_beat is not None else _given(caller.at_s)
    if caller.at_beat is None:
        begin += clock.second(offset)
    return begin + (_given(part.at_s) if part.at_beat is None else clock.second(part.at_beat))


def _kind(entry: Entry, location: str) -> str:
    given = [kind for kind in _KINDS if getattr(entry, kind) is not None]
    if len(given) != 1:
        found = "nothing is played" if not given else f"'{given[0]}' and '{given[1]}' are both given"
        raise InputError(found, remedy=f"give one of {', '.join(_KINDS)}", location=location)
    if (entry.at_s is None) == (entry.at_beat is None):
        found = "the time is missing" if entry.at_s is None else "the time is given twice"
        raise InputError(found, remedy="give at_s or at_beat", location=location)
    _only_where_meant(entry, given[0], location)
    return given[0]


def _only_where_meant(entry: Entry, kind: str, location: str) -> None:
    meant = {
        "group": How.__struct_fields__,
        "phrase": (*How.__struct_fields__, "times", "every_beats", "shift", "onto"),
        "palm": ("hold_s", "through"),
        "touch": ("hold_s", "through", "stick"),
    }
    for key in Entry.__struct_fields__:
        if getattr(entry, key) is not None and key not in (*meant[kind], *_KINDS, "at_s", "at_beat"):
            raise InputError(
                f"'{key}' means nothing for a {kind}", remedy="leave it out", location=f"{location}.{key}"
            )


def _played(placed: _Placed, defaults: How, instrument: Instrument) -> Played:
    entry, position = placed.entry, placed.location
    through = instrument.listening(str(entry.through or defaults.through), location=f"{position}.through")
    if entry.group is None:
        kind: HoldKind = "palm" if entry.palm is not None else "touch"
        hold = Hold(group=placed.group, start=placed.start, seconds=entry.hold_s or HOLD_S, by=kind)
        return Played(hold, through)
    return Played(_stroke(placed, defaults, instrument), through)


def _stroke(placed: _Placed, defaults: How, instrument: Instrument) -> Stroke:
    entry, position = placed.entry, placed.location
    name = entry.stick or defaults.stick or next(iter(instrument.sticks))
    brightness = next((each.brightness for each in (entry, defaults) if each.brightness is not None), NEUTRAL)
    plain = Stroke(
        group=placed.group,
        stick=edged(instrument.stick(name, location=f"{position}.stick"), brightness),
        start=placed.start,
        direction=entry.direction or defaults.direction or "forward",
        grip=entry.grip or defaults.grip or "usual",
        origin=position,
    )
    return _numbered(_numbered(plain, defaults, "defaults"), entry, position)


def _numbered(stroke: Stroke, how: How, location: str) -> Stroke:
    given = {each.key: getattr(how, each.key) for each in CONTROLS if getattr(how, each.key) is not None}
    try:
        return shaped(stroke, given)
    except InputError as error:
        raise InputError(
            error.finding, remedy=error.remedy, location=f"{location}.{error.location}"
        ) from None


def _given(value: float | None) -> float:
    assert value is not None
    return value
