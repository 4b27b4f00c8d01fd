"""What a free tine stands on, with every tine locked on it, and the free tine's own freedoms, on a soft root.

In: bar modes (and a board's), tines' clamped modes. Out: a `Host` in its own modes, real or with losses, and
`FreeTines`. The bar's modes above the last yield as a spring under each root: flexibilities, the tine's and its
root's, add up, and are diagonal again in freedoms of their own.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Indices
from synth.frozen import frozen
from synth.vibration.axial import AxialModes
from synth.vibration.bar import BarModes
from synth.vibration.coupling import Bases, added_mass
from synth.vibration.eigen import complex_modes
from synth.vibration.tine import TineModes

LOWEST_HZ: Final = 0.1  # below, a mode is a drift of what nothing holds

Numbers = NDArray[Any]  # real without losses, complex with


@frozen
class Host:
    """What a tine stands on, all tines locked on it: K modes."""

    squared: Numbers  # (K,) omega², complex where losses count
    motion: Numbers  # (R, 6, K) of the bases, in the tines' own directions (`Bases.rows`), mass-normalised

    def take(self, which: Indices) -> Host:
        return Host(self.squared, self.motion[which])


@frozen
class FreeTines:
    """R tines' F freedoms each: their partials, on roots as soft as the bar's left-out modes make them."""

    squared: Numbers  # (R, F)
    reaction: Array  # (R, 6, F)
    basis: Array  # (R, 2, N, F) clamped partials (plane, partial) in these freedoms

    def take(self, which: Indices) -> FreeTines:
        return FreeTines(self.squared[which], self.reaction[which], self.basis[which])


def free_tines(
    modes: TineModes,
    residual: Array,
    *,
    partials: int | None = None,
    axial: AxialModes | None = None,
    lossy: bool = False,
) -> FreeTines:
    """The freedoms of tines on roots that yield by `residual` (R, 6, 6; `own_residual`) per force and moment.

    The lowest `partials` of each plane (all by default) and, where given, stretching and twisting; the rest of the
    tine is taken as rigid. With three partials the fundamental is within 0.01 cent of all.
    """
    count = modes.frequency.shape[2] if partials is None else partials
    squared = (2.0 * math.pi * modes.frequency[:, :, :count]) ** 2
    loss = squared * modes.loss_factor[:, :, :count]
    shape = squared.shape
    squared, loss = squared.reshape(shape[0], -1), loss.reshape(shape[0], -1)
    g = base_reaction(modes)[..., : shape[2]].reshape(shape[0], 4, -1)
    g = np.concatenate([g, np.zeros((shape[0], 2, g.shape[2]))], axis=1)
    if axial is not None:
        own = (2.0 * math.pi * axial.frequency) ** 2
        squared = np.concatenate([squared, own.reshape(shape[0], -1)], axis=1)
        loss = np.concatenate([loss, (own * axial.loss_factor).reshape(shape[0], -1)], axis=1)
        g = np.concatenate([g, _axial_pull(axial)], axis=2)
    return _softened(squared, loss if lossy else None, g, residual, shape)


def own_residual(bar: BarModes, bases: Bases) -> Array:
    """What the bar's modes above the last yield at each base (R, 6, 6), in the tines' own directions."""
    rows = bases.rows()
    return np.asarray(rows @ bar.own_compliance @ rows.swapaxes(-1, -2))


def loaded_bar(modes: TineModes, bar: BarModes, bases: Bases, *, nuts: Array) -> tuple[Array, Array]:
    """omega² (Mb,) of the bar with all tines locked, and its modes (Mb, Mb) in those of the bare bar."""
    return loaded(np.diag(bar.stiffness), added_mass(bar.at(bases.position), bases, modes, nuts))


def loaded(stiffness: Array, load: Array) -> tuple[Array, Array]:
    """omega² (K,) and modes (K, K) of what has unit mass and `stiffness` (K, K), under a `load` of mass (K, K)."""
    inverse = np.linalg.inv(np.linalg.cholesky(np.eye(len(stiffness)) + load))
    kappa, v = np.linalg.eigh(inverse @ stiffness @ inverse.T)
    return np.maximum(kappa, 0.0), inverse.T @ v


def damped_host(stiffness: Array, loss: Array, load: Array) -> tuple[Numbers, Numbers]:
    """The same with losses (K, K) beside the stiffness: complex."""
    squared, real = loaded(stiffness, load)
    kappa, shape = squared.astype(np.complex128), real.astype(np.complex128)
    swings = (
        squared > (2.0 * math.pi * LOWEST_HZ) ** 2
    )  # what only drifts loses nothing, and many drifts are alike
    own = real[:, swings]
    kappa[swings], y = complex_modes(squared[swings], own.T @ loss @ own)
    shape[:, swings] = own @ y
    kappa[~swings] = 0.0
    return kappa, shape


def base_reaction(modes: TineModes) -> Array:
    """Force and moment on the base (R, 4, 2, N) per acceleration of each plane's partials."""
    g = np.zeros((len(modes.mass), 4, 2, modes.momentum.shape[1]))
    for p in (0, 1):
        g[:, 2 * p, p], g[:, 2 * p + 1, p] = modes.momentum, modes.moment_participation
    return g


def _axial_pull(axial: AxialModes) -> Array:
    """Force and moment the way the tine points (R, 6, 2 Na) per acceleration of stretching and twisting."""
    g = np.zeros((len(axial.inertia), 6, *axial.momentum.shape[1:]))
    g[:, 4, 0], g[:, 5, 1] = axial.momentum[:, 0], axial.momentum[:, 1]
    return g.reshape(len(g), 6, -1)


def _softened(
    squared: Array, loss: Array | None, g: Array, yields: Array, shape: tuple[int, ...]
) -> FreeTines:
    """The freedoms in which flexibilities, the tine's and its root's, add up to a diagonal."""
    there = squared > 0.0
    stiff = np.where(there, squared, 1e3 * squared.max(axis=1, keepdims=True))
    flexibility = g.swapaxes(-1, -2) @ yields @ g
    every = np.arange(squared.shape[1])
    flexibility[:, every, every] += 1.0 / stiff
    value, own = np.linalg.eigh(flexibility)
    value, own = value[:, ::-1], own[:, :, ::-1]
    basis = own[:, : shape[1] * shape[2]].reshape(*shape, -1)
    soft: Numbers = 1.0 / value
    if loss is not None:
        soft = soft + 1j * np.einsum("rf,rfm->rm", loss, own**2)
    return FreeTines(soft, g @ own, basis)
