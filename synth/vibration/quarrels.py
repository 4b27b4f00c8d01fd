"""Quarrels: a tine's partial and a mode of the bar so close that they split, die early or sound wrong.

In: an instrument and its tuned row. Out: `Quarrel`s, the worst first. Partial (Lambda) and bar mode (kappa) pull at
each other through the base: mu = (g . w)², g the partial's pull per acceleration, w the mode's motion there. For
the pair alone

    [[Lambda (1 + j eta_t), 0], [0, kappa (1 + j eta_b)]] x = lambda [[1, s], [s, 1]] x,     s² = mu,

whose solution with more of the tine in it is what the tine becomes. All tines are locked in the bar's modes, so
each quarrel is told as if the others kept still; together they are what `synth.vibration.modal_model` finds.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.design.instrument import Instrument
from synth.frozen import frozen
from synth.units import cents, ratio
from synth.vibration.bar import COUPLED_HZ, mode_name, solve_bar
from synth.vibration.coupling import Bases, base_frames, nut_inertia
from synth.vibration.host import base_reaction, loaded_bar
from synth.vibration.tine import PLANES
from synth.vibration.tuning import Row

PARTIALS: Final = 3  # what the ear takes for the tine's tone
CLOSE: Final = 2.0**0.5  # half an octave each way: what pulls from further off pulls all tines alike
NOTICED_SHIFT: Final = ratio(5.0)  # 5 cents: about what is just heard (common practice)
NOTICED_DECAY: Final = 1.25  # a decay shorter by a fifth (common practice)

PartialKey = tuple[int, int, int]  # tine, plane, partial (1-based)


@frozen
class Quarrel:
    """One tine partial and one bar mode."""

    tine: int  # index into Instrument.tines
    plane: int  # 0 along the row, 1 across
    partial: int  # 1-based
    partial_hz: float  # clamped
    bar_mode: int  # of the loaded bar, counted from the lowest
    bar_hz: float
    shift: float  # frequency over the clamped one
    decay_loss: float  # how many times shorter the partial rings, 1 or more
    severity: float  # in steps that are just noticed

    @property
    def of(self) -> PartialKey:
        """The partial that quarrels."""
        return self.tine, self.plane, self.partial


@frozen
class BarShapes:
    """The bar loaded with locked tines: K modes; what the map draws and quarrels are told by."""

    frequency: Array  # (K,) Hz
    loss_factor: Array  # (K,)
    position: Array  # (B,) m
    motion: Array  # (B, 6, K) global axes
    axes: Array  # (B, 3, 3)


@frozen
class Pair:
    """Partials (n,) meeting modes: all that the two-mode problem asks for."""

    squared: Array  # Lambda
    tine_loss: Array
    kappa: Array
    bar_loss: Array

    def __getitem__(self, i: int) -> Pair:
        one = slice(i, i + 1)
        return Pair(self.squared[one], self.tine_loss[one], self.kappa[one], self.bar_loss[one])

    def outcome(self, mu: Array) -> tuple[Array, Array]:
        """Shift and loss of decay (n,) at a coupling mu, see the module's equation."""
        tine = self.squared * (1.0 + 1j * self.tine_loss)
        bar = self.kappa * (1.0 + 1j * self.bar_loss)
        held = np.minimum(mu, 0.9)
        # lambda² (1 - mu) - lambda (tine + bar) + tine bar = 0
        half = (tine + bar) / (2.0 * (1.0 - held))
        root = np.sqrt(half**2 - tine * bar / (1.0 - held))
        both = np.stack([half + root, half - root])
        # x_tine / x_bar = (kappa' - lambda) / (lambda s): the greater, the more tine
        share = np.abs(bar / both - 1.0)
        own = np.take_along_axis(both, np.argmax(share, axis=0)[None], axis=0)[0]
        pole = np.sqrt(own)
        alone = np.sqrt(tine)
        return pole.real / alone.real, np.maximum(pole.imag / alone.imag, 1.0)


@frozen
class Meetings:
    """Every partial with every bar mode near it (n,), quarrel or not; indices into (R, 2, PARTIALS, K)."""

    tine: NDArray[np.int64]
    plane: NDArray[np.int64]
    partial: NDArray[np.int64]  # from 0
    mode: NDArray[np.int64]
    pairs: Pair
    shift: Array
    decay_loss: Array
    severity: Array
    noticed: NDArray[np.bool_]

    def total(self) -> float:
        """The severities of all quarrels together."""
        return float(self.severity[self.noticed].sum())

    def worst(self, key: PartialKey) -> float:
        """The worst quarrel of one partial; 0 where it has none."""
        tine, plane, partial = key
        own = self.noticed & (self.tine == tine) & (self.plane == plane) & (self.partial == partial - 1)
        return float(self.severity[own].max(initial=0.0))


def find_quarrels(instrument: Instrument, row: Row) -> tuple[Quarrel, ...]:
    """All quarrels that are noticed, the worst first."""
    shapes, bases = loaded_shapes(instrument, row)
    met = meet(row, shapes.frequency, shapes.loss_factor, base_motion(shapes, bases))
    noticed = np.flatnonzero(met.noticed)
    ranked = noticed[np.argsort(-met.severity[noticed], kind="stable")]
    return tuple(
        Quarrel(
            tine=int(met.tine[i]),
            plane=int(met.plane[i]),
            partial=int(met.partial[i]) + 1,
            partial_hz=math.sqrt(float(met.pairs.squared[i])) / (2.0 * math.pi),
            bar_mode=int(met.mode[i]),
            bar_hz=float(shapes.frequency[met.mode[i]]),
            shift=float(met.shift[i]),
            decay_loss=float(met.decay_loss[i]),
            severity=float(met.severity[i]),
        )
        for i in ranked.tolist()
    )


def meet(row: Row, frequency: Array, loss_factor: Array, motion: Array) -> Meetings:
    """Partials and bar modes (K,) that move the bases by `motion` (R, 4, K), in the rows of `Bases.rows`."""
    pairs, index = _pairs(row, frequency, loss_factor)
    g = base_reaction(row.modes)[..., :PARTIALS]  # (R, 4, 2, n)
    mu = np.einsum("ripn,rik->rpnk", g, motion) ** 2
    shift, decay = pairs.outcome(mu[index])
    heard = (np.abs(np.log(shift)) > math.log(NOTICED_SHIFT)) | (decay > NOTICED_DECAY)
    tine, plane, partial, mode = index
    return Meetings(tine, plane, partial, mode, pairs, shift, decay, severity(shift, decay), heard)


def loaded_shapes(instrument: Instrument, row: Row) -> tuple[BarShapes, Bases]:
    """The bar's modes with every tine locked on it, and where the tines stand."""
    bar = solve_bar(instrument.bar, [tine.position for tine in instrument.tines], highest_hz=COUPLED_HZ)
    bases = base_frames(instrument.tines, instrument.bar, bar)
    kappa, v = loaded_bar(row.modes, bar, bases, nuts=nut_inertia(instrument.tines, instrument.bar, bases))
    sounding = kappa > 1.0
    v, kappa = v[:, sounding], kappa[sounding]
    loss = np.einsum("ik,ij,jk->k", v, bar.loss, v, optimize=True) / kappa
    frequency = np.sqrt(kappa) / (2.0 * math.pi)
    return BarShapes(frequency, loss, bar.position, bar.shape @ v, bar.axes), bases


def base_motion(shapes: BarShapes, bases: Bases) -> Array:
    """How each mode moves the tines' bases (R, 4, K), in the rows of `Bases.rows`."""
    return np.asarray(bases.rows()[:, :4] @ motion_at(shapes, bases.position))


def motion_at(shapes: BarShapes, position: Array) -> Array:
    """The bar's motion (P, 6, K) at places, straight between its nodes."""
    return _straight(shapes, shapes.motion, position)


def motion_of(shapes: BarShapes, mode: int, position: Array) -> Array:
    """The same of one mode (P, 6)."""
    return _straight(shapes, shapes.motion[..., mode : mode + 1], position)[..., 0]


def _straight(shapes: BarShapes, motion: Array, position: Array) -> Array:
    right = np.clip(np.searchsorted(shapes.position, position), 1, len(shapes.position) - 1)
    span = shapes.position[right] - shapes.position[right - 1]
    t = (np.clip((position - shapes.position[right - 1]) / span, 0.0, 1.0))[:, None, None]
    return np.asarray((1.0 - t) * motion[right - 1] + t * motion[right])


def severity(shift: Array, decay_loss: Array) -> Array:
    """How many just noticed steps a quarrel makes, of pitch and of decay together."""
    pitch = np.abs(np.log(shift)) / math.log(NOTICED_SHIFT)
    return np.asarray(pitch + np.log(decay_loss) / math.log(NOTICED_DECAY))


def worst_of_each(quarrels: Iterable[Quarrel]) -> dict[PartialKey, Quarrel]:
    """The worst quarrel of each partial that has one."""
    worst: dict[PartialKey, Quarrel] = {}
    for each in quarrels:
        if each.of not in worst or each.severity > worst[each.of].severity:
            worst[each.of] = each
    return worst


def partial_words(instrument: Instrument, quarrel: Quarrel) -> str:
    """The partial that quarrels, by name."""
    tine = instrument.tines[quarrel.tine]
    name = f"{instrument.groups[tine.group].name} {tine.number}"
    return f"{name}, partial {quarrel.partial} {PLANES[quarrel.plane]} at {quarrel.partial_hz:.1f} Hz"


def sentence(instrument: Instrument, quarrel: Quarrel) -> str:
    """What quarrels, in a maker's words."""
    partial, moved = partial_words(instrument, quarrel), cents(quarrel.shift)
    words = f"{partial} meets {mode_name(quarrel.bar_mode, quarrel.bar_hz)}: {moved:+z.0f} cents"
    return words if quarrel.decay_loss <= 1.05 else f"{words}, rings {quarrel.decay_loss:.1f} times shorter"


def _pairs(row: Row, bar_hz: Array, bar_loss: Array) -> tuple[Pair, tuple[NDArray[np.int64], ...]]:
    """Every existing partial with every bar mode close to it; index arrays into (R, 2, n, K)."""
    frequency = row.modes.frequency[:, :, :PARTIALS]
    exists = np.broadcast_to(row.modes.exists[:, None, :PARTIALS], frequency.shape)
    apart = np.log(bar_hz) - np.log(np.where(exists, frequency, 1e-3))[..., None]
    index = np.nonzero((np.abs(apart) < math.log(CLOSE)) & exists[..., None])
    tine, mode = index[:3], index[3]
    angular = 2.0 * math.pi
    return (
        Pair(
            (angular * frequency[tine]) ** 2,
            row.modes.loss_factor[:, :, :PARTIALS][tine],
            (angular * bar_hz[mode]) ** 2,
            bar_loss[mode],
        ),
        index,
    )
