"""What a keyboard's messages mean: one MIDI message after the other becomes strokes and holds.

In: MIDI 1.0 channel messages with their seconds. Out: strokes and holds. The same machine serves files and live
playing. Every meaning is the standard's own (MIDI 1.0 specification, tables of controller numbers):

    note on        a stroke of the group whose root is that note (or whose `midi_note` it is)
    velocity v     speed 0.1 x 30^((v-1)/126) m/s: equal steps, about equal decibels
    note off       a palm stops the group, unless a pedal holds it
    CC 1           modulation: leans towards the high tines, 0 even to 127 all
    CC 11          expression: scales the bite, 127 full
    CC 16          general purpose 1: the grip, 0 to 42 light, to 85 usual, to 127 firm
    CC 64          damper pedal: while down (64 or more) note-offs wait
    CC 66          sostenuto: holds the groups whose keys are down when it goes down
    CC 74          brightness: stick's edge 2 to 0.3 mm, free length 150 to 50 mm; 64 leaves the stick as it is
    CC 120, 123    all sound off: palms on every group; all notes off: as if every key were let go
    CC 121         controllers back to their rest, the grip too (not 74: MIDI recommended practice RP-015)
    pressure       of the channel: the hand presses, 127 is 0.2 N
    program p      the p-th stick of the design, round and round: the next program is the next stick

Strokes of a group alternate, forward first. Pitch bend and other controllers mean nothing to a clamped tine.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Final, Literal, Protocol, get_args

from synth.design.instrument import Instrument, Stick
from synth.frozen import frozen
from synth.playing.stroke import CONTROLS, MIDI_FULL, Grip, Hold, Stroke
from synth.units import A4_NOTE_NUMBER, CENTS_PER_SEMITONE, MM, cents

SLOWEST: Final = 0.1  # m/s at velocity 1
FASTEST_RATIO: Final = 30.0  # velocity 127 over velocity 1
EDGE_RADIUS: Final = (2.0 * MM, 0.3 * MM)  # of the stick's end at brightness 0 and 127
FREE_LENGTH: Final = (150.0 * MM, 50.0 * MM)
PALM_SECONDS: Final = 0.3
NEUTRAL: Final = 64  # brightness that changes nothing; also where a pedal counts as down
FULL: Final = MIDI_FULL
ALL_SOUND_OFF: Final = 120


class Message(Protocol):
    """A MIDI message as mido has it: type, and what that type carries."""

    type: str


@frozen
class Unplayable:
    """A note for which the instrument has no group."""

    note: int
    channel: int  # counted from 1, as on keyboards


@dataclass
class _Channel:
    numbers: dict[int | str, int] = field(default_factory=dict)  # positions by message; else at rest
    damper: bool = False
    sostenuto: bool = False
    brightness: int = NEUTRAL
    grip: int = NEUTRAL
    stick: int = 0
    down: set[int] = field(default_factory=set)  # groups whose keys are down
    waiting: set[int] = field(default_factory=set)  # let go, but held by a pedal
    held: set[int] = field(default_factory=set)  # what the sostenuto pedal caught


class Keys:
    """A keyboard in front of an instrument: it remembers keys, pedals and controllers."""

    def __init__(self, instrument: Instrument) -> None:
        self.group_of = notes(instrument)
        self.sticks = tuple(instrument.sticks.values())
        self.channels: dict[int, _Channel] = {}
        self.forward: dict[int, bool] = {}

    def receive(self, message: Message, time: float) -> list[Stroke | Hold | Unplayable]:
        """What one message, at its second, makes the player do."""
        channel = self.channels.setdefault(getattr(message, "channel", 0), _Channel())
        match message.type:
            case "note_on" if message.velocity > 0:  # type: ignore[attr-defined]
                return [self._strike(channel, message, time)]
            case "note_on" | "note_off":
                group = self.group_of.get(message.note)  # type: ignore[attr-defined]
                return [] if group is None else self._let_go(channel, {group}, time)
            case "control_change":
                return self._control(channel, message.control, message.value, time)  # type: ignore[attr-defined]
            case "aftertouch":
                channel.numbers["aftertouch"] = message.value  # type: ignore[attr-defined]
            case "program_change":
                channel.stick = message.program % len(self.sticks)  # type: ignore[attr-defined]
        return []

    def _strike(self, channel: _Channel, message: Message, time: float) -> Stroke | Unplayable:
        note, velocity = message.note, message.velocity  # type: ignore[attr-defined]
        group = self.group_of.get(note)
        if group is None:
            return Unplayable(note, message.channel + 1)  # type: ignore[attr-defined]
        channel.down.add(group)
        channel.waiting.discard(group)
        forward = self.forward.get(group, True)
        self.forward[group] = not forward
        return Stroke(
            group=group,
            stick=edged(self.sticks[channel.stick], channel.brightness),
            start=time,
            speed=speed_of_velocity(velocity),
            direction="forward" if forward else "backward",
            grip=gripped(channel.grip),
            origin=f"note {note} at velocity {velocity} on channel {message.channel + 1}",  # type: ignore[attr-defined]
            **_set_by(channel.numbers),  # type: ignore[arg-type]
        )

    def _let_go(self, channel: _Channel, groups: set[int], time: float) -> list[Stroke | Hold | Unplayable]:
        channel.down -= groups
        stopped = groups - channel.held
        if channel.damper:
            channel.waiting |= groups
            return []
        channel.waiting |= groups & channel.held
        return _palms(stopped, time)

    def _control(
        self, channel: _Channel, control: int, value: int, time: float
    ) -> list[Stroke | Hold | Unplayable]:
        match control:
            case 16:  # general purpose 1
                channel.grip = value
            case 74:  # brightness
                channel.brightness = value
            case 64:  # damper pedal
                channel.damper = value >= NEUTRAL
                return self._released(channel, time)
            case 66:  # sostenuto
                down = value >= NEUTRAL
                if down and not channel.sostenuto:
                    channel.held = set(channel.down)
                elif not down:
                    channel.held = set()
                channel.sostenuto = down
                return self._released(channel, time)
            case _ if control == ALL_SOUND_OFF:
                channel.waiting.clear()
                return _palms(set(self.group_of.values()), time)
            case 121:  # reset all controllers
                channel.numbers.clear()
                channel.grip = NEUTRAL
                channel.damper, channel.sostenuto, channel.held = False, False, set()
                return self._released(channel, time)
            case 123 | 124 | 125 | 126 | 127:  # all notes off, and the mode messages that imply it
                return self._let_go(channel, set(channel.down), time)
            case _:
                channel.numbers[control] = value
        return []

    def _released(self, channel: _Channel, time: float) -> list[Stroke | Hold | Unplayable]:
        """Palms on the groups whose keys are up and that no pedal holds any more."""
        if channel.damper:
            return []
        stopped = channel.waiting - channel.held  # none of these is down: a key that comes down waits no more
        channel.waiting -= stopped
        return _palms(stopped, time)


def all_sound_off(gesture: object) -> bool:
    """Whether a message says so (CC 120)."""
    return (
        getattr(gesture, "type", "") == "control_change" and getattr(gesture, "control", 0) == ALL_SOUND_OFF
    )


def speed_of_velocity(velocity: int) -> float:
    """The stroke's speed in m/s for a key velocity of 1 to 127."""
    return float(SLOWEST * FASTEST_RATIO ** ((velocity - 1) / (FULL - 1)))


def gripped(value: int) -> Grip:
    """The grip for a controller's value of 0 to 127."""
    grips: tuple[Grip, ...] = get_args(Grip)
    return grips[min(value * len(grips) // FULL, len(grips) - 1)]


def edged(stick: Stick, brightness: int) -> Stick:
    """The stick held and turned for a brightness: dull with its round end and far out, bright with its edge."""
    if brightness == NEUTRAL:
        return stick
    towards, share = (
        (0, (NEUTRAL - brightness) / NEUTRAL)
        if brightness < NEUTRAL
        else (1, (brightness - NEUTRAL) / (FULL - NEUTRAL))
    )
    stretch = 1.0 + share * (FREE_LENGTH[towards] / stick.length - 1.0)
    out = stick.length * (stretch - 1.0)  # of the hand, which slides along the stick
    return dataclasses.replace(
        stick,
        behind=max(stick.behind - out, 0.0),
        end_radius=stick.end_radius + share * (EDGE_RADIUS[towards] - stick.end_radius),
        length=stick.length * stretch,
        stiffness=stick.stiffness / stretch**3,  # a cantilever's: 3EI/l^3, and its pitch as l^-2
        mass=stick.mass * stretch,
        frequency=stick.frequency / stretch**2,
    )


def notes(instrument: Instrument) -> dict[int, int]:
    """The group of each note number: by `midi_note` first, then by the nearest note to its root."""
    found = {each.midi_note: n for n, each in enumerate(instrument.groups) if each.midi_note is not None}
    for n, group in enumerate(instrument.groups):
        if group.midi_note is None and group.root_hz is not None:
            number = round(A4_NOTE_NUMBER + cents(group.root_hz / instrument.a4) / CENTS_PER_SEMITONE)
            found.setdefault(number, n)
    return found


def _set_by(positions: Mapping[int | str, int]) -> dict[str, float]:
    """What the controllers of the table of controls set, SI, by the fields of `Stroke`."""
    return {
        each.field: each.controller.value(positions.get(each.controller.message, each.controller.rest))
        for each in CONTROLS
        if each.controller is not None
    }


def _palms(groups: set[int], time: float) -> list[Stroke | Hold | Unplayable]:
    by: Literal["palm"] = "palm"
    return [Hold(group=group, start=time, seconds=PALM_SECONDS, by=by) for group in sorted(groups)]
