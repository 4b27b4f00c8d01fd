"""How likely two planes in a band are: against the same probability written out, amplitudes and all."""

from __future__ import annotations

import numpy as np
import pytest

from synth.recording.plane_band import DECAY_SD, WEAK, PlaneBand
from synth.recording.plane_pitch import EVEN, _said_of_the_first

RATE = 48_000
OMEGA = 2.0 * np.pi * 440.0


@pytest.fixture(scope="module")
def band() -> PlaneBand:
    """Planes 3 cents apart, the upper one dying half again as fast, in a little noise."""
    time = np.arange(round(2.0 * RATE)) / RATE
    sound = 0.7 * np.exp(-1.2 * time) * np.cos(OMEGA * np.exp(3.0 * np.log(2.0) / 1200.0) * time + 0.4)
    sound += np.exp(-0.8 * time) * np.cos(OMEGA * time) + 0.01 * np.random.default_rng(5).normal(
        size=len(time)
    )
    return PlaneBand(sound, RATE, complex(-1.0, OMEGA))


@pytest.mark.parametrize("middle", [-0.4, 1.1])
@pytest.mark.parametrize("differ", [0.0, 0.6, -0.4])
def test_it_is_the_gaussian_of_two_waves_of_any_amplitude_in_the_noise_that_is_heard(
    band: PlaneBand, middle: float, differ: float
) -> None:
    """ln N(values; 0, noise + sum of p a a^H), a = exp(s t), summed over who of the planes was hardly tapped."""
    noise = np.linalg.inv(band._whiten.conj().T @ band._whiten)
    rate, split = 1.3, 2.2
    poles = (
        -rate * np.exp(0.5 * differ) + 1j * (middle + split / 2.0),  # the upper one
        -rate * np.exp(-0.5 * differ) + 1j * (middle - split / 2.0),
    )
    waves = [np.exp(pole * band.time) for pole in poles]
    each = []
    for powers in ((1.0, 1.0), (1.0, WEAK), (WEAK, 1.0)):
        whole = noise + sum(p * np.outer(a, a.conj()) for p, a in zip(powers, waves, strict=True))
        misfit = (band.values.conj() @ np.linalg.solve(whole, band.values)).real
        each.append(-misfit - np.linalg.slogdet(whole)[1])
    lean = 0.5 * (np.log(rate / band.fall) / DECAY_SD) ** 2
    found = band.likelihood(np.array(middle), np.array(np.log(rate)), np.array(split), differ)
    assert float(found) == pytest.approx(np.logaddexp.reduce(each) - lean, rel=1e-8)


def test_of_two_planes_the_one_that_dies_faster_is_told_to_be_the_upper_one(band: PlaneBand) -> None:
    """1.2 over 0.8 1/s is 0.41 in its logarithm."""
    split = 3.0 * band.per_cent
    band.listen_for(np.array([-1.2 + 1j * split, -0.8 + 0j]))
    tried = np.arange(-0.8, 0.81, 0.1)
    middle, fall = np.array(0.5 * split), np.array(0.5 * np.log(1.2 * 0.8))
    value = [float(band.likelihood(middle, fall, np.array(split), each)) for each in tried]
    assert tried[int(np.argmax(value))] == pytest.approx(np.log(1.2 / 0.8), abs=0.11)


def test_partials_are_taken_to_be_split_alike_within_three_tenths_of_the_logarithm():
    """An upper partial split by 5 cents for sure: for the first 35 % more or less is by exp(-1/2) less likely."""
    splits = np.geomspace(0.5, 60.0, 1001)
    scale = np.log(splits + EVEN)
    sure = int(np.argmin(np.abs(splits - 5.0)))
    log = np.full(len(splits), -60.0)
    log[sure] = 0.0
    said = np.exp(_said_of_the_first(splits, log, 3.0))
    said -= said[-1]  # what is said of it anyhow
    for off in (-0.3, 0.3):
        beside = int(np.argmin(np.abs(scale - scale[sure] - off)))
        assert said[beside] / said[sure] == pytest.approx(np.exp(-0.5), rel=0.01)
