"""What a room adds to a partial: the covariance of its tail against that of rooms that are drawn."""

from __future__ import annotations

import numpy as np
import pytest

from synth.recording.band_noise import KINDS, POWERS, ROOMS, NoiseKinds, _tail


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
    beside_another = kinds.expected(waves[[1, 1]], np.zeros((0, 30)))
    assert beside_another.left[1] == found.left[1]
    # a product's last digits hang on how many rows it has
    alone = kinds.expected(waves[1:], np.zeros((0, 30)))
    assert alone.left[0] == pytest.approx(found.left[1], rel=1e-11)


def test_the_same_noises_around_other_values_are_those_made_for_them() -> None:
    dice, time = np.random.default_rng(9), np.arange(20) / 30.0
    one, other = dice.normal(size=(2, 20, 2)) @ np.array([1.0, 1j])
    waves, none = np.exp(np.array([[[-1.0 + 0.5j]]]) * time), np.zeros((0, 20), complex)
    kinds = NoiseKinds(time, one, np.eye(20), 1.0)
    moved, made = kinds.of(other), NoiseKinds(time, other, np.eye(20), 1.0)
    assert np.array_equal(moved.expected(waves, none).white, made.expected(waves, none).white)
    assert not np.allclose(kinds.expected(waves, none).white, made.expected(waves, none).white)


@pytest.mark.parametrize("others", [0, 2])
def test_the_likelihood_of_each_noise_is_that_of_the_gaussian_written_out(others: int) -> None:
    """ln N(values; 0, room + microphone + sum of a a^H), but for the prior of the room's rate and a constant."""
    dice, time = np.random.default_rng(6), np.arange(15) / 30.0
    values = np.exp(-time) + 0.1 * dice.normal(size=(15, 2)) @ np.array([1.0, 1j])
    waves = np.exp(
        np.array([[-1.0 + 0.5j, -1.2 - 0.5j], [-1.0, -0.8 + 3.0j], [-2.0, -2.0 + 1e-9j]])[..., None] * time
    )
    known = 0.3 * np.exp(np.array([-0.1 + 9.0j, -0.2 - 7.0j])[:others, None] * time)
    together = np.eye(15) + 0.17 * (np.eye(15, k=1) + np.eye(15, k=-1))
    kinds = NoiseKinds(time, values, together, 1.0)
    columns = np.array([[*each, *known, values] for each in waves])
    weight, loud = [], []
    for rate, shape, mine, turn in zip(
        np.repeat(ROOMS, len(KINDS)), kinds._shapes, kinds.likelihoods(columns), kinds._turn, strict=True
    ):
        plain = np.zeros((3, POWERS.shape[1]))
        for row, power in np.ndindex(plain.shape):
            tail, microphone = POWERS[:, power]
            noise = tail * shape + microphone * together + columns[row, :-1].T @ np.conj(columns[row, :-1])
            misfit = (np.conj(values) @ np.linalg.solve(noise, values)).real
            plain[row, power] = -misfit - np.linalg.slogdet(noise)[1]
        scale = 2.0 * np.linalg.slogdet(turn)[1]
        np.testing.assert_allclose(mine + scale, plain, atol=1e-7 * np.max(np.abs(plain)))
        weight.append(
            np.exp(plain - 0.5 * (np.log(rate / 13.0) / 0.5) ** 2)
        )  # rooms of 0.53 s are the usual ones
        loud.append(POWERS[0] * np.mean(np.diag(shape)) + POWERS[1])
    left = np.einsum("srh,sh->r", weight, loud) / np.sum(weight, axis=(0, 2))
    assert kinds.expected(waves, known).left == pytest.approx(left, rel=1e-6)


def test_values_are_white_in_the_mean_of_the_noises_with_what_rang_before() -> None:
    """Whitened, covariance and the waves of known level are one; with these it is complex."""
    dice, time = np.random.default_rng(7), np.arange(20) / 30.0
    values = np.exp(-time) + 0.05 * dice.normal(size=(20, 2)) @ np.array([1.0, 1j])
    waves = np.exp(np.array([[-1.0, -1.2 - 0.5j]])[..., None] * time)
    known = 0.3 * np.exp(np.array([[-0.1 + 9.0j]])[..., None] * time)[0]
    kinds = NoiseKinds(time, values, np.eye(20), 1.0)
    dry, along = kinds.expected(waves, np.zeros((0, 20), complex)), kinds.expected(waves, known)
    assert np.isrealobj(dry.whiten)
    assert np.iscomplexobj(along.whiten)
    for each in (dry, along):
        covariance = np.linalg.inv(np.conj(each.whiten[0].T) @ each.whiten[0])
        misfit = (np.conj(values) @ np.linalg.solve(covariance, values)).real
        assert each.offset[0, 0] == pytest.approx(misfit + np.linalg.slogdet(covariance)[1], rel=1e-9)
        loud = np.mean(np.diag(covariance).real) - (
            0.3**2 * np.mean(np.abs(known / 0.3) ** 2) if each is along else 0.0
        )
        assert loud == pytest.approx(each.left[0] * 20.0 / 18.0, rel=1e-9)  # two of twenty are fitted
