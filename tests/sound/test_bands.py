"""Levels in octaves: tones and noise whose levels are known, in a window and over time."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.sound.bands import (
    NOMINAL_HZ,
    OCTAVES,
    a_weighted_db,
    band_edges,
    band_history,
    window_levels,
)
from synth.sound.loudness import measure

RATE = 48_000
DB = 1.0
LOW, HIGH = 1, 6  # the octaves of 125 Hz and 4 kHz


def tone(hertz, level_db, seconds=2.0, rate=RATE):
    now = np.arange(round(seconds * rate)) / rate
    return math.sqrt(2.0) * 20e-6 * 10.0 ** (level_db / 20.0) * np.sin(2.0 * math.pi * hertz * now)


@pytest.mark.parametrize("k", range(8))
@pytest.mark.parametrize("rate", [44_100, 48_000])
def test_a_tone_stands_in_its_octave_with_its_level_and_in_no_other(k, rate):
    found = window_levels(tone(OCTAVES[k], 70.0, rate=rate), rate, since=0.5, until=1.0)
    assert found.octaves_db[k] == pytest.approx(70.0, abs=0.05 * DB)
    assert np.delete(found.octaves_db, k).max() < 70.0 - (50.0 if k == 0 else 60.0)


@pytest.mark.parametrize(("inside", "level"), [(1.03, 70.0), (0.97, -math.inf)])
def test_an_octave_ends_at_its_edges(inside, level):
    low, high = band_edges(OCTAVES)[3]
    for hertz in (low * inside, high / inside):
        found = window_levels(tone(hertz, 70.0), RATE, since=0.2, until=1.8).octaves_db[3]
        assert found == pytest.approx(level, abs=0.1 * DB) if inside > 1.0 else found < 30.0


def test_a_short_window_parts_a_tone_near_an_edge_as_far_as_is_said():
    edge = band_edges(OCTAVES)[1, 0]
    found = window_levels(tone(edge + 40.0, 70.0), RATE, since=0.5, until=0.625).octaves_db
    assert found[1] == pytest.approx(70.0, abs=0.2 * DB)
    assert 70.0 - found[0] == pytest.approx(30.0, abs=6.0 * DB)
    found = window_levels(tone(edge + 20.0, 70.0), RATE, since=0.5, until=1.0).octaves_db
    assert 70.0 - found[0] == pytest.approx(55.0, abs=8.0 * DB)


def test_white_noise_rises_three_decibels_an_octave_and_its_octaves_hold_what_they_should():
    sound = 0.01 * np.random.default_rng(1).normal(size=20 * RATE)
    found = window_levels(sound, RATE, since=1.0, until=19.0).octaves_db
    low, high = band_edges(OCTAVES).T
    held = 10.0 * np.log10(0.01**2 * (high - low) / (RATE / 2.0) / 20e-6**2)
    assert found == pytest.approx(held, abs=0.5 * DB)
    assert found[4:] == pytest.approx(held[4:], abs=0.15 * DB)


def test_what_comes_before_and_after_the_window_is_left_out():
    sound = np.concatenate([tone(1000.0, 80.0, 0.5), tone(1000.0, 40.0, 0.5), tone(1000.0, 80.0, 0.5)])
    assert window_levels(sound, RATE, since=0.6, until=0.9).octaves_db[4] == pytest.approx(40.0, abs=0.1 * DB)


def test_an_attack_at_the_very_start_counts():
    # 60 dB at first, falling 60 dB in 0.3 s: the mean over 125 ms and what fades after it, in closed form
    now = np.arange(RATE) / RATE
    sound = tone(1000.0, 60.0, 1.0) * 10.0 ** (-3.0 * now / 0.3)
    rate = 6.0 * math.log(10.0) / 0.3
    mean = 10.0 * math.log10((1.0 - math.exp(-rate * 0.125)) / (rate * 0.125))
    found = window_levels(sound, RATE, since=0.0, until=0.125).octaves_db[4]
    assert found == pytest.approx(60.0 + mean, abs=1.0 * DB)


def test_both_channels_count_in_power():
    ears = np.stack([tone(1000.0, 70.0), 0.0 * tone(1000.0, 70.0)])
    found = window_levels(ears, RATE, since=0.5, until=1.0)
    assert found.octaves_db[4] == pytest.approx(70.0 - 3.01, abs=0.05 * DB)
    assert found.total_dba == pytest.approx(70.0 - 3.01, abs=0.05 * DB)


@pytest.mark.parametrize("hertz", [125.9, 1000.0, 6000.0])
def test_a_steady_tone_has_one_level_in_decibel_a_by_every_way(hertz):
    sound = tone(hertz, 70.0)
    found = window_levels(sound, RATE, since=0.5, until=1.5).total_dba
    assert found == pytest.approx(measure(sound[None], RATE).average, abs=0.1 * DB)


def test_octaves_together_are_weighted_at_their_middles():
    # A at the middles of 125 Hz and 4 kHz: -16.1 and +1.0 dB (IEC 61672-1, from memory)
    levels = np.full(8, -math.inf)
    levels[[LOW, HIGH]] = 66.1, 49.0
    assert a_weighted_db(levels) == pytest.approx(53.0, abs=0.1 * DB)


def test_a_sound_too_short_for_a_window_has_no_level_there_and_silence_none_at_all():
    found = window_levels(tone(1000.0, 60.0, 1.2), RATE, since=1.0, until=1.5)
    assert np.isnan(found.octaves_db).all()
    assert math.isnan(found.total_dba)
    silent = window_levels(np.zeros((2, RATE)), RATE, since=0.0, until=0.125)
    assert np.isneginf(silent.octaves_db).all()
    assert silent.total_dba == -math.inf


def test_over_time_a_ringing_tone_falls_by_its_decay_in_its_octave():
    now = np.arange(3 * RATE) / RATE
    sound = tone(147.0, 66.0, 3.0) * 10.0 ** (-3.0 * now / 4.0)
    found = band_history(np.stack([sound, sound]), RATE)
    inner = (found.time > 0.2) & (found.time < 2.7)
    assert found.level_db[LOW, inner] == pytest.approx(66.0 - 15.0 * found.time[inner], abs=0.1 * DB)
    assert found.level_db[HIGH, inner].max() < 0.0
    assert np.diff(found.time) == pytest.approx(found.time[1], rel=1e-9)
    assert found.time[1] < 0.05


def test_a_long_sound_is_the_same_in_parts():
    sound = np.random.default_rng(2).normal(size=4 * RATE) * 1e-3
    whole = band_history(sound, RATE)
    hop = round(whole.time[1] * RATE)
    later = band_history(sound[10 * hop :], RATE)
    assert later.level_db[:, 6:20] == pytest.approx(whole.level_db[:, 16:30], abs=1e-6)


def test_octaves_are_named_by_their_nominal_frequencies():
    assert pytest.approx(OCTAVES, rel=0.015) == np.array(NOMINAL_HZ, float)


@pytest.mark.parametrize(("away", "fallen_db"), [(0.5, 6.02), (0.25, 1.37), (0.9, 32.2), (1.05, math.inf)])
def test_a_window_fades_on_both_sides_over_an_eighth_of_its_length(away, fallen_db):
    """By the square of a cosine, a click's level by its fourth power: cos^4 of 45 degrees is -6.02 dB half way."""

    def click(at):
        sound = np.zeros(2 * RATE)
        sound[round(at * RATE)] = 1.0
        return window_levels(sound, RATE, since=0.5, until=1.0).octaves_db[4]

    fade = 0.5 / 8.0
    for at in (0.5 - away * fade, 1.0 + away * fade):
        assert click(0.75) - click(at) == pytest.approx(fallen_db, abs=0.15 * DB)
    for inside in (0.501, 0.999):
        assert click(inside) == pytest.approx(click(0.75), abs=0.01 * DB)
