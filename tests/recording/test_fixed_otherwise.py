"""Tines that no nut holds, at the tuner: what a millimetre does to them, and what is said to be done."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.decode import decode
from synth.design.fixings import why_no_turns
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.doors.tuner_words import what_it_says
from synth.errors import InputError
from synth.recording import tuning_targets as tuning_targets_room
from synth.recording.identity import retrimmed
from synth.recording.measurement import Partial, TapPartials
from synth.recording.predicted_partials import bar_of, heard
from synth.recording.retune import retune
from synth.recording.tuning_targets import tuning_targets
from synth.vibration.solve import solve_row
from synth.vibration.tine import solve_tines
from tests.everyday import design_tree, solved

PITCHED = ({"pitch_hz": 180.0, "trim": [{"nut": "collar", "at_mm": 55.0}]}, {"pitch_hz": 240.0})


def made(fixing, stock="M4", tines=PITCHED):
    tree = {
        "bar": {
            "section": {"shape": "rectangle", "width_mm": 60.0, "height_mm": 40.0},
            "path": [{"straight_mm": 400.0}],
        },
        "stock": {"rod3": {"kind": "plain", "diameter_mm": 3.0}},
        "nut": {"collar": {"mass_g": 1.2, "height_mm": 3.0, "width_mm": 7.0}},
        "group": [
            {
                "name": "g", "start_mm": 150.0, "spacing_mm": 40.0, "stock": stock, "fixing": fixing,
                "tine": list(tines),
            }
        ],
    }  # fmt: skip
    instrument = resolve(decode(tree, Design))
    return instrument, solve_row(instrument)


@pytest.mark.parametrize("fixing", ["glued", "nuts"])
def test_a_millimetre_off_the_tip_leaves_the_trim_nut_where_it_is_and_one_below_does_not(fixing):
    """Held to the tine alone, solved at both lengths: the heavy bar hardly moves."""
    instrument, row = made(fixing)
    (moved,) = retrimmed(instrument, row.trim, 0, 1e-3)[0]
    assert moved.position == pytest.approx(0.055 if fixing == "glued" else 0.054)
    lengths = [row.length[0], row.length[0] - 1e-3]
    alone = solve_tines([instrument.tines[0]] * 2, lengths, [row.trim[0], (moved,)]).frequency[:, 0, 0]
    targets = tuning_targets(instrument, row)
    sounds = float(targets.target[0] * alone[0] / alone[1])  # flat by what a millimetre does
    assert targets.shorten(0, sounds) == pytest.approx(1e-3, rel=0.03)


def test_filing_and_turning_differ_where_a_nut_sits():
    glued, turned = (tuning_targets(*made(each)) for each in ("glued", "nuts"))
    assert abs(glued.reach[0] / turned.reach[0] - 1.0) > 2e-3
    np.testing.assert_array_equal(glued.thread_pitch, 0.0)
    np.testing.assert_allclose(turned.thread_pitch, 0.7e-3)
    assert np.isnan(glued.turns(0, 170.0))


@pytest.mark.parametrize(
    ("fixing", "turns", "shorten_mm", "words"),
    [
        ("glued", None, 0.4, "file 0.40 mm off its tip"),
        ("glued", None, -0.4, "glued: a weight at its tip lowers it"),
        ("set screw", None, 0.4, "0.40 mm into the bar, by its set screw"),
        ("collet", None, -0.4, "0.40 mm out of the bar, by its collet"),
        ("nuts", 0.57, 0.4, "0.57 turns up"),
        (None, None, -0.4, "0.40 mm down, plain rod"),
        ("inch", None, 0.43, "0.017 in up, plain rod"),
    ],
)
def test_what_is_to_be_done_goes_by_the_fixing_in_the_benchs_units(fixing, turns, shorten_mm, words):
    units, fixing = ("inch", None) if fixing == "inch" else ("mm", fixing)
    message = {
        "units": units,
        "name": "g.1", "cents": -9.0, "cents_sd": 0.3, "in_tune": False, "planes_hz": [],
        "fixing": fixing, "turns": turns, "shorten_mm": shorten_mm,
    }  # fmt: skip
    assert what_it_says(message) == f"g.1 -9.0 cents +-0.3: {words}"


@pytest.mark.parametrize(
    ("fixing", "pitch", "why"),
    [
        ("glued", 0.7e-3, "glued: it has no nut to turn"),
        ("set screw", 0.0, "set screw: it has no nut to turn"),
        (None, 0.0, "plain rod: it has no nut to turn"),
        ("nuts", 0.7e-3, None),
    ],
)
def test_why_no_nut_is_turned_goes_by_the_fixing(fixing, pitch, why):
    tine = SimpleNamespace(root=SimpleNamespace(fixing=fixing), rod=SimpleNamespace(pitch=pitch))
    assert why_no_turns(tine) == why


def test_the_fixing_of_a_design_reaches_the_targets():
    for fixing, stock, slides in (
        ("glued", "rod3", False),
        ("set screw", "rod3", True),
        ("collet", "rod3", True),
    ):
        targets = tuning_targets(*made(fixing, stock))
        assert targets.slides.tolist() == [slides, slides]
        assert targets.thread_pitch.tolist() == [0.0, 0.0]


@pytest.mark.parametrize(("fixing", "nut_mm"), [("nuts", 8.0), ("glued", 132.0)])
def test_a_tine_that_stands_too_long_has_that_much_more_room_below_its_nut_or_above(fixing, nut_mm):
    """A nut's edge 6.5 mm from the root, or from the tip, and 4.2 mm that the tine stands too long: 10.7 mm."""
    tine = {"free_length_mm": 140.0, "trim": [{"nut": "collar", "at_mm": nut_mm}]}
    instrument, row = made(fixing, tines=[tine, {"free_length_mm": 90.0}])
    longer = 0.03 * 0.140
    length = row.length + np.array([longer, 0.0])
    trim = retrimmed(instrument, row.trim, 0, -longer)
    sounds = heard(instrument, bar_of(instrument), length, trim, [0]).frequency[0, 0, :3]
    partials = [Partial(float(hz), 0.01, 3.0, 0.1, 0.1, 0.01, 0.0, 0.1 + 0j) for hz in sounds]

    def advised(shorten):
        shorter = length - np.array([shorten, 0.0])
        there = retrimmed(instrument, trim, 0, shorten)
        target = heard(instrument, bar_of(instrument), shorter, there, [0]).frequency[0, 0, 0]
        return retune(
            instrument, row, 0, [TapPartials(0.5, 0.51, 3.0, tuple(partials))], float(target)
        ).shorten

    for shorten in (-9e-3, 9e-3):
        assert advised(shorten) == pytest.approx(shorten, rel=0.01)
    with pytest.raises(InputError, match=r"lose 11\.[67]\d mm, which meets a trim nut"):
        advised(11.7e-3)


def test_one_line_of_a_close_pair_of_planes_is_unsure_by_half_of_what_parts_them():
    """Nobody knows which plane was heard: the pitch is told as it is, the other may be the one along the row."""
    instrument, row = made("nuts")
    both = heard(instrument, bar_of(instrument), row.length, row.trim, [1]).frequency[0]
    split = abs(np.log(both[0, 0] / both[1, 0]))
    assert 1.0 < 1200.0 / np.log(2.0) * split < 24.0
    lines = tuple(Partial(float(hz), 1e-4, 3.0, 0.1, 0.1, 0.01, 0.0, 0.1 + 0j) for hz in both[0, :3])
    advice = retune(instrument, row, 1, [TapPartials(0.5, 0.51, 3.0, lines)], float(both[0, 0]))
    assert advice.standard_uncertainty / advice.sounds == pytest.approx(0.5 * split, rel=0.02)
    assert advice.cents == pytest.approx(0.0, abs=0.01)


def test_a_slope_that_no_tine_has_is_told_by_the_clamp():
    """Of the clamped slope, 20 a metre: between two thirds and all of it as it is, less to a half as two thirds;
    what is steeper, less or the other way round has met a mode of the bar within the step.
    """
    share = np.array([1.0, 0.8, 0.6, 0.4, 1.04, 1.3, -0.3, 0.0])
    reach = tuning_targets_room._reach(-20.0 * share, np.full(len(share), -20.0))
    assert reach == pytest.approx(0.1 / np.array([1.0, 0.8, 2.0 / 3.0, 1.0, 1.04, 1.0, 1.0, 1.0]))


@pytest.mark.parametrize("seed", range(16))
def test_on_everyday_bars_no_nut_is_told_the_wrong_way_or_several_times_too_far(seed):
    """L + c over L: 1 of a slender rod, some hundredths more with its nut, up to half as much again where the bar
    shares its line; where lines changed within the step it was -0.05 to 12.
    """
    instrument, row, _ = solved(design_tree(seed))
    targets = tuning_targets(instrument, row)
    assert np.all((targets.reach > 0.9 * row.length) & (targets.reach < 1.65 * row.length))
