"""Above the modes that are solved: a plate's many, known only in the mean.

In: a `Plate`, the frequency where solved modes end, its losses. Out: `DiffuseModes`, statistical modes that go on
from there: drawn shapes and phases, each standing for all true modes of its stretch of frequency.

The mean of a sum over modes needs their density, their mean square and their damping only (L. Cremer and M. Heckl,
Structure-Borne Sound, on point mobility as a modal mean): n modes per hertz of mean square 1/m give the point
mobility n/4m = 1/(8 sqrt(B m"")). One mode for a stretch of width d carries the mean square n d / m. A stretch is
about as wide as a resonance, so that neighbours overlap into that mean. What a mode radiates is drawn from the mean
radiation efficiency, as from a point of the plate. A sum that simply goes on has no step, and stays passive.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from synth.air import AIR_DENSITY, SOUND_SPEED
from synth.arrays import Array
from synth.frozen import frozen
from synth.vibration.plate import Plate

HIGHEST: Final = 18_000.0  # Hz, where hearing and the tines' partials end
WIDTHS: Final = 1.5  # of a stretch, in half-power widths
NARROWEST: Final = 0.015  # of the frequency, a stretch of a very lossless sheet
SEED: Final = 20  # the same board always answers alike


@frozen
class DiffuseModes:
    """Z statistical modes and their motion at Q places: w, dw/dx, dw/dy."""

    frequency: Array  # (Z,) Hz
    loss_factor: Array  # (Z,) the sheet's and the air's
    shape: Array  # (Q, 3, Z) kg^(-1/2)
    source: Array  # (Z, 2) m from the plate's middle, where it radiates from
    strength: Array  # (Z,) m2/kg^(1/2), volume velocity of a monopole per modal velocity


def diffuse_modes(
    plate: Plate, *, above: float, loss_factor: float, faces: int, efficiency: float, patch: Array
) -> DiffuseModes:
    """Statistical modes from `above` Hz to the end of hearing.

    `faces` 2 of a bare panel or 1 of a lid meet the air, and `efficiency` is the solved modes' mean just below:
    free edges and open backs radiate less than the formula's baffled ones. `patch` (Q,) is the side (m) of the area
    over which each place averages.
    """
    edges = EdgeRadiation(plate, above, efficiency / float(edge_efficiency(plate, np.array([above]))[0]))
    frequency, width = _stretches(edges, loss_factor, faces)
    k, bend = 2.0 * math.pi * frequency / SOUND_SPEED, plate.wavenumber(frequency)
    random = np.random.default_rng(SEED)
    mean_square = plate.modal_density * width / plate.mass
    # the mean of plane waves of all directions over a square patch, to second order, then a Gaussian's tail
    over_patch = np.exp(-((np.outer(patch, bend)) ** 2) / 24.0)
    shape = (
        random.standard_normal((len(patch), 3, len(frequency))) * (np.sqrt(mean_square) * over_patch)[:, None]
    )
    shape[:, 1:] *= bend / math.sqrt(2.0)
    source = (random.random((len(frequency), 2)) - 0.5) * (plate.length, plate.width)
    # the power, rho c S sigma v^2/2 a face, is that of a monopole in free space, rho c k^2 Q^2/8 pi
    strength = np.sqrt(4.0 * math.pi * faces * plate.area * edges.efficiency(frequency) / plate.mass) / k
    return DiffuseModes(frequency, _loss(edges, frequency, loss_factor, faces), shape, source, strength)


@frozen
class EdgeRadiation:
    """How edges radiate: by the formula, times what was found at `above`, which fades to 1 at coincidence."""

    plate: Plate
    above: float  # Hz
    found: float  # over the formula's efficiency there

    def efficiency(self, frequency: Array) -> Array:
        """The mean radiation efficiency (F,) of a face."""
        end = max(
            self.plate.critical_frequency(SOUND_SPEED), 2.0 * self.above
        )  # beyond it edges do not matter
        left = np.clip(np.log(end / frequency) / math.log(end / self.above), 0.0, 1.0)
        return np.asarray(edge_efficiency(self.plate, frequency) * self.found**left)


def edge_efficiency(plate: Plate, frequency: Array) -> Array:
    """The mean radiation efficiency (F,) of one baffled face, many modes (F. G. Leppington, E. G. Broadbent and
    K. H. Heron, Proc. R. Soc. A 382 (1982) 245, whose edge term is that of G. Maidanik, JASA 34 (1962) 809).

    Below the critical frequency the edges radiate; at it the value of the finite plate; above 1/sqrt(1 - fc/f).
    """
    fc = plate.critical_frequency(SOUND_SPEED)
    k = 2.0 * math.pi * frequency / SOUND_SPEED
    short, long = sorted((plate.length, plate.width))
    at_coincidence = (0.5 - 0.15 * short / long) * np.sqrt(2.0 * math.pi * fc / SOUND_SPEED * short)
    with np.errstate(divide="ignore", invalid="ignore"):
        mu = np.sqrt(fc / frequency)
        edges = np.log((mu + 1.0) / (mu - 1.0)) + 2.0 * mu / (mu**2 - 1.0)
        below = (plate.length + plate.width) / (math.pi * mu * k * plate.area * np.sqrt(mu**2 - 1.0)) * edges
        above = 1.0 / np.sqrt(1.0 - mu**2)
    return np.asarray(np.minimum(np.where(frequency < fc, below, above), at_coincidence))


def _loss(edges: EdgeRadiation, frequency: Array, loss_factor: float, faces: int) -> Array:
    """The loss factor (F,): the sheet's, and rho c sigma / (w m"") a face by radiation."""
    air = AIR_DENSITY * SOUND_SPEED * edges.efficiency(frequency)
    return np.asarray(loss_factor + faces * air / (2.0 * math.pi * frequency * edges.plate.mass_per_area))


def _stretches(edges: EdgeRadiation, loss_factor: float, faces: int) -> tuple[Array, Array]:
    """Middles and widths (Z,) in Hz of stretches that fill the range without a gap."""
    ends = [edges.above]
    while ends[-1] < HIGHEST:
        loss = float(_loss(edges, np.array([ends[-1]]), loss_factor, faces)[0])
        step = max(min(max(WIDTHS * loss, NARROWEST), 0.2) * ends[-1], 1.0 / edges.plate.modal_density)
        ends.append(ends[-1] + step)
    bounds = np.array(ends)
    return (bounds[1:] + bounds[:-1]) / 2.0, np.diff(bounds)
