"""Lines made by hand: hum among them, thumps, what could be a room's, what is heard at all."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from synth.recording import hum, model_order, room, stirred
from synth.recording.damped_sinusoid_fit import FittedModes, no_modes
from synth.recording.spectrum import clear_peaks, spectrum
from synth.recording.stirred import Noise, StirredFit


def modes(*parts, sd=0.01, unsure=0.01):
    """(Hz, fall in 1/s, level)."""
    hertz, fall, level = np.array(parts, float).T
    fit = np.full(len(parts), sd), np.full(len(parts), unsure), np.ones(len(parts))
    return FittedModes(level + 0j, -fall + 2j * np.pi * hertz, *fit)


@pytest.mark.parametrize(
    ("parts", "how", "base", "which"),
    [
        ([(50.1, 0.0, 0.1), (100.2, 0.0, 0.05), (220.0, 2.0, 0.5)], {}, 50.1, [0, 1]),
        ([(59.95, 0.0, 0.1), (119.9, 0.0, 0.05), (120.3, 0.0, 0.02)], {}, 59.95, [0, 1]),
        ([(50.3, 0.0, 0.1), (100.6, 0.0, 0.05)], {}, 0.0, []),  # no grid is so far off
        ([(500.0, 0.0, 0.1), (450.0, 0.0, 0.1)], {}, 0.0, []),  # the tenth and ninth alone are none
        ([(50.0, 2.0, 0.1), (100.0, 2.0, 0.1)], {}, 0.0, []),  # they fall
        ([(50.0, 2.0, 0.1), (100.0, 2.0, 0.1)], {"sd": 0.6}, 50.0, [0, 1]),  # by as much as nobody knows
        ([(50.0, 2.0, 0.1), (100.0, 2.0, 0.1)], {"sd": 1.5}, 0.0, []),  # too short to call it steady
        ([(200.0, 0.0, 0.1), (2050.0, 0.0, 0.1)], {}, 50.0, [0]),  # the 41st is looked for no more
    ],
)
def test_hum_is_what_stays_on_multiples_of_one_pitch_near_that_of_the_mains(parts, how, base, which):
    found, members = hum._comb(modes(*parts, **how))
    assert found == pytest.approx(base, abs=0.01)
    assert np.flatnonzero(members).tolist() == which


def test_a_band_means_less_the_faster_its_pole_turns_and_falls():
    """Of block means under a Hann window, told by summing the pole over one block."""
    at = SimpleNamespace(step=0.03)
    pole = -3.0 + 40.0j
    size = 240
    window = np.sin(np.pi * np.arange(1, size + 1) / (size + 1)) ** 2
    passed = sum(w * np.exp(pole * n / 8000.0) for n, w in enumerate(window)) / sum(window)
    assert hum._through(at, 8000.0, pole) == pytest.approx(passed, rel=1e-9)


def test_what_is_gone_in_a_twentieth_of_a_second_or_of_unknown_amplitude_is_doubtful():
    """One is the bound: 0.15 of a soft line's amplitude, 0.3 of its band's loudest; ln 1000 in 0.05 s."""
    at = spectrum(np.zeros(8000), 8000.0)
    apart = modes((300.0, 2.0, 0.1), (900.0, math.log(1000.0) / 0.04, 0.1), (2000.0, 2.0, 0.1))
    apart = replace(apart, amplitude_deviation=np.array([0.15, 0.01, 0.45]))
    assert model_order._doubt(at, apart) == pytest.approx([0.5, 1.25, 1.5])
    beside = modes((300.0, 2.0, 0.1), (306.0, 2.0, 0.01), unsure=0.15)
    assert model_order._doubt(at, beside) == pytest.approx([0.5, 1.0])
    close = modes((300.0, 2.0, 0.1), (300.5, 2.0, 0.01), unsure=0.15)
    assert model_order._doubt(at, close) == pytest.approx(
        [0.5, 0.5]
    )  # within each other's lines, and known apart


def fit_of(fall, rate, *, apart=0.0, sharp=0.1, likelihood=0.0):
    pole = np.array([-fall + 1j * apart])
    return StirredFit(pole, np.array([0.2]), np.array([sharp]), Noise(1.0, 1.0, rate), likelihood, 0.0)


def asked(*found):
    return [room._Found(n, fit_of(2.0, rate), 1000.0, gain) for n, (rate, gain) in enumerate(found)]


@pytest.mark.parametrize(
    ("found", "rate"),
    [
        ([(10.0, 20.0), (11.0, 20.0)], 10.5),
        ([(10.0, 20.0), (11.0, 14.0)], math.nan),  # one alone calls for it
        ([(10.0, 20.0), (11.0, 20.0), (30.0, 20.0)], 10.5),  # the odd one is left out
        ([(2.4, 20.0), (2.5, 20.0), (2.45, 99.0)], math.nan),  # 2.9 s to fall 60 dB: its own unsteadiness
        ([(2.6, 20.0), (2.7, 20.0)], 2.65),
        ([], math.nan),
    ],
)
def test_a_room_is_what_two_partials_call_for_and_agree_upon(found, rate):
    assert room._shared_rate(asked(*found)) == pytest.approx(rate, nan_ok=True)


def test_where_a_room_may_be_lines_are_unsure_by_half_of_what_it_would_move_them():
    """200 Hz as fitted dry and in the room are 0.8 rad/s apart; 500 Hz is near no partial that was asked."""
    dry = modes((200.0, 3.0, 0.1), (210.0, 9.0, 0.01), (500.0, 3.0, 0.1), sd=0.3)
    in_room = room._Found(0, fit_of(3.0, 10.0, apart=0.8, sharp=0.25), 2.0 * np.pi * 200.0)
    told = room._either(dry, [in_room]).standard_uncertainty
    far = abs((-3.0 + 2j * np.pi * 200.0 + 0.8j) - dry.pole[1])
    assert told == pytest.approx([math.hypot(0.3, 0.4, 0.25), math.hypot(0.3, 0.5 * far, 0.25), 0.3])


def test_what_rings_most_leads_and_what_stands_near_it_follows_none():
    """Amplitude times time: 0.1 for a second is more than 0.2 for a third."""
    found = modes(
        (200.0, 3.0, 0.2), (204.0, 1.0, 0.01), (700.0, 1.0, 0.1), (2000.0, 0.01, 0.002), (2055.0, 9.0, 0.1)
    )
    assert room._leaders(found) == [2, 0, 3]  # the last within 60 Hz of 2000: 3 %
    assert room._leaders(modes((2000.0, 1.0, 0.1), (2065.0, 9.0, 0.1))) == [0, 1]


@pytest.mark.parametrize(
    ("hertz", "heard"), [(15.0, False), (26.0, True), (19_900.0, True), (20_300.0, False)]
)
def test_peaks_are_of_what_can_be_heard(hertz, heard):
    samples = np.cos(2.0 * np.pi * hertz * np.arange(48_000) / 48_000 + 0.4)
    samples += 1e-3 * np.random.default_rng(1).normal(size=48_000)
    found = [each.omega / (2.0 * np.pi) for each in clear_peaks(spectrum(samples, 48_000.0))]
    assert found == ([pytest.approx(hertz, abs=0.6)] if heard else [])


@pytest.mark.parametrize(
    ("known", "middle", "spread"), [(None, math.log(1000.0) / 0.5, 0.6), (20.0, 20.0, 0.3)]
)
def test_a_rooms_rate_is_leant_on_by_what_is_usual_or_what_other_bands_have(
    monkeypatch, known, middle, spread
):
    """A normal of its logarithm, where the band itself says nothing."""
    asked = []

    def searched(unlikely, start, **_):
        asked.append(unlikely)
        return SimpleNamespace(x=start)

    monkeypatch.setattr(stirred, "minimize", searched)
    monkeypatch.setattr(stirred, "Whitened", lambda *_: SimpleNamespace(likelihood=lambda: 7.0))
    stirred._noise_search(None, None, None, np.array([2.0, 2.0, 2.5]), known, 9)
    cost = [asked[0](np.array([2.0, 2.0, math.log(middle) + off])) for off in (0.0, spread, -2.0 * spread)]
    assert cost == pytest.approx([-7.0, -6.5, -5.0])


def test_a_partial_beside_hum_is_as_unsure_as_it_scatters_and_a_second_steady_line_is_none():
    """0.9 Hz above a line twice as strong, falling 60 dB in 2.8 s, in white noise; 30 recordings of 2.5 s."""
    rate = 2000
    time = np.arange(round(2.5 * rate)) / rate
    omega, pole = 2.0 * np.pi * 150.0, -2.5 + 2j * np.pi * 150.9
    wave = 0.04 * np.cos(omega * time + 1.0) + np.real(0.02j * np.exp(pole * time))
    found = []
    for seed in range(30):
        noise = 0.003 * np.random.default_rng(seed).normal(size=len(time))
        one, line = hum._beside(wave + noise, rate, omega, no_modes())
        assert one is not None
        assert line == pytest.approx(0.04 * np.exp(1j), rel=0.1)
        found.append(one)
    off = np.array([each.pole[0] - pole for each in found])
    told = np.mean([each.standard_uncertainty[0] for each in found])
    assert np.sqrt(np.mean(np.abs(off) ** 2) / 2.0) == pytest.approx(told, rel=0.35)
    levels = np.array([each.amplitude[0] / 0.02j for each in found])
    assert np.mean(levels) == pytest.approx(1.0, abs=0.03)
    unsure = np.mean([each.amplitude_deviation[0] for each in found])
    assert np.sqrt(np.mean(np.abs(levels - 1.0) ** 2) / 2.0) == pytest.approx(unsure, rel=0.4)
    assert np.mean([each.noise[0] for each in found]) == pytest.approx(
        len(time) * 0.003**2, rel=0.15
    )  # a bin's
    steady = 0.04 * np.cos(omega * time) + 0.02 * np.cos(2.0 * np.pi * 150.9 * time)
    assert (
        hum._beside(steady + 1e-3 * np.random.default_rng(1).normal(size=len(time)), rate, omega, no_modes())[
            0
        ]
        is None
    )
    alone = 0.04 * np.cos(omega * time) + 1e-3 * np.random.default_rng(1).normal(size=len(time))
    assert hum._beside(alone, rate, omega, no_modes())[0] is None
    assert hum._beside(wave, rate, omega, modes((152.9, 2.0, 0.1)))[0] is None  # it is known already
    knock = np.real(0.2 * np.exp((-9.0 + 1j * omega + 5j) * time))  # dies in 0.8 s: the room
    assert hum._beside(alone + knock, rate, omega, no_modes())[0] is None


def test_hum_is_taken_out_line_by_line_and_each_is_looked_beside_with_all_else_away(monkeypatch):
    """Lines of 50.1 Hz and its third; a partial is put beside the third, whose line is louder without it."""
    rate, count = 2000, 3000
    time = np.arange(count) / rate
    steady = modes((50.1, 0.0, 0.1), (150.3, 0.0, 0.05))
    rods = modes((220.0, 2.0, 0.5), (777.0, 4.0, 0.2))
    every = rods.with_(steady).pick([2, 0, 1, 3])
    beside = modes((150.9, 3.0, 0.02))

    def wave(of):
        return np.real(of.amplitude @ np.exp(of.pole[:, None] * time))

    looked = []

    def look(samples, rate, omega, kept):
        looked.append((samples, omega / (2.0 * np.pi), kept.pole.imag / (2.0 * np.pi)))
        return (beside, 0.06j) if len(looked) == 2 else (None, 0j)

    monkeypatch.setattr(hum, "_beside", look)
    clean, kept, found = hum.without_hum(wave(every), rate, every)
    for (samples, hertz, others), line in zip(looked, (0, 1), strict=True):
        np.testing.assert_allclose(samples, wave(steady.pick([line])), atol=1e-9)
        assert hertz == pytest.approx(50.1 * (1 + 2 * line))
        assert others == pytest.approx([220.0, 777.0])
    third = np.real(0.06j * np.exp(2j * np.pi * 150.3 * time))
    np.testing.assert_allclose(clean, wave(rods) + wave(steady.pick([1])) - third, atol=1e-9)
    assert kept.pole.imag / (2.0 * np.pi) == pytest.approx([150.9, 220.0, 777.0])
    assert (found.multiple, found.amplitude) == ((1, 3), (pytest.approx(0.1), pytest.approx(0.06j)))
    assert (found.base, found.mains) == (pytest.approx(50.1), 50.0)


def test_two_lines_fitted_to_one_of_hum_go_together(monkeypatch):
    """Each three hundred times as loud as what they make together: one taken out alone would leave the other."""
    rate, time = 2000, np.arange(3000) / 2000.0
    pair = modes((650.1, 0.02, 0.03), (650.1001, 0.021, 0.03))
    pair = replace(pair, amplitude=np.array([0.03, -0.0299]) + 0j)
    every = modes((50.008, 0.0, 0.1), (150.02, 0.0, 0.05), (220.0, 2.0, 0.5)).with_(pair)

    def wave(of):
        return np.real(of.amplitude @ np.exp(of.pole[:, None] * time))

    monkeypatch.setattr(hum, "_beside", lambda *_: (None, 0j))
    clean, kept, found = hum.without_hum(wave(every), rate, every)
    assert kept.pole.imag / (2.0 * np.pi) == pytest.approx([220.0])
    np.testing.assert_allclose(clean, wave(every.pick([2])), atol=1e-9)
    assert found.multiple == (1, 3, 13)
    assert found.amplitude[2] == pytest.approx(1e-4)


@pytest.mark.parametrize(("off", "there"), [(2.7, True), (3.4, False)])
def test_a_partial_is_looked_for_within_three_hertz_of_a_line(off, there):
    time = np.arange(4000) / 2000.0
    pole = -2.5 + 2j * np.pi * (150.0 + off)
    wave = 0.04 * np.cos(2.0 * np.pi * 150.0 * time) + np.real(0.02j * np.exp(pole * time))
    wave += 1e-4 * np.random.default_rng(1).normal(size=4000)
    found = hum._beside(wave, 2000, 2.0 * np.pi * 150.0, no_modes())[0]
    assert (found is not None) is there
    assert found is None or found.pole[0] == pytest.approx(pole, abs=0.05)


def test_modes_are_close_within_two_bins_or_twice_the_faster_fall():
    at = spectrum(np.zeros(8000), 8000.0)  # a bin a hertz
    for fall, apart, close in ((0.1, 1.9, True), (0.1, 2.1, False), (20.0, 6.2, True), (20.0, 6.5, False)):
        pair = modes((300.0, fall, 0.1), (300.0 + apart, 0.1, 0.1))
        np.testing.assert_array_equal(model_order._close(at, pair), np.eye(2, dtype=bool)[::-1] & close)


def test_a_room_moves_an_amplitude_by_all_that_it_drives_from_block_to_block():
    """The powers of its blows add up, each as loud as the room still is; told over the partial's own amplitude."""
    now = np.arange(120) * 0.02
    noise = np.random.default_rng(3).normal(size=(2, 120)) * 3e-3
    at = stirred.Band(0.5 * np.exp(-3.0 * now) + noise[0] + 1j * noise[1], 0.02, 6000.0)
    found = stirred.fit_stirred(at, np.array([-3.0 + 0j]), 14.0)
    whitened = stirred.Whitened(at, stirred.Operator(at, found.pole), np.ones(1), found.noise)
    left, (amplitude,) = whitened.left(found.pole)
    blows = left / (120 - 2) * found.noise.drive * np.exp(-2.0 * found.noise.rate * now)
    assert found.stirred == pytest.approx(np.sqrt(np.sum(blows[1:])) / abs(amplitude), rel=0.35)
    assert abs(amplitude) == pytest.approx(0.5, rel=0.02)


def test_what_a_partial_says_of_a_room_is_held_against_all_lines_near_it_in_none(monkeypatch):
    """Every line more is worth 2 ln of the blocks; four lines at most could stand for a room."""
    poles = np.arange(6) * 1j - 1.0
    asked = []
    monkeypatch.setattr(
        room, "_band_of", lambda *_: (SimpleNamespace(values=np.zeros(50), omega=77.0), poles)
    )
    monkeypatch.setattr(room, "_planes", lambda at, of, rate: fit_of(2.0, 10.0, likelihood=30.0))
    monkeypatch.setattr(room, "fit_dry", lambda at, of: asked.append(of) or 25.0)
    told = room._asked(np.zeros(9), 8000.0, modes((300.0, 2.0, 0.1)), 3)
    assert (told.leader, told.omega) == (3, 77.0)
    assert told.gain == pytest.approx(30.0 - (25.0 - 2.0 * 3 * math.log(50)))
    assert [len(each) for each in asked] == [4]
