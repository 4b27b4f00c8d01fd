"""What is measured of a stroke's sound: signals whose answer is known."""

import numpy as np
import pytest

from synth.sound.features import RISE, SMOOTH, attack_time, centroid

RATE = 48_000
MS = 1e-3


def tone(level_db, seconds=1.0, hertz=1000.0):
    """A tone (1, N) whose level follows `level_db` of time."""
    t = np.arange(round(seconds * RATE)) / RATE
    return (10.0 ** (level_db(t) / 20.0) * np.sin(2.0 * np.pi * hertz * t))[None]


@pytest.mark.parametrize("rise_s", [0.1, 0.2, 0.4])
def test_a_level_that_rises_evenly_is_reached_in_the_middle_of_its_rise(rise_s):
    # from RISE below at 0.2 s to the top at 0.2 s + rise: every level in between is reached in turn
    sound = tone(
        lambda t: np.clip((t - 0.2) / rise_s - 1.0, -1.0, 0.0) * RISE - np.where(t < 0.2, 100.0, 0.0)
    )
    found = attack_time(sound, RATE, since=0.2, until=0.2 + rise_s)
    assert found == pytest.approx(0.5 * rise_s, abs=SMOOTH / 4)


def test_a_sound_that_is_there_at_once_has_no_attack_and_a_later_start_is_told():
    sound = tone(lambda t: np.where(t < 0.3, -200.0, -20.0 * (t - 0.3)))
    assert attack_time(sound, RATE, since=0.3, until=0.8) < 0.25 * SMOOTH
    assert attack_time(sound, RATE, since=0.2, until=0.8) == pytest.approx(0.1, abs=0.25 * SMOOTH)


def test_what_beats_after_the_stroke_is_no_attack():
    sound = tone(lambda t: np.where(t < 0.6, -1.0, 0.0))
    assert attack_time(sound, RATE, since=0.0, until=0.4) < 0.25 * SMOOTH


def test_silence_has_neither_attack_nor_centroid():
    assert np.isnan(attack_time(np.zeros((2, 480)), RATE, since=0.0, until=0.01))
    assert np.isnan(centroid(np.zeros((2, 480)), RATE))


def test_the_centroid_of_two_tones_is_their_power_weighted_mean():
    sound = tone(lambda t: 0.0 * t, hertz=500.0) + tone(lambda t: 0.0 * t - 6.0206, hertz=2000.0)
    assert centroid(sound, RATE) == pytest.approx((500.0 + 2000.0 / 4.0) / 1.25, rel=1e-3)
