"""A hand that varies: by how much, drawn from the seed alone, and heard in every contact."""

import dataclasses
import math

import numpy as np
import pytest

from synth.playing.contact import hand
from synth.playing.contact.stick import stick_line
from synth.playing.contact.stick_path import passage
from synth.playing.contact.stroke_contact import stroke_row
from synth.playing.stroke import Stroke

SEEDS = range(400)
SURE = 0.15  # of a standard deviation drawn 400 times and cut at 2.5: four of its own


@pytest.fixture
def stroke(contact_row):
    return Stroke(group=0, stick=contact_row.stick("wood"), hand="loose")


def spread(values):
    return np.std(np.log(values))


def test_an_exact_hand_never_varies(stroke):
    exact = dataclasses.replace(stroke, hand="exact")
    assert all(hand.played(exact, seed) == exact for seed in SEEDS)
    assert all(np.all(hand.wander(exact, seed, 5) == 1.0) for seed in SEEDS)


@pytest.mark.parametrize(("kind", "share"), [("loose", 1.0), ("steady", 1.0 / 3.0)])
def test_speed_and_depth_vary_from_seed_to_seed_by_their_own_spreads(stroke, kind, share):
    """The module's figures: 8 % of the speed and 12 % of the depth, 5 % from tine to tine; a third if steady."""
    stroke = dataclasses.replace(stroke, hand=kind)
    made = [hand.played(stroke, seed) for seed in SEEDS]
    assert spread([each.speed / stroke.speed for each in made]) == pytest.approx(0.08 * share, rel=SURE)
    assert spread([each.bite / stroke.bite for each in made]) == pytest.approx(0.12 * share, rel=SURE)
    first = [hand.wander(stroke, seed, 3)[0] for seed in SEEDS]
    assert spread(first) == pytest.approx(0.05 * share, rel=SURE)
    assert spread(hand.wander(stroke, 7, 400)) == pytest.approx(0.05 * share, rel=SURE)
    assert max(np.abs(np.log(first))) <= 2.5 * 0.05 * share + 1e-12


def test_a_seed_says_all_and_what_it_says_of_speed_says_nothing_of_the_wander(stroke):
    assert hand.played(stroke, 3) == hand.played(stroke, 3)
    np.testing.assert_array_equal(hand.wander(stroke, 3, 6), hand.wander(stroke, 3, 6))
    speeds = np.log([hand.played(stroke, seed).speed for seed in SEEDS])
    wanders = np.log([hand.wander(stroke, seed, 2) for seed in SEEDS]).T
    assert np.abs(np.corrcoef([speeds, *wanders])[np.triu_indices(3, 1)]).max() < 0.2


def test_each_tine_is_met_at_its_own_depth_and_another_seed_at_another(contact_row, stroke):
    ways = [
        passage(stroke, contact_row.instrument, contact_row.tines.frequency[:, 0, 0], seed) for seed in (1, 2)
    ]
    for way, seed in zip(ways, (1, 2), strict=True):
        ratio = way.bite / stroke.bite
        np.testing.assert_allclose(np.sort(ratio), np.sort(hand.wander(stroke, seed, len(ratio))))
    assert spread(ways[0].bite / ways[1].bite) > 0.02


def test_the_seed_reaches_speed_and_depth_of_the_contact(contact_row, stroke):
    def heard(seed, stroke=stroke):
        return stroke_row(stroke, contact_row.instrument, contact_row.tines, seed=seed)

    one, again, other = heard(1), heard(1), heard(2)
    force = [[touch.greatest_force for touch in each.touches] for each in (one, again, other)]
    assert force[0] == force[1]
    assert spread(np.divide(force[0], force[2])) > 0.02  # tine by tine, not all alike
    # how long the pass takes is the speed of this hand and seed
    for each, seed in ((one, 1), (other, 2)):
        first, last = (each.touches[k].first_touch for k in (0, -1))
        speed = abs(
            contact_row.instrument.tines[-1].position - contact_row.instrument.tines[0].position
        ) / abs(last - first)
        assert speed == pytest.approx(hand.played(stroke, seed).speed, rel=0.02)


def test_a_hand_that_presses_stands_lower_by_its_force_over_its_spring_where_it_touches_at_all(
    contact_row, stroke
):
    """By what 0.1 N moves the end of the stick at rest in the fingers; one that passes above presses on nothing."""
    plain = dataclasses.replace(stroke, hand="exact", bite=1.5e-3, lean=1.0)
    hertz = contact_row.tines.frequency[:, 0, 0]
    before, after = (
        passage(dataclasses.replace(plain, pressure=each), contact_row.instrument, hertz)
        for each in (0.0, 0.1)
    )
    touched = before.bite > 0.0
    assert 0 < np.sum(~touched) < len(touched)
    line = stick_line(plain.stick, tilt=plain.tilt, skew=0.0, sign=1.0, beam_modes=12)
    across = -(line.residue[:, 0] / line.pole).real.sum()  # m/N: all that an impulse's swing adds up to
    along = (1e-3 + 1.0 / 700.0) / 4.0  # m/N: four pads of 1 N/mm on fingers of 0.7, side by side
    down = across * math.sin(plain.tilt) ** 2 + along * math.cos(plain.tilt) ** 2
    np.testing.assert_allclose(after.bite[touched] - before.bite[touched], 0.1 * down, rtol=0.03)
    assert not after.bite[~touched].any()
