"""A MIDI file of format 1 with tempo changes, rendered: what is heard begins when the file says."""

from pathlib import Path

import mido
import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.midi import read_midi
from synth.sound.audio import RATE
from synth.sound.render import play

DESIGN = Path(__file__).parents[1] / "data" / "two-tines.toml"
A2 = 45
TICKS = 96
HOP = 12  # samples, 0.25 ms
MS = 1e-3


def test_onsets_in_the_sound_are_within_a_millisecond_of_the_file_s(tmp_path):
    tempo = [mido.MetaMessage("set_tempo", tempo=mido.bpm2tempo(bpm), time=at) for at, bpm in CHANGES]
    notes = [mido.Message("control_change", control=11, value=80)]  # a shallow bite: short contacts
    for _ in range(6):
        notes += [
            mido.Message("note_on", note=A2, velocity=80, time=60),
            mido.Message("note_off", note=A2, time=36),  # a palm, so that the next is heard from silence
        ]
    file = mido.MidiFile(type=1, ticks_per_beat=TICKS)
    file.tracks += [mido.MidiTrack(tempo), mido.MidiTrack(notes)]
    file.save(tmp_path / "tempo.mid")
    instrument = resolve(load(DESIGN))
    piece, missing = read_midi(tmp_path / "tempo.mid", instrument, through="bar")
    assert missing == ()
    heard = onsets(play(instrument, piece).sound()[0])
    assert heard == pytest.approx(by_hand(), abs=1.0 * MS)


CHANGES = [(0, 60.0), (96, 90.0), (192, 40.0)]  # ticks since the one before, beats a minute


def by_hand():
    """Notes at the ticks 60, 156, 252, ... : 96 ticks at 60 a minute, 192 at 90, then 40 (one beat is 96 ticks)."""
    seconds = []
    for tick in range(60, 60 + 6 * 96, 96):
        at_60 = min(tick, 96) / 96 * 60 / 60
        at_90 = min(max(tick - 96, 0), 192) / 96 * 60 / 90
        at_40 = max(tick - 288, 0) / 96 * 60 / 40
        seconds.append(at_60 + at_90 + at_40)
    return seconds


def onsets(sound):
    """Seconds at which high-passed energy jumps 20 dB above all of the 20 ms before, 0.1 s apart at least."""
    sharp = np.diff(sound, 2)  # rises 12 dB an octave: the stick's knock before the tine's hum
    energy = np.add.reduceat(sharp**2, np.arange(0, len(sharp), HOP))
    floor = 1e-9 * energy.max()
    found = []
    for n in range(80, len(energy)):
        jump = energy[n] > floor and energy[n] > 100.0 * max(energy[n - 80 : n].max(), 1e-30)
        if jump and (not found or n * HOP / RATE > found[-1] + 0.1):
            found.append(n * HOP / RATE)
    return found
