"""Whose a line is, by hand: its plane, its tine, its room; and what a nut has room for."""

import math
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.instrument import Nut, PlacedNut
from synth.recording import identity, match, model_order, retune, room
from synth.recording.damped_sinusoid_fit import FittedModes, inverse_diagonal
from synth.recording.identity import Found, Likeness
from synth.recording.match import MatchedPartial
from synth.recording.measurement import Partial, TapPartials
from synth.recording.predicted_partials import PredictedPartials
from synth.recording.spectrum import spectrum
from synth.recording.stirred import Noise, StirredFit, _solved

CENT = np.log(2.0) / 1200.0


def partial(hz, level=0.1, decay=3.0):
    return Partial(hz, 0.01, decay, 0.1, level, 0.01, 0.0, complex(level))


def tap(*hertz):
    return TapPartials(0.5, 0.51, 3.0, tuple(partial(float(hz)) for hz in hertz))


def planes(*rows, apart=60.0):
    """What a model says of tines: Hz along the row, and so many cents more across it."""
    along = np.array(rows, float)
    frequency = np.stack((along, along * 2.0 ** (apart / 1200.0)), axis=1)
    return PredictedPartials(np.arange(len(rows)), frequency, np.ones_like(frequency))


def test_of_two_lines_near_one_plane_the_louder_is_it():
    low, high = partial(440.2, 0.1), partial(440.9, 0.2)
    for order in ([low, high], [high, low]):
        (line,) = match._paired(3, 1, np.array([440.0, 455.0]), order)
        assert (line.tine, line.partial, line.plane, line.frequency) == (3, 1, 0, 440.9)
    both = match._paired(3, 1, np.array([455.0, 440.0]), [low, partial(455.5)])
    assert [(line.plane, line.frequency) for line in both] == [(0, 455.5), (1, 440.2)]


def test_a_tines_planes_are_what_rings_on_together_not_what_is_loud_and_gone():
    loud, first, other, room_s = (
        partial(440.0, 1.0, 0.05),
        partial(440.6, 0.2, 4.0),
        partial(439.8, 0.1, 3.0),
        1.4,
    )
    assert match._planes_of_one([loud, first, other]) == [other, first]
    assert match._planes_of_one([first, partial(439.0, 0.15, room_s)]) == [first]  # dies 2.9 times as fast
    unknown = partial(441.0, 0.5, math.nan)  # as if it rang for 0.3 s: 0.15, less than 0.2 x 4
    assert match._planes_of_one([unknown, first, other]) == [other, first]
    assert match._planes_of_one([unknown, loud]) == [unknown]


def test_every_tap_has_an_offset_of_its_own_near_that_of_all():
    model = planes([200.0, 1253.0, 3510.0], [310.0, 1942.0, 5440.0], apart=0.0)
    taps = [tap(*(model.frequency[n, 0] * 2.0 ** (off / 1200.0))) for n, off in ((0, 4.0), (1, 30.0))]
    claims = match.name_tines(taps, model, [None, None])
    assert [(claim.tine, claim.found) for claim in claims] == [(0, True), (1, True)]
    assert [claim.offset for claim in claims] == pytest.approx([4.0, 30.0], abs=2.0)


def test_a_pitch_costs_by_how_far_it_is_from_where_it_should_be_by_offset_and_length_together():
    """100 cents sharp: 100 from the length as designed, 20 from one that is itself 80 sharp; the lesser is told."""
    model = planes([200.0, 1253.0, 3510.0], apart=0.0).frequency[0]
    sounds = tap(*(model[0] * 2.0 ** (100.0 / 1200.0)))
    shorter = model * 2.0 ** (80.0 / 1200.0)
    found = identity._likeness([sounds], [model, shorter], [0.0, 80.0])
    assert (found.variant, found.offset) == (1, pytest.approx(20.0, abs=1e-6))
    assert found.score == pytest.approx(1.0 + 1.0 / 1.3 + 1.0 / 1.6, rel=1e-3)
    assert found.cost == pytest.approx(0.25 * math.log1p((100.0 / 60.0) ** 2), rel=1e-3)
    assert identity._likeness([sounds], [model], [0.0]).cost == pytest.approx(found.cost, rel=1e-3)


def test_another_tine_is_asked_as_the_bar_moves_its_fundamental(monkeypatch):
    """The bar pulls the second tine 100 cents down; a third has its overtones, and a fundamental 90 cents down."""
    partials = np.array([300.0, 1880.0, 5265.0])
    decoy = partials * 2.0 ** (np.array([-90.0, 0.0, 0.0]) / 1200.0)
    clamped = planes([211.0, 1000.0, 3333.0], partials, decoy).frequency
    row = SimpleNamespace(
        modes=SimpleNamespace(frequency=clamped),
        clamped_hz=clamped[:, 0, 0],
        mounted_hz=clamped[:, 0, 0] * 2.0 ** (np.array([0.0, -100.0, 0.0]) / 1200.0),
    )
    monkeypatch.setattr(identity, "_variants", lambda *_: (np.zeros(1), [clamped[0]]))
    heard = tap(300.0 * 2.0 ** (-100.0 / 1200.0), *partials[1:])
    assert identity.identify(None, row, 0, [heard], clamped[0]).other == 1
    assert identity.identify(None, row, 0, [tap(*clamped[0, 0])], clamped[0]).other is None


def test_a_pitch_is_told_by_the_swing_along_the_row_then_by_both_then_across(monkeypatch):
    model = planes([200.0, 1253.0, 3510.0])
    found = Found(Likeness(2.0, 0.0, 0.0, 0), 0.0, model.frequency[0], None)

    def told(*lines):
        made = [
            MatchedPartial(0, n, plane, hz * 2.0 ** (off / 1200.0), 1e-4, math.nan, math.nan)
            for n, plane, hz, off in lines
        ]
        monkeypatch.setattr(retune, "matched_partials", lambda *_: made)
        result = retune._told(model, 0, [tap(200.0)], found)
        return result.offset / CENT, result.partial, result.standard_uncertainty

    along, across = model.frequency[0, :, 0]
    assert told((0, 1, across, 30.0), (0, 0, along, -10.0))[:2] == pytest.approx((-10.0, 0))
    mean = math.sqrt(along * across)
    assert told((0, 1, across, 30.0), (0, None, mean, 5.0))[0] == pytest.approx(5.0 + 30.0)  # heard as it is
    assert told((0, 1, across, 30.0))[:2] == pytest.approx((30.0, 0))
    assert told((0, 1, across, 30.0))[2] == pytest.approx(1e-4)
    upper = told((1, 0, 1253.0, -7.0), (2, 0, 3510.0, 9.0))
    assert upper[:2] == pytest.approx((-7.0, 1))
    assert upper[2] == pytest.approx(math.hypot(10.0 * CENT, 1e-4), rel=1e-6)


@pytest.mark.parametrize("sliding", [True, False])
def test_a_tine_that_stands_longer_than_told_has_more_room_below_its_nut(monkeypatch, sliding):
    """100 mm by the design, 104 by its sound; a nut 3 mm high at 40 mm. Below it 42.5 mm, above it 62.5."""
    nut = PlacedNut(Nut("M4", 1e-3, 3e-3, 7e-3, 3e-9, 0.0, "M4"), 0.040)
    row = SimpleNamespace(length=np.array([0.1]), trim=((nut,),))
    instrument = SimpleNamespace(tines=[SimpleNamespace()], bench=SimpleNamespace(units="inch"))
    checked = []

    def heard(_, __, length, ___, ____, partials):
        return planes([200.0 * (0.104 / length[0]) ** 2, 1.0, 1.0])

    found = Found(Likeness(2.0, 0.0, 0.0, 0), 0.004, planes([200.0, 1.0, 1.0]).frequency[0], None)
    monkeypatch.setattr(retune, "bar_of", lambda _: None)
    monkeypatch.setattr(retune, "heard", heard)
    monkeypatch.setattr(retune, "identify", lambda *_: found)
    monkeypatch.setattr(retune, "retrimmed", lambda _, trim, *__: trim)
    monkeypatch.setattr(retune, "_told", lambda *_: retune._Told(0.0, 1e-4, 0))
    monkeypatch.setattr(retune, "slides", lambda _: sliding)
    monkeypatch.setattr(retune, "thread_turned", lambda _: 0.7e-3)
    monkeypatch.setattr(retune, "_check", lambda *given: checked.append(given))
    advice = retune.retune(instrument, row, 0, [], 200.0 / 0.98**2)
    assert [each[:4] for each in checked] == [
        pytest.approx((0.104, 0.0425 if sliding else 0.0625, 0.02 * 0.104, 200.0 / 0.98**2))
    ]
    assert checked[0][4] == "inch"  # a refusal is told in the bench's unit
    assert (advice.sounds, advice.shorten) == pytest.approx((200.0, 0.02 * 0.104))
    assert advice.standard_uncertainty == pytest.approx(0.02)
    assert advice.turns == pytest.approx(0.02 * 0.104 / 0.7e-3)


def fitted(poles, *, sd=1.0, unsure=0.1, noise=1.0):
    count = len(poles)
    return FittedModes(
        np.ones(count, complex),
        np.array(poles),
        np.full(count, sd),
        np.full(count, unsure),
        np.full(count, noise),
    )


@pytest.mark.parametrize(
    ("poles", "how", "called"),
    [
        ([-3.0 + 1000j, -3.0 + 1010j], {}, True),
        ([-3.0 + 1000j, -3.0 + 1008j], {}, False),  # six deviations of the distance are 8.5
        ([-3.0 + 1000j, -13.0 + 1000j], {}, True),  # two stages
        ([-3.0 + 1000j, -140.0 + 1000j], {}, False),  # gone in 49 ms: a thump
        ([-3.0 + 1000j, -3.0 + 1010j], {"unsure": 0.31}, False),
        ([-3.0 + 1000j, -3.0 + 1010j], {"noise": 0.9}, False),  # explains too little
    ],
)
def test_two_modes_stand_for_one_where_both_are_known_last_and_explain_more(poles, how, called):
    pair = fitted(poles, **{"noise": 0.1, **how})
    explains = model_order._called_for(pair, fitted([-3.0 + 1005j]), np.arange(100), 1e3)
    assert (explains and model_order._known(pair)) is called


def test_spectrum_values_at_any_bin_are_those_of_the_whole_transform():
    samples = np.random.default_rng(1).normal(size=64)
    bins = np.arange(-70, 140)
    np.testing.assert_allclose(spectrum(samples, 8000.0).at(bins), np.fft.fft(samples)[bins % 64], atol=1e-12)


def stirred(fall, rate, moved):
    one = np.array([0.1])
    return StirredFit(np.array([-fall + 0j]), one, one, Noise(1.0, 1.0, rate), 0.0, moved)


def test_what_decays_as_its_own_room_does_is_doubtful_whatever_the_order_of_finding(monkeypatch):
    """200 Hz falls at 6/s in a room of 5/s and may be the room; 100 Hz falls as fast in one of 20/s."""
    monkeypatch.setattr(
        room, "_with_amplitudes", lambda _, modes, moved: replace(modes, amplitude_deviation=moved)
    )
    modes = fitted([-6.0 + 1j, -6.0 + 2j, -1.0 + 3j])
    found = [
        room._Found(0, stirred(6.0, 5.0, 0.3), 2.0 * np.pi * 200.0),
        room._Found(1, stirred(6.0, 20.0, 0.1), 2.0 * np.pi * 100.0),
    ]
    inside = room._gathered(None, modes, 7.0, found)
    assert inside.modes.pole.imag / (2.0 * np.pi) == pytest.approx([100.0, 200.0])
    assert list(inside.modes.amplitude_deviation) == [0.1, 0.3]
    assert inside.doubtful.tolist() == [False, True]
    assert (inside.rate, inside.left_out) == (7.0, 1)


@pytest.mark.parametrize(("seconds", "told"), [(1.0, False), (1.1, True)])
def test_a_room_is_told_where_the_recording_lasts_half_as_long_again_as_it_rings(monkeypatch, seconds, told):
    """Amplitudes that fall at 10/s: 60 dB in 0.69 s, and 1.036 s are to be heard."""
    monkeypatch.setattr(room, "_leaders", lambda _: [])
    monkeypatch.setattr(room, "_shared_rate", lambda _: 10.0)
    monkeypatch.setattr(room, "_gathered", lambda *_: "in the room")
    inside = room.indoors(np.zeros(round(1000 * seconds)), 1000.0, fitted([-3.0 + 1000j]))
    assert (inside == "in the room") if told else (inside.perhaps == 10.0 and math.isnan(inside.rate))


@pytest.mark.parametrize(
    ("longer", "offset", "partial", "score", "cost", "doubts"),
    [
        (0.006, 30.0, 0, 2.0, 0.0, ["it sounds as if it stood 5 mm longer than the design has it"]),
        (-0.006, 30.0, 0, 2.0, 0.0, ["it sounds as if it stood 7 mm shorter than the design has it"]),
        (0.003, 10.0, 0, 2.0, 0.0, []),  # 2.7 % of its length
        (0.0, 0.0, 1, 2.0, 0.0, ["its fundamental is not in the recording: partial 2 tells the pitch"]),
        (0.0, 0.0, 0, 1.0, 0.3, ["one partial alone was found, far from where it should be"]),
        (0.0, 0.0, 0, 1.0, 0.1, []),
        (0.0, 0.0, 0, 1.2, 0.3, []),
    ],
)
def test_what_is_odd_about_a_tine_is_told(longer, offset, partial, score, cost, doubts):
    """100 mm; a cent sharper is 0.029 mm shorter, a slender rod's pitch going as the square of its length."""
    found = Found(Likeness(score, cost, offset, 0), longer, np.ones((2, 3)), None)
    assert list(retune._doubts(found, partial, 0.1, "mm")) == doubts


def test_a_named_tine_is_asked_at_each_length_by_how_far_that_is_from_its_pitch(monkeypatch):
    """At none, shorter by what makes 60 cents, and longer; the likeliest tells how long it seems."""
    frequency = planes([200.0, 1253.0, 3510.0]).frequency[0]
    variants = [frequency * 2.0 ** (off / 1200.0) for off in (0.0, 60.0, -70.0)]
    row = SimpleNamespace(
        modes=SimpleNamespace(frequency=frequency[None]), clamped_hz=np.ones(1), mounted_hz=np.ones(1)
    )
    asked = []

    def likeness(taps, given, off):
        asked.append((taps, given, off))
        return Likeness(2.0, 0.1, 5.0, 2)

    monkeypatch.setattr(identity, "_variants", lambda *_: (np.array([0.0, -0.003, 0.004]), variants))
    monkeypatch.setattr(identity, "_likeness", likeness)
    found = identity.identify(None, row, 0, ["taps"], frequency)
    ((taps, given, off),) = asked
    assert (taps, given) == (["taps"], variants)
    assert off == pytest.approx([0.0, 60.0, -70.0])
    assert (found.longer, found.frequency is variants[2], found.other) == (0.004, True, None)


@pytest.mark.parametrize("apart", [1.0, 1e-4])
def test_what_noise_leaves_of_modes_is_the_inverses_diagonal_or_the_pseudo_inverses(apart):
    """Columns of length one; where two are the same but for 1e-4, nothing is known to ten digits."""
    dice = np.random.default_rng(3)
    rows = dice.normal(size=(4, 30)) + 1j * dice.normal(size=(4, 30))
    rows[1] = rows[0] + apart * rows[1]
    rows /= np.linalg.norm(rows, axis=1, keepdims=True)
    normal = np.conj(rows) @ rows.T
    plain = np.diag(np.linalg.pinv(normal, rcond=1e-13, hermitian=True)).real
    np.testing.assert_allclose(inverse_diagonal(normal), plain, rtol=1e-9)
    same = np.ones((2, 2), complex)
    np.testing.assert_allclose(inverse_diagonal(same), [0.25, 0.25])


@pytest.mark.parametrize("count", [1, 2, 3])
@pytest.mark.parametrize("apart", [1.0, 1e-4])
def test_amplitudes_in_a_room_are_those_of_least_squares(count, apart):
    dice = np.random.default_rng(4)
    rows = dice.normal(size=(3, 30)) + 1j * dice.normal(size=(3, 30))
    rows[1] = rows[0] + apart * rows[1]
    seen = np.conj(rows[:count]) @ (dice.normal(size=30) + 1j * dice.normal(size=30))
    normal = np.conj(rows[:count]) @ rows[:count].T
    plain = np.linalg.lstsq(normal, seen, rcond=1e-12)[0]
    np.testing.assert_allclose(_solved(normal, seen), plain, rtol=1e-9)
