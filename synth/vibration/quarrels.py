"""Quarrels: a tine's partial and a mode of the bar so close that they split, die early or sound wrong.

In: an instrument and its tuned row. Out: `Quarrel`s, the worst first, each with what would help. Partial (Lambda)
and bar mode (kappa) pull at each other through the base: mu = (g . w)², g the partial's pull per acceleration,
w the mode's motion there. For the pair alone

    [[Lambda (1 + j eta_t), 0], [0, kappa (1 + j eta_b)]] x = lambda [[1, s], [s, 1]] x,     s² = mu,

whose solution with more of the tine in it is what the tine becomes. All tines are locked in the bar's modes, so
each quarrel is told as if the others kept still; together they are what `synth.vibration.assembly` finds.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument
from synth.vibration.bar import COUPLED_HZ, solve_bar, support_springs
from synth.vibration.host import loaded_bar, pull
from synth.vibration.section import Array
from synth.vibration.structure import Bases, nut_inertia, stand
from synth.vibration.tine import PLANES
from synth.vibration.tuning import Row

PARTIALS: Final = 3  # what the ear takes for the tine's tone
CLOSE: Final = 2.0**0.5  # half an octave each way: what pulls from further off pulls all tines alike
NOTICED_SHIFT: Final = 2.0 ** (5.0 / 1200.0)  # 5 cents: about what is just heard (common practice)
NOTICED_DECAY: Final = 1.25  # a decay shorter by a fifth (common practice)
FURTHEST_MOVE: Final = 0.15  # m; further, it is another instrument
STEP: Final = 1e-3  # m, of a group's move
FACTORS: Final = np.exp(np.linspace(0.0, math.log(1.4), 35)[1:])  # of the bar's frequency, up or down
SAME_WAY: Final = 0.5  # rad between faces of groups that would be in each other's way
ROOM: Final = 0.008  # m that two groups keep at least: a spanner on an M3 nut


@dataclass(frozen=True)
class Quarrel:
    """One tine partial and one bar mode. Remedies are nan (or -1) where nothing within reach helps."""

    tine: int  # index into Instrument.tines
    plane: int  # 0 along the row, 1 across
    partial: int  # 1-based
    partial_hz: float  # clamped
    bar_mode: int  # of the loaded bar, counted from the lowest
    bar_hz: float
    shift: float  # frequency over the clamped one
    decay_loss: float  # how many times shorter the partial rings, 1 or more
    severity: float  # in steps that are just noticed
    move: float  # m along the bar, of the whole group
    room: bool  # for that move, as the other groups stand
    bar_factor: float  # on the bar mode's frequency
    support: int  # index of the support that takes most of the energy, where that is what shortens the ring
    support_place: float  # m, where the mode hardly moves


@dataclass(frozen=True)
class BarShapes:
    """The bar loaded with locked tines: K modes; what the map draws and quarrels are told by."""

    frequency: Array  # (K,) Hz
    loss_factor: Array  # (K,)
    place: Array  # (B,) m
    motion: Array  # (B, 6, K) global axes
    axes: Array  # (B, 3, 3)


@dataclass(frozen=True)
class _Pair:
    """Partials (n,) meeting modes: all that the two-mode problem asks for."""

    squared: Array  # Lambda
    tine_loss: Array
    kappa: Array
    bar_loss: Array

    def __getitem__(self, i: int) -> _Pair:
        one = slice(i, i + 1)
        return _Pair(self.squared[one], self.tine_loss[one], self.kappa[one], self.bar_loss[one])

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


def find_quarrels(instrument: Instrument, row: Row) -> tuple[Quarrel, ...]:
    """All quarrels that are noticed, the worst first."""
    shapes, bases = loaded_shapes(instrument, row)
    g = pull(row.modes)[..., :PARTIALS]  # (R, 4, 2, n)
    mu = _coupling(g, shapes, bases)
    pairs, index = _pairs(row, shapes)
    shift, decay = pairs.outcome(mu[index])
    worth, noticed = _noticed(shift, decay)
    ranked = noticed[np.argsort(-worth[noticed], kind="stable")]
    remedies = _Remedies(instrument, bases, shapes, g)
    return tuple(
        remedies.told(
            [int(each[i]) for each in index],
            pairs[i],
            float(mu[index][i]),
            (float(shift[i]), float(decay[i])),
        )
        for i in ranked.tolist()
    )


def total_severity(instrument: Instrument, row: Row) -> float:
    """The severities of all quarrels together, without looking for what would help."""
    shapes, bases = loaded_shapes(instrument, row)
    pairs, index = _pairs(row, shapes)
    mu = _coupling(pull(row.modes)[..., :PARTIALS], shapes, bases)
    worth, noticed = _noticed(*pairs.outcome(mu[index]))
    return float(worth[noticed].sum())


def loaded_shapes(instrument: Instrument, row: Row) -> tuple[BarShapes, Bases]:
    """The bar's modes with every tine locked on it, and where the tines stand."""
    bar = solve_bar(instrument.bar, [tine.place for tine in instrument.tines], highest_hz=COUPLED_HZ)
    bases = stand(instrument.tines, instrument.bar, bar)
    kappa, v = loaded_bar(row.modes, bar, bases, nuts=nut_inertia(instrument.tines, instrument.bar, bases))
    sounding = kappa > 1.0
    v, kappa = v[:, sounding], kappa[sounding]
    loss = np.einsum("ik,ij,jk->k", v, bar.loss, v, optimize=True) / kappa
    frequency = np.sqrt(kappa) / (2.0 * math.pi)
    return BarShapes(frequency, loss, bar.place, bar.shape @ v, bar.axes), bases


def severity(shift: Array, decay_loss: Array) -> Array:
    """How many just noticed steps a quarrel makes, of pitch and of decay together."""
    pitch = np.abs(np.log(shift)) / math.log(NOTICED_SHIFT)
    return np.asarray(pitch + np.log(decay_loss) / math.log(NOTICED_DECAY))


def sentence(instrument: Instrument, quarrel: Quarrel) -> str:
    """What quarrels and what would help, in a maker's words."""
    tine = instrument.tines[quarrel.tine]
    cents = 1200.0 * math.log2(quarrel.shift)
    name = f"{instrument.groups[tine.group].name} {tine.number}"
    words = (
        f"{name}, partial {quarrel.partial} {PLANES[quarrel.plane]} at {quarrel.partial_hz:.1f} Hz meets the bar's "
        f"mode at {quarrel.bar_hz:.1f} Hz: {cents:+.0f} cents"
    )
    if quarrel.decay_loss > 1.05:
        words += f", rings {quarrel.decay_loss:.1f} times shorter"
    helps = list(_helps(instrument, quarrel))
    return f"{words}; {' or '.join(helps)}" if helps else words


def _coupling(g: Array, shapes: BarShapes, bases: Bases) -> Array:
    """mu (R, 2, n, K) between partials that pull by g (R, 4, 2, n) and modes."""
    w = bases.rows()[:, :4] @ _at(shapes, bases.place)  # (R, 4, K)
    return np.asarray(np.einsum("ripn,rik->rpnk", g, w) ** 2)


def _noticed(shift: Array, decay: Array) -> tuple[Array, NDArray[np.int64]]:
    """Severities (n,), and which of them are noticed at all."""
    heard = (np.abs(np.log(shift)) > math.log(NOTICED_SHIFT)) | (decay > NOTICED_DECAY)
    return severity(shift, decay), np.flatnonzero(heard)


def _helps(instrument: Instrument, quarrel: Quarrel) -> Iterator[str]:
    if not math.isnan(quarrel.move):
        way = f"{abs(quarrel.move) * 1e3:.0f} mm {'on' if quarrel.move > 0 else 'back'} along the bar"
        yield f"move the group {way}{'' if quarrel.room else ', its neighbours with it'}"
    if quarrel.support >= 0:
        old = instrument.bar.supports[quarrel.support].place
        yield f"move the support from {old * 1e3:.0f} to {quarrel.support_place * 1e3:.0f} mm"
    if not math.isnan(quarrel.bar_factor):
        change = quarrel.bar_factor - 1.0
        yield f"take a bar that rings {abs(change):.0%} {'higher' if change > 0 else 'lower'}"


def _pairs(row: Row, shapes: BarShapes) -> tuple[_Pair, tuple[NDArray[np.int64], ...]]:
    """Every existing partial with every bar mode close to it; index arrays into (R, 2, n, K)."""
    frequency = row.modes.frequency[:, :, :PARTIALS]
    exists = np.broadcast_to(row.modes.exists[:, None, :PARTIALS], frequency.shape)
    apart = np.log(shapes.frequency) - np.log(np.where(exists, frequency, 1e-3))[..., None]
    index = np.nonzero((np.abs(apart) < math.log(CLOSE)) & exists[..., None])
    tine, mode = index[:3], index[3]
    angular = 2.0 * math.pi
    return (
        _Pair(
            (angular * frequency[tine]) ** 2,
            row.modes.loss_factor[:, :, :PARTIALS][tine],
            (angular * shapes.frequency[mode]) ** 2,
            shapes.loss_factor[mode],
        ),
        index,
    )


@dataclass(frozen=True)
class _Remedies:
    """What would end a quarrel: another place, another bar, another support."""

    instrument: Instrument
    bases: Bases
    shapes: BarShapes
    g: Array  # (R, 4, 2, n)

    def told(self, index: list[int], pair: _Pair, mu: float, outcome: tuple[float, float]) -> Quarrel:
        r, plane, n, mode = index
        shift, decay_loss = outcome
        worth = float(severity(np.array(shift), np.array(decay_loss)))
        move, room = self._move(r, self.g[r, :, plane, n], mode, pair, worth)
        support, place = self._support(mode, decay_loss)
        return Quarrel(
            tine=r,
            plane=plane,
            partial=n + 1,
            partial_hz=math.sqrt(float(pair.squared[0])) / (2.0 * math.pi),
            bar_mode=mode,
            bar_hz=float(self.shapes.frequency[mode]),
            shift=shift,
            decay_loss=decay_loss,
            severity=worth,
            move=move,
            room=room,
            bar_factor=_bar_factor(pair, mu, worth),
            support=support,
            support_place=place,
        )

    def _move(self, r: int, g: Array, mode: int, pair: _Pair, worth: float) -> tuple[float, bool]:
        """The shortest way that makes it half as bad and, if any does, unnoticed; and whether there is room.

        Ways that keep clear of other groups come first; nan where none helps.
        """
        steps = np.arange(STEP, FURTHEST_MOVE + STEP / 2.0, STEP)
        ways = np.stack([steps, -steps], axis=1).ravel()
        on_bar, free = self._free(r, ways)
        place = self.bases.place[r] + ways
        rows = _moved(self.bases, r, place, self.shapes).rows()[:, :4]
        mu = np.einsum("i,pij,pj->p", g, rows, _at(self.shapes, place)[..., mode]) ** 2
        left = severity(*pair.outcome(mu))
        for allowed, room in ((free, True), (on_bar, False)):
            for enough in (min(1.0, worth / 2.0), worth / 2.0):
                good = np.flatnonzero((left < enough) & allowed)
                if len(good):
                    return float(ways[good[0]]), room
        return math.nan, False

    def _free(self, r: int, ways: Array) -> tuple[NDArray[np.bool_], NDArray[np.bool_]]:
        """Which moves keep the group on the bar, and which clear of the others that point the same way too."""
        tines = self.instrument.tines
        group = tines[r].group
        own = np.array([each.place for each in tines if each.group == group])
        others = [e.place for e in tines if e.group != group and abs(e.face - tines[r].face) < SAME_WAY]
        low, high = own.min() + ways, own.max() + ways
        on_bar = (low > 0.0) & (high < self.instrument.bar.length)
        between = (np.array(others) > low[:, None] - ROOM) & (np.array(others) < high[:, None] + ROOM)
        return on_bar, on_bar & ~between.any(axis=1)

    def _support(self, mode: int, decay: float) -> tuple[int, float]:
        """The support that takes most of this mode's energy, and the nearest place where it would take little."""
        supports = self.instrument.bar.supports
        material = self.instrument.bar.material.loss_factor
        if decay < NOTICED_DECAY or not supports or self.shapes.loss_factor[mode] < 2.0 * material:
            return -1, math.nan
        places = np.array([s.place for s in supports])
        axes = _nearest_axes(self.shapes, places)
        k = np.array([s.loss_factor * support_springs(s, own) for s, own in zip(supports, axes, strict=True)])
        motion = _at(self.shapes, places)[..., mode]
        taken = np.einsum("si,sij,sj->s", motion, k, motion)
        worst = int(np.argmax(taken))
        lossy = [
            supports[worst].loss_factor * support_springs(supports[worst], own) for own in self.shapes.axes
        ]
        anywhere = self.shapes.motion[:, :, mode]
        along = np.einsum("bi,bij,bj->b", anywhere, np.array(lossy), anywhere)
        good = np.flatnonzero(along < taken[worst] / 4.0)
        if not len(good):
            return -1, math.nan
        nearest = good[np.argmin(np.abs(self.shapes.place[good] - places[worst]))]
        return worst, float(self.shapes.place[nearest])


def _bar_factor(pair: _Pair, mu: float, worth: float) -> float:
    """The smallest change of the bar mode's frequency that makes it unnoticed, or half as bad; nan for none."""
    factors = np.stack([FACTORS, 1.0 / FACTORS], axis=1).ravel()
    moved = _Pair(pair.squared, pair.tine_loss, pair.kappa * factors**2, pair.bar_loss)
    left = severity(*moved.outcome(np.full(len(factors), mu)))
    for enough in (min(1.0, worth / 2.0), worth / 2.0):
        good = np.flatnonzero(left < enough)
        if len(good):
            return float(factors[good[0]])
    return math.nan


def _moved(bases: Bases, r: int, place: Array, shapes: BarShapes) -> Bases:
    """Tine r standing at other places (P,): the same in the bar's own axes there."""
    here, there = (_nearest_axes(shapes, p) for p in (bases.place[r : r + 1], place))
    turn = there.swapaxes(-1, -2) @ here
    arm, along, across, pointing = (
        turn @ each[r] for each in (bases.arm, bases.along, bases.across, bases.pointing)
    )
    return Bases(place, arm, along, across, pointing, np.full(len(place), bases.axis[r]))


def _nearest_axes(shapes: BarShapes, place: Array) -> Array:
    middles = (shapes.place[1:] + shapes.place[:-1]) / 2.0
    return shapes.axes[np.searchsorted(middles, place)]


def _at(shapes: BarShapes, place: Array) -> Array:
    """The bar's motion (P, 6, K) at places, straight between its nodes."""
    right = np.clip(np.searchsorted(shapes.place, place), 1, len(shapes.place) - 1)
    span = shapes.place[right] - shapes.place[right - 1]
    t = (np.clip((place - shapes.place[right - 1]) / span, 0.0, 1.0))[:, None, None]
    return np.asarray((1.0 - t) * shapes.motion[right - 1] + t * shapes.motion[right])
