"""What a room adds to a partial: the covariance of its tail against that of rooms that are drawn."""

from __future__ import annotations

import numpy as np
import pytest

from synth.recording.band_noise import NoiseKinds, _tail


@pytest.mark.parametrize(("room", "fall"), [(12.0, 1.0), (12.0, 8.0), (9.0, 25.0)])
def test_the_tail_is_what_a_partial_has_not_yet_been_given_by_a_room_whose_noise_decays(
    room: float, fall: float
) -> None:
    """z(t) = exp(-f t) times the integral of h exp(f u) to t; if the room dies first, less the partial."""
    dice, step, rooms = np.random.default_rng(3), 5e-4, 2000
    fine = np.arange(0.0, 0.7, step)
    h = dice.normal(size=(rooms, len(fine), 2)) @ np.array([1.0, 1j]) * np.exp(-room * fine)
    given = np.cumsum(h * np.exp(fall * fine), axis=1)
    if room > fall:
        given -= given[:, -1:]
    at = np.arange(50, 1000, 100)
    z = (given * np.exp(-fall * fine))[:, at]
    found = np.real(z.conj().T @ z)
    mine = _tail(fine[at], fall, room - fall)
    scale = np.sum(found * mine) / np.sum(mine**2)
    assert np.abs(found / scale - mine).max() < 0.08


def test_each_explanation_has_a_noise_of_its_own() -> None:
    """Of one that leaves a beat unexplained the noise is the louder by what it leaves."""
    dice, time = np.random.default_rng(4), np.arange(30) / 30.0
    noise = 1e-3 * dice.normal(size=(30, 2)) @ np.array([1.0, 1j])
    one, other = np.exp(-time), np.exp((-1.0 + 12.0j) * time)
    values = one + 0.4 * other + noise
    waves = np.array([[one, one], [one, other]])
    kinds = NoiseKinds(time, values, np.eye(30), 1.0)
    found = kinds.expected(waves, np.zeros((0, 30)))
    assert found.left[1] < 0.1 * found.left[0]
    alone = kinds.expected(waves[1:], np.zeros((0, 30)))
    assert alone.left[0] == pytest.approx(found.left[1], rel=1e-11)
