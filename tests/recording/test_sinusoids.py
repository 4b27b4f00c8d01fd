"""Damped sinusoids are told apart where the noise allows, and their deviations are honest."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from synth.recording.damped_sinusoid_fit import FittedModes, bands, fit
from synth.recording.sinusoids import esprit, find
from synth.recording.spectrum import spectrum
from synth.units import FALL

HERTZ = 2.0 * np.pi
TINE = [(92.0, 20.0, 0.3), (577.8, 3.7, 0.2), (1617.8, 1.34, 0.1), (3170.0, 0.69, 0.05), (5200.0, 0.3, 0.05)]


def test_esprit_gives_the_poles_of_clean_exponentials() -> None:
    turn = np.exp(np.array([-0.01 + 0.5j, -0.02 + 0.55j, -0.3 - 1.0j]))
    samples = np.array([1.0, 0.5j, 2.0]) @ turn[:, None] ** np.arange(120)
    found = esprit(samples, 1e-9)
    assert np.allclose(np.sort_complex(found), np.sort_complex(turn), atol=1e-9)


def test_a_clean_tine_is_found_to_a_thousandth_of_a_cent(studio: Any) -> None:
    modes = find(studio.ring(TINE, 4.0) + studio.noise(4.0, 1e-6), studio.rate)
    assert len(modes) == len(TINE)
    for index, (hz, decay, level) in enumerate(TINE):
        assert modes.pole[index].imag / HERTZ == pytest.approx(hz, rel=1e-3 / 1731.0)
        assert -FALL / modes.pole[index].real == pytest.approx(decay, rel=1e-3)
        assert abs(modes.amplitude[index]) == pytest.approx(level, rel=1e-3)


@pytest.mark.parametrize("seconds", [1.5, 4.0])
@pytest.mark.parametrize("decay", [4.0, 10.0])
@pytest.mark.parametrize("weaker", [1.0, 0.4])
def test_pairs_a_third_of_a_hertz_apart_are_two_at_20_db(
    studio: Any, seconds: float, decay: float, weaker: float
) -> None:
    """Signal-to-noise 20 dB over the whole band, the weaker partial at the end of 1.5 s included."""
    for seed, hz in enumerate((92.2, 311.1, 577.8, 1830.0)):
        sound = studio.ring([(hz, decay, 0.3), (hz + 0.3, 0.9 * decay, 0.3 * weaker)], seconds, phase=seed)
        modes = find(sound + studio.noise(seconds, 0.3 * np.sqrt(0.5) * 0.1, seed=seed), studio.rate)
        assert len(modes) == 2
        error = modes.pole.imag / HERTZ - np.array([hz, hz + 0.3])
        assert np.all(np.abs(error) < np.maximum(5.0 * modes.standard_uncertainty / HERTZ, 0.01))
        assert np.all(np.abs(error) < 0.1)


def test_two_decays_at_one_frequency_are_told_apart(studio: Any) -> None:
    sound = studio.ring([(440.0, 1.0, 0.3), (440.0, 8.0, 0.1)], 5.0, phase=0.0) + studio.noise(5.0, 1e-3)
    modes = find(sound, studio.rate)
    assert np.sort(-FALL / modes.pole.real) == pytest.approx([1.0, 8.0], rel=0.03)


def test_one_partial_is_not_called_two(studio: Any) -> None:
    counts = [
        len(find(studio.ring([(577.8, 3.7, 0.3)], 2.0) + studio.noise(2.0, 0.02, seed=k), studio.rate))
        for k in range(20)
    ]
    assert counts == [1] * 20


def test_noise_alone_holds_nothing(studio: Any) -> None:
    assert all(len(find(studio.noise(2.0, 1.0, seed=seed), studio.rate)) == 0 for seed in range(10))


def test_deviations_are_those_of_repeated_measurements(studio: Any) -> None:
    """Errors over their stated deviations have a mean square near one: 90 of them, within 4 sigma of chi square."""
    scores = []
    for seed in range(30):
        modes = find(studio.ring(TINE[1:4], 1.5) + studio.noise(1.5, 0.01, seed=seed), studio.rate)
        assert len(modes) == 3
        truth = np.array([HERTZ * hz for hz, _, _ in TINE[1:4]])
        scores.append((modes.pole.imag - truth) / modes.standard_uncertainty)
    assert np.mean(np.square(scores)) == pytest.approx(1.0, abs=4.0 * np.sqrt(2.0 / 90.0))


def test_a_fast_partial_beside_a_slow_one_keeps_its_decay(studio: Any) -> None:
    sound = studio.ring([(1000.0, 0.15, 0.5), (1040.0, 6.0, 0.1)], 4.0) + studio.noise(4.0, 1e-4)
    modes = find(sound, studio.rate)
    assert -FALL / modes.pole.real == pytest.approx([0.15, 6.0], rel=0.01)


def test_results_scale_with_the_level(studio: Any) -> None:
    sound = studio.ring(TINE, 2.0) + studio.noise(2.0, 1e-3)
    loud, soft = find(sound, studio.rate), find(1e-2 * sound, studio.rate)
    assert np.allclose(loud.pole, soft.pole, rtol=1e-9)
    assert np.allclose(loud.amplitude, 100.0 * soft.amplitude, rtol=1e-6)


def test_the_deviation_that_is_told_is_the_bound_for_the_noise_there_is() -> None:
    """Of 40 fits of a damped cosine in white noise: the mean of what they tell, against Cramer and Rao's bound."""
    rate, count, fall = 8000, 6000, 4.0
    time = np.arange(count) / rate
    pole = np.array([-fall + HERTZ * 441.3j])
    wave = 0.3 * np.exp(-fall * time) * np.cos(HERTZ * 441.3 * time + 0.7)
    told = []
    for seed in range(40):
        at = spectrum(wave + 0.02 * np.random.default_rng(seed).normal(size=count), rate)
        start = FittedModes(np.array([0.3 * np.exp(0.7j)]), pole, *(np.zeros(1) for _ in range(3)))
        told.append(fit(at, start))
    power = np.exp(-2.0 * fall * time)
    information = np.sum(time**2 * power) - np.sum(time * power) ** 2 / np.sum(power)
    bound = 0.02 / np.sqrt(0.5 * 0.3**2 * information)
    assert np.mean([each.standard_uncertainty[0] for each in told]) == pytest.approx(bound, rel=0.08)
    off = np.array([each.pole[0] - pole[0] for each in told])
    assert np.sqrt(np.mean(np.abs(off) ** 2) / 2.0) == pytest.approx(bound, rel=0.25)
    assert np.mean([each.noise[0] for each in told]) == pytest.approx(count * 0.02**2, rel=0.1)


@pytest.mark.parametrize("fall", [700.0, 2500.0])
def test_no_band_is_wider_than_eighty_hertz_on_either_side_however_fast_a_thump_falls(fall: float) -> None:
    for seconds in (0.5, 2.0):
        at = spectrum(np.zeros(round(8000 * seconds)), 8000)
        modes = FittedModes(np.ones(1, complex), np.array([-fall + HERTZ * 1000.0j]), *(np.zeros(1),) * 3)
        ((_, bins),) = bands(at, modes)
        assert bins[0] / seconds == pytest.approx(920.0, abs=3.0 / seconds)
        assert bins[-1] / seconds == pytest.approx(1080.0, abs=3.0 / seconds)
