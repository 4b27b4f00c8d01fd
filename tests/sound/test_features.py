"""What is measured of a stroke's sound: signals whose answer is known."""

import numpy as np
import pytest

from synth.sound.features import RISE, SMOOTH, attack_time, centroid, energy

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


def test_both_ears_are_heard_in_energy_attack_and_brightness():
    """The left alone, then the right alone, louder and of another pitch."""
    left = tone(lambda t: np.where(t < 0.5, 0.0, -200.0), hertz=500.0)
    right = tone(lambda t: np.where(t < 0.5, -200.0, 6.0206), hertz=2000.0)
    both = np.concatenate([left, right])
    running = energy(both, RATE)
    # mean squares 1/2 and 4/2, of which each ear is half
    assert running[[RATE // 4, 3 * RATE // 4]] == pytest.approx([0.25, 1.0], rel=1e-3)
    assert energy(both[::-1], RATE) == pytest.approx(running)
    # 14 of the last 20 dB are there at once, the last 6 after half a second
    assert attack_time(both, RATE, since=0.0, until=1.0) == pytest.approx(0.5 * 6.0206 / RISE, abs=SMOOTH / 4)
    assert centroid(both, RATE) == pytest.approx((500.0 + 4.0 * 2000.0) / 5.0, rel=1e-3)


def test_a_click_is_smeared_over_twenty_milliseconds_by_hanns_window():
    click = np.zeros((1, RATE // 10))
    click[0, RATE // 20] = 1.0
    found = energy(click, RATE)
    assert found.sum() == pytest.approx(1.0)
    above = np.flatnonzero(found > 1e-9)
    assert (above[-1] - above[0]) / RATE == pytest.approx(20.0 * MS, abs=0.3 * MS)
    half = np.flatnonzero(found >= 0.5 * found.max())
    assert (half[-1] - half[0]) / RATE == pytest.approx(10.0 * MS, abs=0.1 * MS)
    assert 0.5 * (half[-1] + half[0]) == RATE // 20
