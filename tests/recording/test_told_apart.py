"""What a recording leaves open, in numbers: the plane of a line, too few data, two poles that are one tine's."""

import math
from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.instrument import Nut, PlacedNut
from synth.recording import apart, identity, match, overtone_advice, parameters, retune, room, tuning_targets
from synth.recording.stirred import Band, Noise, StirredFit, band, fit_stirred
from synth.units import CENT


def test_a_fundamentals_line_of_no_plane_is_open_by_half_of_what_its_planes_differ():
    model = SimpleNamespace(frequency=np.array([[[440.0], [440.0 * np.exp(4.0 * CENT)]]]))
    line = SimpleNamespace(partial=0, plane=None, apart=6.0 * CENT)
    assert retune._either(line, model) == pytest.approx(3.0 * CENT)
    named = SimpleNamespace(partial=0, plane=1, apart=0.0)
    assert retune._either(named, model) == pytest.approx(2.0 * CENT)
    assert retune._either(SimpleNamespace(partial=1, plane=None, apart=6.0 * CENT), model) == 0.0


@pytest.mark.parametrize(
    ("partials", "decays", "said"), [(3, 2, None), (2, 2, "2 partials"), (3, 1, "1 decays")]
)
def test_pitches_and_losses_are_counted_each_against_their_own_data(partials, decays, said):
    pitched = [kind for kind in parameters.PLAUSIBLE_SPREAD if kind not in parameters.LOSSES]
    kinds = [*pitched[:2], parameters.LOSSES[0]]
    chosen = [SimpleNamespace(kind=kind, name=kind) for kind in kinds]
    found = apart.objection(chosen, 1e4 * np.eye(5, 3), (partials, decays))
    assert (found is None) if said is None else (said in found[1] and found[0] == 2)


def test_a_partial_off_by_twice_what_is_close_scores_as_a_gaussian():
    tap = SimpleNamespace(partials=[SimpleNamespace(kind="partial", level=1.0, frequency=440.0)])
    frequency = np.full((2, 1), 440.0 * np.exp(2.0 * match.CLOSE * CENT))
    assert match.scores(tap, frequency, np.array([0.0]))[0] == pytest.approx(np.exp(-2.0), rel=1e-6)


def test_two_poles_are_one_tines_planes_only_if_they_outlast_the_room():
    one = SimpleNamespace(likelihood=0.0)

    def called(rate):
        both = SimpleNamespace(
            pole=np.array([-5.0 + 10j, -4.0 - 10j]),
            sharp=(0.1, 0.1),
            likelihood=1e4,
            noise=SimpleNamespace(rate=rate),
        )
        return room._called(SimpleNamespace(values=np.zeros(100)), one, both)

    assert called(8.0 / room.ALIKE)
    assert not called(2.0 / room.ALIKE)


def test_a_base_nut_comes_up_as_far_as_the_lowest_trim_nut_s_underside():
    """Nuts 3 mm high at 45 and 20 mm: from 18.5 mm on they meet; the tip can be filed to 46.5 mm."""
    nuts = tuple(PlacedNut(Nut("M4", 1e-3, 3e-3, 7e-3, 3e-9, 0.0, "M4"), at) for at in (0.045, 0.020))
    row = SimpleNamespace(trim=((), nuts))
    assert identity.under_nuts(row, 1) == pytest.approx(0.0185)
    assert identity.over_nuts(row, 1) == pytest.approx(0.0465)
    assert identity.under_nuts(row, 0) == math.inf
    (one, other) = identity.lowered(row.trim, 1, 0.002)[1]
    assert (one.position, other.position) == pytest.approx((0.043, 0.018))


def test_a_second_plane_too_near_to_be_told_widens_by_half_of_what_it_could_do():
    """Told from d^4 / (32 s^2 u^2) = 4 + 2 ln of the blocks on; until then it moves the pole by up to 0.7 d."""
    at = SimpleNamespace(step=0.02, values=np.zeros(100))
    fit = StirredFit(
        np.array([-4.0 + 0j]), np.array([0.05]), np.array([0.04]), Noise(1.0, 1.0, 10.0), 0.0, 0.0
    )
    untold = (32.0 * (4.0 + 2.0 * math.log(100.0))) ** 0.25 * math.sqrt(4.0 * 0.04)
    widened = room._hiding(fit, at).standard_uncertainty
    assert widened == pytest.approx([math.hypot(0.05, 0.5 * 0.7 * untold)], rel=0.08)
    slow = room._hiding(replace(fit, pole=np.array([-0.1 + 0j])), at).standard_uncertainty
    assert slow == pytest.approx(0.5 * widened, rel=0.02)  # two over the 2 s span: a rate of 1, not of 4


def test_a_partial_in_a_room_is_blurred_by_its_own_decay_and_the_rooms():
    """A clean partial that falls at 3/s, and as clean one at 6/s: what a room's noise is not grows as 2^2.5."""
    now = np.arange(120) * 0.02
    spreads = []
    for rate in (3.0, 6.0):
        noise = np.random.default_rng(3).normal(size=(2, 120)) * 1e-3
        at = Band(np.exp(-rate * now) + noise[0] + 1j * noise[1], 0.02, 6000.0)
        found = fit_stirred(at, np.array([-rate + 0j]), 14.0)
        blur = np.sqrt(found.standard_uncertainty**2 - found.sharp**2)
        assert -found.pole.real == pytest.approx([rate], rel=0.02)
        spreads.append(float(blur[0]) * found.noise.rate**1.5)
    assert spreads[0] == pytest.approx(0.15 * 3.0**2.5, rel=0.05)
    assert spreads[1] / spreads[0] == pytest.approx(2.0**2.5, rel=0.05)


def test_a_steel_that_softens_and_grows_is_tuned_by_both_at_the_bench():
    """f goes as d sqrt(E / rho) / L^2: half of what the modulus loses and of what the rod grows, each a kelvin."""
    steel = [SimpleNamespace(modulus_slope=slope, expansion=1.7e-4) for slope in (-4e-4, -2e-4)]
    tines = [SimpleNamespace(rod=SimpleNamespace(material=each)) for each in steel]
    instrument = SimpleNamespace(temperature=285.0, tines=tines)
    assert tuning_targets._warmed(instrument, None) == pytest.approx([1.0, 1.0], abs=1e-15)
    warm = tuning_targets._warmed(instrument, 295.0)
    assert warm == pytest.approx([math.sqrt(1.0 - 2.3e-3), math.sqrt(1.0 - 0.3e-3)], rel=1e-12)


@pytest.mark.parametrize(
    ("off", "slope", "slide", "words"),
    [
        (40.0, 8.0, -5.0, "slide its trim nut 5.0 mm down, towards the bar"),
        (-40.0, 8.0, 5.0, "slide its trim nut 5.0 mm up, towards the tip"),
        (-40.0, 8.0, 5.0, "slide its trim nut 13/64 in up, towards the tip"),
        (40.0, -8.0, 5.0, "slide its trim nut 5.0 mm up, towards the tip"),
        (14.9, 8.0, 0.0, "its nut is right"),
        (40.0, 1.9, math.nan, "sliding its nut a little does too little"),
        (40.0, 3.9, math.nan, "sliding its nut a little does too little"),  # more than 10 mm
        (40.0, 4.1, -40.0 / 4.1, "slide its trim nut 9.8 mm down, towards the bar"),
    ],
)
def test_a_nut_slides_by_what_the_ratio_is_off_over_what_a_millimetre_does(off, slope, slide, words):
    tines = [SimpleNamespace(wish=None), SimpleNamespace(wish=SimpleNamespace(partial=2, ratio=6.0))]
    bench = SimpleNamespace(units="inch" if " in " in words else "mm")
    instrument = SimpleNamespace(tines=tines, bench=bench)
    made = overtone_advice.Overtones(instrument, SimpleNamespace(trim=((1,), (1,))))
    vars(made).update(_ratios=np.array([6.3, 5.5]), _slope=np.array([1e3 * slope, 99.0]))
    told = made.advice(0, 6.3 * 2.0 ** (off / 1200.0))
    assert (told.wanted, told.cents) == (6.3, pytest.approx(off))
    assert 1e3 * told.slide == pytest.approx(slide, nan_ok=True)
    assert told.words == words
    assert made.advice(1, 6.0).wanted == 6.0
    assert made.advice(0, math.nan) is None


@dataclass(frozen=True)
class Cut:
    length_deviation: float
    length: np.ndarray = field(default_factory=lambda: np.array([0.15, 0.105]))
    instrument: SimpleNamespace = field(
        default_factory=lambda: SimpleNamespace(bench=SimpleNamespace(units="mm"))
    )


@pytest.mark.parametrize(
    ("tells", "long", "words"),
    [
        ({(False, True), (True, True)}, True, "lengths measured to 0.03 mm"),
        ({(True, False), (True, True)}, True, "a tine of 255 mm, tapped as well, would tell"),
        ({(True, True)}, True, "a tine of 255 mm, tapped as well, and lengths measured to 0.03 mm"),
        (set(), True, "more tines, of other lengths, and more of their partials might tell"),
        ({(True, True)}, False, "more tines, of other lengths"),  # there is none to be cut longer
    ],
)
def test_the_least_experiment_that_would_tell_is_advised(monkeypatch, tells, long, words):
    """What would tell, by whether a long tine is tapped and whether lengths are measured well."""
    unknown = SimpleNamespace(kind="root-length", name="root-length")
    asked = []

    def told(piece, unknowns):
        asked.append([each.name for each in unknowns])
        return (len(piece.length) == 3, piece.length_deviation <= 3e-5) in tells

    monkeypatch.setattr(apart, "_told", told)
    monkeypatch.setattr(
        apart, "_with_long_tine", lambda p: replace(p, length=np.array([*p.length, 0.255])) if long else None
    )
    fitted = SimpleNamespace(kind="bend-diameter", name="bend-diameter of rod")
    assert apart.would_tell(Cut(2e-4), [fitted], unknown).startswith(words)
    assert all(each == ["bend-diameter of rod", "root-length"] for each in asked)
    loss = SimpleNamespace(kind=parameters.LOSSES[1], name="material-loss")
    assert apart.would_tell(Cut(2e-4), [fitted], loss) == "decays of more tines, of other lengths, might tell"


def test_lengths_that_are_known_better_already_stay_so(monkeypatch):
    seen = []
    monkeypatch.setattr(apart, "_told", lambda piece, _: seen.append(piece.length_deviation) or False)
    monkeypatch.setattr(apart, "_with_long_tine", lambda _: None)
    unknown = SimpleNamespace(kind="youngs", name="youngs of A2-70")
    fitted = SimpleNamespace(kind="bend-diameter", name="bend-diameter of rod")
    for deviation in (2e-4, 1e-5):
        said = apart.would_tell(Cut(deviation), [fitted], unknown)
        assert said.startswith("no tap tells it: the bend-diameter of rod that was fitted stands for both")
    assert seen == pytest.approx([3e-5, 1e-5])


@pytest.mark.parametrize(
    ("hertz", "slowest", "fastest", "step", "count"),
    [
        (440.0, 1.0, 1.0, 1.0 / 30.0, 90),  # to the end of three seconds
        (440.0, 6.0, 6.0, 1.0 / 30.0, 41),  # 72 dB of what falls at 6/s: 1.38 s
        (440.0, 6.0, 30.0, 1.0 / 60.0, 82),
        (60.0, 1.0, 1.0, 1.0 / 20.0, 60),  # three turns a block
        (4000.0, 1.0, 1.0, 1.0 / 90.0, 269),  # a partial's planes lie 0.9 % apart, 36 Hz
        (440.0, 99.0, 1.0, 1.0 / 30.0, 8),  # eight at least
    ],
)
def test_a_band_is_read_in_blocks_as_short_as_its_planes_and_its_fall_want(
    hertz, slowest, fastest, step, count
):
    rate = 24_000
    now = np.arange(3 * rate) / rate
    omega = 2.0 * math.pi * hertz
    at = band(0.2 * np.cos(omega * now + 0.7), rate, omega, slowest, fastest)
    assert (at.step, at.omega) == (pytest.approx(step, rel=5e-3), omega)
    assert abs(len(at.values) - count) <= 1
    assert at.values == pytest.approx(0.1 * np.exp(0.7j), rel=3e-3)  # half of a cosine turns with it
    assert at.time == pytest.approx(np.arange(len(at.values)) * at.step)


def test_a_partial_counts_once_and_its_decay_where_that_is_known():
    lines = [
        SimpleNamespace(tine=tine, partial=partial, decay_rate=rate)
        for tine, partial, rate in ((0, 0, 1.0), (0, 0, 1.1), (0, 1, math.nan), (1, 0, math.nan), (1, 1, 2.0))
    ]
    decaying = [each for each in lines if not math.isnan(each.decay_rate)]
    assert apart.counted(SimpleNamespace(lines=lines, decaying=decaying)) == (4, 2)
