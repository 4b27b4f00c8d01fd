"""Taps are found, and beats, strokes and ends of files are not mistaken for them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from synth.recording.onsets import taps

TINE = [(92.0, 20.0, 0.4), (578.0, 3.7, 0.2), (1618.0, 1.3, 0.1), (5200.0, 0.3, 0.05)]


@pytest.mark.parametrize("times", [(0.0,), (0.5,), (0.31, 1.74, 3.02)])
@pytest.mark.parametrize("level", [1e-6, 1e-3, 0.01])
def test_taps_are_found_within_a_millisecond(studio: Any, times: tuple[float, ...], level: float) -> None:
    sound = studio.noise(6.0, level)
    for time in times:
        rung = studio.late(studio.ring(TINE, 6.0), time)
        sound += rung[: len(sound)]
    found = taps(sound, studio.rate)
    assert len(found) == len(times)
    for tap, time in zip(found, times, strict=True):
        assert abs(tap.time - time) < 1e-3
        assert tap.free_from > time + 0.002


@pytest.mark.parametrize("beat", [0.3, 1.0, 3.0, 8.0, 23.0])
def test_beats_are_not_taps(studio: Any, beat: float) -> None:
    sound = studio.ring([(300.0, 8.0, 0.4), (300.0 + beat, 8.0, 0.4)], 6.0) + studio.noise(6.0, 1e-4)
    assert len(taps(sound, studio.rate)) == 1


def test_a_second_tap_on_a_ringing_tine_is_heard_in_its_high_partials(studio: Any) -> None:
    sound = studio.ring(TINE, 4.0) + studio.noise(4.0, 1e-4)
    again = studio.late(0.5 * studio.ring(TINE, 2.0), 2.0)
    sound[: len(again)] += again
    assert [round(tap.time, 1) for tap in taps(sound, studio.rate)] == [0.0, 2.0]


def test_a_stroke_over_several_tines_is_one_tap_that_rings_freely_after_the_last(studio: Any) -> None:
    sound = studio.noise(4.0, 1e-4)
    for index in range(6):
        rung = studio.late(studio.ring([(200.0 + 40.0 * index, 5.0, 0.2)], 4.0), 0.5 + 0.02 * index)
        sound += rung[: len(sound)]
    (tap,) = taps(sound, studio.rate)
    assert abs(tap.time - 0.5) < 1e-3
    assert tap.free_from > 0.6


def test_a_cut_at_the_end_is_no_tap(studio: Any) -> None:
    assert len(taps(studio.ring(TINE, 1.0), studio.rate)) == 1


def test_noise_alone_has_no_taps(studio: Any) -> None:
    assert all(taps(studio.noise(5.0, 0.1, seed=seed), studio.rate) == () for seed in range(5))


def test_readings_do_not_depend_on_the_level(studio: Any) -> None:
    sound = studio.late(studio.ring(TINE, 2.0), 0.7) + studio.noise(2.7, 1e-4)
    assert taps(sound, studio.rate) == taps(1e-2 * np.asarray(sound), studio.rate)
