"""Writes designs/ferry-tune.mid, the tune of designs/ferry-tune.toml as a standard MIDI file of format 1.

`python scripts/make_demo_midi.py [FILE]`. A track for tempo and meter, one for the tune, one for the two low
groups; the damper pedal is down, so that groups ring until they are stroked again.
"""

from __future__ import annotations

import sys
from pathlib import Path

import mido

FILE = Path(__file__).parents[1] / "designs" / "ferry-tune.mid"
TICKS = 480  # a beat
NOTES = {"D2": 38, "A2": 45, "D3": 50, "F3": 53, "G3": 55, "A3": 57, "C4": 60}  # MIDI 1.0: A4 = 69
TEMPO = [(0, 96), (36, 84), (42, 66)]
DAMPER, MODULATION, EXPRESSION = 64, 1, 11  # controller numbers of MIDI 1.0
Told = tuple[float, mido.Message]

OUT = [
    (0, "D3", 68),
    (2, "F3", 62),
    (3, "G3", 66),
    (5, "F3", 62),
    (6, "A3", 76),
    (8, "C4", 66),
    (9, "A3", 66),
]
BACK = [
    (0, "C4", 76),
    (1.5, "A3", 66),
    (3, "G3", 66),
    (4.5, "A3", 66),
    (6, "F3", 62),
    (8, "G3", 64),
    (9, "F3", 66),
]
END = [(42, "D3", 34), (43, "A2", 34), (44, "D2", 20)]


def tune() -> list[Told]:
    told: list[Told] = [(0, control(DAMPER, 127)), (0, control(EXPRESSION, 102))]
    for start, line in ((6, OUT), (18, OUT), (30, BACK), (0, END)):
        told += [note(start + beat, name, velocity) for beat, name, velocity in line]
    told += [(12, control(MODULATION, 50)), (14, control(MODULATION, 0))]  # the highest notes lean upwards
    told += [(24, control(MODULATION, 50)), (26, control(MODULATION, 0)), (50, control(DAMPER, 0))]
    return told


def rocking() -> list[Told]:
    told: list[Told] = [(0, control(DAMPER, 127)), (0, control(EXPRESSION, 102))]
    for start in range(0, 42, 6):
        told += [note(start, "D2", 46), note(start + 3, "A2", 46)]
    return told


def note(beat: float, name: str, velocity: int) -> Told:
    return beat, mido.Message("note_on", note=NOTES[name], velocity=velocity)


def control(number: int, value: int) -> mido.Message:
    return mido.Message("control_change", control=number, value=value)


def track(name: str, told: list[Told], channel: int) -> mido.MidiTrack:
    messages = [mido.MetaMessage("track_name", name=name)]
    last = 0
    for beat, message in sorted(told, key=lambda each: (each[0], each[1].type == "note_on")):
        tick = round(beat * TICKS)
        messages.append(message.copy(time=tick - last, channel=channel))
        last = tick
    return mido.MidiTrack(messages)


def conductor() -> mido.MidiTrack:
    messages = [mido.MetaMessage("time_signature", numerator=3, denominator=4)]
    last = 0
    for beat, bpm in TEMPO:
        messages.append(mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm), time=beat * TICKS - last))
        last = beat * TICKS
    return mido.MidiTrack(messages)


def main(words: list[str]) -> None:
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks += [conductor(), track("tune", tune(), 0), track("rocking", rocking(), 1)]
    path = Path(words[0]) if words else FILE
    file.save(path)
    print(path)


if __name__ == "__main__":
    main(sys.argv[1:])
