"""Boards: against every frequency solved by itself; on past the last mode without a step; how they lie."""

from __future__ import annotations

import dataclasses
import functools
import math

import numpy as np
import pytest

from synth.design.instrument import Bar, Bend, Board, Foot, Material, PlateMaterial, Section, Straight
from synth.vibration.board import (
    SolvedBoard,
    _sliding,
    _tilting,
    _under_feet,
    feet_of,
    lie,
    plate_of,
    solve_board,
)
from synth.vibration.plate import solve_plate
from synth.vibration.plate_air import CAVITY_LOSS, STEP, air_spring, displaced_volume, radiation
from synth.vibration.statistical_modes import EdgeRadiation, diffuse_modes, edge_efficiency

DB = 1.0
PERCENT = 1e-2
PLY = PlateMaterial("birch plywood 4 mm", 680.0, 16.5e9, 1.03e9, 0.7e9, 0.1, 0.02, "", "")
FOAM = PlateMaterial("EPS 20", 20.0, 6e6, 6e6, 2.7e6, 0.1, 0.03, "", "")
STEEL = Material("steel", 7850.0, 203e9, 0.29, 3e-4, 0.0, 470.0, 50.0, 0.0, 3e8, 4.5e8, 2e8, "yes", "", "")
BAR = Bar(STEEL, Section("rectangle", 0.025, 0.025, 0.0), (Straight(1.2),), ())


def foot(at: float, x: float, y: float, size: float) -> Foot:
    """A square block of wood under the bar."""
    return Foot(at, x, y, size, size, "flat", 5e6, 0.35 * 5e6, 0.05)


FEET = tuple(foot(at, x, 0.18, 0.025) for at, x in ((0.4, 0.1), (0.8, 0.5)))


# one board of some tests is solved once
board_on_bar = functools.cache(solve_board)


def board(material=PLY, thickness=4e-3, depth=0.0, hole=0.0, feet=FEET) -> Board:
    kind, edges = ("box", "supported") if depth else ("panel", "free")
    return Board("one", kind, material, 0.4, 0.6, thickness, edges, depth, hole, feet)


@pytest.mark.parametrize(
    ("material", "thickness", "depth"),
    [(PLY, 4e-3, 0.0), (PLY, 4e-3, 0.1), (FOAM, 25e-3, 0.0), (FOAM, 25e-3, 0.1)],
    ids=["ply", "ply box", "foam", "foam box"],
)
def test_modes_with_constant_air_are_the_board_solved_at_every_frequency(material, thickness, depth):
    """Point mobility and sound at low and middle pitch against D(w) q = f with the air of that very frequency."""
    one = board(material, thickness, depth)
    solved = board_on_bar(one, BAR)
    dry = solve_plate(plate_of(one), highest=4000.0, most=110)
    f = np.array([40.0, 60.0, 94.0, 130.0, 200.0, 300.0])
    exact = radiation(dry, f, faces="one" if depth else "both")
    foot, n = FEET[0], solved.solved
    at = dry.at(np.array([foot.x]), np.array([foot.y]))[0, 0]
    ear = solved.placement.origin + np.array([0.1, -0.3, 1.0])
    squared = (2.0 * math.pi * dry.frequency) ** 2
    spring = np.zeros((len(squared), len(squared)), dtype=complex)
    if depth:
        q = displaced_volume(dry)
        spring = air_spring(0.6 * 0.4 * depth) * np.outer(q, q) * (1.0 + 1j * CAVITY_LOSS)
    modes = solved.standing.modes
    shape = modes.foot_shape[0, 2, :n]
    own = (2.0 * math.pi * modes.frequency[:n]) ** 2
    conductance, level = [], []
    for row, each in enumerate(f):
        w = 2.0 * math.pi * each
        D = (
            np.diag(squared * (1.0 + 1j * material.loss_factor) - w**2)
            + spring
            + 1j * w * exact.impedance[row]
        )
        x = np.linalg.solve(D, at)
        mine = np.linalg.solve(np.diag(own - w**2) + 1j * modes.loss[:n, :n], shape)
        conductance.append(float((1j * shape @ mine).real / (1j * at @ x).real))
        here = exact.transfer(f[row : row + 1], solved.placement.inward(ear), nearest=1.0)[:, 0] @ x
        ours = solved.transfer(f[row : row + 1], ear, nearest=1.0)[:n, 0] @ mine
        level.append(20.0 * math.log10(abs(ours / here)))
    assert conductance == pytest.approx(np.ones(len(f)), abs=0.2)
    assert np.median(np.abs(np.array(conductance) - 1.0)) < 6.0 * PERCENT
    assert np.abs(level).max() < 1.5 * DB
    assert np.median(np.abs(level)) < 0.4 * DB


@pytest.mark.parametrize(("material", "thickness"), [(PLY, 4e-3), (FOAM, 25e-3)], ids=["ply", "foam"])
def test_mobility_and_sound_go_on_past_the_last_solved_mode_without_a_step(material, thickness):
    """The means over half an octave to both sides of the reach, over many places on the board."""
    random = np.random.default_rng(5)
    places = 0.1 + 0.8 * random.random((24, 2))
    tiny = tuple(foot(0.1 + 0.04 * i, 0.6 * x, 0.4 * y, 2e-3) for i, (x, y) in enumerate(places))
    solved = solve_board(board(material, thickness, feet=tiny), BAR)
    modes = solved.standing.modes
    ear = solved.placement.origin + np.array([0.2, -0.3, 1.0])
    own = (2.0 * math.pi * modes.frequency) ** 2 + 1j * modes.loss.diagonal()
    conductance, power, trend = [], [], []
    for low, high in ((2.0**-0.5, 0.97), (1.03, 2.0**0.5)):
        f = np.linspace(low, high, 300) * solved.reach
        w = 2.0 * math.pi * f
        receptance = 1.0 / (own[:, None] - w**2)
        shape = modes.foot_shape[:, 2]
        conductance.append(np.mean((1j * w * (shape**2 @ receptance)).real))
        heard = shape @ (solved.transfer(f, ear, nearest=1.0) * receptance * -(w**2))
        power.append(np.mean(np.abs(heard) ** 2))
        trend.append(np.mean(edge_efficiency(solved.plate, f)))
    assert conductance[0] * solved.plate.impedance == pytest.approx(1.0, abs=0.25)
    assert conductance[1] * solved.plate.impedance == pytest.approx(1.0, abs=0.25)
    # the formula's own slope over that octave, a few decibels near coincidence, is no step
    assert 10.0 * math.log10(power[1] / power[0] * trend[0] / trend[1]) == pytest.approx(0.0, abs=3.0 * DB)


def test_statistical_modes_fill_the_range_and_have_the_endless_plates_mean():
    plate = plate_of(board())
    many = diffuse_modes(
        plate, above=2000.0, loss_factor=0.02, faces=2, efficiency=0.05, patch=np.full(60, 1e-3)
    )
    w = 2.0 * math.pi * np.linspace(3000.0, 12_000.0, 2000)
    own = (2.0 * math.pi * many.frequency[:, None]) ** 2 * (1.0 + 1j * many.loss_factor[:, None])
    real = np.mean((1j * w * (many.shape[:, 0] ** 2 @ (1.0 / (own - w**2)))).real)
    assert real * plate.impedance == pytest.approx(1.0, abs=0.1)
    assert many.frequency[-1] > 17_000.0
    assert len(many.frequency) < 250


def test_losses_are_symmetric_and_never_negative():
    for depth, hole in ((0.0, 0.0), (0.1, 0.08)):
        loss = board_on_bar(board(depth=depth, hole=hole), BAR).standing.modes.loss
        assert pytest.approx(loss.T, abs=1e-9 * np.abs(loss).max()) == loss
        assert np.linalg.eigvalsh(loss).min() > -1e-9 * np.abs(loss).max()


ALUMINIUM = PlateMaterial("aluminium sheet", 2700.0, 70e9, 70e9, 26e9, 0.33, 1e-3, "", "")
CEDAR = PlateMaterial("cedar", 370.0, 7.7e9, 0.6e9, 0.7e9, 0.3, 0.02, "", "")


def held(material, length, width, thickness, edges) -> Board:
    """A panel held by its edges, under small feet."""
    feet = tuple(foot(0.3 + at, 0.37 * length + at, 0.41 * width, 2e-3) for at in (0.0, 0.2 * length))
    return Board("one", "panel", material, width, length, thickness, edges, 0.0, 0.0, feet)


@pytest.mark.parametrize(("length", "width", "thickness"), [(1.12, 1.05, 3.7e-3), (0.11, 0.11, 1.2e-3)])
def test_what_makes_losses_passive_leaves_each_mode_its_own(length, width, thickness):
    """Of thin metal sheets, whose table of losses has some eigenvalues below zero: with these cut as they were, the
    fundamental was 17 and 12 dB lower than D(w) q = f with the air of that very frequency has it.
    """
    one = held(ALUMINIUM, length, width, thickness, "clamped")
    dry = solve_plate(plate_of(one), highest=4000.0, most=110)
    solved = solve_board(one, BAR)
    modes, n = solved.standing.modes, solved.solved
    assert np.linalg.eigvalsh(modes.loss).min() > -1e-12 * np.abs(modes.loss).max()
    f = modes.frequency[0] * (1.0 + np.linspace(-0.03, 0.03, 301))
    exact, squared = radiation(dry, f, faces="both"), (2.0 * math.pi * dry.frequency) ** 2
    at = dry.at(np.array([one.feet[0].x]), np.array([one.feet[0].y]))[0, 0]
    shape, own = modes.foot_shape[0, 2, :n], (2.0 * math.pi * modes.frequency[:n]) ** 2
    direct, mine = [], []
    for w, impedance in zip(2.0 * math.pi * f, exact.impedance, strict=True):
        D = np.diag(squared * (1.0 + 1e-3j) - w**2) + 1j * w * impedance
        direct.append(abs(at @ np.linalg.solve(D, at)) * w)
        mine.append(abs(shape @ np.linalg.solve(np.diag(own - w**2) + 1j * modes.loss[:n, :n], shape)) * w)
    assert 20.0 * math.log10(max(mine) / max(direct)) == pytest.approx(0.0, abs=0.5 * DB)


def test_a_large_stiff_boards_low_modes_stand_where_any_finer_table_has_them(monkeypatch):
    """Many waves of sound along it at its highest mode leave as many rows at low pitch: below 300 Hz no mode moves
    by half a cent, nor a loss by 0.1 dB; with 22 rows whatever the board, the fundamental was 9 cents off.
    """
    one = held(CEDAR, 1.24, 0.71, 15.7e-3, "supported")
    as_it_is = solve_board(one, BAR).standing.modes
    monkeypatch.setattr("synth.vibration.plate_air.STEP", STEP / 5.0)
    monkeypatch.setattr("synth.vibration.plate_air.ROWS", (18, 200))
    finer = solve_board(one, BAR).standing.modes
    low = np.flatnonzero(finer.frequency < 300.0)
    assert len(low) >= 4
    assert np.abs(1200.0 * np.log2(as_it_is.frequency[low] / finer.frequency[low])).max() < 0.5
    losses = as_it_is.loss.diagonal()[low] / finer.loss.diagonal()[low]
    assert np.abs(10.0 * np.log10(losses)).max() < 0.1 * DB


def test_a_shallow_closed_box_stiffens_its_lid():
    # a plywood lid of 0.6 x 0.4 m, one mode: 33 Hz in vacuo, 136, 99, 74 Hz over 50, 100, 200 mm of air
    lowest = []
    for depth in (0.05, 0.1, 0.2):
        solved = board_on_bar(board(depth=depth), BAR)
        moved = np.abs(solved.radiation.sources[0].sum(axis=0)) * np.all(solved.radiation.parity == 1, axis=1)
        lowest.append(float(solved.standing.modes.frequency[int(np.argmax(moved[:12]))]))
    assert lowest[0] > lowest[1] > lowest[2] > 50.0


def test_a_small_thick_board_has_modes_too_however_high():
    feet = (foot(0.4, 0.03, 0.02, 0.01),)
    small = dataclasses.replace(board(feet=feet), width=0.04, length=0.06, thickness=0.015)
    solved = solve_board(small, BAR)
    assert solved.reach > 10_000.0
    assert np.all(
        np.isfinite(solved.transfer(np.array([100.0, 5000.0]), np.array([0.4, 0.0, 1.0]), nearest=1.0))
    )


def test_a_slender_clamped_lid_is_solved_as_well():
    narrow = dataclasses.replace(board(depth=0.06), length=0.1, width=0.8, thickness=0.025, edges="clamped")
    narrow = dataclasses.replace(narrow, feet=(foot(0.4, 0.05, 0.4, 0.01),))
    solved = solve_board(narrow, BAR)
    assert solved.solved >= 6
    assert solved.standing.modes.frequency[0] > 5000.0


def test_a_wide_foot_holds_against_roll_by_the_square_of_its_width():
    wide = dataclasses.replace(FEET[0], width=0.05)
    narrow = dataclasses.replace(FEET[0], width=0.005)
    roll = [feet_of(board(feet=(foot, FEET[1])), BAR).stiffness[0, 3] for foot in (wide, narrow)]
    assert roll[0] == pytest.approx(5e6 * 0.05**2 / 12.0)
    assert roll[0] / roll[1] == pytest.approx(100.0)


def test_a_foot_on_its_two_edges_holds_against_roll_as_two_lines_and_one_that_slides_holds_nothing_sideways():
    rails = dataclasses.replace(FEET[0], bears="edges", sideways=0.0)
    springs = solve_board(board(feet=(rails, FEET[1])), BAR).standing.feet.stiffness[0]
    lines = 2 * (5e6 / 2.0) * 0.0125**2  # half the stiffness at either edge
    assert springs == pytest.approx([0.0, 0.0, 5e6, lines, 5e6 * 0.025**2 / 12.0, 0.0])


def test_the_board_lies_so_that_its_feet_stand_under_the_bars():
    bent = dataclasses.replace(BAR, path=(Straight(0.3), Bend(math.pi / 2.0, 0.2, 0.0), Straight(0.3)))
    feet = tuple(foot(at, x, y, 0.025) for at, x, y in ((0.05, 0.1, 0.05), (0.85, 0.44, 0.39)))
    position = lie(board(feet=feet), bent)
    from synth.vibration.bar import path

    under, _ = path(bent, np.array([0.05, 0.85]))
    apart = np.linalg.norm(under[1] - under[0])
    found = position.inward(under)[:, :2] + np.array([0.3, 0.2])
    assert np.linalg.norm(found[1] - found[0]) == pytest.approx(apart)
    # the drawing and the bar differ in distance, so each foot misses by half the difference, along their line
    wanted = np.array([(foot.x, foot.y) for foot in feet])
    assert found.mean(axis=0) == pytest.approx(wanted.mean(axis=0))
    line, asked = found[1] - found[0], wanted[1] - wanted[0]
    assert float(line @ asked) == pytest.approx(np.linalg.norm(line) * np.linalg.norm(asked))
    assert position.axes[2] == pytest.approx([0.0, 0.0, 1.0])


@pytest.mark.parametrize("depth", [0.0, 0.1], ids=["panel: two faces", "box: one"])
def test_statistical_modes_lose_to_the_air_what_the_last_solved_ones_do(depth):
    """Of the loss eta w^2 + w r the sheet's part is taken off: r goes on as the formula slopes."""
    solved = board_on_bar(board(depth=depth), BAR)
    modes, n = solved.standing.modes, solved.solved
    first = int(np.argmax(modes.frequency > modes.frequency[n - 1] / math.sqrt(2.0)))
    f, loss = modes.frequency[first : n + 3], modes.loss.diagonal()[first : n + 3]
    w = 2.0 * math.pi * f
    radiated = (loss - PLY.loss_factor * w**2) / w / edge_efficiency(solved.plate, f)
    assert np.mean(radiated[-3:]) / np.mean(radiated[:-3]) == pytest.approx(1.0, abs=0.3)


def test_statistical_modes_radiate_from_everywhere_on_the_board_and_nowhere_beside_it():
    """Evenly spread: a standard deviation of a side over sqrt(12) along each side of 0.6 x 0.1 m."""
    slender = dataclasses.replace(board(), length=0.6, width=0.1)
    many = diffuse_modes(
        plate_of(slender), above=800.0, loss_factor=0.02, faces=2, efficiency=0.05, patch=np.zeros(1)
    )
    assert np.all(np.abs(many.source) <= [0.3, 0.05])
    assert many.source.std(axis=0) == pytest.approx(np.array([0.6, 0.1]) / math.sqrt(12.0), rel=0.15)


def test_a_board_on_nothing_slides_and_turns_in_its_plane_as_a_plate_of_its_mass():
    """A push at a foot moves it by 1/m, and by its arm about the middle over m (l^2 + w^2)/12."""
    feet = (foot(0.4, 0.1, 0.05, 0.025), foot(0.8, 0.5, 0.05, 0.025))
    shape = _sliding(board(feet=feet))
    mass = 680.0 * 4e-3 * 0.6 * 0.4
    turning = mass * (0.6**2 + 0.4**2) / 12.0
    answer = np.einsum("jim,jkm->jik", shape, shape)
    for j, (x, y) in enumerate(((-0.2, -0.15), (0.2, -0.15))):
        along, across, yaw = 1.0 / mass + y**2 / turning, 1.0 / mass + x**2 / turning, 1.0 / turning
        assert answer[j].diagonal() == pytest.approx([along, across, 0.0, 0.0, 0.0, yaw])
        assert answer[j, 1, 5] == pytest.approx(x / turning)
        assert answer[j, 0, 5] == pytest.approx(-y / turning)


def test_an_ear_is_as_far_from_a_board_as_from_its_nearest_edge_or_from_the_plane_above_it():
    """0.6 along x, 0.4 along y: half a metre beyond each edge, 0.7 above a corner, and both together."""
    lies = lie(board(), BAR)
    solved = SolvedBoard(None, plate_of(board()), lies, None, None, None)  # type: ignore[arg-type]
    for (x, y, z), far in (
        ((0.3 + 0.5, 0.1, 0.0), 0.5),
        ((-0.2, -0.2 - 0.5, 0.0), 0.5),
        ((0.29, 0.19, 0.7), 0.7),
        ((0.3 + 0.3, 0.2 + 0.4, 1.2), 1.3),
    ):
        ear = lies.origin + np.array([x, y, z]) @ lies.axes
        away = lies.origin + np.array([5.0, 5.0, 5.0])
        assert solved.distance(np.stack([away, ear])) == pytest.approx(far)


FLAT = dataclasses.replace(BAR, section=Section("rectangle", 0.06, 0.01, 0.0))
TWO_FEET = (
    Foot(0.4, 0.1, 0.12, 0.06, 0.02, "flat", 5e6, 1e6, 0.05),
    Foot(0.8, 0.5, 0.15, 0.03, 0.01, "edges", 4e6, 2e6, 0.11),
)


def test_feet_stand_under_a_flat_bar_each_with_its_own_springs_and_loss():
    """Roll b^2/12 bedded and b^2/4 on its edges, b across the bar; pitch by its length along; turning by both."""
    feet = feet_of(board(feet=TWO_FEET), FLAT)
    assert feet.position == pytest.approx([0.4, 0.8])
    assert feet.arm == pytest.approx(np.array([[0.0, 0.0, -0.005]] * 2))
    assert feet.loss_factor == pytest.approx([0.05, 0.11])
    assert feet.stiffness[0] == pytest.approx(
        [1e6, 1e6, 5e6, 5e6 * 0.06**2 / 12.0, 5e6 * 0.02**2 / 12.0, 1e6 * (0.06**2 + 0.02**2) / 12.0]
    )
    assert feet.stiffness[1] == pytest.approx(
        [2e6, 2e6, 4e6, 4e6 * 0.03**2 / 4.0, 4e6 * 0.01**2 / 12.0, 2e6 * (0.03**2 + 0.01**2) / 12.0]
    )
    across = dataclasses.replace(FLAT, path=(Straight(0.3), Bend(math.pi / 2.0, 0.06, 0.0), Straight(0.9)))
    turned = feet_of(board(feet=TWO_FEET), across).stiffness[1]  # there the bar runs along y
    assert turned[3:5] == pytest.approx([4e6 * 0.01**2 / 12.0, 4e6 * 0.03**2 / 4.0])


def test_a_foot_presses_as_long_as_it_is_along_the_bar_and_as_wide_as_it_is_across_it():
    """Points of equal weight with the second moment of an even pressure, a side squared over 12 each way."""
    x, y = (each.reshape(2, 9) for each in _under_feet(board(feet=TWO_FEET)))
    assert x.mean(axis=1) == pytest.approx([0.1, 0.5])
    assert y.mean(axis=1) == pytest.approx([0.12, 0.15])
    assert x.var(axis=1) == pytest.approx(np.array([0.02, 0.01]) ** 2 / 12.0)
    assert y.var(axis=1) == pytest.approx(np.array([0.06, 0.03]) ** 2 / 12.0)


@pytest.mark.parametrize(("depth", "faces"), [(0.0, 2), (0.05, 1)], ids=["panel", "box"])
def test_what_goes_on_above_the_solved_modes_is_told_of_the_sheet_its_faces_and_its_feet(
    monkeypatch, depth, faces
):
    given = {}

    def take(plate, **more):
        given.update(more, plate=plate)
        return diffuse_modes(plate, **more)

    monkeypatch.setattr("synth.vibration.board.diffuse_modes", take)
    feet = tuple(dataclasses.replace(each, x=0.03, y=0.02) for each in TWO_FEET)
    small = dataclasses.replace(board(depth=depth, feet=feet), width=0.04, length=0.06, thickness=0.015)
    solved = solve_board(small, FLAT)
    assert given["plate"] == plate_of(small)
    assert given["above"] == pytest.approx(solved.reach)
    assert (given["loss_factor"], given["faces"]) == (PLY.loss_factor, faces)
    assert given["patch"] == pytest.approx(np.sqrt([0.06 * 0.02, 0.03 * 0.01]))


def test_a_foot_feels_the_mean_of_waves_from_everywhere_under_it():
    """Of plane waves cos(k.x) over a square of side a, all directions: from the slightest patch to k a = 1.6."""
    plate = plate_of(board())
    told = {"above": 2000.0, "loss_factor": 0.02, "faces": 2, "efficiency": 0.05}
    point, patch = (diffuse_modes(plate, patch=np.array([side]), **told) for side in (1e-9, 0.012))
    share = patch.shape[0] / point.shape[0]
    np.testing.assert_allclose(share[0], share[1])
    half = 0.5 * 0.012 * plate.wavenumber(patch.frequency)
    angle = np.linspace(0.0, 2.0 * math.pi, 360, endpoint=False)[:, None]
    mean = np.mean(np.sinc(half * np.cos(angle) / math.pi) * np.sinc(half * np.sin(angle) / math.pi), axis=0)
    small = half < 0.8
    assert np.min(mean[small]) < 0.92
    np.testing.assert_allclose(share[0, small], mean[small], rtol=3e-3)


def test_what_the_solved_modes_radiate_less_than_the_formula_fades_to_nothing_at_coincidence():
    """0.3 of the formula at 900 Hz, all of it from coincidence on, and by the logarithm of frequency between."""
    plate = plate_of(board())
    end = 344.0**2 / (2.0 * math.pi) * math.sqrt(plate.mass_per_area / plate.mean_stiffness)
    assert end > 2.0 * 900.0
    hertz = np.array([900.0, math.sqrt(900.0 * end), end, 1.5 * end])
    share = EdgeRadiation(plate, 900.0, 0.3).efficiency(hertz) / edge_efficiency(plate, hertz)
    assert share == pytest.approx([0.3, math.sqrt(0.3), 1.0, 1.0], rel=5e-3)


def test_a_board_under_a_foot_turns_as_its_surface_leans():
    """What is fixed to it a little further, by dx and dy, goes up by w + w_x dx + w_y dy, and nowhere else."""
    draw = np.random.default_rng(2)
    upright = draw.normal(size=(3, 3, 5))  # w, dw/dx, dw/dy under three feet in five modes
    motion = _tilting(upright)
    arm = np.array([0.013, -0.021, 0.0])
    moved = motion[:, :3] + np.cross(motion[:, 3:], arm[None, :, None], axis=1)
    np.testing.assert_allclose(moved[:, 2], upright[:, 0] + arm[0] * upright[:, 1] + arm[1] * upright[:, 2])
    np.testing.assert_allclose(moved[:, :2], 0.0, atol=1e-12)
    np.testing.assert_allclose(motion[:, 5], 0.0)


def test_statistical_modes_lean_as_waves_from_everywhere_do():
    """The mean square of each slope is half of k² w²: cos² and sin² of all directions."""
    plate = plate_of(board())
    many = diffuse_modes(
        plate, above=2000.0, loss_factor=0.02, faces=2, efficiency=0.05, patch=np.full(4000, 1e-9)
    )
    height, *slopes = np.mean(many.shape**2, axis=0)
    for slope in slopes:
        share = slope / height / plate.wavenumber(many.frequency) ** 2
        assert np.mean(share) == pytest.approx(0.5, rel=0.02)
        assert share == pytest.approx(np.full(len(share), 0.5), rel=0.15)
