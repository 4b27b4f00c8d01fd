"""Each number of a stroke reaches what it is meant for: every call on the way, no word at its default."""

import dataclasses
import math

import numpy as np
import pytest

from synth.playing.contact import arrays, hand, stroke_contact
from synth.playing.contact.resolution import EVENT, ContactResolution
from synth.playing.contact.stick import stick_line
from synth.playing.contact.stick_path import lowered_by
from synth.playing.contact.stroke_contact import FollowedStroke
from synth.playing.midi_mapping import edged
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
        for name in ("passage", "stick_line", "stick_modes", "tips_of", "pluck", "Pass"):
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
    (given, index, depth, count), named, _ = found["tips_of"]
    assert given is tines
    assert np.frombuffer(index, np.int64).tolist() == list(range(11, 3, -1))
    assert (depth, count, named) == (5e-3, 5, {})
    assert followed.passed.tolist() == list(range(4, 12))


def test_a_pass_is_given_what_was_made_for_it(asked):
    followed, stroke, _, _, found = asked
    way, stick, tip = (found[name][2] for name in ("passage", "stick_modes", "tips_of"))
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


@pytest.mark.parametrize("rod", ["threaded", "plain"])
def test_a_root_bears_its_own_steels_yield_at_its_core(bench, rod):
    """pi d^3 / 32 of the core, 0.5 to 0.8 of the outside's on a thread, times the yield stress."""
    made = bench.threaded(4.0, 0.7) if rod == "threaded" else bench.plain(4.0)
    steel = dataclasses.replace(made.material, yield_stress=250e6)
    tine = bench.tine(dataclasses.replace(made, material=steel))
    core = 4e-3 - 1.226869 * 0.7e-3 if rod == "threaded" else 4e-3
    moment = 250e6 * math.pi * core**3 / 32.0
    assert stroke_contact.bearable(tine) == pytest.approx(moment)
    assert stroke_contact.stress(moment, tine) == pytest.approx(250e6)


def test_what_a_quiet_step_brings_to_rest_takes_no_part_in_what_is_given_at_once(asked):
    """Modes of over 1.2 rad in a quiet step, of 2 and of 4 steps, rest; in a single step all of them count."""
    *_, found = asked
    stroke, way, tip, stick = found["Pass"][0][:4]
    tip = dataclasses.replace(tip, axis=np.full(len(way.tine), 0.3))
    row, held = arrays.row_arrays(way, tip, EVENT), arrays.stick_arrays(stick, EVENT)
    omega = 2.0 * math.pi * tip.frequency
    seen = 0
    for n, quiet in enumerate((0.0, 4e-6, 8e-6)):
        for t in range(len(way.tine)):
            own = omega[t, 0] * quiet <= 1.2
            seen += np.sum(~own)
            shape, slope = tip.shape[t, own], tip.slope[t, own]
            np.testing.assert_allclose(row.mobility[n, t], [shape @ shape, shape @ slope, slope @ slope])
        kicks = np.where(stick.omega * quiet <= 1.2, stick.kick_speed, 0.0)
        three = np.array([kicks[stick.direction == each].sum() for each in range(3)])
        np.testing.assert_allclose(held.mobility[n], stick.axes.T @ np.diag(three) @ stick.axes, atol=1e-9)
    assert seen > 2
    np.testing.assert_allclose(
        row.form[:, :4], np.stack([way.position, way.bite, way.core, way.edge], axis=1)
    )
    np.testing.assert_allclose(row.form[:, 4], 0.6 / tip.length)
    cos, sin = np.cos(tip.axis), np.sin(tip.axis)  # of a backward stroke: along is the other way round
    np.testing.assert_allclose(row.plane, np.stack([-cos, sin, sin, cos], axis=1))
    passed_above = dataclasses.replace(way, bite=np.where(np.arange(len(way.bite)) == 2, 0.0, way.bite))
    assert arrays.row_arrays(passed_above, tip, EVENT).form[2, 1] == -1.0
    assert stroke.direction == "backward"


@pytest.mark.parametrize(
    ("brightness", "towards_mm", "share"),
    [(0, (150.0, 2.0), 1.0), (32, (150.0, 2.0), 0.5), (127, (50.0, 0.3), 1.0)],
)
def test_of_a_brighter_or_duller_stick_only_that_changes_which_its_free_length_and_its_end_are(
    contact_row, brightness, towards_mm, share
):
    """A cantilever's mass goes as its length, its stiffness as the third and its pitch as the second power less."""
    for plain in contact_row.instrument.sticks.values():
        found = edged(plain, brightness)
        length = plain.length + share * (towards_mm[0] * 1e-3 - plain.length)
        stretch = length / plain.length
        wanted = {
            "length": length, "mass": plain.mass * stretch, "stiffness": plain.stiffness / stretch**3,
            "frequency": plain.frequency / stretch**2, "behind": max(plain.behind + plain.length - length, 0.0),
            "end_radius": plain.end_radius + share * (towards_mm[1] * 1e-3 - plain.end_radius),
        }  # fmt: skip
        for each in dataclasses.fields(plain):
            value = getattr(found, each.name)
            assert value == (
                pytest.approx(wanted[each.name], rel=1e-9, abs=1e-12)
                if each.name in wanted
                else getattr(plain, each.name)
            )
        assert edged(plain, 64) == plain
