"""What a palm takes, mode by mode: displacement, velocity and the damping between them."""

from __future__ import annotations

import dataclasses
from types import ModuleType

import numpy as np

from synth.vibration.modal_model import generalized_momentum
from synth.vibration.modal_projection import Projection


def test_a_change_of_displacement_and_velocity_is_what_the_modes_own_law_says(by_hand: ModuleType) -> None:
    """a = u q - j (u v + sigma u q)/omega: the velocity of u q exp(s t) is -sigma u q, made up for by -j."""
    model = by_hand.UPRIGHT.model()
    loud = model.pole * 1.0
    damped = np.where(
        model.frequency < 3000.0, loud - 0.2 * model.pole.imag, loud
    )  # so much that a sign shows
    model = dataclasses.replace(model, pole=damped)
    palms = Projection(model)
    q, v = np.zeros((2, 1, *model.tine_dof.shape[1:]))
    r, plane, n = 1, 1, 0
    q[0, plane, n], v[0, plane, n] = 2e-3, 0.7
    tine = np.array([r])
    both, moved, moving = palms(tine, q, v)[0], palms(tine, q, 0.0 * v)[0], palms(tine, 0.0 * q, v)[0]
    own = np.argwhere(model.tine_dof[r].ravel() == model.tine_dof[r, plane, n])[0, 0]
    partial = model.tines.frequency[r, plane, n]
    near = np.abs(model.frequency / partial - 1.0) < 0.02
    exact = by_hand.project(model, [r], q, v)[0]
    np.testing.assert_allclose(both, moved + moving, atol=1e-6 * np.abs(both).max())
    np.testing.assert_allclose(both[near], exact[near], rtol=2e-3)
    omega, sigma = model.pole.imag, -model.pole.real
    # seen by its real shape u: displacement Re(a) = u q, velocity Re(s a) = u v
    u = generalized_momentum(model, r)[own]
    real = near & (np.abs(u.imag) < 1e-3 * np.abs(u))
    assert real.any()
    np.testing.assert_allclose(both.real[real], (u.real * 2e-3)[real], rtol=0.02)
    np.testing.assert_allclose((model.pole * both).real[real], (u.real * 0.7)[real], rtol=0.02)
    assert np.all(sigma[real] > 0.1 * omega[real])
