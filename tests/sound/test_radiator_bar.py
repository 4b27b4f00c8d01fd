"""Bar and tines as lines of dipoles."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.remembered import Remembered
from synth.sound.radiator import bar_middle, ears
from synth.sound.radiator.bar import _of_tines, bar_radiator, nearest_distance, rod_pressures
from synth.sound.radiator.dipoles import (
    Following,
    SoundingRods,
    Swelling,
    pressures,
    pressures_together,
    rods,
)
from synth.sound.radiator.thickness import thickness
from synth.vibration.bar import path

DB = 1.0
PERCENT = 1e-2


def plain(rods: SoundingRods, motion, pole, point, nearest):
    """The definition, piece by piece and mode by mode."""
    total = np.zeros(len(pole), dtype=complex)
    for m, s in enumerate(pole):
        k = abs(s.imag) / SOUND_SPEED
        for x in range(len(rods.volume)):
            away = point - rods.point[x]
            R = float(np.linalg.norm(away))
            D = AIR_DENSITY * rods.volume[x] * s**2 * (motion[x, :, m] @ away / R)
            far = thickness(np.array([k * rods.radius[x]]))[0]
            total[m] += D * far * (1j * k + 1.0 / R) * np.exp(-1j * k * (R - nearest)) / (4.0 * math.pi * R)
    return total


def straight(length, count, radius):
    z = (np.arange(count) + 0.5) * length / count
    point = np.stack([np.zeros(count), np.zeros(count), z - length / 2.0], axis=1)
    return rods(point, length=np.full(count, length / count), radius=radius)


def test_the_table_over_the_wavenumber_is_the_plain_sum():
    random = np.random.default_rng(3)
    one = straight(0.3, 25, 3e-3)
    motion = random.standard_normal((25, 3, 4))
    moves = random.standard_normal((4, 300)) + 1j * random.standard_normal((4, 300))
    pole = -5.0 + 2j * math.pi * np.sort(random.uniform(50.0, 18_000.0, 300))
    point = np.array([0.4, 0.3, 0.8])
    quick = pressures(one, motion, moves, pole, point[None], nearest=0.9)[0]
    slow = plain(one, motion @ moves, pole, point, 0.9)
    assert np.abs(quick - slow).max() < 0.5 * PERCENT * np.abs(slow).max()
    assert np.median(np.abs(quick / slow - 1.0)) < 0.5 * PERCENT


def test_the_table_is_as_right_at_low_wavenumbers_as_elsewhere():
    """Far away a dipole's pressure vanishes with the wavenumber: a straight line from there would not do."""
    one = straight(0.1, 25, 3e-3)
    motion = np.ones((25, 3, 1)) * np.linspace(0.5, 1.5, 25)[:, None, None]  # the nearer end moves more
    frequency = np.concatenate([np.linspace(50.0, 800.0, 16), np.linspace(900.0, 19_000.0, 300)])
    pole = -5.0 + 2j * math.pi * frequency
    point = np.array([20.0, 4.0, 25.0])
    quick = pressures(one, motion, np.ones((1, 316)), pole, point[None], nearest=0.9)[0]
    slow = plain(one, np.repeat(motion, 316, axis=2), pole, point, 0.9)
    off = np.abs(quick / slow - 1.0)
    assert off[frequency < 1000.0].max() < 0.1 * PERCENT
    assert off[frequency < 10_000.0].max() < 0.25 * PERCENT


def test_a_short_rod_is_a_dipole_far_away():
    # |p| = k w rho a^2 |int u dz| / (2 r), broadside (P. M. Morse, Vibration and Sound, from memory)
    one = straight(0.1, 20, 1.5e-3)
    f, far = 220.0, 200.0
    w = 2.0 * math.pi * f
    motion = np.zeros((20, 3, 1))
    motion[:, 0] = 1.0
    p = pressures(
        one, motion, np.ones((1, 1)) / w, np.array([1j * w]), np.array([[far, 0.0, 0.0]]), nearest=far
    )
    expected = w / SOUND_SPEED * w * AIR_DENSITY * 1.5e-3**2 * 0.1 / (2.0 * far)
    assert abs(p[0, 0]) == pytest.approx(expected, rel=1.0 * PERCENT)


def test_a_dipole_is_silent_at_right_angles():
    one = straight(0.1, 20, 1.5e-3)
    motion = np.zeros((20, 3, 1))
    motion[:, 0] = 1.0
    pole = np.array([2j * math.pi * 500.0])
    front, side = (
        abs(pressures(one, motion, np.ones((1, 1)), pole, np.array([point]), nearest=1.0)[0, 0])
        for point in ([1.0, 0.0, 0.0], [0.0, 1.0, 0.0])
    )
    assert side < 1e-12 * front


def test_a_long_line_of_dipoles_is_the_oscillating_cylinder():
    # 3 mm rod, 1 kHz, 1 m/s, at 1 m: 0.09144 Pa by H1(2)(kr) (tests/data/radiation_checks.csv)
    one = straight(80.0, 16_001, 1.5e-3)
    w = 2.0 * math.pi * 1000.0
    motion = np.zeros((16_001, 3, 1))
    motion[:, 0] = 1.0
    p = pressures(
        one, motion, np.full((1, 1), 1.0 / w), np.array([1j * w]), np.array([[1.0, 0.0, 0.0]]), nearest=1.0
    )
    assert abs(p[0, 0]) == pytest.approx(0.09144, rel=1.0 * PERCENT)


@pytest.mark.parametrize(
    ("width", "height", "sideways", "upwards", "face"),
    # displaced plus carried air as of round rods of these radii (mm), by the panel method of test_carried_air
    [
        (25.0, 25.0, 14.75, 14.75, 0.0),
        (60.0, 10.0, 11.00, 25.16, 90.0),
        (12.0, 40.0, 18.20, 10.47, 0.0),
    ],
)
def test_bar_and_tines_together_are_the_sum_of_all_their_pieces(
    boarded, width, height, sideways, upwards, face
):
    """In both planes of a flat bar, and along it: end faces, and what its sides breathe as it stretches."""
    from synth.design.instrument import Section
    from synth.vibration.modal_model import assemble

    section = Section("rectangle", width * 1e-3, height * 1e-3, 0.0)
    bar = dataclasses.replace(boarded.instrument.bar, section=section)
    tines = tuple(dataclasses.replace(each, face=math.radians(face)) for each in boarded.instrument.tines)
    instrument = dataclasses.replace(boarded.instrument, bar=bar, tines=tines)
    model = assemble(tines, boarded.row.length, [()] * len(tines), bar=bar)
    points = ears(instrument)
    nearest = nearest_distance(model, points)
    chosen = np.linspace(6, len(model.pole) - 1, 12).astype(int)
    pole = model.pole[chosen]
    whole = rod_pressures(model, instrument, boarded.row.trim, points, nearest=nearest)[0, chosen]
    total = np.zeros(len(chosen), dtype=complex)
    for each in (each for pair in _of_tines(model, tines, boarded.row.trim) for each in pair):
        total += plain(each.rods, each.motion @ each.moves[:, chosen], pole, points[0], nearest)
    edge = np.linspace(0.0, bar.length, 401)
    position, axes = path(bar, (edge[1:] + edge[:-1]) / 2.0)
    moved = model.bar.at(edge)[:, :3] @ model.vectors[model.bar_dof][:, chosen]
    motion = model.bar.at((edge[1:] + edge[:-1]) / 2.0)[:, :3] @ model.vectors[model.bar_dof][:, chosen]
    step = np.full(400, bar.length / 400)
    for axis, radius in ((1, sideways), (2, upwards)):
        part = axes[:, axis, :, None] * np.einsum("xi,xim->xm", axes[:, axis], motion)[:, None]
        total += plain(rods(position, length=step, radius=radius * 1e-3), part, pole, points[0], nearest)
    # along it: sources at the end faces, and from the sides -2 nu S per stretch, all of them single sources
    area = width * height * 1e-6
    stretch = np.diff(moved[:, 0], axis=0)
    ends = path(bar, np.array([0.0, bar.length]))[0]
    flow = np.concatenate(
        [area * moved[[0, -1], 0] * [[-1.0], [1.0]], -2.0 * bar.material.poisson * area * stretch]
    )
    away = np.linalg.norm(points[0] - np.concatenate([ends, position]), axis=1)
    k = np.abs(pole.imag) / SOUND_SPEED
    green = np.exp(-1j * np.outer(away - nearest, k)) / (4.0 * math.pi * away[:, None])
    total += AIR_DENSITY * pole**2 * (green * flow).sum(axis=0)
    assert np.abs(whole - total).max() < 1.0 * PERCENT * np.abs(total).max()
    level = 20.0 * np.log10(np.abs(whole / total))
    assert np.median(np.abs(level)) < 0.1 * DB


def test_a_tines_end_face_pushes_the_air_that_the_rod_displaces_and_no_more(boarded):
    """A tine on a bar that moves the way it points: the dipole of pi d^2/4 over its length, half of one across."""
    model = boarded.model()
    across, along = next(_of_tines(model, boarded.instrument.tines, boarded.row.trim))
    length = float(model.tines.tip[0] - model.tines.height[0, 0])
    assert along.rods.volume.sum() == pytest.approx(math.pi / 4.0 * 9e-6 * length, rel=1e-9)
    assert across.rods.volume.sum() == pytest.approx(math.pi / 2.0 * 9e-6 * length, rel=1e-9)
    up = np.array([0.0, 0.0, 1.0, 0.0, 0.0, 0.0])
    np.testing.assert_allclose(
        along.motion @ up, np.tile([0.0, 0.0, 1.0], (len(along.rods.volume), 1)), atol=1e-12
    )
    np.testing.assert_allclose(across.motion[:, :, :6] @ up, 0.0, atol=1e-12)


def test_what_has_no_momentum_makes_no_dipole(boarded):
    """A free round bar and its tine of the same steel: their dipoles cancel, far from either alone."""
    from synth.design.instrument import Section
    from synth.vibration.modal_model import assemble

    instrument = boarded.instrument
    steel = instrument.tines[0].rod.material
    # stiff and short: the tine's first partial moves it as a block, straight across, held by nothing
    bar = dataclasses.replace(
        instrument.bar,
        material=steel,
        section=Section("round", 0.025, 0.025, 0.0),
        path=(type(instrument.bar.path[0])(0.1),),
        supports=(),
    )
    tine = dataclasses.replace(
        instrument.tines[0], position=0.05, root=dataclasses.replace(instrument.tines[0].root, base_nut=None)
    )
    model = assemble([tine], boarded.row.length[:1], [()], bar=bar)
    small = dataclasses.replace(instrument, bar=bar, tines=(tine,))
    point = np.array([[30.0, 0.05, 0.02]])
    nearest = nearest_distance(model, point)
    which = int(np.argmax(np.abs(model.vectors[model.tine_dof[0, 0, 0]])))
    whole = rod_pressures(model, small, [()], point, nearest=nearest)[0, which]
    across, _ = next(_of_tines(model, small.tines, [()]))
    alone = pressures(across.rods, across.motion, across.moves, model.pole, point, nearest=nearest)[0, which]
    assert abs(whole) < 0.1 * abs(alone)


def test_a_symmetric_listener_hears_the_nearer_end_earlier_and_louder(boarded):
    left, right = ears(boarded.with_listener(azimuth=0.0, angle=1.0))
    middle = bar_middle(boarded.instrument)
    assert left[0] < middle[0] < right[0]
    assert left[1] == pytest.approx(right[1])
    assert left[1] < 0.0 < left[2]
    assert np.linalg.norm((left + right) / 2.0 - middle) == pytest.approx(1.0)
    assert np.linalg.norm(left - right) == pytest.approx(0.2)


def test_twice_as_far_is_six_decibels_quieter(boarded):
    model, row = boarded.model(), boarded.row
    near, far = (
        bar_radiator(model, boarded.with_listener(distance=distance, spacing=0.0), row.trim).weights[0]
        for distance in (20.0, 40.0)
    )
    high = (model.frequency > 300.0) & (model.frequency < 2000.0)
    ratio = 20.0 * np.log10(np.abs(near / far))[high]
    assert np.median(ratio) == pytest.approx(6.02, abs=0.5 * DB)  # single modes beam


def test_what_happens_at_the_same_pieces_adds_up_like_one_by_one():
    """Rods of one and of several radii, coordinates that move nothing, and a swelling, against plain sums."""
    rng = np.random.default_rng(4)
    point = rng.normal(size=(7, 3)) * 0.3
    pole = -2.0 + 2j * np.pi * np.array([180.0, 900.0, 5000.0, 14000.0])
    ears_at = np.array([[0.2, -1.0, 0.4], [-0.2, -0.9, 0.5]])

    def motion(still):
        moved = rng.normal(size=(7, 3, 5))
        moved[:, :, still] = 0.0
        return moved

    def moves(count):
        return rng.normal(size=(count, 4)) + 1j * rng.normal(size=(count, 4))

    even, uneven = np.full(7, 4e-3), np.linspace(2e-3, 2e-2, 7)
    following = [
        Following(SoundingRods(point, rng.uniform(1e-6, 3e-6, 7), radius), motion(still), moves(5))
        for radius, still in ((even, 2), (uneven, 0), (np.zeros(7), 4))
    ]
    swelling = Swelling(rng.normal(size=(7, 3)) * 1e-6, moves(3))
    swelling.volume[:, 1] = 0.0
    found = pressures_together(following, pole, ears_at, nearest=0.8, swelling=swelling)
    for c, ear in enumerate(ears_at):
        whole = sum(plain(each.rods, each.motion @ each.moves, pole, ear, 0.8) for each in following)
        distance = np.linalg.norm(ear - point, axis=1)
        k = pole.imag / SOUND_SPEED
        grown = AIR_DENSITY * (swelling.volume @ swelling.moves) * pole**2
        delay = np.exp(-1j * k * (distance[:, None] - 0.8))
        whole = whole + np.sum(grown / (4.0 * np.pi * distance[:, None]) * delay, axis=0)
        np.testing.assert_allclose(found[c], whole, rtol=1e-9)


def test_a_table_that_is_kept_is_found_again_only_for_the_very_same_pieces_and_ears():
    """Each number of what is asked moved in turn, while all that was asked before is remembered."""
    rng = np.random.default_rng(7)
    pole = -10.0 + 2j * math.pi * np.linspace(50.0, 12_000.0, 900)
    piece = straight(0.12, 12, 2e-3)
    given = {
        "point": piece.point, "volume": piece.volume, "radius": piece.radius,
        "ears": np.array([[0.3, -1.0, 0.4], [0.4, -1.0, 0.4]]),
        "motion": rng.standard_normal((12, 3, 2)), "swell": 1e-5 * rng.standard_normal((12, 2)),
    }  # fmt: skip
    moves, kept = rng.standard_normal((2, 900)) + 0j, Remembered(1 << 26)

    def heard(known, *, point, volume, radius, ears, motion, swell):
        following = [Following(SoundingRods(point, volume, radius), motion, moves)]
        return pressures_together(
            following, pole, ears, nearest=0.9, swelling=Swelling(swell, moves), known=known
        )

    usual = heard(kept, **given)
    for name, value in given.items():
        other = given | {name: value * 1.01 + 1e-4 * (name == "point")}
        fresh = heard(None, **other)
        assert np.abs(fresh - usual).max() > 1e-4 * np.abs(usual).max()
        np.testing.assert_array_equal(heard(kept, **other), fresh)
    np.testing.assert_array_equal(heard(kept, **given), usual)
