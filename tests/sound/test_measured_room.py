"""What follows the direct sound of a measured response: where it begins, how loud it is, at which ear."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from synth.design.rooms import MeasuredRoom, RoomNoise
from synth.sound.measured_room import measured_tail

RATE = 48_000
MS = 1e-3


@pytest.fixture
def tail(tmp_path):
    """The filters (2, K, L) of a response with clicks at (ear, seconds, size), measured from 4 m."""

    def made(*clicks, rate=RATE, ears=2, points=1):
        response = np.zeros((rate // 4, ears))
        for ear, at, size in clicks:
            response[round(at * rate), ear] = size
        soundfile.write(tmp_path / "hall.wav", response, rate, subtype="FLOAT")
        room = MeasuredRoom("hall", tmp_path / "hall.wav", 4.0, RoomNoise())
        return measured_tail(room, points, 20.0, rate=RATE).astype(float)

    return made


@pytest.mark.parametrize("first", [0, 1])
def test_both_ears_are_timed_from_the_one_that_hears_the_direct_sound_first(tail, first):
    """The other hears it 0.6 ms later and weaker, and each its own echo, 50 and 60 ms after the direct sound."""
    other = 1 - first
    found = tail((first, 20 * MS, 0.5), (other, 20.6 * MS, 0.3), (first, 70 * MS, 0.2), (other, 80 * MS, 0.1))
    echoes = [np.abs(found[ear, 0]) for ear in (first, other)]
    starts = [int(np.flatnonzero(each > 1e-6)[0]) for each in echoes]
    assert starts[1] - starts[0] == round(10 * MS * RATE)
    assert 0.0 <= starts[0] / RATE - 50 * MS <= 5 * MS  # directions are laid apart by up to 5 ms
    # of a source at 4 m, from a point at 20 m; the direct sound is the mean power of both ears
    direct = np.sqrt(0.5**2 + 0.3**2) / np.sqrt(2.0)
    wanted = np.array([0.2, 0.1]) / direct * 20.0 / 4.0
    assert [each.max() for each in echoes] == pytest.approx(wanted, rel=1e-4)


def test_one_channel_is_heard_by_both_ears_and_points_share_its_power(tail):
    found = tail((0, 10 * MS, 1.0), (0, 90 * MS, 0.25), ears=1, points=9)
    np.testing.assert_array_equal(found[0], found[1])
    assert (found[0] ** 2).sum() == pytest.approx((0.25 * 20.0 / 4.0) ** 2, rel=1e-4)
    starts = np.array([np.flatnonzero(np.abs(each) > 1e-6)[0] for each in found[0]]) / RATE - 80 * MS
    assert starts.min() >= 0.0
    assert np.ptp(starts) > 1 * MS
    assert starts.max() <= 5 * MS
