"""The bar: its path, its mesh, its modes and losses."""

from __future__ import annotations

import dataclasses
import math
from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import Bar, Bend, Section, Straight, Support
from synth.design.resolve import resolve
from synth.vibration import bar as bar_room
from synth.vibration.bar import BarModes, beam_of, is_closed, path, solve_bar, standing_on, surface_distance
from synth.vibration.frame import Frame, entries, matrices

CENT = math.log(2.0) / 1200.0
TWO_TINES = Path(__file__).parents[1] / "data" / "two-tines.toml"
STEEL = dataclasses.replace(  # near mild steel
    resolve(load(TWO_TINES)).bar.material, density=7850.0, youngs=200e9, poisson=0.3, loss_factor=3e-4
)
FLAT = Section("rectangle", 0.060, 0.010, 0.0)
LATH = Section("rectangle", 0.040, 0.012, 0.0)
THIN = Section("round", 0.006, 0.006, 0.0)
TUBE = Section("tube", 0.020, 0.020, 0.002)
FREE_FREE = np.array([4.7300407449, 7.8532046241, 10.9956078380])  # Thomson, Theory of Vibration, app. D


def straight(length: float, section: Section = LATH, supports: tuple[Support, ...] = ()) -> Bar:
    return Bar(STEEL, section, (Straight(length),), supports)


def sounding(modes: BarModes) -> np.ndarray:
    return modes.frequency[modes.frequency > 1.0]


@pytest.mark.parametrize("section", [THIN, TUBE], ids=["round", "tube"])
def test_a_slender_free_bar_has_the_tabulated_bending_modes_in_both_directions(section: Section) -> None:
    bar = straight(2.0, section)
    beam = beam_of(bar)
    expected = (FREE_FREE / 2.0) ** 2 / (2.0 * math.pi) * math.sqrt(float(beam.bend_y) / float(beam.mass))
    found = sounding(solve_bar(bar, highest_hz=1000.0))[:6]
    shear = 8.0 * CENT if section is TUBE else 0.5 * CENT  # a tube is stout: shear lowers it
    np.testing.assert_allclose(found, np.repeat(expected, 2), rtol=shear)


@pytest.mark.parametrize("edge", [False, True], ids=["lying", "on edge"])
@pytest.mark.parametrize("section", [FLAT, LATH], ids=["60 x 10", "40 x 12"])
def test_a_flat_bar_bends_softly_across_its_thin_side_and_stiffly_across_its_broad_one(
    section: Section, edge: bool
) -> None:
    """Free and slender: f = (beta / L)² / 2 pi sqrt(E / 12 rho) depth, the depth being the side it bends across."""
    width, height = (section.height, section.width) if edge else (section.width, section.height)
    modes = solve_bar(straight(1.8, Section("rectangle", width, height, 0.0)), [0.0], highest_hz=400.0)
    for depth, direction in ((width, 1), (height, 2)):
        own = [
            m
            for m in range(6, len(modes.frequency))
            if np.argmax(np.abs(modes.at(0.0)[:3, m])) == direction
            and np.abs(modes.at(0.0)[3, m]) < 1e-3 * np.abs(modes.at(0.0)[4:, m]).max()
        ]
        expected = (
            (FREE_FREE[0] / 1.8) ** 2 / (2.0 * math.pi) * math.sqrt(STEEL.youngs / STEEL.density / 12.0)
        )
        assert modes.frequency[own[0]] == pytest.approx(
            expected * depth, rel=0.006
        )  # shear: the 60 mm are 1:30


@pytest.mark.parametrize("section", [FLAT, LATH, Section("rectangle", 0.012, 0.040, 0.0)])
@pytest.mark.parametrize("bent", [False, True], ids=["straight", "bent"])
@pytest.mark.parametrize("more", [101, pytest.param(201, marks=pytest.mark.slow)])
def test_a_flat_bars_mesh_is_fine_enough_in_each_plane_and_no_finer(
    section: Section, bent: bool, more: int
) -> None:
    """Against 100 and 200 elements over a short bar, to 10 kHz; and a bar of 1.7 m stays under 160 nodes.

    The wave of the soft plane with the gyration of the stiff one asked for 684, and for a hundred times the work.
    """
    arc = (Straight(0.1), Bend(1.0, 0.15, 0.5), Straight(0.1)) if bent else (Straight(0.35),)
    bar = Bar(STEEL, section, arc, ())
    coarse, fine = solve_bar(bar), solve_bar(bar, more=np.linspace(0.0, bar.length, more).tolist())
    np.testing.assert_allclose(sounding(coarse), sounding(fine)[: len(sounding(coarse))], rtol=2e-3)
    assert len(solve_bar(straight(1.7, section), highest_hz=30_000.0).position) < 160


def test_a_thin_strip_has_elements_enough_for_its_twist() -> None:
    """60 x 4 mm: the wave of twist is a third shorter than that of bending at 10 kHz."""
    bar = straight(0.15, Section("rectangle", 0.060, 0.004, 0.0))
    coarse, fine = solve_bar(bar), solve_bar(bar, more=np.linspace(0.0, bar.length, 121).tolist())
    np.testing.assert_allclose(sounding(coarse), sounding(fine)[: len(sounding(coarse))], rtol=2e-3)


def test_a_bar_that_was_just_solved_is_remembered_and_cannot_be_written_to() -> None:
    bar = straight(0.5, FLAT)
    one, other = solve_bar(bar, [0.2]), solve_bar(bar, np.array([0.2]))
    assert one is other
    assert solve_bar(bar, [0.21]) is not one
    assert solve_bar(dataclasses.replace(bar, section=LATH), [0.2]) is not one
    with pytest.raises(ValueError, match="read-only"):
        one.frequency[0] = 1.0


def test_a_free_bar_has_six_motions_at_zero_and_they_weigh_the_whole_bar() -> None:
    modes = solve_bar(straight(1.2), [0.6])
    rigid = modes.frequency < 0.1
    assert np.sum(rigid) == 6
    mass = STEEL.density * 0.040 * 0.012 * 1.2
    moved = modes.at(0.6)[:3, rigid]
    np.testing.assert_allclose(moved @ moved.T, np.eye(3) / mass, rtol=1e-6, atol=1e-6)


@pytest.mark.parametrize("section", [THIN, TUBE], ids=["round", "tube"])
def test_a_closed_ring_has_the_classical_modes_within_two_thousandths(section: Section) -> None:
    """Love, Mathematical Theory of Elasticity, articles on the vibrations of a circular ring (round section)."""
    radius = 0.3 if section is THIN else 1.0
    beam = beam_of(Bar(STEEL, section, (), ()))
    n = np.arange(2, 5)
    scale = np.sqrt(float(beam.bend_y) / float(beam.mass)) / radius**2 / (2.0 * math.pi)
    square = n**2 * (n**2 - 1) ** 2
    in_plane, out = np.sqrt(square / (n**2 + 1)), np.sqrt(square / (n**2 + 1 + STEEL.poisson))
    expected = np.sort(np.repeat(np.concatenate([in_plane, out]) * scale, 2))
    modes = solve_bar(Bar(STEEL, section, (Bend(2.0 * math.pi, radius, 0.4),), ()), highest_hz=2000.0)
    assert modes.closed
    np.testing.assert_allclose(sounding(modes)[: len(expected)], expected, rtol=2e-3)


def test_three_quarters_of_a_ring_stand_within_two_thousandths_of_a_four_times_finer_mesh() -> None:
    bar = Bar(STEEL, THIN, (Bend(1.5 * math.pi, 0.3, 0.0),), ())
    fine = np.linspace(0.0, bar.length, 300).tolist()
    coarse = sounding(solve_bar(bar, highest_hz=2000.0))[:20]
    np.testing.assert_allclose(coarse, sounding(solve_bar(bar, fine, highest_hz=2000.0))[:20], rtol=2e-3)


@pytest.mark.parametrize("plane", [0.0, math.pi / 2.0], ids=["level", "upwards"])
def test_a_tight_bend_is_an_arc_and_no_polygon(plane: float) -> None:
    """Against sixty nodes in a bend of 90 degrees; pieces of 40 degrees make it 1 % off."""
    bar = Bar(STEEL, LATH, (Straight(0.05), Bend(math.pi / 2.0, 0.025, plane), Straight(0.05)), ())
    fine = np.linspace(0.05, 0.05 + bar.path[1].length, 60).tolist()
    coarse, exact = sounding(solve_bar(bar, highest_hz=8000.0)), sounding(solve_bar(bar, more=fine))
    assert len(coarse) >= 3
    np.testing.assert_allclose(coarse, exact[: len(coarse)], rtol=2e-3)


def test_where_a_bend_turns_the_bar_does_not_matter_to_a_round_one() -> None:
    def bent(plane: float) -> np.ndarray:
        bar = Bar(STEEL, THIN, (Straight(0.3), Bend(1.2, 0.1, plane), Straight(0.2)), ())
        return sounding(solve_bar(bar, highest_hz=3000.0))

    np.testing.assert_allclose(bent(0.0), bent(0.9), rtol=0.01 * CENT)


def test_up_is_carried_through_bends_without_twist() -> None:
    """A quarter turn to the side, then one upwards: the tangent ends pointing up and what was up points back."""
    quarter = math.pi / 2.0
    bar = Bar(STEEL, THIN, (Straight(0.2), Bend(quarter, 0.1, 0.0), Bend(quarter, 0.1, quarter)), ())
    position, axes = path(bar, np.array([0.0, 0.2, 0.2 + 0.1 * quarter, bar.length]))
    np.testing.assert_allclose(axes[1], np.eye(3), atol=1e-12)
    np.testing.assert_allclose(axes[2], [[0, 1, 0], [-1, 0, 0], [0, 0, 1]], atol=1e-12)
    np.testing.assert_allclose(axes[3], [[0, 0, 1], [-1, 0, 0], [0, -1, 0]], atol=1e-12)
    np.testing.assert_allclose(position[3], [0.3, 0.2, 0.1], atol=1e-12)


def test_a_negative_angle_bends_the_other_way() -> None:
    one, other = (
        path(Bar(STEEL, THIN, (Bend(a, 0.1, 0.0),), ()), np.array([0.0, 0.1]))[0][1] for a in (1.0, -1.0)
    )
    np.testing.assert_allclose(one, other * [1.0, -1.0, 1.0], atol=1e-12)


def test_the_suspension_bounces_as_a_mass_on_springs() -> None:
    supports = tuple(Support(0.6 + x, "cord", 2e3, 0.0, 0.1) for x in (-0.3, 0.3))
    modes = solve_bar(straight(1.2, supports=supports))
    bounce = math.sqrt(4e3 / (STEEL.density * 0.040 * 0.012 * 1.2)) / (2.0 * math.pi)
    assert np.min(np.abs(modes.frequency / bounce - 1.0)) < 1e-4


def test_a_support_that_only_holds_up_leaves_the_level_motions_free() -> None:
    """Two pads under the bar: it slides along, sideways and round, and bounces and rocks on the pads."""
    pads = tuple(Support(0.6 + x, "rubber", 5e3, 6.5, 0.1, ("up",)) for x in (-0.3, 0.3))
    modes = solve_bar(straight(1.2, supports=pads), [0.6])
    free = modes.frequency < 0.1
    assert np.sum(free) == 3
    assert np.abs(modes.at([0.0, 0.6, 1.2])[:, [2, 3, 4]][..., free]).max() < 1e-6
    bounce = math.sqrt(1e4 / (STEEL.density * 0.040 * 0.012 * 1.2)) / (2.0 * math.pi)
    assert np.min(np.abs(modes.frequency / bounce - 1.0)) < 0.02  # the bar itself gives a little


@pytest.mark.parametrize(("direction", "swings"), [("along", 0), ("side", 1)])
def test_a_cord_pulls_only_in_its_own_direction(direction: str, swings: int) -> None:
    cords = tuple(Support(0.6 + x, "cord", 2e3, 0.0, 0.1, (direction,)) for x in (-0.3, 0.3))
    modes = solve_bar(straight(1.2, supports=cords), [0.6])
    bounce = math.sqrt(4e3 / (STEEL.density * 0.040 * 0.012 * 1.2)) / (2.0 * math.pi)
    mode = int(np.argmin(np.abs(modes.frequency / bounce - 1.0)))
    assert modes.frequency[mode] == pytest.approx(bounce, rel=1e-3)
    assert np.argmax(np.abs(modes.at(0.6)[:3, mode])) == swings
    assert modes.loss_factor[mode] == pytest.approx(0.1, rel=0.01)


def test_directions_turn_with_the_bar_round_a_bend() -> None:
    """A quarter turn to the side: what held along the first piece holds sideways in the world beyond the bend."""
    bent = (Straight(0.3), Bend(math.pi / 2.0, 0.1, 0.0), Straight(0.3))

    def free(*directions: str) -> np.ndarray:
        end = sum(each.length for each in bent)
        held = (
            Support(0.15, "clamp", 1e5, 0.0, 0.0, ("along",)),
            Support(end - 0.15, "clamp", 1e5, 0.0, 0.0, directions),
        )
        modes = solve_bar(Bar(STEEL, LATH, bent, held), [0.0])
        return modes.at(0.0)[:, modes.frequency < 0.1]

    # along x here and along y there: no slide in either is left; sideways there is along x again
    assert np.linalg.matrix_rank(free("along"), tol=1e-6) == 4
    slide = free("side")[:2]
    assert np.abs(slide[0]).max() < 1e-4
    assert np.abs(slide[1]).max() > 0.1


def test_held_in_all_its_directions_a_bar_is_held_as_by_a_spring_that_knows_none() -> None:
    arc = (Bend(1.0, 0.3, 0.5),)
    one = Support(0.1, "rubber", 1e5, 6.0, 0.15)
    three = tuple(
        dataclasses.replace(one, directions=(each,), rotation_stiffness=3.0) for each in one.directions
    )
    expected, found = (solve_bar(Bar(STEEL, LATH, arc, held)) for held in ((one,), three))
    np.testing.assert_allclose(found.frequency, expected.frequency, rtol=1e-9, atol=1e-3)
    np.testing.assert_allclose(found.loss_factor, expected.loss_factor, rtol=1e-6)


def test_a_mode_loses_what_its_parts_lose_by_their_share_of_the_energy() -> None:
    """A bouncing bar is all spring; with one loss factor everywhere every mode has it."""
    supports = tuple(Support(x, "rubber", 1e5, 6.0, 0.15) for x in (0.3, 0.9))
    modes = solve_bar(straight(1.2, supports=supports))
    assert np.all(modes.loss_factor >= STEEL.loss_factor * (1.0 - 1e-9))
    assert np.max(modes.loss_factor) == pytest.approx(0.15, rel=0.01)
    even = tuple(dataclasses.replace(each, loss_factor=STEEL.loss_factor) for each in supports)
    modes = solve_bar(straight(1.2, supports=even))
    np.testing.assert_allclose(modes.loss_factor, STEEL.loss_factor, rtol=1e-9)


def test_losses_have_no_negative_eigenvalue_and_agree_with_a_complex_solution() -> None:
    supports = (Support(0.1, "rubber", 1e5, 6.0, 0.15), Support(1.0, "clamp", 5e7, 2e4, 0.02))
    modes = solve_bar(straight(1.2, supports=supports))
    assert np.linalg.eigvalsh(modes.loss)[0] > 0.0
    np.testing.assert_allclose(modes.loss, modes.loss.T)
    squares = np.linalg.eigvals(np.diag(modes.stiffness) + 1j * modes.loss)
    exact = np.sort_complex(squares)[6:20]
    np.testing.assert_allclose(exact.imag / exact.real, modes.loss_factor[6:20], rtol=0.02)


def test_between_nodes_the_bar_moves_as_a_finer_mesh_says() -> None:
    bar = Bar(STEEL, LATH, (Straight(0.3), Bend(1.2, 0.08, 0.4), Straight(0.5)), ())
    places = [0.111, 0.3456, 0.617]
    coarse, fine = solve_bar(bar), solve_bar(bar, places)
    for mode in range(6, 14):
        one, other = coarse.at(places)[..., mode], fine.at(places)[..., mode]
        sign = np.sign(np.sum(one * other))
        np.testing.assert_allclose(sign * one, other, atol=2e-3 * np.max(np.abs(fine.shape[..., mode])))


def plain_motion(modes: BarModes, place: float) -> np.ndarray:
    """Hermite's cubic by components: slopes across the axis theta x t, along it the chord's; rotation linear."""
    right = min(max(int(np.searchsorted(modes.position, place)), 1), len(modes.position) - 1)
    left = right - 1
    span = modes.position[right] - modes.position[left]
    s = (place - modes.position[left]) / span
    one, other = modes.shape[left], modes.shape[right]
    chord = other[:3] - one[:3]
    slope = []
    for end, motion in ((left, one), (right, other)):
        tangent = modes.axes[end, 0]
        turned = np.cross(motion[3:], tangent[:, None], axis=0)
        slope.append(turned + np.outer(tangent, tangent @ chord) / span)
    move = (
        one[:3]
        + chord * s**2 * (3.0 - 2.0 * s)
        + span * s * (1.0 - s) * ((1.0 - s) * slope[0] - s * slope[1])
    )
    return np.concatenate([move, (1.0 - s) * one[3:] + s * other[3:]])


def test_between_nodes_the_bar_moves_as_the_plain_cubic_has_it() -> None:
    """On straight pieces and in a bend out of the plane, at nodes and between them, at both ends."""
    bend = Bend(radius=0.2, angle=1.2, plane=0.7)
    bar = Bar(STEEL, LATH, (Straight(0.3), bend, Straight(0.2)), ())
    modes = solve_bar(bar, [0.1, 0.35], highest_hz=4000.0)
    places = np.concatenate([np.linspace(0.0, bar.length, 97), modes.position[::5]])
    found = modes.at(places)
    largest = np.abs(modes.shape).max()
    for place, motion in zip(places, found, strict=True):
        np.testing.assert_allclose(motion, plain_motion(modes, place), rtol=0.0, atol=1e-13 * largest)
    np.testing.assert_allclose(modes.at(modes.position), modes.shape, rtol=0.0, atol=1e-13 * largest)


def test_what_the_modes_above_still_yield_completes_the_static_answer() -> None:
    """With all modes kept or few, the bar's flexibility at a place is the same."""
    supports = tuple(Support(x, "clamp", 5e7, 2e4, 0.02) for x in (0.1, 0.5))
    bar = straight(0.6, supports=supports)

    def flexibility(highest_hz: float) -> np.ndarray:
        modes = solve_bar(bar, [0.3], more=np.linspace(0.0, 0.6, 40).tolist(), highest_hz=highest_hz)
        moved = modes.at(0.3)
        return (moved / modes.stiffness) @ moved.T + modes.compliance[0, :, 0]

    np.testing.assert_allclose(flexibility(4e3), flexibility(20e3), rtol=1e-9, atol=1e-15)


def test_what_a_place_yields_by_itself_is_its_part_of_what_all_yield() -> None:
    places = [0.02, 0.2, 0.21, 0.55]
    modes = solve_bar(
        straight(0.6, supports=(Support(0.1, "clamp", 5e7, 2e4, 0.02),)), places, highest_hz=3e3
    )
    whole = modes.compliance
    assert whole.shape == (4, 6, 4, 6)
    plain = np.einsum("aih,bjh->aibj", modes.higher, modes.higher)
    np.testing.assert_allclose(whole, plain, rtol=1e-12, atol=1e-12 * np.abs(plain).max())
    own = np.stack([plain[n, :, n] for n in range(4)])
    np.testing.assert_allclose(modes.own_compliance, own, rtol=1e-12, atol=1e-12 * own.max())


def test_the_surface_is_as_far_as_the_section_says() -> None:
    flat = Section("rectangle", 0.040, 0.010, 0.0)
    np.testing.assert_allclose(
        surface_distance(flat, np.array([0.0, math.pi / 2.0, math.pi])), [0.005, 0.020, 0.005]
    )
    assert float(surface_distance(flat, math.radians(45.0))) == pytest.approx(0.005 * math.sqrt(2.0))
    assert float(surface_distance(TUBE, 1.234)) == pytest.approx(0.010)


def test_feet_take_the_place_of_supports_that_stand_where_they_do() -> None:
    kinds = (("cord", 0.2), ("foot", 0.7), ("clamp", 1.0))
    supports = tuple(Support(position, kind, 1e4, 0.0, 0.1) for kind, position in kinds)
    left = standing_on(straight(1.2, supports=supports), [0.21, 0.5])
    assert [each.kind for each in left.supports] == ["clamp"]


@pytest.mark.parametrize(("width", "height"), [(0.040, 0.012), (0.012, 0.040)], ids=["lying", "on edge"])
def test_where_a_foot_stands_is_within_the_greater_side_of_the_bar(width: float, height: float) -> None:
    supports = tuple(Support(position, "cord", 1e4, 0.0, 0.1) for position in (0.261, 0.339, 0.8))
    bar = straight(1.2, Section("rectangle", width, height, 0.0), supports)
    assert [each.position for each in standing_on(bar, [0.3, 0.85]).supports] == [0.8]
    assert [each.position for each in standing_on(bar, [0.302]).supports] == [0.261, 0.8]


DROP = math.pi / 6.0  # half the angle at which the two ends of a drop meet


@pytest.mark.parametrize(
    ("pieces", "ring"),
    [
        ((Bend(2.0 * math.pi, 0.1, 0.3),), True),
        ((Straight(0.2), Bend(math.pi, 0.1, 0.0), Straight(0.2), Bend(math.pi, 0.1, 0.0)), True),
        ((Straight(0.2), Bend(math.pi, 0.1, 0.0), Straight(0.2), Bend(0.99 * math.pi, 0.1, 0.0)), False),
        # a drop: back at its start, but in another direction
        (
            (
                Straight(0.1 / math.tan(DROP)),
                Bend(math.pi + 2.0 * DROP, 0.1, 0.0),
                Straight(0.1 / math.tan(DROP)),
            ),
            False,
        ),
    ],
    ids=["ring", "racetrack", "gap", "drop"],
)
def test_a_path_that_comes_back_in_its_own_direction_is_a_ring(
    pieces: tuple[Straight | Bend, ...], ring: bool
) -> None:
    bar = Bar(STEEL, THIN, pieces, ())
    assert is_closed(bar) is ring
    assert solve_bar(bar, highest_hz=500.0).closed is ring


@pytest.mark.parametrize("shape", ["straight", "in its plane", "out of it", "twice", "ring"])
@pytest.mark.parametrize("section", [FLAT, THIN], ids=["flat", "round"])
def test_directions_are_solved_apart_where_nothing_in_the_matrices_joins_them(
    shape: str, section: Section
) -> None:
    """Looked for in the whole matrices, entry by entry."""
    bends = {
        "straight": (),
        "in its plane": (Bend(1.2, 0.08, 0.0), Straight(0.1)),
        "out of it": (Bend(1.2, 0.08, math.pi / 2.0), Straight(0.1)),
        "twice": (Bend(0.7, 0.08, 0.0), Straight(0.05), Bend(-0.9, 0.09, 1.1)),
        "ring": (Bend(math.pi, 0.1, 0.0), Straight(0.2), Bend(math.pi, 0.1, 0.0)),
    }[shape]
    supports = (Support(0.05, "foot", 2e3, 6.5, 0.1),)
    frame = frame_of(Bar(STEEL, section, (Straight(0.2), *bends), supports))
    K, M = matrices(frame)
    found = bar_room._uncoupled(entries(frame))
    assert sorted(np.concatenate(found).tolist()) == list(range(len(K)))
    for matrix in (K, M):
        size = np.sqrt(np.abs(matrix.diagonal()))
        share = np.abs(matrix) / np.outer(size, size)
        for own in found:
            other = np.setdiff1d(np.arange(len(K)), own)
            assert share[np.ix_(own, other)].max(initial=0.0) <= 1e-12
    assert len(found) == {"straight": 4, "twice": 1}.get(shape, 2)


def frame_of(bar: Bar) -> Frame:
    """The frame that `solve_bar` solves."""
    with pytest.MonkeyPatch.context() as patch:
        seen: list[Frame] = []
        real = bar_room._all_modes
        patch.setattr(bar_room, "_all_modes", lambda frame: (seen.append(frame), real(frame))[1])
        solve_bar(bar, [0.013])
    return seen[0]
