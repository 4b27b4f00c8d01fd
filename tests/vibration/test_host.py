"""A free tine's own freedoms: each number of its partials and axial modes, by plane, where it belongs."""

from __future__ import annotations

import math

import numpy as np
import pytest

from synth.vibration.axial import AxialModes
from synth.vibration.host import FreeTines, free_tines
from synth.vibration.tine import TineModes

HERTZ = np.array([[[200.0, 1300.0], [210.0, 1360.0]], [[430.0, 2900.0], [420.0, 2800.0]]])  # (R, 2, N)
LOSS = np.array([[[1e-3, 2e-3], [3e-3, 4e-3]], [[5e-3, 6e-3], [7e-3, 8e-3]]])
MOMENTUM, MOMENT = np.array([[0.03, 0.02], [0.05, 0.01]]), np.array([[4e-3, 1e-3], [6e-3, 2e-3]])  # (R, N)
AXIAL_HZ = np.array([[[8000.0], [5000.0]], [[9000.0], [6000.0]]])  # (R, 2, 1)
AXIAL_LOSS = np.array([[[1.1e-3], [2.2e-3]], [[3.3e-3], [4.4e-3]]])
PULL = np.array([[[0.06], [1e-5]], [[0.08], [3e-5]]])


def modes() -> TineModes:
    none = np.zeros((2, 2, 3))
    return TineModes(
        exists=np.ones((2, 2), dtype=bool), frequency=HERTZ, loss_factor=LOSS, axis=np.array([0.3, -0.5]),
        height=np.zeros((2, 3)), shape=none, slope=none, momentum=MOMENTUM, moment_participation=MOMENT,
        mass=np.array([0.01, 0.02]), first_moment=np.zeros(2), second_moment=np.zeros(2),
    )  # fmt: skip


def axial() -> AxialModes:
    exists = np.ones((2, 2, 1), dtype=bool)
    return AxialModes(exists, AXIAL_HZ, AXIAL_LOSS, PULL, np.ones((2, 2)))


def of(free: FreeTines, r: int, plane: int, partial: int) -> int:
    """The freedom that is this clamped partial, on a root that does not yield."""
    own = np.abs(free.basis[r, plane, partial])
    assert own.max() == pytest.approx(1.0)
    return int(np.argmax(own))


@pytest.mark.parametrize("count", [None, 1], ids=["all partials", "the lowest"])
def test_on_a_rigid_root_each_partial_keeps_its_planes_pitch_loss_and_pull(count: int | None) -> None:
    free = free_tines(modes(), np.zeros((2, 6, 6)), partials=count, axial=axial(), lossy=True)
    partials = 2 if count is None else count
    assert free.squared.shape == (2, 2 * partials + 2)
    for r in (0, 1):
        taken = []
        for plane in (0, 1):
            for n in range(partials):
                m = of(free, r, plane, n)
                taken.append(m)
                omega = 2.0 * math.pi * HERTZ[r, plane, n]
                assert free.squared[r, m] == pytest.approx(omega**2 * (1.0 + 1j * LOSS[r, plane, n]))
                sign = free.basis[r, plane, n, m]
                pull = np.zeros(6)
                pull[2 * plane], pull[2 * plane + 1] = MOMENTUM[r, n], MOMENT[r, n]
                np.testing.assert_allclose(sign * free.reaction[r, :, m], pull, atol=1e-12)
        rest = [m for m in range(free.squared.shape[1]) if m not in taken]
        twist, stretch = sorted(rest, key=lambda m: free.squared[r, m].real)
        for kind, m in enumerate((stretch, twist)):
            omega = 2.0 * math.pi * AXIAL_HZ[r, kind, 0]
            assert free.squared[r, m] == pytest.approx(omega**2 * (1.0 + 1j * AXIAL_LOSS[r, kind, 0]))
            pull = np.zeros(6)
            pull[4 + kind] = PULL[r, kind, 0]
            np.testing.assert_allclose(np.abs(free.reaction[r, :, m]), pull, atol=1e-12)


def test_a_root_that_yields_in_one_plane_softens_that_plane_alone() -> None:
    """One partial on a spring: flexibilities add up, 1 / omega² + g² C."""
    yields = np.zeros((2, 6, 6))
    yields[:, 2, 2] = np.array([2e-5, 5e-5])
    free = free_tines(modes(), yields, partials=1)
    omega = 2.0 * math.pi * HERTZ[:, :, 0]
    wanted = np.stack(
        [omega[:, 0] ** 2, 1.0 / (omega[:, 1] ** -2.0 + MOMENTUM[:, 0] ** 2 * yields[:, 2, 2])], axis=1
    )
    np.testing.assert_allclose(free.squared, np.sort(wanted, axis=1))
    assert np.all(wanted[:, 1] < 0.999 * omega[:, 1] ** 2)


def test_what_is_taken_of_the_tines_is_theirs() -> None:
    free = free_tines(modes(), np.zeros((2, 6, 6)), axial=axial(), lossy=True)
    second = free.take(np.array([1]))
    for one, whole in (
        (second.squared, free.squared),
        (second.reaction, free.reaction),
        (second.basis, free.basis),
    ):
        np.testing.assert_array_equal(one[0], whole[1])
