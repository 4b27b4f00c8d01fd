"""The pitch midway between a tine's two planes, honest before they are told apart; several partials are asked.

In: samples (T,) of a tap from where it is free, and poles near its first partials. Out: a `PlanePitch`. Two planes
3 cents apart at 200 Hz beat once in three seconds; at the second partial, 6.27 times as high, twice a second. A rod
out of round splits all its partials alike (uneven seats not quite: `ALIKE`), so the upper ones say early how far
apart the planes are, and the first says where. Of its own beat the first hears less than one turn: a line so far
from the middle would sound the same on its other side, with the other plane the louder. But planes of one rod stand
at the same angle in all its partials, and one blow has one direction: where the upper partials beat, they say which
plane it was that it drove. What stays open stays in the uncertainty: the answer is the mean and deviation over all
splits, middles, decays and directions of the blow, by their probability.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Bools, Complex
from synth.frozen import frozen
from synth.recording.damped_sinusoid_fit import FittedModes
from synth.recording.plane_band import BEFORE_NOTHING, LEAST_BLOCKS, WIDEST, PlaneBand
from synth.units import CENT

SPLITS: Final = np.array(
    [0.0, 0.5, 1.0, 1.5, 2.0, 2.6, 3.4, 4.5, 6.0, 8.0, 11.0, 15.0, 20.0, WIDEST]
)  # cents
ALIKE: Final = 0.3  # of the logarithm, by which the splits of two partials differ
EVEN: Final = 0.3  # cents, below which splits are all alike
ODD: Final = (
    0.1  # share of tines whose upper partials split on their own, at their own angle: nuts, uneven seats
)
TURNED: Final = (
    0.2  # share of the others whose upper partials swing at their own angle, the split being common
)
# no source: at 0, 0.2 and 0.3 are 81, 79 and 78 % of 308 taps in rooms within a cent and 6.8, 5.5 and 5.2 % beyond
# two deviations; of taps that have no common angle at all 8, 3 and 2 %
DIFFERS: Final = (
    0.1 * np.sqrt(3.0) * np.array([-1.0, 0.0, 1.0])
)  # of ln decay, by which planes of one tine differ
LIKELY: Final = np.log(np.array([1.0, 4.0, 1.0]) / 6.0)  # that it is by so much, 0.1 being usual
SIDES: Final = np.array(
    [-1.0, 1.0]
)  # of the line, on which the middle is: the upper plane is louder, or the lower
OPPOSED: Final = 1.5  # splits from the middle to the line, of planes in counterphase, the softer half as loud
UNLIKELY: Final = 30.0  # of log likelihood below the best, from where on an explanation is asked no more
NEVER: Final = -1e4  # that of those
POINTS: Final = 9  # middles that are asked at once, on one side
ENDS: Final = np.array([0.5] + [1.0] * (POINTS - 2) + [0.5])  # a side's last middle is the other's first
ZOOMS: Final = 4
ROUGHLY: Final = 2  # zooms, while only its noise is asked of an explanation
ROUNDS: Final = 8  # towards the likeliest decay, each time: 40 move a figure by 0.002 cents, 6 by 0.04
SEARCHED: Final = 40.0  # cents around a line where its partial may be, in a room that pulls it
FALLS: Final = (0.5, 1.0, 2.0)  # times the line's decay rate that are tried there
LEAST: Final = 0.05  # cents: no tine is steadier than that


@frozen
class PlanePitch:
    """Hz of the middle with its deviation; cents between the planes with theirs.

    `softer` is the level of the softer plane over that of the louder; `left` the power that no line explains over
    the fundamental's; `odd` how likely it is that the upper partials do not share its split, as those of one
    rod do; `noisy` the share of the variance that noise makes, which would stay if the planes were known.
    """

    hertz: float
    standard_uncertainty: float  # Hz
    split: float
    split_sd: float
    softer: float
    left: float
    odd: float
    noisy: float = 1.0

    @property
    def parted(self) -> bool:
        """Whether the planes are told apart."""
        return self.split > 3.0 * self.split_sd


@frozen
class _Profile:
    """By split, by difference of decays and side, and by direction of the blow (S, D, K): log of probability,
    middle and its variance in cents; the likeliest poles (S, D, 2) relative to the band's middle; bounds (S, D, 2)
    for another noise, in rad/s, and ln of the likeliest decay rate (S, D)."""

    log: Array
    middle: Array
    variance: Array
    poles: Complex
    again: Array
    log_fall: Array


@frozen
class _Begun:
    """Where the middles of splits may be (S, 2, 2), in rad/s, by side, ln of decay rates there and whether there is
    any likelihood (S, 2)."""

    bounds: Array
    log_fall: Array
    likely: Bools


def plane_pitch(
    samples: Array,
    rate: float,
    poles: Sequence[complex],
    *,
    usual: float,
    differ: float = 0.0,
    widest: float = WIDEST,
    before: FittedModes = BEFORE_NOTHING,
) -> PlanePitch | None:
    """The first pole's pitch; the others are upper partials, `usual` cents a common split, `widest` the widest.

    `differ` is the logarithm of the upper plane's decay rate over the lower's; `before` rang already, with
    amplitudes as at the first sample. None where too little is heard.
    """
    uppers = [PlaneBand(samples, rate, pole, before) for pole in poles[1:]]
    bands = [_found(samples, rate, poles[0], before), *uppers]
    if len(bands[0].time) < LEAST_BLOCKS - 2:
        return None
    bands = [each for each in bands if len(each.time) >= LEAST_BLOCKS - 2]
    splits, alike = SPLITS[widest >= SPLITS], np.array([differ])
    begun: list[_Begun | None] = [None] * len(bands)
    for finer in (False, True):  # what is likely, roughly, for the noise of each explanation
        each_begun = zip(bands, begun, strict=True)
        profiles = [_profile(band, splits, alike, ROUGHLY, at) for band, at in each_begun]
        log, _ = _together(profiles, splits, usual)
        known, splits = splits, _finer(splits, np.logaddexp.reduce(log, axis=(1, 2))) if finer else splits
        for band, profile in zip(bands, profiles, strict=True):
            differs = len(DIFFERS) if finer and band is bands[0] else 1
            band.listen_for(profile.poles.reshape(-1, 2))
            band.noise = band.noise.rows(_nearest(splits, known, differs))
        below = UNLIKELY if finer else np.inf
        begun = [
            _begun(each, own, below, known, splits)
            for each, own in zip(profiles, [log, *(each.log for each in profiles[1:])], strict=True)
        ]
    nodes = [differ + DIFFERS if band is bands[0] else alike for band in bands]
    profiles = [
        _profile(band, splits, each, ZOOMS, at) for band, each, at in zip(bands, nodes, begun, strict=True)
    ]
    profiles[0] = replace(profiles[0], log=profiles[0].log + np.repeat(LIKELY, len(SIDES))[:, None])
    return _summed(bands[0], splits, profiles[0], *_together(profiles, splits, usual))


def _together(profiles: Sequence[_Profile], splits: Array, usual: float) -> tuple[Array, Array]:
    """The first partial's logarithm of probability (S, D, K) once all are heard, and how likely it is by split and
    direction (S, K) that the others have nothing to do with it."""
    said = [_said_of_the_first(splits, np.logaddexp.reduce(each.log, axis=1), usual) for each in profiles[1:]]
    log = profiles[0].log - np.log1p((splits / usual) ** 2)[:, None, None]
    for upper, _ in said:
        log = log + upper[:, None]
    return log, np.min([each for _, each in said], axis=0) if said else np.zeros((len(splits), log.shape[2]))


def _nearest(splits: Array, before: Array, differs: int) -> NDArray[np.int_]:
    """Of explanations by split and side, those nearest to explanations by split, difference of decays and side."""
    nearest = np.argmin(np.abs(splits[:, None] - before), axis=1)
    return np.asarray((nearest[:, None] * len(SIDES) + np.tile(np.arange(len(SIDES)), differs)).ravel())


def _found(samples: Array, rate: float, pole: complex, before: FittedModes) -> PlaneBand:
    """The band about the one line near a pole that is likeliest.

    Not for upper partials: these die about as fast as the room does, whose tail then passes for the line and the
    line for the tail. In rooms a search led four of ten astray, by some turns, and two of ten to where they were.
    """
    band = PlaneBand(samples, rate, pole, before)
    reach = min(SEARCHED * band.per_cent, 0.8 * np.pi / band.step)  # beyond half the blocks' rate all repeats
    middle = np.arange(-reach, reach, 0.15 * 2.0 * np.pi / band.seconds)
    falls, none = np.log(np.array(FALLS) * band.fall), np.zeros(len(FALLS))
    span, each = np.tile([[middle[0], middle[-1]]], (len(FALLS), 1)), np.arange(len(FALLS))
    log_fall = np.repeat(falls[:, None], len(middle), axis=1)
    value = band.zoomed(span, span, none, none, log_fall, each, zooms=1, rounds=0).value
    fall, best = np.unravel_index(np.argmax(value), value.shape)
    moved = complex(-np.exp(falls[fall]), band.omega + middle[best])
    return PlaneBand(samples, rate, moved, before, beside=band)


def _profile(
    band: PlaneBand, splits: Array, differ: Array, zooms: int, begun: _Begun | None = None
) -> _Profile:
    """For each split (S,), and difference of decays and side, the middles that explain the band, ever closer.

    Either side has a noise of its own: where planes oppose each other the line lies beyond both of them, above or
    below, and in the noise that one of these explanations leaves the other looks impossible.
    """
    shape = len(splits), len(differ) * len(SIDES)
    split = np.repeat(splits * band.per_cent, shape[1])
    side = np.tile(SIDES, len(splits) * len(differ))[:, None]
    alike = np.tile(np.repeat(differ, len(SIDES)), len(splits))
    far = side * (OPPOSED * split[:, None] + 0.06 * 2.0 * np.pi / band.seconds)
    reach = np.concatenate((np.minimum(far, 0.0), np.maximum(far, 0.0)), axis=1)
    bounds, fall, asked = reach, np.full(len(split), np.log(band.fall)), np.ones(len(split), bool)
    if begun is not None:
        of_each = (begun.bounds, begun.log_fall, begun.likely)
        bounds, fall, asked = (np.repeat(each[:, None], len(differ), axis=1) for each in of_each)
        bounds, fall, asked = (
            np.clip(bounds.reshape(-1, 2), reach[:, :1], reach[:, 1:]),
            fall.ravel(),
            asked.ravel(),
        )
    log_fall = np.repeat(fall[:, None], POINTS, axis=1)
    found = band.zoomed(
        reach, bounds, split, alike, log_fall, np.flatnonzero(asked), zooms=zooms, rounds=ROUNDS
    )
    middle, value = found.middle, found.value
    step = (middle[:, -1:] - middle[:, :1]) / (POINTS - 1)
    top = np.max(value, axis=1)
    weight = np.exp(value - top[:, None]) * ENDS
    share = weight[..., None] * found.share  # (R, P, K)
    whole = np.sum(share, axis=1) + 1e-300
    mean = np.sum(share * middle[..., None], axis=1) / whole
    variance = np.sum(share * (middle[..., None] - mean[:, None]) ** 2, axis=1) / whole + step**2 / 12.0
    at, fall = _between_points(middle, found.log_fall, value)
    signs = np.array([1.0, -1.0])
    pole = -np.exp(fall + 0.5 * alike[:, None] * signs) + 1j * (at + 0.5 * split[:, None] * signs)
    log = np.where(asked[:, None], top[:, None] + np.log(whole * step + 1e-300), NEVER)
    return _Profile(
        log.reshape(*shape, -1),
        (mean / band.per_cent).reshape(*shape, -1),
        (variance / band.per_cent**2).reshape(*shape, -1),
        pole.reshape(*shape, 2),
        found.again.reshape(*shape, 2),
        fall.reshape(shape),
    )


def _between_points(middle: Array, log_fall: Array, value: Array) -> tuple[Array, Array]:
    """(R, 1) the likeliest middle of points (R, P), by the parabola through the best and its neighbours, and ln of
    the decay rate there: what is left over half a step beside it would be taken for noise."""
    best = np.clip(np.argmax(value, axis=1), 1, value.shape[1] - 2)[:, None]
    low, top, high = (np.take_along_axis(value, best + each, axis=1) for each in (-1, 0, 1))
    bend = np.minimum(low - 2.0 * top + high, -1e-300)
    off = np.clip(0.5 * (low - high) / bend, -1.0, 1.0)
    beside = best + np.where(off > 0.0, 1, -1)
    share = np.abs(off)
    at, fall = (
        (1.0 - share) * np.take_along_axis(each, best, axis=1)
        + share * np.take_along_axis(each, beside, axis=1)
        for each in (middle, log_fall)
    )
    return at, fall


def _begun(profile: _Profile, log: Array, below: float, known: Array, splits: Array) -> _Begun:
    """What to begin with for these splits, by what was found of the splits that are `known`: between two of them,
    whatever one of both has. Of logarithms of probability (S, D, K) what is so far `below` the best is left out."""
    above = np.searchsorted(known, splits)
    under = np.where(known[above] == splits, above, above - 1)
    low, high = (np.stack((profile.again[under, :, end], profile.again[above, :, end])) for end in (0, 1))
    nearest = np.argmin(np.abs(splits[:, None] - known), axis=1)
    side = np.max(log, axis=2) > np.max(log) - below
    bounds = np.stack((np.min(low, axis=0), np.max(high, axis=0)), axis=-1)
    return _Begun(bounds, profile.log_fall[nearest], side[under] | side[above])


def _said_of_the_first(splits: Array, log: Array, usual: float) -> tuple[Array, Array]:
    """(S, K) what another partial's probabilities by its own split and by direction of the blow say of the
    fundamental's; and how likely it is then that they have nothing to do with each other."""
    likely, width, scale = np.exp(log - np.max(log)), np.gradient(splits), np.log(splits + EVEN)
    near = np.exp(-0.5 * ((scale[:, None] - scale) / ALIKE) ** 2) / (splits + EVEN) * width
    anyhow = width / (1.0 + (splits / usual) ** 2)
    shared = (near @ likely) / np.sum(near, axis=1)[:, None]
    alone = ODD * float(np.mean(anyhow @ likely) / np.sum(anyhow))
    shared = (1.0 - TURNED) * shared + TURNED * np.mean(shared, axis=1, keepdims=True)
    whole = (1.0 - ODD) * shared + alone
    return np.asarray(np.log(whole)), np.asarray(alone / whole)


def _finer(splits: Array, log: Array) -> Array:
    """The splits, with more between those that count and differ."""
    near = np.maximum(log[1:], log[:-1]) > np.max(log) - 6.0
    wide = np.flatnonzero(near & (np.abs(np.diff(log)) > 1.0))
    more = [splits[i] + (splits[i + 1] - splits[i]) * u for i in wide.tolist() for u in (0.25, 0.5, 0.75)]
    return np.unique(np.concatenate((splits, more)))


def _summed(band: PlaneBand, splits: Array, profile: _Profile, log: Array, odd: Array) -> PlanePitch:
    weight = np.exp(log - np.max(log)) * np.gradient(splits)[:, None, None]
    weight = weight / np.sum(weight)
    middle = float(np.sum(weight * profile.middle))
    variance = float(np.sum(weight * (profile.variance + (profile.middle - middle) ** 2)))
    by_noise = float(np.sum(weight * profile.variance))
    by_split = np.sum(weight, axis=(1, 2))
    split = float(by_split @ splits)
    best = int(np.argmax(np.logaddexp.reduce(log, axis=2)))
    pole = profile.poles.reshape(-1, 2)[best]
    hertz = band.omega / (2.0 * np.pi) * np.exp(middle * CENT)
    return PlanePitch(
        hertz=float(hertz),
        standard_uncertainty=float(np.hypot(np.sqrt(variance), LEAST) * CENT * hertz),
        split=split,
        split_sd=float(np.sqrt(max(0.0, by_split @ (splits - split) ** 2)) + LEAST),
        softer=band.softer(pole, best) if pole[0] != pole[1] else 0.0,
        left=float(band.noise.left[best]),
        odd=float(np.sum(np.sum(weight, axis=1) * odd)),
        noisy=by_noise / variance,
    )
