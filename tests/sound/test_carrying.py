"""From how far a stroke is heard: worked by hand in a room without echo, and in one that is all echo."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.rooms import OCTAVES_HZ, RoomNoise, ShoeboxRoom
from synth.playing.stroke import Stroke
from synth.sound import carrying as module
from synth.sound.audio import RATE
from synth.sound.carrying import carrying, carrying_words, heard_up_to, level_at
from synth.sound.quiet_room import nc_curve, room_spectrum
from synth.sound.radiator import EARS
from synth.sound.render import ContactSettings
from synth.sound.room_points import AROUND

DB = 1.0
SILENT = np.full(8, -200.0)


def room(absorption, noise, size=(60.0, 50.0, 30.0), air=0.0):
    return ShoeboxRoom(
        name="barn",
        size=size,
        absorption=((absorption,) * 8,) * 6,
        instrument=(1.0, 1.0, 1.0),
        bearing=0.0,
        listener=(2.0, 2.0, 2.0),
        air=(air,) * 8,
        humidity=50.0,
        temperature=293.15,
        noise=noise,
    )


def only(octave, level):
    levels = SILENT.copy()
    levels[OCTAVES_HZ.index(octave)] = level
    return levels


def test_without_echo_a_sound_falls_by_six_decibels_a_doubling_down_to_the_noise():
    # 1 kHz, 56 dB at 1 m; NC-35 has 36 dB there: 20 dB, ten times as far
    found = heard_up_to(room(0.99, RoomNoise(nc=35.0)), only(1000.0, 56.0), SILENT)
    assert found.metres == pytest.approx(10.0, rel=1e-6)
    assert found.octave_hz == 1000
    assert "NC-35, such a stroke is heard up to 10.0 m, there by its octave of 1000 Hz" in carrying_words(
        room(0.99, RoomNoise(nc=35.0)), found
    )


def test_air_shortens_the_way():
    # 0.1 / m of energy: 0.434 dB a metre; 56 - 20 lg r - 0.434 r = 36 at r = 7.25
    found = heard_up_to(room(0.99, RoomNoise(nc=35.0), air=0.1), only(1000.0, 56.0), SILENT)
    assert 56.0 - 20.0 * np.log10(found.metres) - 4.343 * 0.1 * found.metres == pytest.approx(36.0, abs=1e-3)


def test_of_octaves_the_one_that_carries_farthest_counts():
    levels = np.maximum(only(125.0, 60.0), only(4000.0, 52.0))
    found = heard_up_to(room(0.99, RoomNoise(nc=35.0)), levels, SILENT)
    # 8 dB over NC-35 at 125 Hz, 19 dB at 4 kHz
    assert (found.octave_hz, found.metres) == (4000, pytest.approx(10.0 ** (19.0 / 20.0), rel=1e-6))


def test_what_the_room_sends_back_follows_from_the_power():
    # after an attack that is long against the decay: 16 pi / (S ln(1 / (1 - a))) of the power's pressure at 1 m
    dead = room(0.9, RoomNoise(nc=15.0), size=(3.0, 2.5, 2.0))
    found = level_at(dead, SILENT, only(1000.0, 50.0), 1e-4)[4]
    surface = 2 * (3 * 2.5 + 3 * 2 + 2.5 * 2)
    wanted = 50.0 + 10 * np.log10(16 * np.pi / (surface * np.log(10.0)))
    rate = 343.2 * surface * np.log(10.0) / (4 * 15.0)  # 1/s of the energy
    grown = 1 - (1 - np.exp(-rate * 0.125)) / (rate * 0.125)
    assert found == pytest.approx(wanted + 10 * np.log10(grown), abs=0.05 * DB)


def test_a_loud_sound_in_a_hard_room_is_heard_everywhere():
    there = room(0.03, RoomNoise(dba=30.0), size=(6.0, 5.0, 3.0))
    found = heard_up_to(there, only(1000.0, 70.0), only(1000.0, 70.0))
    assert found.metres == pytest.approx(np.sqrt(36 + 25 + 9))
    assert "its noise, 30 dB(A), such a stroke is heard everywhere (8 m at most)" in carrying_words(
        there, found
    )


def test_a_faint_sound_is_lost_at_the_tines():
    there = room(0.5, RoomNoise(nc=50.0))
    found = heard_up_to(there, only(1000.0, 35.0), SILENT)
    assert found.metres == 0.0
    assert "lost even at 0.3 m" in carrying_words(there, found)


def test_where_nothing_is_said_of_the_noise_it_is_that_of_a_quiet_room():
    untold = room(0.99, RoomNoise())
    found = heard_up_to(untold, only(1000.0, 50.0), SILENT)
    assert found.metres == pytest.approx(10 ** ((50.0 - room_spectrum(30.0)[4]) / 20.0), rel=1e-6)
    assert "30 dB(A), since the design says nothing of it" in carrying_words(untold, found)
    assert heard_up_to(
        dataclasses.replace(untold, noise=RoomNoise(nc=20.0)), only(1000.0, 50.0), SILENT
    ).metres == pytest.approx(10 ** ((50.0 - nc_curve(20)[4]) / 20.0), rel=1e-6)


def test_below_the_threshold_of_hearing_no_silence_helps():
    # NC-15 has 11 dB at 8 kHz, the threshold 12.6 (ISO 389-7, from memory)
    found = heard_up_to(room(0.99, RoomNoise(nc=15.0)), only(8000.0, 32.6), SILENT)
    assert found.metres == pytest.approx(10.0, rel=1e-6)


def test_the_octave_that_is_told_is_the_one_that_is_left_where_it_ends():
    """Near the tines 4 kHz stands 30 dB over NC-35, 125 Hz 14; air takes 4.3 dB a metre of the high one alone."""
    there = dataclasses.replace(room(0.99, RoomNoise(nc=35.0)), air=(0.0,) * 6 + (1.0,) + (0.0,))
    levels = np.maximum(only(125.0, 52.0 + 14.0), only(4000.0, 33.0 + 30.0))
    found = heard_up_to(there, levels, SILENT)
    assert (found.octave_hz, found.metres) == (125, pytest.approx(10.0 ** (14.0 / 20.0), rel=1e-6))


def test_a_stroke_carries_as_far_whenever_it_is_made(monkeypatch):
    """It is listened to over its attack and as long again, each way by itself, from its own start."""
    asked = []

    class Heard:
        def sound(self):
            return np.zeros((EARS + AROUND + 3, RATE * 10))

    def performed(apart, events, *, seconds, settings):
        asked.append((apart.response, events, seconds, settings))
        return Heard()

    listening = SimpleNamespace(distance=2.0)
    monkeypatch.setattr(module, "perform", performed)
    monkeypatch.setattr(module, "scene", lambda *_, **__: Scene(listening))
    there, settings = room(0.5, RoomNoise(dba=30.0)), ContactSettings(seed=4)
    for start in (0.1, 5.0):
        stroke = Stroke(group=1, stick=None, start=start)  # type: ignore[arg-type]
        carrying(None, "bar", there, stroke, settings)  # type: ignore[arg-type]
        assert asked.pop() == (None, [stroke], pytest.approx(start + 0.25), settings)


@dataclasses.dataclass(frozen=True)
class Scene:
    listener: SimpleNamespace
    response: object = "a room"

    @property
    def instrument(self):
        return self
