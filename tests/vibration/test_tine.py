"""Tines on an immovable base: closed forms, a plain solver one tine at a time, invariants.

Sources of the figures: Euler-Bernoulli roots as in Thomson, Theory of Vibration, appendix D; the worked example and
the nut table were computed by an exact transfer matrix, the root and grip figures by finite elements of the solid.
"""

from __future__ import annotations

import math
from dataclasses import fields, replace
from typing import Any

import numpy as np
import pytest
import scipy.linalg
from hypothesis import given, settings
from hypothesis import strategies as st

from synth.arrays import Array
from synth.design.instrument import PlacedNut, Tine
from synth.vibration import rod
from synth.vibration.beam import elements_for, plane_element
from synth.vibration.tine import TineModes, loss_shares, rods_of, solve_tines

CENT = math.log(2.0) / 1200.0  # of ln frequency
ROOTS = np.array([1.8751040687, 4.6940911330, 7.8547574382, 10.9955407349])
EXAMPLE_HZ = np.array([92.2, 577.8, 1617.8, 3170.0])  # 3 mm x 150 mm, 304, without shear
# ... and how far shear and turning sections let each down, d/L = 0.02, in cents
SHEAR_CENTS = np.array([0.4, 2.7, 6.5, 12.0])


def pitch(tine: Tine, length: float, *trim: PlacedNut) -> Array:
    """The frequencies of the plane along the row, in Hz."""
    modes = solve_tines([tine], [length * 1e-3], [trim])
    return modes.frequency[0, 0, modes.exists[0]]


def cents(one: Any, other: Any) -> Array:
    return np.asarray(np.log(np.asarray(one) / np.asarray(other)) / CENT)


def plain(tine: Tine, length: float, trim: tuple[PlacedNut, ...], elements: int) -> Array:
    """The same rod the plain way: one tine, a node at each nut, element by element, scipy's own eigensolver."""
    bar, steel = tine.rod, tine.rod.material
    stiff = steel.youngs * math.pi / 64.0 * bar.bend_diameter**4
    cowper = 6.0 * (1.0 + steel.poisson) / (7.0 + 6.0 * steel.poisson)
    shear = cowper * steel.shear * math.pi / 4.0 * bar.bend_diameter**2
    mass = steel.density * math.pi / 4.0 * bar.mass_diameter**2
    turning = steel.density * math.pi / 64.0 * bar.mass_diameter**4
    even = np.linspace(-tine.root.added_length, length, elements + 1)
    nodes = np.unique(np.concatenate([even, [each.position for each in trim]]))
    K, M = np.zeros((2, 2 * len(nodes), 2 * len(nodes)))
    for index, h in enumerate(np.diff(nodes)):
        at = slice(2 * index, 2 * index + 4)
        k, m = plane_element(stiff, shear, mass, turning, h)
        K[at, at] += k
        M[at, at] += m
    for each in trim:
        node = 2 * int(np.argmin(np.abs(nodes - each.position)))
        M[node, node] += each.nut.mass
        M[node + 1, node + 1] += each.nut.rotary_inertia
    values = scipy.linalg.eigh(K[2:, 2:], M[2:, 2:], eigvals_only=True)
    return np.asarray(np.sqrt(values) / (2.0 * math.pi))


@pytest.fixture(scope="module")
def example(bench: Any) -> TineModes:
    return solve_tines([bench.tine(bench.plain(3.0))], [0.15], [()])


def test_the_worked_example_of_a_3_mm_rod(example: TineModes) -> None:
    thin = ROOTS**2 / (2.0 * math.pi * 0.15**2) * math.sqrt(193e9 / 7900.0) * 3e-3 / 4.0
    assert thin == pytest.approx(EXAMPLE_HZ, abs=0.5)
    assert cents(thin, example.frequency[0, 0, :4]) == pytest.approx(SHEAR_CENTS, abs=0.1)


def test_its_decays_with_a_flat_clamp_loss_of_a_thousandth(example: TineModes) -> None:
    assert example.decay[0, 0, :4] == pytest.approx([21.7, 3.7, 1.34, 0.69], rel=0.01)


def test_the_clamp_is_said_to_lose_most(bench: Any, example: TineModes) -> None:
    shares = loss_shares([bench.tine(bench.plain(3.0))], example)
    assert set(shares) == {"material", "thermoelastic", "air_drag", "air_radiation", "clamp"}
    assert np.all(shares["clamp"][0, 0, :8] > 0.85)
    assert sum(shares.values())[0, 0, :8] == pytest.approx(1.0)


def test_what_is_said_of_the_lowest_partials_is_what_is_said_of_all(bench: Any) -> None:
    tines = [bench.tine(bench.plain(3.0)), bench.tine(bench.threaded(4.0, 0.7), root=bench.root(added=2.0))]
    modes = solve_tines(tines, [0.15, 0.06], [(), ()])
    every, first = loss_shares(tines, modes), loss_shares(tines, modes, 1)
    assert set(first) == set(every)
    for name, share in first.items():
        np.testing.assert_allclose(share, every[name][:, :, :1], rtol=1e-12)


def test_the_line_of_dipoles_radiates_as_in_the_worked_example(example: TineModes, bench: Any) -> None:
    shares = loss_shares([bench.tine(bench.plain(3.0))], example)
    radiated = (shares["air_radiation"] * example.loss_factor)[0, 0, :4]
    assert radiated == pytest.approx([5e-11, 4.1e-9, 3.4e-8, 1.6e-7], rel=0.07)


def test_loaded_tines_agree_with_a_plain_solver_one_at_a_time(bench: Any) -> None:
    m3, m4 = bench.threaded(3.0, 0.5), bench.threaded(4.0, 0.7)
    n3, n4 = bench.nut("M3"), bench.nut("M4")
    root = bench.root(added=0.7)
    tines = [
        bench.tine(m3, root=root),
        bench.tine(m4, root=root),
        bench.tine(bench.plain(6.0)),
        bench.tine(m3),
    ]
    length = np.array([0.15, 0.09, 0.3, 0.031])
    trim = [
        (PlacedNut(n3, 0.06), PlacedNut(n3, 0.1313)),
        (PlacedNut(n4, 0.0451),),
        (),
        (PlacedNut(n3, 0.0299),),
    ]
    modes = solve_tines(tines, length, trim)
    for row, tine in enumerate(tines):
        exact = plain(tine, length[row], trim[row], 160)
        count = int(modes.exists[row].sum())
        assert np.abs(cents(modes.frequency[row, 0, :count], exact[:count])).max() < 0.5
        assert exact[count] > 17_990.0


@pytest.mark.parametrize("diameter", [2.0, 3.0, 6.0])
@pytest.mark.parametrize("length", [20.0, 150.0, 600.0])
@pytest.mark.parametrize("grip", [0.0, 1.0])
def test_every_partial_is_within_half_a_cent_of_a_far_finer_mesh(
    bench: Any, monkeypatch: pytest.MonkeyPatch, diameter: float, length: float, grip: float
) -> None:
    nut = bench.nut("M3", grip)
    tine = bench.tine(bench.plain(diameter))
    trim = PlacedNut(nut, length * 0.5e-3), PlacedNut(nut, length * 0.85e-3)
    coarse = pitch(tine, length, *trim)
    monkeypatch.setattr(rod, "elements_for", lambda *given, **named: 2 * elements_for(*given, **named))
    monkeypatch.setattr(rod, "_COARSE", 2 * rod._COARSE)
    fine = pitch(tine, length, *trim)
    count = min(len(coarse), len(fine))
    assert abs(len(coarse) - len(fine)) <= 1
    assert np.abs(cents(coarse[:count], fine[:count])).max() < 0.5


def test_halving_the_elements_divides_the_error_by_more_than_thirty(bench: Any) -> None:
    """The corrected mass leaves an error of the sixth power of the element length; the fourth would give 16."""
    rods = rods_of([bench.tine(bench.plain(0.5))], [0.15], [()])
    whole = rods.length + rods.added

    def fifth(elements: int) -> float:
        (mesh,) = rod._meshes_of_size(rods, whole / elements)
        return float(np.linalg.eigvalsh(rod._flexibility(rods, mesh)[0])[0, -5])

    exact = fifth(160)
    errors = np.array([abs(fifth(elements) / exact - 1.0) for elements in (8, 16, 32)])
    assert np.all(errors[:-1] / errors[1:] > 30.0)


@pytest.mark.parametrize(("slender", "case"), [(0.02, 3), (0.04, 4), (0.1, 5)])
def test_shear_and_rotary_inertia_are_timoshenkos(bench: Any, slender: float, case: int) -> None:
    """Exact first-order system, round rod, k = 0.88558: omega L² sqrt(rho A / E I)."""
    exact = {
        3: [3.515216, 21.999639, 61.465444, 120.067057],
        4: [3.512823, 21.896132, 60.787808, 117.678858],
        5: [3.496233, 21.212588, 56.665893, 104.55158],
    }[case]
    diameter = 150.0 * slender
    bar = bench.plain(diameter)
    scale = math.sqrt(bar.material.youngs * (diameter * 1e-3 / 4.0) ** 2 / bar.material.density) / 0.15**2
    found = 2.0 * math.pi * pitch(bench.tine(bar), 150.0)[:4] / scale
    assert np.abs(cents(found, exact[: len(found)])).max() < 0.5


@pytest.mark.parametrize(
    ("position", "first", "second"),
    [(0.4, -9.3, -78.5), (0.5, -20.2, -83.8), (0.783, -82.9, -0.4), (0.9, -122.2, -41.4)],
)
def test_a_hex_nut_moves_the_partials_of_an_m3_tine(
    bench: Any, position: float, first: float, second: float
) -> None:
    tine = bench.tine(bench.threaded(3.0, 0.5))
    moved = cents(pitch(tine, 150.0, PlacedNut(bench.nut("M3"), position * 0.15))[:2], pitch(tine, 150.0)[:2])
    assert moved == pytest.approx([first, second], abs=0.5)


@pytest.mark.parametrize(
    ("x", "first", "second"), [(0.3, 0.075, 1.107), (0.5, 0.461, 2.037), (0.8, 2.105, 0.020)]
)
def test_a_light_mass_acts_by_the_square_of_the_shape(
    bench: Any, x: float, first: float, second: float
) -> None:
    """-865.6 cents (m / m_rod) phi²."""
    tine = bench.tine(bench.plain(1.0))
    rod_mass = 7900.0 * math.pi / 4.0 * 1e-6 * 0.15
    nut = replace(bench.nut("M3"), mass=1e-3 * rod_mass, rotary_inertia=0.0)
    moved = cents(pitch(tine, 150.0, PlacedNut(nut, x * 0.15))[:2], pitch(tine, 150.0)[:2])
    assert moved == pytest.approx([-0.8656 * first, -0.8656 * second], abs=0.004)


def test_thread_makes_an_m3_rod_487_cents_flat_of_a_smooth_one(bench: Any) -> None:
    smooth = pitch(bench.tine(bench.plain(3.0)), 150.0)[0]
    assert pitch(bench.tine(bench.threaded(3.0, 0.5)), 150.0)[0] / smooth == pytest.approx(0.7550, abs=2e-4)


@pytest.mark.parametrize(("share", "expected"), [(0.27, -15.4), (0.75, -42.7)])
def test_the_root_flattens_every_partial_by_its_added_length(
    bench: Any, share: float, expected: float
) -> None:
    """-3462 cents dL / L; -15 to -42 for M3 on 150 mm."""
    m3 = bench.threaded(3.0, 0.5)
    soft = bench.tine(m3, root=bench.root(added=share * m3.bend_diameter * 1e3))
    moved = cents(pitch(soft, 150.0)[:4], pitch(bench.tine(m3), 150.0)[:4])
    assert moved == pytest.approx(expected, rel=0.02)


def test_a_soft_root_is_an_added_length_to_first_order(bench: Any) -> None:
    """dL = E I / k for a rotation spring, the same cents on every partial."""
    bar = bench.plain(3.0)
    stiff = 193e9 * math.pi / 64.0 * 3e-3**4
    soft = bench.tine(bar, root=bench.root(rotation=stiff / 0.2e-3))
    moved = cents(pitch(soft, 150.0)[:3], pitch(bench.tine(bar, root=bench.root(added=0.2)), 150.0)[:3])
    assert np.abs(moved).max() < 0.1


def test_a_root_that_gives_sideways_flattens_overtones_more(bench: Any) -> None:
    """df/f = -2 sigma² E I b² / (k L), sigma = 0.73410, 1.01847: root force 2 sigma E I b³ on the spring."""
    bar, L, k = bench.plain(3.0), 0.15, 4e7
    stiff = 193e9 * math.pi / 64.0 * 3e-3**4
    moved = cents(
        pitch(bench.tine(bar, root=bench.root(translation=k)), 150.0)[:2], pitch(bench.tine(bar), 150.0)[:2]
    )
    sigma = np.array([0.73409551, 1.01846732])
    assert moved == pytest.approx(-2.0 * sigma**2 * stiff * (ROOTS[:2] / L) ** 2 / (k * L) / CENT, rel=0.01)


@pytest.mark.parametrize(("form", "piece"), [("hex", 1.24), ("thin hex", 0.78)])
def test_a_gripping_nut_stiffens_a_piece_of_the_length_the_solid_model_gives(
    bench: Any, form: str, piece: float
) -> None:
    """+865.6 cents (h / L) phi(L - x)²; for M3 at mid-span of 150 mm, 3 cents and 15 cents."""
    tine = bench.tine(bench.threaded(3.0, 0.5))
    tight, loose = (PlacedNut(bench.nut("M3", grip, form), 0.075) for grip in (1.0, 0.0))
    moved = cents(pitch(tine, 150.0, tight)[:2], pitch(tine, 150.0, loose)[:2])
    assert moved == pytest.approx(865.6 * piece / 150.0 * np.array([0.461, 2.037]), rel=0.1)


def test_the_two_planes_stand_the_split_apart_and_the_axis_says_which_is_higher(bench: Any) -> None:
    split = math.exp(3.0 * CENT)
    tines = [bench.tine(bench.plain(3.0), split=split, axis=axis) for axis in (0.4, -0.4)]
    modes = solve_tines(tines, [0.15, 0.15], [(), ()])
    apart = cents(modes.frequency[:, 0], np.where(modes.exists[:, None], modes.frequency, 1.0)[:, 1])[:, :8]
    assert apart == pytest.approx(np.array([[3.0], [-3.0]]) * np.ones(8))
    round_one = solve_tines([bench.tine(bench.plain(3.0))], [0.15], [()]).frequency[0, 0]
    assert np.sqrt(modes.frequency[0, 0] * modes.frequency[0, 1]) == pytest.approx(round_one)


def test_shapes_carry_the_momentum_and_moment_of_a_cantilever(example: TineModes) -> None:
    """G/m = 2 sigma / lambda and L/(m l) = 2 / lambda² of unit-mass shapes."""
    mass, length = example.mass[0], 0.15
    swing = np.array([1.0, -1.0, 1.0, -1.0])  # the tip counts as positive
    assert swing * example.momentum[0, :4] == pytest.approx(
        np.array([0.7830, 0.4339, 0.2544, 0.1819]) * math.sqrt(mass), rel=0.006
    )
    assert swing * example.moment_participation[0, :4] == pytest.approx(
        np.array([0.5688, 0.0908, 0.0324, 0.0165]) * math.sqrt(mass) * length, rel=0.006
    )
    assert example.shape[0, 0, -1] * math.sqrt(mass) == pytest.approx(2.0, rel=1e-3)


def test_the_rigid_tine_is_a_slender_rod_with_its_nuts(bench: Any) -> None:
    nut, L = bench.nut("M3"), 0.15
    tine = bench.tine(bench.plain(3.0), root=bench.root(added=1.0))
    modes = solve_tines([tine], [L], [(PlacedNut(nut, 0.1),)])
    line, whole, arm = 7900.0 * math.pi / 4.0 * 9e-6, 0.151, 0.101
    turning = nut.rotary_inertia + 7900.0 * math.pi / 64.0 * 3e-3**4 * whole
    assert modes.mass[0] == pytest.approx(line * whole + nut.mass, rel=1e-9)
    assert modes.first_moment[0] == pytest.approx(line * whole**2 / 2.0 + nut.mass * arm, rel=1e-9)
    assert modes.second_moment[0] == pytest.approx(
        line * whole**3 / 3.0 + nut.mass * arm**2 + turning, rel=1e-9
    )


def test_all_partials_together_yield_as_the_bent_rod_does(example: TineModes) -> None:
    """Sum of phi² / omega² at the tip = L³ / 3 E I, less the partials beyond hearing and with a little shear."""
    omega = 2.0 * math.pi * example.frequency[0, 0, example.exists[0]]
    give = np.sum(example.at(0.0)[0, example.exists[0]] ** 2 / omega**2)
    stiff = 193e9 * math.pi / 64.0 * 3e-3**4
    assert give == pytest.approx(0.15**3 / (3.0 * stiff), rel=1e-3)


def test_shapes_between_nodes_are_the_cantilevers(example: TineModes) -> None:
    depth = 0.0377
    x = ROOTS * (1.0 - depth / 0.15)
    sigma = np.array([0.73409551, 1.01846732, 0.99922450, 1.00003355])
    sign = np.array([1.0, -1.0, 1.0, -1.0])
    expected = sign * (np.cosh(x) - np.cos(x) - sigma * (np.sinh(x) - np.sin(x))) / math.sqrt(example.mass[0])
    assert example.at(depth)[0, :4] == pytest.approx(expected, abs=0.01 * 2.0 / math.sqrt(example.mass[0]))
    assert example.at(0.0)[0] == pytest.approx(example.shape[0, :, -1])
    assert example.at(1.0)[0] == pytest.approx(example.shape[0, :, 0])


def test_identical_tines_are_solved_once_and_all_get_the_answer(
    bench: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    solved: list[int] = []
    real = rod.solve_each

    def counting(rods: rod.Rods, highest: Any) -> list[rod.RodModes]:
        solved.append(len(rods.length))
        return real(rods, highest)

    monkeypatch.setattr("synth.vibration.tine.solve_each", counting)
    tines = [bench.tine(bench.plain(3.0))] * 3 + [bench.tine(bench.plain(4.0))]
    modes = solve_tines(tines, [0.15, 0.15, 0.12, 0.15], [()] * 4)
    assert solved == [3]
    assert np.array_equal(modes.shape[0], modes.shape[1])
    assert modes.frequency[2, 0, 0] / modes.frequency[0, 0, 0] == pytest.approx(1.5625, rel=1e-3)


def test_what_a_tine_does_not_have_is_zero(bench: Any) -> None:
    tines = [bench.tine(bench.plain(3.0)), bench.tine(bench.plain(3.0))]
    modes = solve_tines(tines, [0.3, 0.03], [(PlacedNut(bench.nut("M3"), 0.1),), ()])
    absent = ~modes.exists
    assert absent[1].any()
    assert not absent[0].any()
    for each in ("shape", "slope", "momentum", "moment_participation"):
        assert np.all(getattr(modes, each)[absent] == 0.0)
    assert np.all(modes.frequency[1, :, absent[1]] == 0.0)
    assert np.all(modes.loss_factor[1, :, absent[1]] == 0.0)
    assert np.all(np.isfinite([modes.decay.max(), modes.loss_factor.max()]))
    assert modes.tip == pytest.approx([0.3, 0.03])


@settings(max_examples=25, deadline=None)
@given(
    diameter=st.floats(1.0, 8.0),
    length=st.floats(25.0, 300.0),
    share=st.floats(0.01, 1.0),
    grams=st.floats(0.001, 20.0),
    inertia=st.floats(0.0, 50.0),
)
def test_added_mass_never_raises_a_partial(
    bench: Any, diameter: float, length: float, share: float, grams: float, inertia: float
) -> None:
    tine = bench.tine(bench.plain(diameter))
    nut = replace(bench.nut("M3"), mass=grams * 1e-3, rotary_inertia=inertia * 1e-9)
    bare, loaded = pitch(tine, length), pitch(tine, length, PlacedNut(nut, share * length * 1e-3))
    assert len(loaded) >= len(bare)
    assert np.all(cents(loaded[: len(bare)], bare) < 0.5)


@settings(max_examples=25, deadline=None)
@given(diameter=st.floats(1.0, 5.0), length=st.floats(40.0, 200.0), scale=st.floats(0.5, 2.0))
def test_all_sizes_times_s_give_all_frequencies_over_s(
    bench: Any, diameter: float, length: float, scale: float
) -> None:
    small = pitch(bench.tine(bench.plain(diameter)), length)
    large = pitch(bench.tine(bench.plain(diameter * scale)), length * scale)
    count = min(len(small), len(large))
    assert np.abs(cents(large[:count] * scale, small[:count])).max() < 0.5


@settings(max_examples=25, deadline=None)
@given(lengths=st.lists(st.floats(20.0, 600.0), min_size=2, max_size=12, unique=True))
def test_within_one_stock_the_longer_tine_is_the_lower(bench: Any, lengths: list[float]) -> None:
    ordered = np.sort(lengths)
    ordered = ordered[np.concatenate([[True], np.diff(ordered) > 1e-3])]
    tines = [bench.tine(bench.threaded(4.0, 0.7))] * len(ordered)
    modes = solve_tines(tines, ordered * 1e-3, [()] * len(ordered))
    assert np.all(np.diff(modes.frequency[:, 0, 0]) < 0.0)


def test_every_field_has_the_shape_the_room_promises(example: TineModes) -> None:
    N, K = example.shape.shape[1:]
    sizes = {
        "exists": (1, N),
        "frequency": (1, 2, N),
        "loss_factor": (1, 2, N),
        "axis": (1,),
        "height": (1, K),
    }
    sizes |= {"shape": (1, N, K), "slope": (1, N, K), "momentum": (1, N), "moment_participation": (1, N)}
    sizes |= dict.fromkeys(("mass", "first_moment", "second_moment"), (1,))
    assert {each.name: getattr(example, each.name).shape for each in fields(example)} == sizes
