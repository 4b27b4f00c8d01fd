"""Loudness in numbers and words."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.sound.audio import FULL_SCALE
from synth.sound.loudness import (
    Loudness,
    a_weighting,
    helpful_gain,
    integrated,
    level,
    matched_gains,
    measure,
    shared_gain,
    words,
)

RATE = 48_000
DB = 1.0


def tone(frequency: float, spl: float, seconds: float = 2.0) -> np.ndarray:
    """A sine of so many dB SPL in both ears."""
    peak = math.sqrt(2.0) * 20e-6 * 10.0 ** (spl / 20.0)
    return np.tile(peak * np.sin(2.0 * math.pi * frequency * np.arange(round(seconds * RATE)) / RATE), (2, 1))


@pytest.mark.parametrize(
    ("frequency", "printed"),
    [
        (63.0, -26.2),
        (125.0, -16.1),
        (250.0, -8.6),
        (500.0, -3.2),
        (1000.0, 0.0),
        (2000.0, 1.2),
        (4000.0, 1.0),
        (8000.0, -1.1),
    ],
)
def test_the_a_curve_is_that_of_the_standard(frequency, printed):
    # IEC 61672-1, table of the A weighting at nominal frequencies (from memory)
    exact = 1000.0 * 10.0 ** (round(10.0 * math.log10(frequency / 1000.0)) / 10.0)
    assert 20.0 * math.log10(float(a_weighting(np.array(exact)))) == pytest.approx(printed, abs=0.06 * DB)


@pytest.mark.parametrize(("frequency", "weight"), [(100.0, -19.1), (1000.0, 0.0), (4000.0, 1.0)])
def test_a_steady_tone_has_its_a_weighted_level(frequency, weight):
    heard = measure(tone(frequency, 70.0), RATE)
    assert heard.loudest == pytest.approx(70.0 + weight, abs=0.2 * DB)
    assert heard.average == pytest.approx(70.0 + weight, abs=0.2 * DB)


def test_a_short_tone_is_loudest_by_the_fast_weighting():
    # a burst of 125 ms reaches 1 - 1/e of its power: -2.0 dB
    sound = np.pad(tone(1000.0, 80.0, 0.125), [(0, 0), (0, RATE)])
    assert measure(sound, RATE).loudest == pytest.approx(
        80.0 + 10.0 * math.log10(1.0 - math.exp(-1.0)), abs=0.2 * DB
    )


def test_silence_and_emptiness_are_told_as_silence():
    for sound in (np.zeros((2, 4800)), np.zeros((2, 0))):
        heard = measure(sound, RATE)
        assert heard.loudest == -math.inf
        assert words(heard) == ["Nothing is heard: the sound is silent."]
        assert helpful_gain(heard) == 0.0
    assert level(0.0) == -math.inf


def test_full_scale_is_a_hundred_decibels_by_the_same_constant_in_lufs():
    # both channels at full scale: 0 LUFS at 997 Hz (ITU-R BS.1770)
    assert integrated(tone(997.0, 100.0) / FULL_SCALE, RATE) == pytest.approx(0.0, abs=0.1)


def said(spl: float, gain_db: float = 0.0) -> str:
    return " ".join(words(measure(tone(1000.0, spl), RATE), gain_db=gain_db))


def test_what_is_quieter_than_a_quiet_room_is_told_with_the_gain_that_helps():
    assert "quieter than a quiet room" in said(25.0)
    assert "--gain-db 40" in said(25.0)
    assert "--gain-db" not in said(25.0, gain_db=40.0)
    assert "lost in the noise" in said(5.0)
    assert "--gain-db" not in said(50.0)


def test_the_gain_that_helps_never_clips():
    spiky = Loudness(loudest=20.0, average=10.0, peak=1.0)
    assert helpful_gain(spiky) == math.floor(20.0 * math.log10(FULL_SCALE))


def test_no_gain_is_named_where_the_one_that_is_given_is_all_that_full_scale_allows():
    soft = Loudness(loudest=5.0, average=0.0, peak=FULL_SCALE / 2.0)  # 6 dB of room
    assert "--gain-db 6 " in " ".join(words(soft, gain_db=5.0))
    assert "--gain-db" not in " ".join(words(soft, gain_db=6.0))


def test_speech_is_the_measure_of_the_middle():
    assert "as loud as speech" in said(60.0)
    assert "louder than speech" in said(75.0)
    assert "well below speech" in said(35.0)


def test_headphones_are_warned_of_above_85_decibels():
    assert "NIOSH" in said(90.0)
    assert "NIOSH" in said(60.0, gain_db=30.0)
    assert "NIOSH" not in said(84.0)


@pytest.mark.parametrize(
    ("words_of", "low", "high"),
    [
        ("lost in the noise of a quiet room", 1.0, 19.9),  # 10 dB under a room of 30 dB(A)
        ("quieter than a quiet room", 20.0, 29.9),
        ("heard in a quiet room, well below speech", 30.0, 39.9),
        ("quieter than speech at 1 m", 40.0, 54.9),  # speech: 60 dB(A) at 1 m
        ("as loud as speech at 1 m", 55.0, 65.0),
        ("louder than speech at 1 m", 65.1, 85.0),
        ("as loud as a workshop machine", 85.1, 110.0),
    ],
)
def test_a_level_is_told_by_what_it_is_as_loud_as(words_of, low, high):
    for each in (low, high):
        assert words(Loudness(each, each, 1e-3))[0].endswith(f" dB(A) at its loudest, {words_of}.")


def test_one_gain_for_several_leaves_a_decibel_and_matched_ones_are_as_loud_as_all_fit():
    """The loudest peak 6.02 dB under full scale: 5 whole dB with one left; matched, the least room rules."""
    peaks = [Loudness(60.0, 50.0, FULL_SCALE / 2.0), Loudness(40.0, 30.0, FULL_SCALE / 100.0)]
    assert shared_gain(peaks) == 5.0
    gains = matched_gains([-20.0, -50.0], peaks)
    # room for -20 + 6.02 - 1 = -14.98 LUFS of the one, -50 + 40 - 1 = -11 of the other
    assert gains == pytest.approx([5.02, 35.02], abs=0.01)
    assert matched_gains([-math.inf, -50.0], peaks) == pytest.approx([0.0, 39.0])
