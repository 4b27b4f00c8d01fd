"""How likely two planes in a band are: against the same probability written out, amplitudes and all."""

from __future__ import annotations

import numpy as np
import pytest

from synth.recording.damped_sinusoid_fit import FittedModes
from synth.recording.plane_band import PlaneBand, _blocks
from synth.recording.plane_likelihood import DECAY_SD, POWERS
from synth.recording.plane_pitch import EVEN, ODD, ROUNDS, TURNED, _said_of_the_first, plane_pitch
from synth.recording.plane_zoom import LIVE
from synth.units import CENT
from tests.recording.plain_fits import compiled_likelihood

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
    """ln N(values; 0, noise + sum of p a a^H), a = exp(s t), summed over the blow's directions."""
    noise = np.linalg.inv(band.noise.whiten[0].conj().T @ band.noise.whiten[0])
    rate, split = 1.3, 2.2
    poles = (
        -rate * np.exp(0.5 * differ) + 1j * (middle + split / 2.0),  # the upper one
        -rate * np.exp(-0.5 * differ) + 1j * (middle - split / 2.0),
    )
    waves = [np.exp(pole * band.time) for pole in poles]
    each = []
    for powers in POWERS.T:
        whole = noise + sum(p * np.outer(a, a.conj()) for p, a in zip(powers, waves, strict=True))
        misfit = (band.values.conj() @ np.linalg.solve(whole, band.values)).real
        each.append(-misfit - np.linalg.slogdet(whole)[1])
    lean = 0.5 * (np.log(rate / band.fall) / DECAY_SD) ** 2
    at, fall, wide = (np.array([[each]]) for each in (middle, np.log(rate), split))
    found = compiled_likelihood(band, at, fall, wide, differ)
    assert float(found[0, 0]) == pytest.approx(np.logaddexp.reduce(each) - lean, rel=1e-8)


@pytest.mark.parametrize(("fall", "cents"), [(1.0, 3.0), (2.0, 3.0), (1.0, 900.0)])
def test_a_band_found_beside_another_is_the_one_made_alone(fall: float, cents: float) -> None:
    """Its noises are the other's where blocks and decay are: of another decay, or of other blocks, they are not."""
    sound = np.random.default_rng(11).normal(size=RATE)
    beside = PlaneBand(sound, RATE, complex(-1.0, OMEGA))
    pole = complex(-fall, OMEGA * np.exp(cents * CENT))
    alone, found = PlaneBand(sound, RATE, pole), PlaneBand(sound, RATE, pole, beside=beside)
    assert np.array_equal(found.noise.whiten, alone.noise.whiten)
    assert np.array_equal(found.noise.white, alone.noise.white)
    alike = (found.step, len(found.time), fall) == (beside.step, len(beside.time), 1.0)
    assert (found._noises._turn is beside._noises._turn) is alike


def test_of_two_planes_the_one_that_dies_faster_is_told_to_be_the_upper_one(band: PlaneBand) -> None:
    """1.2 over 0.8 1/s is 0.41 in its logarithm."""
    split = 3.0 * band.per_cent
    band.listen_for(np.array([[-1.2 + 1j * split, -0.8 + 0j]]))
    tried = np.arange(-0.8, 0.81, 0.1)
    middle, fall = np.array([[0.5 * split]]), np.array([[0.5 * np.log(1.2 * 0.8)]])
    value = [
        float(compiled_likelihood(band, middle, fall, np.array([[split]]), each)[0, 0]) for each in tried
    ]
    assert tried[int(np.argmax(value))] == pytest.approx(np.log(1.2 / 0.8), abs=0.11)


@pytest.mark.parametrize("start", [0.35, 0.67, 2.5])
def test_decays_are_integrated_as_direct_evaluation_has_them_from_wherever_the_search_begins(
    band: PlaneBand, start: float
) -> None:
    """It once stayed where it began, if Newton's step led too far: one of two explanations was lost, 5 sd off."""
    middle = np.linspace(-4.0, 9.0, 27)[None]
    split = np.array([[3.0 * band.per_cent]])
    band.listen_for(np.array([[-1.0 + 1.5j * band.per_cent] * 2]))  # noise as loud as their beat
    tried = np.linspace(np.log(0.05), np.log(20.0), 4001)
    whole = [
        np.logaddexp.reduce(compiled_likelihood(band, np.full((1, 4001), each), tried[None], split, 0.0)[0])
        for each in middle[0]
    ]
    direct = np.array(whole) + np.log(tried[1] - tried[0]) - 0.5 * np.log(2.0 * np.pi)
    reach, log_fall = np.array([[-4.0, 9.0]]), np.full(middle.shape, np.log(start))
    words = reach, reach, split[0], np.zeros(1), log_fall, np.arange(1)
    zoomed = band.zoomed(*words, zooms=1, rounds=ROUNDS)
    np.testing.assert_allclose(zoomed.middle, middle)
    found = zoomed.value
    likely = direct > np.max(direct) - LIVE
    assert np.count_nonzero(likely) >= 3
    assert found[0][likely] == pytest.approx(direct[likely], abs=0.5)


def test_planes_that_oppose_each_other_leave_the_middle_on_either_side_of_the_line() -> None:
    """1.4 cents apart, the softer one in counterphase: the line is above both, and as likely below both."""
    time = np.arange(round(1.05 * RATE)) / RATE
    planes = 195.53 * np.exp(np.array([0.5, -0.5]) * 1.44 * CENT)
    sound = np.exp(-0.9 * time) * np.cos(2.0 * np.pi * planes[0] * time)
    sound += 0.27 * np.exp(-0.9 * time) * np.cos(2.0 * np.pi * planes[1] * time + 3.7)
    sound += 0.05 * np.random.default_rng(3).normal(size=len(time))
    at = plane_pitch(sound, RATE, [complex(-0.67, 2.0 * np.pi * 195.66)], usual=3.0)
    assert at is not None
    off = 1200.0 * np.log2(at.hertz / 195.53)
    told = at.standard_uncertainty / at.hertz / CENT
    assert abs(off) < 2.0 * told


def test_partials_are_taken_to_be_split_alike_within_three_tenths_of_the_logarithm():
    """An upper partial split by 5 cents for sure: for the first 35 % more or less is by exp(-1/2) less likely."""
    splits = np.geomspace(0.5, 60.0, 1001)
    scale = np.log(splits + EVEN)
    sure = int(np.argmin(np.abs(splits - 5.0)))
    log = np.full((len(splits), 1), -60.0)
    log[sure] = 0.0
    said = np.exp(_said_of_the_first(splits, log, 3.0)[0])[:, 0]
    said -= said[-1]  # what is said of it anyhow
    for off in (-0.3, 0.3):
        beside = int(np.argmin(np.abs(scale - scale[sure] - off)))
        assert said[beside] / said[sure] == pytest.approx(np.exp(-0.5), rel=0.01)


def test_an_upper_partial_tells_the_blow_s_direction_no_surer_than_that_it_shares_the_planes():
    """Its planes are its own in a tenth of all tines, and turned in a fifth of the others: then its louder plane
    says nothing of the fundamental's."""
    splits = np.geomspace(0.5, 60.0, 1001)
    log = np.stack((np.zeros(len(splits)), np.full(len(splits), -60.0)), axis=1)
    said, alone = _said_of_the_first(splits, log, 3.0)
    own, turned = ODD, (1.0 - ODD) * TURNED
    assert alone[:, 1] == pytest.approx(own / (own + turned))
    # by Bayes' rule, of two directions each as likely before
    assert np.exp(said[500, 0] - said[500, 1]) == pytest.approx(
        (1.0 - 0.5 * (own + turned)) / (0.5 * (own + turned)), rel=1e-6
    )


@pytest.mark.parametrize("louder", [1.0, -1.0])
def test_which_plane_is_the_louder_is_heard_in_the_upper_partials(louder: float) -> None:
    """2.4 cents apart at 262 Hz: by 0.58 s the line alone leaves the middle on either side of it."""
    time, dice = np.arange(round(0.58 * RATE)) / RATE, np.random.default_rng(4)
    sound, poles = 1e-3 * dice.normal(size=len(time)), []
    for hertz, fall, level in ((262.0, 1.2, 1.0), (1636.0, 6.0, 0.5), (4500.0, 18.0, 0.3)):
        for side, part in ((0.5 * louder, 1.0), (-0.5 * louder, 0.3)):
            turn = 2.0 * np.pi * hertz * np.exp(2.4 * side * CENT)
            sound += part * level * np.exp(-fall * time) * np.cos(turn * time + dice.uniform(0.0, 6.28))
        poles.append(complex(-fall, 2.0 * np.pi * hertz * np.exp(0.6 * louder * CENT)))
    alone, at = (plane_pitch(sound, RATE, some, usual=3.0) for some in (poles[:1], poles))
    assert alone is not None
    assert at is not None
    assert at.standard_uncertainty < 0.7 * alone.standard_uncertainty
    told = at.standard_uncertainty / at.hertz / CENT
    assert told < 0.5
    assert abs(1200.0 * np.log2(at.hertz / 262.0)) < 2.0 * told


@pytest.mark.parametrize("off", [-32.46, -28.3, 27.0, 31.5])
def test_hum_a_turn_of_the_blocks_beside_a_partial_is_no_plane_of_it(off: float) -> None:
    """Means come 30 times a second: what lies 30 Hz beside the partial turns with it, once a plane."""
    time = np.arange(round(1.05 * RATE)) / RATE
    sound = np.exp(-1.3 * time) * np.cos(2.0 * np.pi * 232.3 * time + 0.7)
    sound += 0.015 * np.cos(2.0 * np.pi * (232.3 + off) * time)
    sound += 1e-3 * np.random.default_rng(7).normal(size=len(time))
    at = plane_pitch(sound, RATE, [complex(-1.3, 2.0 * np.pi * 232.3)], usual=3.0)
    assert at is not None
    assert not at.parted
    assert abs(1200.0 * np.log2(at.hertz / 232.3)) < 0.3


def test_white_noise_goes_together_in_its_means_as_the_band_has_it() -> None:
    dice = np.random.default_rng(8)
    means = [_blocks(dice.normal(size=RATE), RATE, OMEGA, 1.0) for _ in range(300)]
    values = np.array([each.values for each, _ in means])
    together = means[0][1]
    found = np.mean(np.conj(values)[:, :, None] * values[:, None, :], axis=0)
    found /= np.mean(np.diag(found).real)
    assert np.abs(found - together).max() < 0.3
    lag = [np.mean(np.diag(found, k=k).real) for k in range(3)]
    assert lag == pytest.approx([1.0, float(together[0, 1]), 0.0], abs=0.03)


def test_hum_that_rang_before_the_tap_is_no_plane_of_a_partial_close_to_it() -> None:
    """The ninth multiple of hum, 1.9 Hz above a tine, 36 dB softer, once was its upper plane: by 4 cents."""
    time = np.arange(round(1.05 * RATE)) / RATE
    hum = 447.8 + 1.9
    sound = np.exp(-1.8 * time) * np.cos(2.0 * np.pi * 447.8 * time + 0.7)
    sound += 0.016 * np.cos(2.0 * np.pi * hum * time + 2.0) + 1e-3 * np.random.default_rng(7).normal(
        size=len(time)
    )
    told = [np.array([each]) for each in (0.016 + 0j, 0.01 + 2j * np.pi * (hum + 0.02), 0.2, 0.05, 1e-6)]
    pole = [complex(-1.8, 2.0 * np.pi * 447.8)]
    at = plane_pitch(sound, RATE, pole, usual=3.0, before=FittedModes(*told))
    assert at is not None
    off = abs(1200.0 * np.log2(at.hertz / 447.8))
    assert off < 0.5
    assert off < 2.0 * at.standard_uncertainty / at.hertz / CENT


def test_planes_of_unlike_decays_are_heard_with_an_honest_figure() -> None:
    """2.7 cents apart at 166.5 Hz: not half a beat in a second; taken for alike, decays moved it by four sd."""
    time = np.arange(round(1.05 * RATE)) / RATE
    misses = []
    for seed in range(12):
        dice = np.random.default_rng([9, seed])
        planes = 166.5 * np.exp(np.array([0.5, -0.5]) * 2.7 * CENT)
        decays = 0.5 * np.exp(0.05 * dice.normal(size=2))
        turn = dice.uniform(0.0, 2.0 * np.pi, 2)
        waves = np.exp(-decays[:, None] * time) * np.cos(2.0 * np.pi * planes[:, None] * time + turn[:, None])
        sound = np.array([0.75, 0.3]) @ waves + 3e-3 * dice.normal(size=len(time))
        at = plane_pitch(sound, RATE, [complex(-0.5, 2.0 * np.pi * 166.6)], usual=3.0)
        assert at is not None
        misses.append(abs(at.hertz - np.sqrt(np.prod(planes))) / at.standard_uncertainty)
    assert max(misses) < 3.0
    assert np.sqrt(np.mean(np.square(misses))) < 1.3


def test_no_planes_wider_than_is_asked_are_told() -> None:
    """A line, and a fiftieth of another 23 cents above it: the middle of both, or the one line alone."""
    time = np.arange(round(1.6 * RATE)) / RATE
    sound = np.exp(-1.0 * time) * np.cos(2.0 * np.pi * 263.0 * time)
    sound += 0.02 * np.exp(-1.0 * time) * np.cos(2.0 * np.pi * 263.0 * 2.0 ** (23.0 / 1200.0) * time + 1.0)
    sound += 1e-4 * np.random.default_rng(2).normal(size=len(time))
    pole = [complex(-1.0, 2.0 * np.pi * 263.0)]
    both, one = (plane_pitch(sound, RATE, pole, usual=0.01, widest=widest) for widest in (24.0, 0.5))
    assert both is not None
    assert one is not None
    assert both.split > 20.0
    assert one.split <= 0.5
    assert 1200.0 * np.log2(one.hertz / 263.0) == pytest.approx(0.0, abs=0.3)
