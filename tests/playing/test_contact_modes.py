"""Small parts of the contact: tips and slender beams, how a tine rings on, energy left at the end."""

import dataclasses
import math
from types import SimpleNamespace

import numpy as np
import pytest
import scipy.integrate
import scipy.interpolate
import scipy.linalg

from synth.design import catalogue
from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.contact import modal_step
from synth.playing.contact.closed_form import Pluck
from synth.playing.contact.modes import ContactModes, Slender, tips, tips_of
from synth.playing.contact.run import EnergyBalance, _books
from synth.playing.contact.stick import _bending
from synth.playing.contact.stroke_contact import ringing_since


def shape(lam, x):
    """A clamped-free beam's mode over its length, mean square 1 (Blevins 1979, table 8-1)."""
    sigma = (math.cosh(lam) + math.cos(lam)) / (math.sinh(lam) + math.sin(lam))
    return np.cosh(lam * x) - np.cos(lam * x) - sigma * (np.sinh(lam * x) - np.sin(lam * x))


def test_a_slender_beam_takes_part_as_its_shape_integrates():
    mass, length = 0.0123, 0.234
    beam = Slender(np.array([length]), np.array([mass]), 4)
    for n, lam in enumerate(beam.root):
        force = scipy.integrate.quad(lambda x, lam=lam: shape(lam, x), 0.0, 1.0)[0]
        moment = scipy.integrate.quad(lambda x, lam=lam: x * shape(lam, x), 0.0, 1.0)[0]
        assert beam.momentum[0, n] == pytest.approx(math.sqrt(mass) * force, rel=1e-6)
        assert beam.moment_participation[0, n] == pytest.approx(math.sqrt(mass) * length * moment, rel=1e-6)


def test_a_tine_that_is_let_ring_moves_as_a_damped_oscillator():
    hertz, loss, then = 220.0, 0.02, 0.3
    tines = SimpleNamespace(
        frequency=np.full((1, 2, 1), hertz),
        loss_factor=np.full((1, 2, 1), loss),
        exists=np.ones((1, 1), bool),
    )
    q, p = np.array([[[1e-3], [2e-3]]]), np.array([[[0.7], [-0.4]]])
    found = ringing_since(tines, q, p, then)(np.array([0]), np.array([then + 0.0123]))
    omega, decay = 2.0 * math.pi * hertz, 0.5 * loss * 2.0 * math.pi * hertz
    for plane in (0, 1):
        state = np.array([q[0, plane, 0], p[0, plane, 0]])
        rate = np.array([[0.0, 1.0], [-(omega**2), -2.0 * decay]])
        wanted = scipy.linalg.expm(rate * 0.0123) @ state
        assert found[0][0, plane, 0] == pytest.approx(wanted[0], rel=2e-3, abs=1e-6)
        assert found[1][0, plane, 0] == pytest.approx(wanted[1], rel=2e-3, abs=2e-3)


def test_what_rings_at_the_end_stands_in_the_books_as_kinetic_and_elastic_energy():
    state = SimpleNamespace(
        p=np.array([[0.3, 0.2]]), q=np.array([[1e-3, 2e-4]]), stick_q=[0.0], stick_p=[0.0],
        books=np.zeros(20), tally=np.zeros((1, 20)), touch=np.zeros((1, 20)),
    )  # fmt: skip
    row = SimpleNamespace(omega=np.array([[1000.0, 6000.0]]))
    found = _books(state, row, SimpleNamespace(energy=lambda q, p: 0.25))  # type: ignore[arg-type]
    assert found.end == pytest.approx(0.25 + 0.5 * (0.3**2 + 0.2**2 + 1.0**2 + 1.2**2))


def test_a_slow_release_sounds_less_by_the_fitted_power():
    quick, slow = (
        SimpleNamespace(bend=1e-3, release_number=x, strike_number=0.0, softness=1.0) for x in (0.0, 66.0)
    )
    ratio = vars(Pluck)["amplitude"].fget(slow) / vars(Pluck)["amplitude"].fget(quick)
    assert ratio == pytest.approx(2.0**-4.7)


def test_wood_loses_twice_as_much_at_its_corner_as_in_slow_bending_and_metal_the_same_at_all_pitches(request):
    """A free beam swings at lambda^2 / l^2 sqrt(E I / rho A); its dashpots are eta omega, and of wood more."""
    instrument = resolve(load(request.path.parents[1] / "data" / "two-tines.toml"))
    for name, grain in (("birch", 5000.0), ("brass", math.inf)):
        stick = instrument.sticks[name]
        alone = _bending(stick, "usual", 0.0, 8)  # no pad swallows anything
        whole = stick.length + stick.gripped + stick.behind
        root = np.array([4.730041, 7.853205, 10.995608, *((n + 0.5) * math.pi for n in range(4, 9))])
        section = math.pi / 64.0 * stick.diameter**4, math.pi / 4.0 * stick.diameter**2
        speed = math.sqrt(stick.material.youngs * section[0] / (stick.material.density * section[1]))
        omega = root**2 / whole**2 * speed
        eta = stick.material.loss_factor * (1.0 + omega / (2.0 * math.pi * grain))
        assert alone.damping.diagonal()[2:10] == pytest.approx(eta * omega, rel=1e-4)


@pytest.mark.parametrize(("name", "across"), [("brass", False), ("birch", True)])
def test_a_stick_meets_a_tines_edge_as_crossed_cylinders_do(request, name, across):
    """4/3 E* (r R)^(1/4), r = 0.3 mm of the edge, R half the stick's thickness; wood is met across its grain."""
    stick = resolve(load(request.path.parents[1] / "data" / "two-tines.toml")).sticks[name]
    row, steel = catalogue.materials().find(stick.material.name), catalogue.materials().find("mild steel")
    soft = row.youngs_across_gpa if across else row.youngs_gpa
    assert (row.youngs_across_gpa is not None) is across
    assert soft is not None
    give = (1.0 - row.poisson**2) / soft + (1.0 - steel.poisson**2) / steel.youngs_gpa
    wanted = 4.0 / 3.0 * 1e9 / give * (0.3e-3 * stick.diameter / 2.0) ** 0.25
    assert stick.contact_stiffness == pytest.approx(wanted)


def test_a_tip_that_is_bent_by_a_load_drops_by_half_the_square_of_its_slopes():
    """w = u x^2 (3 - x) / 2 of a load at the tip; the tip comes down by the integral of w'^2 / 2."""
    length, bent = 0.234, 1e-3

    def slope(x):
        return bent / length * (6.0 * x - 3.0 * x**2) / 2.0

    down = scipy.integrate.quad(lambda x: 0.5 * slope(x) ** 2 * length, 0.0, 1.0)[0]
    drop = vars(ContactModes)["drop"].fget(SimpleNamespace(length=np.array([length])))
    assert drop[0] * bent**2 == pytest.approx(down)


def test_books_that_do_not_close_are_told_as_a_share_of_what_there_was_to_give():
    """3 J of the hand, 1 in the row; 2 to the tines, 0.2 to the stick, 0.1 lost, 0.1 in springs: 0.6 missing."""
    books = EnergyBalance(hand=3.0, start=1.0, end=2.5, tines=2.0, stick=0.2, contact=0.1, spring=0.1)
    assert books.off == pytest.approx(0.6 / 4.0)
    assert books.residual == pytest.approx(0.6 / 3.0)
    assert books.damped == pytest.approx(1.0 + 2.0 + 0.2 - 2.5)
    assert (
        EnergyBalance(hand=-3.0, start=1.0, end=0.0, tines=-2.0, stick=0.0, contact=0.0, spring=0.0).off
        == 0.25
    )


INDEX, BELOW, COUNT = np.array([7, 2]), np.array([3e-3, 11e-3]), 10  # 5 and 7 partials are within hearing


def test_each_figure_of_a_tip_is_its_tines_at_the_height_of_the_touch(contact_row):
    """Partials that are solved, in both planes; the second tine has a clamp higher up and planes of its own."""
    tines = contact_row.tines
    raised = tines.height + np.where(np.arange(12) == 2, 4e-3, 0.0)[:, None]
    unlike, losing = tines.frequency * [[1.0], [1.03]], tines.loss_factor * [[1.0], [2.0]]
    tines = dataclasses.replace(
        tines, height=raised, axis=0.1 * np.arange(12.0), frequency=unlike, loss_factor=losing,
    )  # fmt: skip
    found = tips(tines, INDEX, depth=BELOW, count=COUNT)
    np.testing.assert_allclose(found.length, tines.height[INDEX, -1] - tines.height[INDEX, 0])
    np.testing.assert_array_equal(found.mass, tines.mass[INDEX])
    np.testing.assert_allclose(found.axis, [0.7, 0.2])
    for t, (tine, below) in enumerate(zip(INDEX, BELOW, strict=True)):
        for n in range(int(tines.exists[tine].sum())):
            omega = 2.0 * math.pi * tines.frequency[tine, :, n]
            np.testing.assert_allclose(2.0 * math.pi * found.frequency[t, :, n], omega)
            np.testing.assert_allclose(found.decay_rate[t, :, n], 0.5 * omega * tines.loss_factor[tine, :, n])
            moment = tines.moment_participation[tine, n] * omega**2
            np.testing.assert_allclose(found.root_moment[t, :, n], moment)
            assert found.tip_shape[t, n] == pytest.approx(tines.shape[tine, n, -1])
            height, node = np.unique(tines.height[tine], return_index=True)
            curve = scipy.interpolate.CubicHermiteSpline(
                height, tines.shape[tine, n, node], tines.slope[tine, n, node]
            )
            assert found.shape[t, n] == pytest.approx(curve(height[-1] - below))
            assert found.slope[t, n] == pytest.approx(curve(height[-1] - below, 1))
    give = np.sum(found.shape[:, None] ** 2 / (2.0 * math.pi * found.frequency) ** 2, axis=2)
    np.testing.assert_allclose(found.stiffness, 1.0 / give.mean(axis=1))


def test_partials_above_hearing_are_a_slender_beams_in_the_sense_of_those_below(contact_row):
    """A mode's sign is free: turned round in what is solved, all of it is turned round, and nothing else."""
    tines = contact_row.tines
    turned = dataclasses.replace(
        tines, shape=-tines.shape, slope=-tines.slope, moment_participation=-tines.moment_participation
    )
    one, other = (tips(each, INDEX, depth=BELOW, count=COUNT) for each in (tines, turned))
    for name in ("shape", "slope", "tip_shape", "root_moment"):
        np.testing.assert_allclose(getattr(other, name), -getattr(one, name))
    for name in ("frequency", "decay_rate", "stiffness", "drop"):
        np.testing.assert_allclose(getattr(other, name), getattr(one, name))
    # at the tip 2 for a mass of 1, up and down in turn; pitches by the roots of cos x cosh x = -1
    added = one.tip_shape[:, 7:] * np.sqrt(one.mass)[:, None]
    np.testing.assert_allclose(added, np.tile([-2.0, 2.0, -2.0], (2, 1)), rtol=1e-6)
    for t, last in enumerate((4, 6)):
        squares = (np.arange(last, COUNT) + 0.5) ** 2
        pitches = one.frequency[t, 0, last] * squares / squares[0]
        np.testing.assert_allclose(one.frequency[t, 0, last:], pitches, rtol=2e-5)


def test_how_far_and_how_fast_a_tip_may_come_is_bounded_at_every_moment_and_reached_by_one_mode_alone():
    """Two planes of three modes, let go in any state: on its way no tip leaves the bounds of its start."""
    rng = np.random.default_rng(9)
    omega, shape = np.array([[900.0, 5600.0, 15e3] * 2]), np.array([[8.0, -7.0, 6.0]])
    q, p = rng.standard_normal((2, 1, 6)) / omega**0.5 * np.array([[[1e-3]], [[1.0]]])
    far, fast = (each(q, p, 0, omega, shape) for each in (modal_step.farthest, modal_step.fastest))
    time = np.linspace(0.0, 0.05, 20_001)[:, None]
    swing = (q[0] - 1j * p[0] / omega[0]) * np.exp(1j * omega[0] * time)
    place = (swing.real.reshape(-1, 2, 3) * shape[0]).sum(axis=2)
    speed = ((1j * omega[0] * swing).real.reshape(-1, 2, 3) * shape[0]).sum(axis=2)
    for bound, found in ((far, place), (fast, speed)):
        most = np.linalg.norm(found, axis=1).max()
        assert 0.3 * bound < most <= bound * (1.0 + 1e-9)
    alone = np.arange(6) == 1
    one = modal_step.farthest(q * alone, p * alone, 0, omega, shape)
    assert one == pytest.approx(7.0 * np.hypot(q[0, 1], p[0, 1] / 5600.0))
    assert modal_step.fastest(q * alone, p * alone, 0, omega, shape) == pytest.approx(5600.0 * one)
    assert modal_step.energy(q, p, 0, omega) == pytest.approx(0.5 * np.sum(p**2 + (omega * q) ** 2))
    root = np.array([[2.0, 3.0, 4.0, -1.0, 5.0, 0.5]])
    moments = (root * q).reshape(2, 3).sum(axis=1)
    assert modal_step.bending(q, 0, root) == pytest.approx(np.hypot(*moments))


def test_what_is_kept_of_tips_is_theirs_alone(contact_row):
    """Of other tines that look alike, other members, another height and another number of modes."""
    tines, index = contact_row.tines, np.arange(3, 7)
    heavier = dataclasses.replace(tines, frequency=0.9 * tines.frequency)
    asked = [
        (each, some, depth, count)
        for each in (tines, heavier)
        for some in (index, index[::-1].copy())
        for depth in (0.0, 8e-3)
        for count in (8, 10)
    ]
    kept = [tips_of(each, some.tobytes(), depth, count) for each, some, depth, count in asked * 2]
    for (each, some, depth, count), found in zip(asked * 2, kept, strict=True):
        made = tips(each, some, depth=depth, count=count)
        for name, value in vars(made).items():
            np.testing.assert_array_equal(getattr(found, name), value)
    assert kept[0] is kept[len(asked)]
    assert len({id(found) for found in kept}) == len(asked)
