"""Stacks of rods: as many partials as are asked for, whatever mesh they come from, and nuts wherever they sit."""

from __future__ import annotations

import math
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from synth.design.instrument import PlacedNut
from synth.vibration import rod
from synth.vibration.beam import plane_element
from synth.vibration.tine import rods_of, solve_tines

CENT = math.log(2.0) / 1200.0


def test_the_lowest_few_frequencies_are_those_of_the_mesh_for_all(bench: Any) -> None:
    """Each asked for as the highest, and all below it with it: searches ask for as many as a wish names."""
    tines = [
        bench.tine(bench.plain(3.0)),
        bench.tine(bench.threaded(6.0, 1.0)),
        bench.tine(bench.threaded(4.0, 0.7), root=bench.root(added=2.0)),
    ]
    trim = [(), (PlacedNut(bench.nut("M4", grip=0.7), 0.05),), (PlacedNut(bench.nut("M4"), 0.07),)]
    rods = rods_of(tines, [0.15, 0.2, 0.3], trim)
    every = rod.solve_rods(rods, 60_000.0).frequency
    for count in range(1, 9):
        few = rod.lowest_frequencies(rods, count)
        assert np.max(np.abs(np.log(few / every[:, :count]))) < 0.05 * CENT


@pytest.mark.parametrize(("position", "ratio"), [(0.4, 5.975), (0.5, 6.000), (0.8, 6.653)])
def test_a_hex_nut_sets_the_ratio_of_an_m4_tine(bench: Any, position: float, ratio: float) -> None:
    """The table is for a rod without shear and turning sections."""
    trim = (PlacedNut(bench.nut("M4"), position * 0.15),)
    rods = rods_of([bench.tine(bench.threaded(4.0, 0.7))], [0.15], [trim])
    thin = replace(rods, shear=np.array([1e15]), rotary=np.array([0.0]))
    first, second = rod.lowest_frequencies(thin, 2)[0]
    assert second / first == pytest.approx(ratio, abs=6e-4)


def test_nuts_at_base_and_tip_and_side_by_side_need_no_tiny_elements(bench: Any) -> None:
    """Nodes that would fall together are one; the pitch moves smoothly as a nut passes a node."""
    nut = bench.nut("M3", 1.0)
    tine = bench.tine(bench.threaded(3.0, 0.5), root=bench.root(added=0.05))
    places = 0.075 + np.linspace(-4e-4, 4e-4, 41)
    other = PlacedNut(nut, 0.075 + 0.002275 + 4e-4)
    trims = [
        (PlacedNut(nut, 0.0011375), PlacedNut(nut, position), other, PlacedNut(nut, 0.15))
        for position in places
    ]
    found = np.log(solve_tines([tine] * 41, 0.15, trims).frequency[:, 0, :3])
    jerk = np.abs(np.diff(found, n=2, axis=0)) / CENT
    assert jerk.max() < 0.02


@pytest.mark.parametrize("soft", ["clamped", "turns", "shifts", "both"])
def test_what_a_rod_yields_is_the_inverse_of_its_stiffness(bench: Any, soft: str) -> None:
    """X X' K = 1 with K of the elements and the springs at the root, which a clamp takes out of the problem."""
    tines = [bench.tine(bench.threaded(4.0, 0.7), root=bench.root(added=2.0)), bench.tine(bench.plain(3.0))]
    trim = [(PlacedNut(bench.nut("M4", grip=0.9), 0.03), PlacedNut(bench.nut("M4"), 0.09)), ()]
    springs = np.array([[2e6, 5e6], [30.0, 90.0]])
    rods = replace(
        rods_of(tines, [0.11, 0.15], trim),
        translation=springs[0] if soft in ("shifts", "both") else np.full(2, np.inf),
        rotation=springs[1] if soft in ("turns", "both") else np.full(2, np.inf),
    )
    for mesh in rod._meshes(rods, np.full(2, 9000.0)):
        own = rods.take(mesh.rows)
        K, M = _plainly(own, mesh)
        flexibility, X, whole = rod._flexibility(own, mesh)
        np.testing.assert_array_equal(whole, M)
        for n in range(len(own.length)):
            free = [d for d in range(len(K[n])) if np.isfinite(K[n, d, d])]
            assert len(free) == len(K[n]) - {"clamped": 2, "turns": 1, "shifts": 1, "both": 0}[soft]
            yielding = (X[n] @ X[n].T)[np.ix_(free, free)]
            np.testing.assert_allclose(yielding @ K[n][np.ix_(free, free)], np.eye(len(free)), atol=2e-7)
            assert np.all(np.delete(X[n], free, axis=0) == 0.0)
            back = np.linalg.inv(np.linalg.cholesky(K[n][np.ix_(free, free)]))
            plain = np.linalg.eigvalsh(back @ M[n][np.ix_(free, free)] @ back.T)[::-1][:8]
            np.testing.assert_allclose(np.linalg.eigvalsh(flexibility[n])[::-1][:8], plain, rtol=1e-8)


def _plainly(rods: rod.Rods, mesh: Any) -> tuple[np.ndarray, np.ndarray]:
    """K (u, D, D), infinite where the root is clamped, and M, element by element."""
    size = np.diff(mesh.nodes, axis=1)
    K, M = np.zeros((2, len(size), 2 * size.shape[1] + 2, 2 * size.shape[1] + 2))
    for n in range(len(size)):
        for e, h in enumerate(size[n]):
            bend = rods.bend[n] / mesh.compliance[n, e]
            k, m = plane_element(bend, rods.shear[n], rods.mass[n], rods.rotary[n], h)
            K[n, 2 * e : 2 * e + 4, 2 * e : 2 * e + 4] += k
            M[n, 2 * e : 2 * e + 4, 2 * e : 2 * e + 4] += m
        K[n, 0, 0] += rods.translation[n]
        K[n, 1, 1] += rods.rotation[n]
    rod._add_nuts(M, rods, mesh.nodes)
    return K, M


@pytest.mark.skipif(np.finfo(np.longdouble).eps > 1e-18, reason="no arithmetic finer than double here")
@pytest.mark.parametrize("turning", [np.inf, 30.0])
def test_no_digit_is_lost_beside_short_elements(bench: Any, turning: float) -> None:
    """The lowest frequency of the same mesh by inverse iteration on K and M in extended precision.

    K is the closed form of Friedman and Kosmatka, Computers & Structures 47 (1993) 473. To invert a stiffness
    matrix in doubles left 1e-12 to 6e-12.
    """
    trim = (PlacedNut(bench.nut("M4", grip=0.9), 0.0021), PlacedNut(bench.nut("M4"), 0.07))
    tine = bench.tine(bench.threaded(4.0, 0.7), root=bench.root(added=1.0))
    rods = replace(rods_of([tine], [0.15], [trim]), rotation=np.array([turning]))
    (mesh,) = rod._meshes_of_size(rods, (rods.length + rods.added) / 16)
    h = np.diff(mesh.nodes[0].astype(np.longdouble))
    B, S = (rods.bend / mesh.compliance[0]).astype(np.longdouble), np.longdouble(rods.shear[0])
    M = _plainly(rods, mesh)[1][0].astype(np.longdouble)
    K = np.zeros_like(M)
    for e, p in enumerate(12.0 * B / (S * h**2)):
        a, b, c = 6.0 * h[e], (4.0 + p) * h[e] ** 2, (2.0 - p) * h[e] ** 2
        k = np.array([[12.0, a, -12.0, a], [a, b, -a, c], [-12.0, -a, 12.0, -a], [a, c, -a, b]])
        K[2 * e : 2 * e + 4, 2 * e : 2 * e + 4] += B[e] / ((1.0 + p) * h[e] ** 3) * k
    K[1, 1] += turning if np.isfinite(turning) else 0.0
    held = 2 if np.isinf(turning) else 1
    K, M = K[held:, held:], M[held:, held:]
    x = np.ones(len(K), dtype=np.longdouble)
    for _ in range(12):
        x = _solved(K, M @ x)
        x /= np.sqrt(x @ M @ x)
    hertz = np.sqrt(x @ K @ x) / (2.0 * np.longdouble(math.pi))
    assert float(rod.lowest_frequencies(rods)[0, 0] / hertz - 1.0) == pytest.approx(0.0, abs=2e-14)


def _solved(K: np.ndarray, right: np.ndarray) -> np.ndarray:
    """K^-1 of a positive matrix and a vector by elimination, in whatever precision they have."""
    K, x = K.copy(), right.copy()
    for n in range(len(K)):
        share = K[n + 1 :, n] / K[n, n]
        K[n + 1 :] -= share[:, None] * K[n]
        x[n + 1 :] -= share * x[n]
    for n in reversed(range(len(K))):
        x[n] = (x[n] - K[n, n + 1 :] @ x[n + 1 :]) / K[n, n]
    return x
