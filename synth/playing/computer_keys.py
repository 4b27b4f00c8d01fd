"""A computer's keyboard in front of an instrument, where there is no MIDI: characters become strokes and holds.

In: characters with their seconds. Out: strokes and holds. Keys stand as on a US keyboard. A terminal tells
when a key goes down and not when it comes up, so a group rings until a palm is laid on it.

    a s d f g h j k l ; '       a forward stroke of the first group, the second, ... from the left
    the same with Shift         a backward stroke
    z x c v b n m , . /         a palm on the group of the key above
    space                       palms on all groups
    1 ... 9                     speed, 0.1 to 3 m/s in equal steps of level; 5 at first
    Tab                         the next stick of the design
    =  -                        the keys move on to the groups further along the bar, and back
"""

from __future__ import annotations

from typing import Final

from synth.design.instrument import Instrument
from synth.playing.midi_mapping import FASTEST_RATIO, PALM_SECONDS, SLOWEST
from synth.playing.stroke import Direction, Hold, Stroke

STROKES: Final = "asdfghjkl;'"
BACKWARD: Final = 'ASDFGHJKL:"'
PALMS: Final = "zxcvbnm,./"
SPEEDS: Final = "123456789"


class HomeRow:
    """What the player has set so far: speed, stick, and which groups lie under the keys."""

    def __init__(self, instrument: Instrument) -> None:
        self.groups = len(instrument.groups)
        self.sticks = tuple(instrument.sticks.values())
        self.stick = 0
        self.first = 0  # group under the first key
        self.speed = speed_of_digit(SPEEDS[4])

    def receive(self, key: str, time: float) -> list[Stroke | Hold]:
        """What one key, at its second, makes the player do. Keys without a meaning do nothing."""
        if key in SPEEDS:
            self.speed = speed_of_digit(key)
        elif key == "\t":
            self.stick = (self.stick + 1) % len(self.sticks)
        elif key in "=-":
            step = len(STROKES) if key == "=" else -len(STROKES)
            self.first = min(max(0, self.first + step), max(0, self.groups - len(STROKES)))
        elif key == " ":
            return [_palm(group, time) for group in range(self.groups)]
        elif key in PALMS:
            return [_palm(group, time) for group in self._under(key, PALMS)]
        elif key in STROKES:
            return [self._stroke(group, time, "forward") for group in self._under(key, STROKES)]
        elif key in BACKWARD:
            return [self._stroke(group, time, "backward") for group in self._under(key, BACKWARD)]
        return []

    def _under(self, key: str, keys: str) -> list[int]:
        group = self.first + keys.index(key)
        return [group] if group < self.groups else []

    def _stroke(self, group: int, time: float, direction: Direction) -> Stroke:
        stick = self.sticks[self.stick]
        return Stroke(group=group, stick=stick, start=time, speed=self.speed, direction=direction)


def speed_of_digit(key: str) -> float:
    """The stroke's speed in m/s for a figure from 1 to 9."""
    return float(SLOWEST * FASTEST_RATIO ** (SPEEDS.index(key) / (len(SPEEDS) - 1)))


def _palm(group: int, time: float) -> Hold:
    return Hold(group=group, start=time, seconds=PALM_SECONDS, by="palm")
