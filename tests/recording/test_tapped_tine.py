"""Which tine was tapped, from its lines alone; and what is told of a tap, figure by figure."""

from __future__ import annotations

from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest

from synth.arrays import Array
from synth.recording import tapped_pitch, tapped_tine
from synth.recording.damped_sinusoid_fit import FittedModes
from synth.recording.design_planes import misplaced
from synth.recording.overtone_advice import OvertoneAdvice
from synth.recording.plane_pitch import PlanePitch
from synth.recording.tap_listener import Answer
from synth.recording.tap_message import advice_words, tap_message
from synth.recording.tapped_pitch import TappedSound, Verdict, nothing, told_of
from synth.recording.tuning_targets import TuningTargets

RATE = 48_000
RATIOS = np.array([1.0, 6.27, 17.55])


@pytest.mark.parametrize("announced", [None, 0])
@pytest.mark.parametrize(("level", "held"), [(0.7, True), (0.35, False)])
def test_another_that_rings_more_than_half_as_loud_is_to_be_held(
    monkeypatch: pytest.MonkeyPatch, announced: int | None, level: float, held: bool
) -> None:
    """Tines at 200 and 300 Hz with two overtones each; a softer one is left to what its figure says."""
    monkeypatch.setattr(tapped_tine, "told_of", lambda *_: nothing("told"))
    frequency = np.array([200.0, 300.0])[:, None, None] * np.ones((1, 2, 1)) * RATIOS
    targets = SimpleNamespace(name=("a", "b"), frequency=frequency, target=np.array([200.0, 300.0]))
    hertz = np.concatenate([200.0 * RATIOS, 300.0 * RATIOS])
    amplitude = np.concatenate([[1.0, 0.6, 0.4], np.array([1.0, 0.6, 0.4]) * level]).astype(complex)
    none = np.zeros(6)
    new = FittedModes(amplitude, -1.0 + 2j * np.pi * hertz, none, none, none)
    told = tapped_tine.judged(SimpleNamespace(new=new), targets, announced=announced)  # type: ignore[arg-type]
    assert told.tine is None
    assert set(told.candidates) == {0, 1}
    assert told.reason == ("more than one tine rings: hold the others and tap again" if held else "told")


@pytest.mark.parametrize("struck", [0, 1])
def test_a_third_partial_that_one_model_has_and_another_has_not_parts_no_two_of_one_pitch(struck):
    """Two tines of 698.5 Hz, third partials at 11.9 kHz and above the 12 kHz up to which models go."""
    own = np.array([[698.5, 4350.0, 0.0], [698.5, 4333.0, 11913.0]])
    frequency = own[:, None, :] * np.ones((1, 2, 1))
    targets = SimpleNamespace(name=("a", "b"), frequency=frequency, target=np.full(2, 698.5))
    hertz, none = np.array([[697.3, 4342.0, 12150.0], [697.3, 4326.0, 11893.0]][struck]), np.zeros(3)
    new = FittedModes(np.array([1.0, 0.5, 0.3], complex), -1.0 + 2j * np.pi * hertz, none, none, none)
    assert set(tapped_tine.may_be_of(new, targets)) == {0, 1}


def test_a_fundamental_and_a_line_above_all_models_is_no_tine():
    """What may be anybody's third partial makes no tine of a lone line."""
    frequency = np.array([698.5, 4350.0, 0.0])[None, None] * np.ones((1, 2, 1))
    targets = SimpleNamespace(name=("a",), frequency=frequency, target=np.full(1, 698.5))
    none = np.zeros(2)
    new = FittedModes(
        np.array([1.0, 0.5], complex), -1.0 + 2j * np.pi * np.array([697.3, 12150.0]), none, none, none
    )
    assert tapped_tine.may_be_of(new, targets) == {}


NAN = float("nan")
TARGETS = TuningTargets(
    name=("low.1", "high.4", "high.5"),
    frequency=np.ones((3, 2, 3)),
    decay_rate=np.ones((3, 2, 3)),
    target=np.array([110.0, 222.0, 330.0]),
    middle=np.array([111.0, 222.2, 331.0]),
    reach=np.array([0.20, 0.15, 0.12]),
    thread_pitch=np.array([0.5e-3, 0.7e-3, 0.0]),
    slides=np.array([True, True, False]),
)
INSTRUMENT = SimpleNamespace(
    groups=(SimpleNamespace(name="low"), SimpleNamespace(name="high")),
    bench=SimpleNamespace(units="inch"),
    tines=tuple(
        SimpleNamespace(group=group, number=number, root=SimpleNamespace(fixing=fixing))
        for group, number, fixing in ((0, 1, "nuts"), (1, 4, "collet"), (1, 5, "glued"))
    ),
)
SHARP = Verdict(
    1, (1, 2), 224.31, 0.06, 13.0, (223.9, 225.2), "", softer=0.4, overtone=6.31, left=0.02, taken=True
)


def test_every_figure_of_a_message_is_that_of_its_tap():
    """In Hz, cents, mm and turns, worked out here: a reach of 150 mm, f as its square, 0.7 mm a turn."""
    told = tap_message(INSTRUMENT, TARGETS, Answer(2.5, 3.9, 1.05, SHARP), within=3.0)
    shorter = 150.0 * (1.0 - 2.0 ** (13.0 / 2400.0))
    assert told == {
        "kind": "tap", "at_s": 2.5, "look_s": 1.05, "units": "inch", "name": "high.4", "group": "high", "tine": 4,
        "fixing": "collet", "sounds_hz": 224.31, "cents": 13.0,
        "cents_sd": pytest.approx(np.hypot(1200.0 / np.log(2.0) * 0.06 / 224.31, 0.2)),
        "turns": pytest.approx(shorter / 0.7),
        "shorten_mm": pytest.approx(shorter), "in_tune": False, "taken": True, "may_be": ["high.4", "high.5"],
        "reason": None, "planes_hz": [223.9, 225.2], "beat_hz": pytest.approx(1.3),
        "beat_cents": pytest.approx(1200.0 * np.log2(225.2 / 223.9)), "overtone": 6.31,
    }  # fmt: skip
    assert shorter < 0.0


@pytest.mark.parametrize(
    ("verdict", "within", "in_tune"),
    [
        (replace(SHARP, cents=2.9), 3.0, True),
        (replace(SHARP, cents=-2.9), 3.0, True),
        (replace(SHARP, cents=3.1), 3.0, False),
        (replace(SHARP, cents=0.1, standard_uncertainty=0.18), 2.0, False),  # 1.4 cents: not sure enough
        (replace(SHARP, cents=0.1, standard_uncertainty=0.18), 3.0, True),  # half of 3 is 1.5
    ],
)
def test_a_tine_is_in_tune_when_it_is_near_enough_and_that_is_known(verdict, within, in_tune):
    told = tap_message(INSTRUMENT, TARGETS, Answer(2.5, 3.9, 1.05, verdict), within=within)
    assert told["in_tune"] is in_tune


def test_what_cannot_be_told_of_a_tap_is_none():
    one_line = replace(SHARP, tine=2, planes=(331.2,), overtone=NAN)
    told = tap_message(INSTRUMENT, TARGETS, Answer(2.5, 3.9, 1.05, one_line), within=3.0)
    assert told["beat_hz"] is told["beat_cents"] is told["overtone"] is told["turns"] is None
    assert told["shorten_mm"] == pytest.approx(120.0 * (1.0 - 2.0 ** (13.0 / 2400.0)))
    pitchless = tap_message(
        INSTRUMENT, TARGETS, Answer(2.5, 3.9, 1.05, replace(SHARP, cents=NAN)), within=3.0
    )
    assert (pitchless["name"], pitchless["sounds_hz"], pitchless["cents"]) == ("high.4", 224.31, None)
    nobody = tap_message(INSTRUMENT, TARGETS, Answer(2.5, 3.9, 0.5, nothing("too soft", (0, 2))), within=3.0)
    assert (nobody["reason"], nobody["may_be"]) == ("too soft", ["low.1", "high.5"])
    for key in ("name", "group", "tine", "fixing", "sounds_hz", "cents", "cents_sd", "turns", "in_tune"):
        assert nobody[key] is None


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({}, True),
        ({"softer": 0.09}, False),  # below a tenth nobody hears it waver
        ({"planes": (223.9, 224.15)}, False),  # slower than 0.3 a second
        ({"planes": (223.9, 236.1)}, False),  # faster than 12: rough, no beat
        ({"planes": (223.9, 235.8)}, True),
        ({"tine": 2}, False),  # what is glued is not turned
    ],
)
def test_a_beat_is_told_where_it_is_heard_and_can_be_mended(changed, said):
    verdict = replace(SHARP, **changed)
    words = [each for each in advice_words(verdict, TARGETS, None, None) if "planes" in each]
    assert bool(words) is said
    if said:
        low, high = verdict.planes
        split, beat = 1200.0 * np.log2(high / low), high - low
        assert words[0].startswith(f"its planes are {split:.1f} cents apart and beat {beat:.1f} a second")


@pytest.mark.parametrize(
    ("noisy", "left", "words"),
    [
        (0.9, 0.1, "too soft, or the room too loud: tap again, harder or nearer"),
        (0.1, 0.02, "its planes are not told apart yet: let it ring, or tap again, harder or nearer"),
        (0.1, 0.002, "its planes are not told apart yet: let it ring, or tap again, a quarter round it"),
    ],
)
def test_a_figure_not_known_to_a_cent_says_what_keeps_it_and_what_to_do_and_stays(
    noisy: float, left: float, words: str
) -> None:
    """0.65 Hz at 222 Hz are 5.1 cents; 0.1 Hz are 0.78, and 0.81 with the fifth of a cent that rooms take."""
    unsure = replace(SHARP, softer=0.0, taken=False, noisy=noisy, left=left, standard_uncertainty=0.65)
    (said,) = advice_words(unsure, TARGETS, None, None)
    assert said == f"not within a cent: {words}"
    message = tap_message(INSTRUMENT, TARGETS, Answer(1.0, 1.6, 0.58, unsure), within=3.0)  # type: ignore[arg-type]
    assert message["cents"] == SHARP.cents
    assert message["cents_sd"] == pytest.approx(1200.0 * np.log2(1.0 + 0.65 / SHARP.sounds), rel=1e-2)
    assert advice_words(replace(unsure, candidates=(1,), standard_uncertainty=0.1), TARGETS, None, None) == []


def test_a_second_pitch_beside_it_may_be_a_unison_s_which_is_to_be_held_first():
    """Beyond the 3 cents that planes have; two tines of one pitch as far apart sound the same."""
    twin = replace(TARGETS, target=np.array([110.0, 222.0, 222.0]))
    words = advice_words(SHARP, twin, None, None)
    assert words[-2] == "hold high.5 and tap again: two tines of one pitch beat as two planes do"
    close = replace(SHARP, planes=(223.9, 224.25), softer=0.4)
    for verdict, targets in ((SHARP, TARGETS), (close, twin)):
        assert not any("hold" in each for each in advice_words(verdict, targets, None, None))


def test_what_a_unison_that_may_ring_along_keeps_from_a_cent_is_said_once_and_not_of_planes_or_noise():
    twin = replace(TARGETS, target=np.array([110.0, 222.0, 222.0]))
    unsure = replace(SHARP, along=0.6, noisy=0.1, standard_uncertainty=0.65, taken=False)
    words = advice_words(unsure, twin, None, None)
    assert (
        words[0]
        == "not within a cent: hold high.5 and tap again: two tines of one pitch beat as two planes do"
    )
    assert sum("hold" in each for each in words) == 1
    assert "apart yet" in advice_words(replace(unsure, along=0.4), twin, None, None)[0]


@pytest.mark.parametrize(
    ("split", "odd", "twin", "low", "high"),
    [
        (1.0, 0.05, True, 0.0, 0.1),  # no further apart than planes are
        (2.9, 0.5, True, 0.2, 0.5),
        (6.0, 0.05, True, 1.5, 2.2),
        (6.0, 0.8, True, 2.2, 2.6),
        (9.0, 0.05, True, 3.2, 4.1),
        (12.0, 0.8, True, 5.4, 5.8),
        (20.0, 0.05, True, 9.3, 9.9),
        (20.0, 0.05, False, 0.0, 0.0),
    ],
)
def test_a_mean_that_may_be_of_two_tines_is_as_unsure_as_it_may_be_wrong(split, odd, twin, low, high):
    """By up to half of the split, as one of both lines is the tine's then."""
    sound, targets, _ = near(0.3, split)
    planes = np.full(2, 222.0)[:, None] * RATIOS  # the bar parts nothing
    targets = replace(targets, frequency=np.broadcast_to(planes, (3, 2, 3)), middle=np.full(3, 222.0))
    targets = replace(targets, target=np.array([110.0, 222.0, 222.0 if twin else 330.0]))
    sound.middle = lambda *_, **__: PlanePitch(222.7, 0.04, split, 0.3, 0.55, 0.03, odd=odd)
    told = told_of(sound, targets, 1, 0)
    cents = 1200.0 / np.log(2.0) * np.array([0.04, told.standard_uncertainty]) / 222.7
    more = np.sqrt(max(0.0, cents[1] ** 2 - cents[0] ** 2))
    assert low - 1e-6 <= more <= high + 1e-6
    assert told.along == pytest.approx((more / cents[1]) ** 2, abs=1e-6)


def test_no_figure_hangs_on_which_side_of_the_usual_split_its_planes_are():
    """One that is a hundredth larger makes it no more than a twentieth less sure, anywhere."""
    split = np.geomspace(0.3, 24.0, 440)
    for usual, odd in ((3.0, 0.05), (3.0, 0.8), (7.0, 0.3)):
        off = np.array([misplaced(each, odd, usual) for each in split])
        assert np.all(np.diff(off) > 0.0)
        whole = np.hypot(off, 0.3)  # beside what the sound itself leaves open, in cents
        assert np.max(whole[1:] / whole[:-1]) < 1.05 ** (np.log(split[1] / split[0]) / np.log(1.01))


def test_advice_names_the_others_each_guess_the_overtone_and_what_moved():
    guesses = tuple(replace(SHARP, tine=n, cents=cents, taken=False) for n, cents in ((1, 13.0), (2, -31.2)))
    overtone = OvertoneAdvice(6.31, 6.25, 1e-3, "slide it")
    open_ = replace(SHARP, tine=None, taken=False, guesses=guesses, softer=0.0)
    assert advice_words(open_, TARGETS, overtone, -1.1) == [
        "if it was high.4: +13.0 cents",
        "if it was high.5: -31.2 cents",
        "second partial 6.310 times the first, +17 cents from 6.25: slide it",
        "moved -1.1 cents since the last round",
    ]
    taken = advice_words(replace(SHARP, softer=0.0), TARGETS, None, 0.9)
    assert taken == ["taken for the announced one: high.5 would sound like this too"]


@pytest.mark.parametrize("upper", [0, 1])
@pytest.mark.parametrize("heard", [(0,), (1,), (0, 1)])
def test_of_planes_far_apart_the_one_along_the_row_is_told_and_one_alone_is_open(
    heard: tuple[int, ...], upper: int
) -> None:
    """The bar parts them by 60 cents, either way round. One line may be either: held to their middle, unsure."""
    planes = np.array([220.0, 220.0 * 2.0 ** (60.0 / 1200.0)])[:: -1 if upper == 0 else 1]
    targets = replace(
        TARGETS,
        frequency=np.broadcast_to(planes[:, None] * RATIOS, (3, 2, 3)),
        target=np.full(3, planes[0]),
        middle=np.full(3, np.sqrt(np.prod(planes))),
    )
    off = 2.0 ** (4.0 / 1200.0)  # sharp
    level, none = np.append(np.array([1.0, 0.3])[list(heard)], 0.2), np.zeros(len(heard) + 1)
    hertz = np.append(planes[list(heard)], 6.3 * planes[0]) * off  # and the second partial
    new = FittedModes(level + 0j, -1.0 + 2j * np.pi * hertz, none, none, none)
    asked: list[tuple[float, bool]] = []

    def middle(partials: list[int], usual: float, differ: float, *, dies: Array, alone: bool) -> PlanePitch:
        assert dies == pytest.approx(1.0)
        hertz = float(new.pole[partials[0]].imag / 2.0 / np.pi)
        asked.append((hertz, alone))
        return PlanePitch(hertz, 0.03, 0.0, 1.0, 0.0, 0.01, odd=0.0)

    sound = SimpleNamespace(new=new, old=new.pick([]), middle=middle, samples=np.zeros(RATE), rate=RATE)
    told = told_of(sound, targets, 1, 0)  # type: ignore[arg-type]
    # of one line alone nobody knows which plane it is, nor what the second partial is to that along the row
    assert told.overtone == pytest.approx(6.3 if len(heard) == 2 else NAN, nan_ok=True)
    if len(heard) == 2:
        assert (told.sounds, told.cents) == pytest.approx((planes[0] * off, 4.0))
        assert (told.standard_uncertainty, told.softer) == pytest.approx((0.03, 0.3))
        assert told.planes == pytest.approx(tuple(np.sort(planes) * off))
    else:
        plane = heard[0]
        half = 30.0 if plane == upper else -30.0
        assert (told.sounds, told.cents) == pytest.approx((planes[plane] * off, 4.0 + half))
        assert told.standard_uncertainty == pytest.approx(np.hypot(0.03, abs(planes[0] - planes[1])))
        assert (told.softer, len(told.planes)) == (0.0, 1)
    assert asked == [(pytest.approx(told.sounds), True)]


def near(
    split_sd: float = 1.0,
    split: float = 6.0,
) -> tuple[SimpleNamespace, TuningTargets, list[tuple[list[int], float, float, bool]]]:
    """A tap of high.4, its planes 8 cents apart by the bar, with two overtones and a louder line by the second."""
    planes = np.array([222.0, 222.0 * 2.0 ** (8.0 / 1200.0)])
    targets = replace(
        TARGETS,
        frequency=np.broadcast_to(planes[:, None] * RATIOS, (3, 2, 3))
        * np.array([0.5, 1.0, 2.0])[:, None, None],
        decay_rate=np.array([[1.0, 1.0], [2.0, 3.0], [1.0, 1.0]])[..., None] * np.array([1.0, 6.0, 17.0]),
        middle=np.array([111.0, 222.5, 445.0]),
    )
    hertz = np.array([222.6, 222.6 * 6.29, 222.6 * 6.5, 222.6 * 17.6])
    none = np.zeros(4)
    new = FittedModes(np.array([1.0, 0.4, 0.6, 0.2]) + 0j, -2.0 + 2j * np.pi * hertz, none, none, none)
    asked: list[tuple[list[int], float, float, bool]] = []

    def middle(partials: list[int], usual: float, differ: float, *, dies: Array, alone: bool) -> PlanePitch:
        assert dies == pytest.approx(
            np.sqrt(6.0) * np.array([1.0, 6.0, 17.0])[: len(dies)]
        )  # the planes' middle
        asked.append((partials, usual, differ, alone))
        return PlanePitch(222.7, 0.04, split, split_sd, 0.55, 0.03, odd=0.0)

    one = SimpleNamespace(new=new, old=new.pick([]), middle=middle, samples=np.zeros(RATE), rate=RATE)
    return one, targets, asked


@pytest.mark.parametrize(("by_bar", "far"), [(20.0, True), (5.0, None)])
@pytest.mark.parametrize("level", [0.4, 0.1])
def test_lines_further_apart_than_one_pitch_are_told_apart_or_not_at_all(by_bar, far, level):
    """By the bar's order of planes where that is known, not by their mean. A faint one is a room's."""
    sound, targets, asked = near(0.3)
    targets = replace(targets, middle=targets.target * 2.0 ** (by_bar / 2400.0))
    targets = replace(targets, frequency=targets.frequency * np.array([0.1, 1.0, 10.0])[:, None, None])
    hertz = 222.6 * np.array([1.0, 2.0 ** (30.0 / 1200.0)])
    none = np.zeros(2)
    sound.new = FittedModes(np.array([1.0, level]) + 0j, -2.0 + 2j * np.pi * hertz, none, none, none)
    told = told_of(sound, targets, 1, 0)
    if level < 0.2:
        assert told.planes == pytest.approx((222.7 * 2.0 ** (-3.0 / 1200.0), 222.7 * 2.0 ** (3.0 / 1200.0)))
    elif far:
        assert (told.tine, told.planes) == (1, pytest.approx(tuple(hertz)))
        assert told.cents == pytest.approx(1200.0 * np.log2(222.7 / 222.0))
        assert asked == [([0], 0.01, 0.0, True)]
    else:
        assert told.tine is None
        assert told.reason == tapped_pitch.APART


@pytest.mark.parametrize(
    ("by_bar", "split", "split_sd", "open_"),
    [
        (20.0, 6.0, 0.3, 7.0),
        (9.7, 6.0, 0.3, 1.85),
        (9.5, 6.0, 0.3, 0.0),  # a rod may be out of round the other way
        (20.0, 6.0, 1.9, 7.0),
        (20.0, 6.0, 6.0, 0.0),  # nobody knows yet how far they are apart
        (6.1, 1.0, 0.3, 2.55),
        (5.9, 1.0, 0.3, 0.0),
    ],
)
def test_planes_nearer_than_the_bar_parts_them_leave_open_where_their_mean_should_be(
    by_bar, split, split_sd, open_
):
    """Half of what is missing, where the bar parts them much and it is more than 3 cents and two deviations."""
    sound, targets, _ = near(split_sd, split)
    told = told_of(sound, replace(targets, middle=targets.target * 2.0 ** (by_bar / 2400.0)), 1, 0)
    cents = 1200.0 / np.log(2.0) * np.array([0.04, told.standard_uncertainty]) / 222.7
    assert cents[1] == pytest.approx(np.hypot(cents[0], open_), rel=1e-3)
    assert told.noisy == pytest.approx((cents[0] / cents[1]) ** 2)


@pytest.mark.parametrize(("fitted", "model", "taken"), [(0.1, 1.2, 0.4), (2.0, 1.2, 2.0), (18.0, 1.2, 3.6)])
def test_a_line_that_a_room_lets_die_at_any_rate_is_listened_for_as_the_model_s_within_three_times(
    monkeypatch: pytest.MonkeyPatch, fitted: float, model: float, taken: float
) -> None:
    none, asked = np.zeros(1), []
    new = FittedModes(np.ones(1, complex), np.array([-fitted + 1400j]), none, none, none)
    monkeypatch.setattr(tapped_pitch, "plane_pitch", lambda _, rate, poles, **words: asked.extend(poles))
    TappedSound(np.zeros(4800), 48_000.0, new, new, new.pick([])).middle(
        [0], 3.0, 0.0, dies=np.array([model]), alone=False
    )
    assert asked == [pytest.approx(-taken + 1400j)]


@pytest.mark.parametrize("parted", [True, False])
def test_of_planes_near_each_other_the_middle_is_told_against_that_of_a_tine_in_tune(parted: bool) -> None:
    sound, targets, asked = near(1.0 if parted else 2.5)
    told = told_of(sound, targets, 1, 0)  # type: ignore[arg-type]
    assert (told.tine, told.candidates, told.sounds, told.standard_uncertainty) == (1, (1,), 222.7, 0.04)
    assert told.cents == pytest.approx(1200.0 * np.log2(222.7 / 222.5))
    half = 2.0 ** (3.0 / 1200.0)
    assert told.planes == pytest.approx((222.7 / half, 222.7 * half) if parted else (222.7,))
    assert (told.softer, told.left) == (0.55 if parted else 0.0, 0.03)
    # the louder of two within 150 cents, over the swing along the row: half the bar's 4 cents below the middle
    assert told.overtone == pytest.approx(222.6 * 6.5 / (222.7 * 222.0 / 222.5))
    # the fundamental, then what rings most within 45 cents of where the next partials should be; the bar's split;
    # the upper plane, across the row, decays 3 to 2 as fast
    assert asked == [([0, 1, 3], pytest.approx(8.0), pytest.approx(np.log(1.5)), False)]


@pytest.mark.parametrize(
    ("cents", "level", "other"),
    [(59.0, 0.06, True), (59.0, 0.04, False), (61.0, 0.06, False), (-59.0, 0.06, True)],
)
def test_what_still_rings_near_by_forbids_a_figure_where_it_is_loud_enough(
    cents: float, level: float, other: bool
) -> None:
    """Within 60 cents, and over a twentieth of the tap's own line."""
    sound, targets, _ = near()
    none = np.zeros(1)
    pole = np.array([-1.0 + 2j * np.pi * 222.6 * 2.0 ** (cents / 1200.0)])
    sound.old = FittedModes(np.array([level + 0j]), pole, none, none, none)
    told = told_of(sound, targets, 1, 0)  # type: ignore[arg-type]
    assert (told.reason == "another still rings close to it: hold it and tap again") is other
    assert (told.tine is None) is other


@pytest.mark.parametrize(
    ("cents", "level", "others", "held"),
    [
        (
            36.0,
            0.4,
            30.0,
            True,
        ),  # further apart than the bar's 8 cents and 25, and another tine could have it
        (36.0, 0.4, 130.0, False),  # none could: the planes are as they are
        (36.0, 0.1, 30.0, False),  # too soft to be another tine's
        (30.0, 0.4, 30.0, False),  # so far may planes be off the bar's own split
    ],
)
def test_another_tine_that_rings_along_is_to_be_held(
    cents: float, level: float, others: float, held: bool
) -> None:
    sound, targets, _ = near()
    frequency = np.array(targets.frequency)
    frequency[2] = frequency[1] * 2.0 ** ((8.0 + others) / 1200.0)
    frequency[0] = 0.1 * frequency[1]
    targets = replace(targets, frequency=frequency)
    none = np.zeros(2)
    hertz = 222.6 * np.array([1.0, 2.0 ** (cents / 1200.0)])
    sound.new = FittedModes(np.array([1.0, level]) + 0j, -2.0 + 2j * np.pi * hertz, none, none, none)
    told = told_of(sound, targets, 1, 0)  # type: ignore[arg-type]
    assert (told.reason == "other tines ring along at its pitch: hold them and tap again") is held


@pytest.mark.parametrize(("seconds", "resolved"), [(0.3, False), (0.5, True)])
def test_lines_that_have_not_beaten_yet_are_not_taken_to_be_as_far_apart_as_they_were_fitted(
    seconds, resolved
):
    """30 cents at 222.6 Hz beat 3.9 times a second: 1.2 times in 0.3 s, which is too few, 1.9 times in 0.5 s."""
    sound, targets, asked = near(0.3)
    targets = replace(targets, middle=targets.target * 2.0 ** (20.0 / 2400.0))
    targets = replace(targets, frequency=targets.frequency * np.array([0.1, 1.0, 10.0])[:, None, None])
    none, hertz = np.zeros(2), 222.6 * np.array([1.0, 2.0 ** (30.0 / 1200.0)])
    sound.new = FittedModes(np.array([1.0, 0.7]) + 0j, -2.0 + 2j * np.pi * hertz, none, none, none)
    sound.samples = np.zeros(round(seconds * RATE))
    told = told_of(sound, targets, 1, 0)
    assert asked[0][3] is resolved  # a plane alone, or the middle of both
    reference = 222.0 if resolved else 222.0 * 2.0 ** (20.0 / 2400.0)
    assert told.cents == pytest.approx(1200.0 * np.log2(222.7 / reference))


@pytest.mark.parametrize(("by_bar", "refused"), [(13.0, False), (2.0, True)])
def test_upper_partials_deny_planes_only_where_it_is_not_the_bar_that_parts_them(by_bar, refused):
    """The bar parts the fundamental, hardly the second partial: such a tine is told, not refused for ever."""
    sound, targets, _ = near()
    frequency = np.array(targets.frequency)
    frequency[0] = 0.7 * frequency[1]  # its neighbours' fundamentals are near enough to ring in
    frequency[2] = frequency[1] * 2.0 ** (150.0 / 1200.0)
    targets = replace(
        targets, frequency=frequency, middle=np.array([111.0, 222.0 * 2.0 ** (by_bar / 2400.0), 445.0])
    )
    sound.middle = lambda *_, **__: PlanePitch(222.7, 0.04, 16.0, 0.3, 0.55, 0.03, odd=0.95)
    told = told_of(sound, targets, 1, 0)
    assert (told.reason == tapped_pitch.OTHERS) is refused
    assert (told.tine is None) is refused


def test_the_second_partials_ratio_does_not_hang_on_which_plane_the_blow_drove():
    """The fundamental's planes 20 cents apart by the bar, the second partial's together."""
    ratios = []
    for louder in (0, 1):
        sound, targets, _ = near(0.3, 20.0)
        planes = np.array([222.0, 222.0 * 2.0 ** (20.0 / 1200.0)])
        frequency = np.array(targets.frequency)
        frequency[1, :, 0], frequency[1, :, 1] = planes, 222.0 * 6.27
        middle = float(np.sqrt(np.prod(planes)))
        targets = replace(targets, frequency=frequency, middle=np.array([111.0, middle, 445.0]))
        hertz, none = np.array([planes[louder], 222.0 * 6.3]), np.zeros(2)
        sound.new = FittedModes(np.array([1.0, 0.5]) + 0j, -2.0 + 2j * np.pi * hertz, none, none, none)
        sound.middle = lambda *_, at=middle, **__: PlanePitch(at, 0.04, 20.0, 0.3, 0.55, 0.03, odd=0.0)
        ratios.append(told_of(sound, targets, 1, 0).overtone)
    assert ratios == [pytest.approx(6.3)] * 2


@pytest.mark.parametrize(("by_bar", "said"), [(9.0, True), (9.9, False), (12.0, False)])
def test_what_the_bar_parts_no_turning_in_the_hole_joins(by_bar, said):
    """Of planes 10.02 cents apart: a cent or more that is the rod's own."""
    targets = replace(TARGETS, middle=TARGETS.target * 2.0 ** (by_bar / 2400.0))
    assert any("turn it an eighth" in each for each in advice_words(SHARP, targets, None, None)) is said


def test_a_plane_alone_is_asked_for_one_line_and_nothing_beside_it(monkeypatch):
    """Of two lines fitted and one taken away, what is left of that one is no plane of the other."""
    asked = []
    monkeypatch.setattr(tapped_pitch, "plane_pitch", lambda *_, **words: asked.append(words["widest"]))
    none, hertz = np.zeros(2), np.array([263.0, 267.0])
    new = FittedModes(np.array([1.0, 0.7]) + 0j, -1.0 + 2j * np.pi * hertz, none, none, none)
    sound = TappedSound(np.zeros(RATE), float(RATE), new, new, new.pick([]))
    for alone in (True, False):
        sound.middle([0], 3.0, 0.0, dies=np.ones(1), alone=alone)
    assert asked == [0.5, 24.0]
