"""A stroke with real contact: energy, symmetry, silence, what repeats, what is refused."""

import dataclasses
import os
import subprocess
import sys

import numpy as np
import pytest

from synth.playing.contact import run, stroke_contact
from synth.playing.contact.hand import played
from synth.playing.contact.stroke_contact import EVENT, REFERENCE, ringing_since, stroke_row
from synth.playing.report import document
from synth.playing.stroke import Stroke
from synth.units import DEGREE, decibels

ALMOST = 0.1  # dB: partial against partial, one way of adding against another


def struck(row, stroke, **options):
    return stroke_row(stroke, row.instrument, row.tines, allow_yield=True, **options)


def first_partials(contact):
    return np.array([touch.along[0] for touch in contact.touches])


@pytest.mark.parametrize("stick", ["wood", "nylon", "brass"])
@pytest.mark.parametrize("speed", [0.3, 3.0])
def test_every_joule_is_booked(contact_row, stick, speed):
    contact = struck(contact_row, Stroke(0, contact_row.stick(stick), speed=speed), resolution=REFERENCE)
    assert contact.books.hand > 0.0
    assert contact.books.damped > 0.0
    assert contact.books.contact > 0.0
    assert abs(contact.books.residual) < 0.02


def test_the_books_close_with_the_square_of_the_step(contact_row):
    stroke = Stroke(0, contact_row.stick("wood"), speed=3.0)
    residuals = [
        abs(struck(contact_row, stroke, resolution=dataclasses.replace(REFERENCE, step=step)).books.residual)
        for step in (4e-6, 1e-6)
    ]
    assert residuals[1] < residuals[0] / 4.0  # second order would give 16, chatter scatters it


@pytest.mark.parametrize("speed", [0.1, 0.5, 2.0])
def test_a_stroke_never_gives_more_than_the_hand_gave(contact_row, speed):
    contact = struck(contact_row, Stroke(0, contact_row.stick("brass"), speed=speed))
    assert 0.0 < sum(touch.energy for touch in contact.touches) < contact.books.hand


def test_no_bite_is_silence_even_under_pressure(contact_row):
    contact = struck(contact_row, Stroke(0, contact_row.stick("wood"), bite=0.0, pressure=3.0))
    assert contact.trace.time.size == 0


def test_the_force_leaves_what_the_stick_left(contact_row):
    contact = struck(contact_row, Stroke(0, contact_row.stick("wood"), speed=0.3))
    end = contact.trace.time.max()
    amplitude = contact_row.along(contact_row.state(contact.trace, end))
    _, decay = contact_row.modes()
    for touch in contact.touches:
        for n in range(3):
            if contact_row.tines.exists[touch.tine, n]:
                # the report tells of the moment of the last release, the trace is followed to the end
                fade = np.exp(-decay[touch.tine, 0, n] * (end - touch.last_release))
                if touch.along[n] > 1e-8:  # m: less is rounding of the bins' middles
                    error = decibels(amplitude[touch.tine, n] / fade / touch.along[n])
                    assert error == pytest.approx(0.0, abs=(0.05, 0.4, 0.4)[n])


def test_a_backward_stroke_of_equal_tines_is_the_mirror_of_a_forward_one(row_of):
    row = row_of([110.0] * 5)
    forward, backward = (
        struck(row, Stroke(0, row.stick("wood"), speed=0.6, direction=direction))
        for direction in ("forward", "backward")
    )
    assert [touch.tine for touch in backward.touches] == [4, 3, 2, 1, 0]
    for one, other in zip(forward.touches, backward.touches, strict=True):
        assert other.first_touch == pytest.approx(one.first_touch, abs=1e-12)
        assert other.last_release == pytest.approx(one.last_release, abs=1e-12)
        # rounding of the places grows in the chatter
        assert other.along[0] == pytest.approx(one.along[0], rel=0.05)
    one, other = (contact.trace.impulse[:, 0].sum() for contact in (forward, backward))
    assert one == pytest.approx(-other, rel=0.01)  # the other way round


def test_the_same_stroke_gives_the_same_samples(contact_row):
    stroke = Stroke(0, contact_row.stick("brass"), speed=0.8)
    one, other = (struck(contact_row, stroke).trace for _ in range(2))
    np.testing.assert_array_equal(one.impulse, other.impulse)
    np.testing.assert_array_equal(one.time, other.time)


def levels(row, stroke, resolution):
    """dB of the first six partials (T, 6) along the row; nan beyond hearing, and where nothing was touched."""
    touches = struck(row, stroke, resolution=resolution).touches
    along = np.array([touch.along for touch in touches])
    heard = row.tines.exists[[touch.tine for touch in touches], :6]
    # a light stick thrown up by one tine can miss the next: nothing to compare there
    return 20.0 * np.log10(np.where(heard & (along > 0.0), along, np.nan))


def test_the_event_model_follows_the_truth(contact_row):
    """A part of the grid that scripts/contact_table.py prints whole; limits are those of the whole grid."""
    error, spread = [], []
    for stick in ("wood", "nylon", "brass"):
        for speed in (0.3, 1.0, 3.0):
            stroke = Stroke(0, contact_row.stick(stick), speed=speed, bite=1.5e-3)
            truth = levels(contact_row, stroke, REFERENCE)
            error.append(levels(contact_row, stroke, EVENT) - truth)
            for change in (0.98, 1.02):
                other = dataclasses.replace(stroke, bite=change * stroke.bite)
                spread.append(levels(contact_row, other, REFERENCE) - truth)
    width = np.nanpercentile(np.abs(np.concatenate(error)), 68.0, axis=0)
    own = np.nanpercentile(np.abs(np.concatenate(spread)), 68.0, axis=0)
    assert np.mean(np.isnan(np.concatenate(error)[:, 0])) < 0.2
    assert width[0] < 1.0
    assert width[1] < 3.0
    assert np.all(width[2:] < 1.5 * own[2:])
    # the mean of so many errors is known to twice their deviation over the root of their number
    error = np.concatenate(error)
    doubt = 2.0 * np.nanstd(error, axis=0) / np.sqrt(np.sum(~np.isnan(error), axis=0))
    assert np.all(np.abs(np.nanmean(error, axis=0)) < 1.0 + doubt)


def test_skew_shakes_the_tines_across_the_row(contact_row):
    straight, skewed = (
        struck(contact_row, Stroke(0, contact_row.stick("wood"), speed=0.5, skew=skew))
        for skew in (0.0, 15.0 * DEGREE)
    )
    assert all(touch.across[0] < 1e-9 for touch in straight.touches)
    # -8 to -19 dB of energy was found at 15 degrees, tan^2 15 is -11
    ratio = [touch.across[0] / touch.along[0] for touch in skewed.touches]
    assert -30.0 < decibels(float(np.median(ratio))) < -3.0


def test_a_touch_at_a_node_leaves_its_partial_silent(row_of):
    """All but silent: the push's arm about the tine's axis still turns it, some 20 dB below a push at the tip."""
    row = row_of([120.0] * 4)
    levels = []
    for height in (0.0, 0.2165 * 0.120):  # the second partial's node, Rayleigh, Theory of Sound, art. 178
        contact = struck(row, Stroke(0, row.stick("wood"), speed=1.0, height=height))
        levels.append(decibels(float(np.median([t.along[1] / t.along[0] for t in contact.touches]))))
    assert levels[1] < levels[0] - 15.0


def ring_of(row, amplitude):
    """Every tine ringing in its first partial, by so much at the tip, at the start of the performance."""
    q, p = np.zeros((2, *row.tines.frequency.shape))
    q[:, 0, 0] = amplitude / row.tines.at(np.zeros(len(row.tines.mass)))[:, 0]
    return q, p


def left_of(row, stroke):
    """Energy, as a share of the ring before, of what a stroke over a ringing row leaves of that ring."""
    q, p = ring_of(row, 0.8e-3)
    ringing = ringing_since(row.tines, q, p, 0.0)
    after = [
        struck(row, stroke, ringing=ringing).trace,
        struck(row, stroke).trace,
    ]
    end = max(each.time.max() for each in after)
    index = np.arange(len(row.tines.mass))
    ring = ringing(index, np.full(len(index), end))
    with_ring, fresh = (row.state(each, end) for each in after)
    remainder = (ring[0] + with_ring[0] - fresh[0], ring[1] + with_ring[1] - fresh[1])
    return np.median(row.energy(remainder) / row.energy(ring))


def test_a_slow_stroke_takes_the_ring_away_and_a_fast_one_does_not(contact_row):
    # Of the ring, -20 dB was found left at 0.1 m/s, -13 dB at 0.3, -3 dB at 1 and 0 dB at 3
    wood = contact_row.stick("wood")
    slow, fast = (left_of(contact_row, Stroke(0, wood, start=0.05, speed=speed)) for speed in (0.1, 3.0))
    assert 10.0 * np.log10(slow) < -10.0
    assert 10.0 * np.log10(fast) > -6.0


def test_the_ring_is_damped_while_the_stick_rests_before_it_plucks(row_of):
    row = row_of([140.0])
    q, p = ring_of(row, 0.5e-3)
    ringing = ringing_since(row.tines, q, p, 0.0)
    contact = struck(row, Stroke(0, row.stick("wood"), start=0.1, speed=0.1), ringing=ringing)
    touch = contact.touches[0]
    held = 0.5 * (touch.first_touch + touch.last_release)
    ring = ringing(np.array([0]), np.array([held]))
    added = row.state(contact.trace, held)
    left = row.energy((ring[0] + added[0], ring[1] + added[1]))[0]
    assert 10.0 * np.log10(left / row.energy(ring)[0]) < -4.0  # soft fingers hold no tine fast
    assert row.energy((q, p))[0] > 0.0


def test_the_state_goes_on_from_where_the_ring_was(contact_row):
    """The kernel's own state after the touch is the ring plus what the force did: damping is no illusion."""
    q, p = ring_of(contact_row, 0.3e-3)
    ringing = ringing_since(contact_row.tines, q, p, 0.0)
    contact = struck(
        contact_row, Stroke(0, contact_row.stick("wood"), start=0.02, speed=0.5), ringing=ringing
    )
    end = contact.trace.time.max()
    ring = ringing(np.arange(12), np.full(12, end))
    added = contact_row.state(contact.trace, end)
    whole = contact_row.along((ring[0] + added[0], ring[1] + added[1]))
    _, decay = contact_row.modes()
    for touch in contact.touches:
        fade = np.exp(-decay[touch.tine, 0, 0] * (end - touch.last_release))
        assert decibels(whole[touch.tine, 0] / fade / touch.along[0]) == pytest.approx(0.0, abs=ALMOST)


def test_a_tine_that_swings_far_is_met_where_it_swings(row_of):
    """Swinging by 5 mm 200 times a second, it comes to meet a stick that needs 50 ms for so much of its way."""
    row = row_of([140.0])
    q, p = ring_of(row, 5e-3)
    stroke = Stroke(0, row.stick("wood"), start=0.1, speed=0.1)
    still = struck(row, stroke)
    met = struck(row, stroke, ringing=ringing_since(row.tines, q, p, 0.0))
    sooner = still.touches[0].first_touch - met.touches[0].first_touch
    assert 0.03 < sooner < 0.055


def test_a_loose_hand_varies_and_its_seed_holds_it(contact_row):
    stroke = Stroke(0, contact_row.stick("wood"), speed=0.5, hand="loose")
    one, same, other = (first_partials(struck(contact_row, stroke, seed=seed)) for seed in (1, 1, 2))
    steady = first_partials(struck(contact_row, dataclasses.replace(stroke, hand="steady"), seed=1))
    np.testing.assert_array_equal(one, same)
    assert not np.allclose(one, other, rtol=1e-3)
    assert not np.allclose(one, steady, rtol=1e-3)


def test_the_report_carries_its_units(contact_row):
    stroke = Stroke(0, contact_row.stick("wood"), direction="backward", speed=0.5)
    contact = struck(contact_row, stroke)
    told = document(contact.touches, stroke, contact_row.instrument)
    assert [row["tine"] for row in told["tines"]] == list(range(1, 13))
    row = told["tines"][0]
    assert row["first_touch_s"] < row["last_release_s"]
    assert len(row["along_mm"]) == len(row["across_mm"]) == 6
    assert row["regime"] in ("pluck", "mixed", "strike")
    assert row["root_stress_mpa"] == pytest.approx(contact.touches[-1].root_stress / 1e6)


def test_numba_is_imported_only_when_a_stroke_is_computed():
    code = "import sys, synth.playing.contact.stroke_contact; sys.exit('numba' in sys.modules)"
    subprocess.run(
        [sys.executable, "-c", code], check=True, env={**os.environ, "PYTHONDONTWRITEBYTECODE": "1"}
    )


def test_compiling_is_told_on_standard_error(capsys):
    from numba import njit

    from synth.compiled import told_when_compiling

    @njit
    def doubled(value):
        return 2 * value

    with told_when_compiling():
        doubled(1)
    assert "compiling the contact model" in capsys.readouterr().err
    with told_when_compiling():
        doubled(2)
    assert capsys.readouterr().err == ""
    with told_when_compiling("the tuner's ear"):
        doubled(2.0)
    assert "compiling the tuner's ear" in capsys.readouterr().err


def test_an_exact_hand_needs_no_seed_and_a_steady_one_varies_less_than_a_loose_one(contact_row):
    def bites(hand, seed):
        return played(Stroke(0, contact_row.stick("wood"), hand=hand), seed).bite

    assert {bites("exact", seed) for seed in range(9)} == {2e-3}
    spread = {
        hand: np.std([np.log(bites(hand, seed)) for seed in range(400)]) for hand in ("steady", "loose")
    }
    assert spread["steady"] == pytest.approx(spread["loose"] / 3.0, rel=1e-6)


@pytest.mark.parametrize("partial", [1, 2, 4])
def test_every_partial_of_the_ring_is_met(contact_row, partial):
    """The stick finds the tips where the ring has them: with one partial alone, other forces than at rest."""
    stroke = Stroke(0, contact_row.stick("wood"), speed=0.5)
    q = np.zeros(contact_row.tines.frequency.shape)
    q[:, 0, partial] = np.where(contact_row.tines.exists[:, partial], 2e-6, 0.0)
    still = struck(contact_row, stroke)
    met = struck(contact_row, stroke, ringing=ringing_since(contact_row.tines, q, 0.0 * q, 0.0))
    first = [next(t for t in each.touches if t.tine == 0) for each in (still, met)]
    assert abs(first[1].first_touch - first[0].first_touch) > 1e-7
    assert abs(first[1].energy / first[0].energy - 1.0) > 1e-4


@pytest.mark.parametrize("bites", [slice(1, 3), pytest.param(slice(None), marks=pytest.mark.slow)])
def test_a_pass_whose_books_do_not_close_is_followed_more_finely(contact_row, monkeypatch, bites):
    """Several steps at once gave a slow birch stick up to 16 % more energy than the hand had."""
    birch = contact_row.instrument.sticks["birch"]

    def off():
        return [  # the second and the third are furthest off
            struck(contact_row, Stroke(0, birch, speed=0.1, bite=float(each))).books.off
            for each in np.linspace(2.6e-3, 3.0e-3, 6)[bites]
        ]

    assert max(off()) <= stroke_contact.CLOSED
    monkeypatch.setattr(stroke_contact, "CLOSED", 1.0)
    assert max(off()) > 0.02


@pytest.mark.parametrize("since", [0.0, 0.05])
@pytest.mark.parametrize("step", [2e-6, 0.5e-6])
def test_a_pass_goes_on_more_finely_from_any_stage_as_if_it_had_begun_so(
    contact_row, monkeypatch, step, since
):
    """Asked for every step, or for steps a quarter as long, from the start or amid touches."""
    stroke = Stroke(0, contact_row.stick("wood"), speed=0.3)
    fine = dataclasses.replace(EVENT, quiet_steps=1, step=step)
    plain, begun_so = (first_partials(struck(contact_row, stroke, resolution=each)) for each in (EVENT, fine))
    honest, steps = vars(run.Pass)["books"].fget, []

    def books(self):
        steps.append((self.resolution.step, self.course.step, self.course.quiet))
        coarse = self.resolution.quiet_steps > 1 or self.resolution.step > step
        found = honest(self)
        return dataclasses.replace(found, hand=2.0 * found.hand) if coarse and self.now > since else found

    monkeypatch.setattr(run.Pass, "books", property(books))
    contact = struck(contact_row, stroke)
    assert steps[-1] == (step, step, 1)
    assert np.abs(contact.books.off) < 0.01
    nudged = (
        first_partials(struck(contact_row, dataclasses.replace(stroke, bite=stroke.bite * 1.001))) / plain
    )
    went_on = 20.0 * np.abs(np.log10(first_partials(contact) / begun_so))
    assert went_on.max() < max(ALMOST, 20.0 * np.abs(np.log10(nudged)).max())


def test_partials_that_creep_are_not_said_to_ring(contact_row):
    """They die more slowly than by their decay rate: turned back by it they came to 1e277 m."""
    loss = contact_row.tines.loss_factor.copy()
    loss[:, :, 2:] = 40.0
    row = dataclasses.replace(contact_row, tines=dataclasses.replace(contact_row.tines, loss_factor=loss))
    contact = struck(row, Stroke(0, contact_row.stick("wood"), speed=0.1))
    for touch in contact.touches:
        assert 0.0 < touch.along[0] < 0.05
        assert touch.along[2:] == (0.0,) * len(touch.along[2:])
    assert not any("hit each other" in words for words in contact.warnings)
