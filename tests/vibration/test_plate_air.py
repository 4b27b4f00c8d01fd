"""The air around a plate: symmetry, passivity, power, convergence, the box and its hole."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.vibration.air_cells import FAINT
from synth.vibration.plate import orthotropic, solve_plate
from synth.vibration.plate_air import (
    ROWS,
    STEP,
    air_rows,
    air_spring,
    displaced_volume,
    plug_mass,
    radiation,
)

DB = 1.0
PERCENT = 1e-2
FREQUENCY = np.array([60.0, 200.0, 590.0])


def plate(edges="free"):
    return orthotropic(
        length=0.6,
        width=0.4,
        thickness=4e-3,
        density=680.0,
        youngs_x=16.5e9,
        youngs_y=1.03e9,
        shear=0.7e9,
        poisson_xy=0.1,
        edges=(edges,) * 4,
    )


@pytest.fixture(scope="module", params=["both", "one"])
def air(request):
    modes = solve_plate(plate("free" if request.param == "both" else "supported"), highest=600.0, most=30)
    return modes, radiation(modes, FREQUENCY, faces=request.param)


def plain(modes, frequency, faces, count=(24, 16)):
    """The same equations on the whole plate, cell by cell, no symmetry used: impedance, and the cells' sources."""
    one = modes.plate
    short = 0.5 if faces == "both" else 0.0
    hx, hy = one.length / (count[0] + short), one.width / (count[1] + short)
    x = (np.arange(count[0]) - (count[0] - 1) / 2.0) * hx
    y = (np.arange(count[1]) - (count[1] - 1) / 2.0) * hy
    X, Y = (grid.ravel() for grid in np.meshgrid(x, y, indexing="ij"))
    shape = modes.at(one.length / 2.0 + X, one.width / 2.0 + Y)[:, 0]
    k, w = 2.0 * math.pi * frequency / SOUND_SPEED, 2.0 * math.pi * frequency
    dx, dy = X[:, None] - X, Y[:, None] - Y

    def corners(primitive):
        a, b = (dx + s * hx / 2.0 for s in (-1, 1))
        c, d = (dy + s * hy / 2.0 for s in (-1, 1))
        return primitive(b, d) - primitive(a, d) - primitive(b, c) + primitive(a, c)

    over_r = corners(lambda u, v: u * np.arcsinh(v / np.abs(u)) + v * np.arcsinh(u / np.abs(v)))
    R = np.where(np.hypot(dx, dy) > 0.0, np.hypot(dx, dy), 1.0)
    own = np.eye(len(X), dtype=bool)
    if faces == "both":
        rest = ((1.0 + 1j * k * R) * np.exp(-1j * k * R) - 1.0 - (k * R) ** 2 / 2.0) / R**3
        rest[own] = -1j * k**3 / 3.0
        matrix = corners(lambda u, v: -np.hypot(u, v) / (u * v)) + k**2 / 2.0 * over_r + rest * hx * hy
        jump = -1j * w * AIR_DENSITY * np.linalg.solve(matrix / (4.0 * math.pi), shape)
        return hx * hy * shape.T @ jump, (X, Y, jump * hx * hy / (1j * w), matrix / (4.0 * math.pi))
    rest = (np.exp(-1j * k * R) - 1.0) / R
    rest[own] = -1j * k
    jump = 1j * w * AIR_DENSITY * (over_r + rest * hx * hy) / (4.0 * math.pi) @ shape
    return hx * hy * shape.T @ jump, (X, Y, AIR_DENSITY * shape * hx * hy, None)


@pytest.mark.parametrize("faces", ["both", "one"])
def test_a_quarter_with_its_images_is_the_whole_plate(faces):
    modes = solve_plate(plate("free" if faces == "both" else "supported"), highest=250.0, most=12)
    quick = radiation(modes, np.array([200.0]), faces=faces)
    cells = [2 * len(np.unique(quick.point[:, axis])) for axis in (0, 1)]
    whole, (X, Y, sources, _) = plain(modes, 200.0, faces, count=cells)
    scale = np.abs(whole).max()
    assert quick.impedance[0] == pytest.approx(whole, abs=1e-9 * scale)
    ear, k = np.array([0.3, -0.5, 0.8]), 2.0 * math.pi * 200.0 / SOUND_SPEED
    R = np.sqrt((ear[0] - X) ** 2 + (ear[1] - Y) ** 2 + ear[2] ** 2)
    green = np.exp(-1j * k * R) / (4.0 * math.pi * R)
    if faces == "both":
        green = green * ear[2] / R * (1j * k + 1.0 / R)
    found = quick.transfer(np.array([200.0]), ear, nearest=0.0)[:, 0]
    assert found == pytest.approx(green @ sources, abs=1e-9 * np.abs(green @ sources).max())


def everyday(seed):
    """A plate, at random: its size, thickness, stiffness each way and edges."""
    draw = np.random.default_rng(seed)
    along, across = np.exp(draw.uniform(math.log(0.5e9), math.log(200e9), 2))
    return orthotropic(
        length=draw.uniform(0.15, 0.7),
        width=draw.uniform(0.1, 0.5),
        thickness=draw.uniform(1e-3, 12e-3),
        density=np.exp(draw.uniform(math.log(20.0), math.log(7900.0))),
        youngs_x=along,
        youngs_y=across,
        shear=0.3 * math.sqrt(along * across),
        poisson_xy=0.1,
        edges=(str(draw.choice(["free", "supported", "clamped"])),) * 4,
    )


@pytest.mark.parametrize("faces", ["both", "one"])
@pytest.mark.parametrize("seed", range(8))
def test_any_board_at_any_pitch_is_the_whole_plate_solved_plainly(seed, faces):
    """From 20 Hz to where the cells are longer than a wave of sound, on both sides of `COARSE`."""
    modes = solve_plate(everyday(seed), highest=1e5, most=7)
    quick = radiation(modes, np.array([20.0, 170.0, 600.0, 1500.0, 3500.0, 12000.0]), faces=faces)
    nx, ny = (len(np.unique(quick.point[:, axis])) for axis in (0, 1))
    for row, f in enumerate(quick.frequency):
        whole, (X, Y, sources, _) = plain(modes, f, faces, count=(2 * nx, 2 * ny))
        scale = np.abs(whole).max()
        assert quick.impedance[row] == pytest.approx(whole, abs=1e-11 * scale)
        assert quick.impedance[row].real == pytest.approx(whole.real, abs=1e-9 * np.abs(whole.real).max())
        found = quick.sources[min(row, len(quick.sources) - 1)]
        np.testing.assert_allclose(
            np.stack([X, Y], 1).reshape(2 * nx, 2 * ny, 2)[nx:, ny:].reshape(-1, 2), quick.point
        )
        mine = sources.reshape(2 * nx, 2 * ny, -1)[nx:, ny:].reshape(nx * ny, -1)
        assert found == pytest.approx(mine, abs=1e-11 * np.abs(mine).max())


@pytest.mark.parametrize("faces", ["both", "one"])
@pytest.mark.parametrize("seed", range(8))
def test_what_is_read_between_the_rows_comes_to_what_is_solved_there(seed, faces, monkeypatch):
    """Pressure within 2 %, mass within 2 %, resistance within 6 % of its largest, and a hundredth of that (the
    cubic's fourth power gives 256) with four times as many rows.
    """
    modes = solve_plate(everyday(seed), highest=4000.0, most=40)
    draw, top = np.random.default_rng(seed), float(modes.frequency[-1])
    frequency = np.exp(draw.uniform(math.log(40.0), math.log(top), 12))  # not in order
    ear, rising = np.array([0.3, 0.5, 1.0]), np.sort(frequency)
    solved = radiation(modes, rising, faces=faces)
    heard = np.stack(
        [
            dataclasses.replace(
                solved,
                frequency=rising[n : n + 1],
                sources=solved.sources[min(n, len(solved.sources) - 1)][None],
            ).transfer(rising[n : n + 1], ear, nearest=1.0)[:, 0]
            for n in np.argsort(np.argsort(frequency))
        ],
        axis=1,
    )
    everywhere = np.ones(solved.impedance.shape[1:])
    for finer in (1, 4):
        monkeypatch.setattr("synth.vibration.plate_air.STEP", STEP / finer)
        monkeypatch.setattr("synth.vibration.plate_air.ROWS", (ROWS[0] * finer, ROWS[1] * finer))
        table = radiation(modes, air_rows(modes.plate, top), faces=faces)
        close = 1.0 if finer == 1 else 1e-2
        read = table.transfer(frequency, ear, nearest=1.0)
        assert np.linalg.norm(read - heard) < 0.02 * close * np.linalg.norm(heard)
        for f, exact in zip(rising, solved.impedance, strict=True):
            assert table.mass(f * everywhere) == pytest.approx(
                exact.imag / (2.0 * math.pi * f), abs=0.02 * close
            )
            scale = np.abs(exact.real).max()
            assert table.resistance(f * everywhere) == pytest.approx(exact.real, abs=0.06 * close * scale)


def test_beyond_its_ends_the_table_is_held(air):
    _, table = air
    ear, everywhere = np.array([0.3, 0.5, 1.0]), np.ones(table.impedance.shape[1:])
    turn = 2.0 * math.pi * table.frequency
    for outside, row in ((0.0, 0), (1.0, 0), (2000.0, -1)):
        assert table.mass(outside * everywhere) == pytest.approx(table.impedance[row].imag / turn[row])
        assert table.resistance(outside * everywhere) == pytest.approx(table.impedance[row].real)
        alone = dataclasses.replace(
            table, frequency=table.frequency[:1], sources=table.sources[row : row + 1 or None]
        )
        there = np.array([outside])
        held, one = (each.transfer(there, ear, nearest=1.0) for each in (table, alone))
        assert held == pytest.approx(one, rel=1e-12)


def test_what_is_left_out_as_too_faint_is_what_may_be_left_out(monkeypatch):
    """Ten thousand times more left out, or a thousandth of it, moves the air by 1e-10 at most."""
    modes, f = solve_plate(plate(), highest=600.0, most=30), np.array([20.0, 170.0, 600.0, 1500.0])
    as_it_is = radiation(modes, f, faces="both")
    for faint in (1e-3, 1e4):
        monkeypatch.setattr("synth.vibration.air_cells.FAINT", FAINT * faint)
        other = radiation(modes, f, faces="both")
        for one, two in zip(as_it_is.impedance, other.impedance, strict=True):
            assert two == pytest.approx(one, abs=1e-10 * np.abs(one).max())


@pytest.mark.parametrize("faces", ["both", "one"])
def test_the_air_in_mixed_modes_is_the_mixture_of_the_air(faces):
    modes = solve_plate(plate("free" if faces == "both" else "supported"), highest=600.0, most=30)
    dry = radiation(modes, FREQUENCY, faces=faces)
    draw = np.random.default_rng(3)
    alike = np.all(dry.parity[:, None] == dry.parity, axis=2)
    mix = (draw.normal(size=alike.shape) * alike)[:, draw.permutation(len(alike))]
    mixed = dry.mixed(mix)
    assert mixed.impedance == pytest.approx(
        mix.T @ dry.impedance @ mix, abs=1e-9 * np.abs(dry.impedance).max()
    )
    assert mixed.sources == pytest.approx(dry.sources @ mix, abs=1e-12 * np.abs(dry.sources).max())
    ear = np.array([0.3, -0.5, 0.8])
    expected = mix.T @ dry.transfer(FREQUENCY, ear, nearest=0.5)
    assert mixed.transfer(FREQUENCY, ear, nearest=0.5) == pytest.approx(expected, rel=1e-9)


def test_force_to_air_and_air_to_force_are_reciprocal():
    """A source of unit volume at the ear presses on the still panel as the moving panel presses on the ear."""
    modes = solve_plate(plate(), highest=250.0, most=12)
    f, ear = 200.0, np.array([0.3, -0.5, 0.8])
    quick = radiation(modes, np.array([f]), faces="both")
    cells = [2 * len(np.unique(quick.point[:, axis])) for axis in (0, 1)]
    _, (X, Y, _, matrix) = plain(modes, f, "both", count=cells)
    w, k = 2.0 * math.pi * f, 2.0 * math.pi * f / SOUND_SPEED
    R = np.sqrt((ear[0] - X) ** 2 + (ear[1] - Y) ** 2 + ear[2] ** 2)
    # the normal gradient of the source's own pressure must be cancelled on the panel: the jump that does it
    gradient = (
        1j * w * AIR_DENSITY * ear[2] / R * (1j * k + 1.0 / R) * np.exp(-1j * k * R) / (4.0 * math.pi * R)
    )
    jump = np.linalg.solve(matrix, -gradient)
    area = 0.6 / (cells[0] + 0.5) * 0.4 / (cells[1] + 0.5)
    shape = modes.at(0.3 + X, 0.2 + Y)[:, 0]
    pressed = area * shape.T @ jump / (1j * w)  # modal force per volume velocity, over j w as `transfer` is
    assert pressed == pytest.approx(
        quick.transfer(np.array([f]), ear, nearest=0.0)[:, 0], abs=1e-9 * np.abs(pressed).max()
    )


def test_the_air_is_symmetric_and_takes_energy_only(air):
    _, around = air
    for Z in around.impedance:
        assert pytest.approx(Z.T, abs=1e-12 * np.abs(Z).max()) == Z
        assert np.linalg.eigvalsh(Z.real).min() > -1e-9 * np.abs(Z.real).max()
        assert np.linalg.eigvalsh(Z.imag).min() > 0.0


def test_the_power_that_leaves_is_the_power_that_arrives(air):
    """Far-field intensity over a sphere against the work of the surface, 1 %."""
    _, around = air
    radius = 300.0
    nodes, weights = np.polynomial.legendre.leggauss(16)
    azimuth = (np.arange(32) + 0.5) * 2.0 * math.pi / 32
    for row, f in enumerate(FREQUENCY):
        for mode in (0, 4, 9):
            power = 0.0
            for cosine, weight in zip(nodes, weights, strict=True):
                sine = math.sqrt(1.0 - cosine**2)
                for angle in azimuth:
                    ear = radius * np.array([sine * math.cos(angle), sine * math.sin(angle), cosine])
                    p = around.transfer(np.array([f]), ear, nearest=radius)[mode, 0] * 2.0 * math.pi * f
                    power += weight * 2.0 * math.pi / 32 * radius**2 * abs(p) ** 2
            power /= 2.0 * AIR_DENSITY * SOUND_SPEED
            assert power == pytest.approx(around.impedance[row, mode, mode].real / 2.0, rel=1.0 * PERCENT)


def test_twice_as_fine_cells_move_no_level_by_half_a_decibel(air):
    """What is heard at one point of a force at another, every mode with its air."""
    modes, around = air
    fine = radiation(modes, FREQUENCY, faces=around.faces, finer=2.0)
    ear, shape = np.array([0.2, 0.3, 0.9]), modes.at(np.array([0.21]), np.array([0.13]))[0, 0]
    own = (2.0 * math.pi * modes.frequency) ** 2 * (1.0 + 0.02j)
    levels = []
    for mesh in (around, fine):
        heard = mesh.transfer(FREQUENCY, ear, nearest=1.0)
        for row, f in enumerate(FREQUENCY):
            w = 2.0 * math.pi * f
            q = np.linalg.solve(np.diag(own - w**2) + 1j * w * mesh.impedance[row], shape)
            levels.append(20.0 * math.log10(abs(heard[:, row] @ q) * w**2))
    coarse, close = np.split(np.array(levels), 2)
    assert np.abs(coarse - close).max() < 0.5 * DB


def test_one_lid_mode_and_a_hole_obey_the_sum_rule():
    # f1^2 + f2^2 = f_closed^2 + f_hole^2, exact for one mode and a plug: plywood, 100 mm deep, hole of 80 mm
    modes = solve_plate(plate("supported"), highest=100.0, most=1)
    volume, area = 0.6 * 0.4 * 0.1, math.pi * 0.04**2
    spring = air_spring(volume)
    q = np.array([float(displaced_volume(modes)[0]), area])
    mass = np.array([1.0, plug_mass(area, 4e-3)])
    w2 = (2.0 * math.pi * modes.frequency[0]) ** 2
    K = np.diag([w2, 0.0]) + spring * np.outer(q, q)
    squared = np.linalg.eigvalsh(K / np.sqrt(np.outer(mass, mass)))
    closed = w2 + spring * q[0] ** 2
    hole = (SOUND_SPEED**2) * area / (volume * (4e-3 + 1.7 * 0.04))
    assert squared.sum() == pytest.approx(closed + hole, rel=1e-9)
    assert squared.sum() / (2.0 * math.pi) ** 2 == pytest.approx(18450.0, rel=5.0 * PERCENT)
    assert math.sqrt(closed) / (2.0 * math.pi) == pytest.approx(99.0, rel=3.0 * PERCENT)
    assert math.sqrt(hole) / (2.0 * math.pi) == pytest.approx(93.0, rel=1.0 * PERCENT)


def test_a_hole_radiates_as_a_monopole():
    modes = solve_plate(plate("supported"), highest=100.0, most=1)
    around = radiation(modes, np.array([80.0]), faces="one").with_hole(5e-3)
    ear, k = np.array([0.1, 0.2, 1.0]), 2.0 * math.pi * 80.0 / SOUND_SPEED
    R = float(np.linalg.norm(ear))
    expected = AIR_DENSITY * 5e-3 * np.exp(-1j * k * R) / (4.0 * math.pi * R)
    assert around.transfer(np.array([80.0]), ear, nearest=0.0)[-1, 0] == pytest.approx(expected, rel=1e-9)
    assert np.linalg.eigvalsh(around.impedance[0].real).min() > 0.0


def test_far_below_its_first_wave_a_box_and_its_hole_are_one_source_of_what_they_displace():
    """R_ij = rho c k² V_i V_j / 4 pi of two monopoles close together: lid and lid, lid and plug, plug and plug."""
    modes = solve_plate(plate("supported"), highest=600.0, most=20)
    area, low = 2e-3, np.array([2.0, 3.0])
    found = radiation(modes, low, faces="one").with_hole(area).impedance.real
    displaced = np.append(displaced_volume(modes), area)
    k = 2.0 * math.pi * low / SOUND_SPEED
    wanted = AIR_DENSITY * SOUND_SPEED * k**2 / (4.0 * math.pi)
    moves = np.abs(displaced[:-1]) > 0.05 * np.abs(displaced[:-1]).max()
    assert np.count_nonzero(moves) >= 3
    own = np.append(np.flatnonzero(moves), len(displaced) - 1)
    for row, want in zip(found, wanted, strict=True):
        share = row[np.ix_(own, own)] / np.outer(displaced[own], displaced[own]) / want
        np.testing.assert_allclose(share, 1.0, rtol=0.06)  # of the cells


def test_unlike_edges_are_refused():
    one = orthotropic(
        length=0.6,
        width=0.4,
        thickness=4e-3,
        density=680.0,
        youngs_x=1e10,
        youngs_y=1e10,
        shear=4e9,
        poisson_xy=0.3,
        edges=("clamped", "free", "free", "free"),
    )
    with pytest.raises(ValueError, match="alike"):
        radiation(solve_plate(one, highest=100.0, most=3), FREQUENCY, faces="both")
