"""Each number of a stroke reaches what it is meant for: every call on the way, no word at its default."""

import dataclasses
import math

import numpy as np
import pytest

from synth.playing.contact import hand, stroke_contact
from synth.playing.contact.resolution import ContactResolution
from synth.playing.contact.stick import stick_line
from synth.playing.contact.stick_path import lowered_by
from synth.playing.contact.stroke_contact import FollowedStroke
from synth.playing.stroke import Stroke

RESOLUTION = ContactResolution(tine_modes=5, beam_modes=7, step=4e-6, bin_steps=2, quiet_steps=2, whole=False)
SEED = 11


@pytest.fixture(scope="module")
def asked(contact_row):
    """What a backward stroke of an unsteady hand asks of each part: words and answer, by its name."""
    (whole,) = contact_row.instrument.groups
    groups = (dataclasses.replace(whole, count=4), dataclasses.replace(whole, first=4, count=8))
    instrument = dataclasses.replace(contact_row.instrument, groups=groups)
    stroke = Stroke(
        1, contact_row.stick("nylon"), start=0.3, speed=0.7, direction="backward", bite=1.7e-3, lean=0.4,
        height=5e-3, tilt=0.9, skew=0.2, pressure=0.1, grip="firm", hand="loose",
    )  # fmt: skip
    found = {}
    with pytest.MonkeyPatch.context() as patch:
        for name in ("passage", "stick_line", "stick_modes", "tips", "pluck", "Pass"):
            real = getattr(stroke_contact, name)

            def called(*words, _real=real, _name=name, **named):
                found[_name] = words, named, _real(*words, **named)
                return found[_name][2]

            patch.setattr(stroke_contact, name, called)
        followed = FollowedStroke(
            stroke,
            instrument,
            contact_row.tines,
            seed=SEED,
            resolution=RESOLUTION,
            allow_yield=True,
            pad_damping=3.0,
        )
    return followed, hand.played(stroke, SEED), instrument, contact_row.tines, found


def test_the_stick_of_the_contact_and_that_of_its_sound_are_held_alike(asked):
    _, stroke, *_, found = asked
    held = {"tilt": 0.9, "skew": 0.2, "beam_modes": 7, "grip": "firm", "pad_damping": 3.0}
    assert found["stick_line"][:2] == ((stroke.stick,), {**held, "sign": -1.0})
    assert found["stick_modes"][:2] == ((stroke.stick,), {**held, "whole": False})


def test_tips_are_those_of_the_group_in_their_order_at_the_height_of_the_stick(asked):
    followed, _, _, tines, found = asked
    (given, index), named, _ = found["tips"]
    assert given is tines
    assert index.tolist() == list(range(11, 3, -1))
    assert named == {"depth": 5e-3, "count": 5}
    assert followed.passed.tolist() == list(range(4, 12))


def test_a_pass_is_given_what_was_made_for_it(asked):
    followed, stroke, _, _, found = asked
    way, stick, tip = (found[name][2] for name in ("passage", "stick_modes", "tips"))
    (given, *rest, ring, resolution), named, _ = found["Pass"]
    assert given == stroke
    assert all(one is other for one, other in zip(rest, (way, tip, stick), strict=True))
    assert resolution == RESOLUTION
    assert named == {"leaves": float(found["pluck"][2].leave.max())}
    assert np.abs(ring.displacement).max() == np.abs(ring.velocity).max() == 0.0
    np.testing.assert_allclose(ring.time, 0.3 + way.position / stroke.speed)
    assert found["pluck"][0] == (stroke, way, tip)
    assert followed.stick is found["stick_line"][2]


def test_a_hand_wanders_from_tine_to_tine_by_the_seed_of_its_stroke(asked):
    """Each tine of a place on the bar has its own draw, whichever way the stick comes."""
    _, stroke, instrument, tines, found = asked
    (given, there, pitch, seed), named, way = found["passage"]
    assert (given, there, seed, named) == (stroke, instrument, SEED, {})
    np.testing.assert_array_equal(pitch, tines.frequency[:, 0, 0])
    octaves = np.log2(pitch[4:])
    lean = 2.0 * (octaves - octaves.min()) / np.ptp(octaves) - 1.0
    even = stroke.bite * (1.0 + 0.4 * lean)
    draws = np.clip(np.random.default_rng((SEED, 1)).standard_normal(8), -2.5, 2.5)
    pressed = 0.1 * lowered_by(stroke)
    np.testing.assert_allclose(way.bite[::-1], even * np.exp(0.05 * draws) + pressed, rtol=1e-9)


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_a_stick_trails_behind_its_end_whichever_way_it_goes(contact_row, sign):
    """In the row's own directions: the hand is above and ahead of the end; the way along the row turns round."""
    line = stick_line(contact_row.stick("wood"), tilt=0.6, skew=0.2, sign=sign, beam_modes=4)
    up, ahead = math.cos(0.6), math.sin(0.6)
    np.testing.assert_allclose(line.axis, [sign * ahead * math.cos(0.2), ahead * math.sin(0.2), up])
    np.testing.assert_allclose(
        line.across,
        [
            [sign * up * math.cos(0.2), up * math.sin(0.2), -ahead],
            [-sign * math.sin(0.2), math.cos(0.2), 0.0],
        ],
    )
