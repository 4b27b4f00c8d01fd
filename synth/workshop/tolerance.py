"""What honest workmanship does to the pitch: errors of cut, nut, rod and steel, tine by tine, in cents.

In: an instrument, its row, how far off things may be. Out: a `Spread`. To first order an error e_k moves the
logarithm of partial n by s_nk e_k, the model's own slope (central differences). Turning the base nut until the
pitch is right again adds x slopes of that nut, x = -s_1k e_k / s_1b, which leaves on the overtones

    (s_nk - s_nb s_1k / s_1b) e_k.

Errors lie anywhere within their limits: standard deviation limit / sqrt(3), squares add. Rods of one stock share
their diameter's and modulus's error, so those shift a whole stock together; cuts and nuts are each tine's own.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import FixedLength, Instrument, Pitch, PlacedNut, Tine
from synth.frozen import frozen
from synth.units import CENT, MM, ratio
from synth.vibration.rod import lowest_frequencies
from synth.vibration.tine import rods_of
from synth.vibration.tuning import Row

PARTIALS: Final = 3  # whose ratios are followed
CAUSES: Final = ("cut", "base nut", "trim nut", "rod", "modulus")
_SMALL: Final = 0.1  # of the limits: the step of the differences
CAREFUL: Final = 0.2  # of the limits, by a builder who measures twice
TUNED: Final = 1.0  # cent: as near as a patient ear or meter brings a pitch; common practice
BATCH: Final = 16  # draws between two breaths of a progress bar


@frozen
class Limits:
    """How far off (m, and a share of E), either way."""

    cut: float = 0.5 * MM
    nut: float = 0.2 * MM
    rod: float = 0.02 * MM
    modulus: float = 0.03


@frozen
class Errors:
    """What went wrong with R tines: metres, and shares of E. Trim nuts (R, J) are each off by their own."""

    cut: Array  # (R,) longer
    base: Array  # (R,) the base nut set higher
    trim: Array  # (R, J)
    rod: Array  # (R,) thicker
    modulus: Array  # (R,)


@frozen
class Spread:
    """Cents. `pitch` (R, causes) and `stays` (R, causes, PARTIALS - 1) at the limits, signed but for trim nuts,
    whose squares are added."""

    limits: Limits
    pitch: Array
    stays: Array
    base_slope: Array  # (R,) cents a metre that the base nut goes up

    @property
    def deviation(self) -> Array:
        """Standard deviation (R,) of the pitch as built, cents."""
        return np.asarray(np.sqrt(np.sum(self.pitch**2, axis=1) / 3.0))

    @property
    def worst(self) -> Array:
        """All errors at their limits and in step (R,), cents."""
        return np.asarray(np.sum(np.abs(self.pitch), axis=1))

    @property
    def overtone_deviation(self) -> Array:
        """Standard deviation (R, PARTIALS - 1) of the overtones' ratios once the pitch is restored."""
        return np.asarray(np.sqrt(np.sum(self.stays**2, axis=1) / 3.0))

    @property
    def travel(self) -> Array:
        """How far (R,) in m the base nut must be able to go, either way, for the worst pitch."""
        return np.asarray(self.worst / np.abs(self.base_slope))


@frozen
class Trial:
    """Seeded builds: cents of pitch as built (S, R), and of overtones once retuned (S, R, PARTIALS - 1)."""

    pitch: Array
    stays: Array


def scattered(instrument: Instrument, row: Row, limits: Limits) -> Spread:
    """What each error does, to first order."""
    nuts, usual = _most_nuts(row), Limits()
    units = _unit_errors(len(instrument.tines), nuts, usual)
    slopes = np.stack(
        [_slope(instrument, row, unit) for unit in units]
    )  # (3 + nuts + 2, R, P) at the usual limits
    base = slopes[1]
    left = slopes - base * (slopes[:, :, :1] / base[:, :1])
    trims = slice(2, 2 + nuts)
    pitch = np.stack([slopes[0, :, 0], base[:, 0], _joined(slopes[trims, :, 0]), *slopes[2 + nuts :, :, 0]])
    stays = np.stack([left[0, :, 1:], left[1, :, 1:], _joined(left[trims, :, 1:]), *left[2 + nuts :, :, 1:]])
    share = np.array(
        [getattr(limits, name) / getattr(usual, name) for name in ("cut", "nut", "nut", "rod", "modulus")]
    )
    return Spread(limits, pitch.T * share, stays.swapaxes(0, 1) * share[:, None], base[:, 0] / usual.nut)


def draw(instrument: Instrument, row: Row, limits: Limits, rng: np.random.Generator) -> Errors:
    """One build's errors, anywhere within the limits; rods of one stock share theirs."""
    count, nuts = len(instrument.tines), _most_nuts(row)
    _, batch = np.unique([tine.rod.name for tine in instrument.tines], return_inverse=True)
    common = rng.uniform(-1.0, 1.0, (2, batch.max() + 1))[:, batch]
    own = rng.uniform(-1.0, 1.0, (2 + nuts, count))
    return Errors(
        cut=limits.cut * own[0],
        base=limits.nut * own[1],
        trim=limits.nut * own[2:].T,
        rod=limits.rod * common[0],
        modulus=limits.modulus * common[1],
    )


def trials(instrument: Instrument, row: Row, limits: Limits, *, count: int, seed: int) -> Iterator[Trial]:
    """`count` seeded builds in batches: as built, then with the base nut turned until the pitch is right."""
    rng = np.random.default_rng(seed)
    first = _log_hz(instrument, row, [_none(instrument, row)])[0]
    usual = Limits()
    slope = _slope(instrument, row, _unit_errors(len(first), _most_nuts(row), usual)[1])[:, 0] / usual.nut
    for start in range(0, count, BATCH):
        builds = [draw(instrument, row, limits, rng) for _ in range(min(BATCH, count - start))]
        built = (_log_hz(instrument, row, builds) - first) / CENT
        turned = [
            dataclasses.replace(each, base=each.base - off / slope)
            for each, off in zip(builds, built[:, :, 0], strict=True)
        ]
        tuned = (_log_hz(instrument, row, turned) - first) / CENT
        yield Trial(built[:, :, 0], tuned[:, :, 1:] - tuned[:, :, :1])


def careless(instrument: Instrument, row: Row, limits: Limits, seed: int) -> Instrument:
    """The instrument as built with these errors and never tuned."""
    errors = draw(instrument, row, limits, np.random.default_rng(seed))
    built = [
        dataclasses.replace(
            _off(tine, errors, index),
            goal=FixedLength(float(row.length[index] + errors.cut[index] - errors.base[index])),
            trim=_moved(row, errors, index),
            wish=None,
        )
        for index, tine in enumerate(instrument.tines)
    ]
    return dataclasses.replace(instrument, tines=tuple(built))


def careful(instrument: Instrument, row: Row, limits: Limits, seed: int) -> Instrument:
    """The instrument with a fifth of the errors, and every tine tuned by its base nut to about a cent."""
    rng = np.random.default_rng(seed)
    fifth = Limits(*(CAREFUL * getattr(limits, each.name) for each in dataclasses.fields(Limits)))
    errors = draw(instrument, row, fifth, rng)
    ear = rng.uniform(-TUNED, TUNED, len(instrument.tines))
    built = []
    for index, tine in enumerate(instrument.tines):
        goal = Pitch(float(row.mounted_hz[index]) * ratio(float(ear[index])))
        tuned = dataclasses.replace(
            _off(tine, errors, index), goal=goal, trim=_moved(row, errors, index), wish=None
        )
        built.append(tuned)
    return dataclasses.replace(instrument, tines=tuple(built))


def builds(instrument: Instrument, row: Row, limits: Limits, seed: int) -> dict[str, Instrument]:
    """As designed, built carefully and tuned, built carelessly and left."""
    return {
        "as-designed": instrument,
        "careful": careful(instrument, row, limits, seed),
        "careless": careless(instrument, row, limits, seed),
    }


def _unit_errors(count: int, nuts: int, limits: Limits) -> list[Errors]:
    """Errors at their limits one at a time: cut, base nut, each trim nut, rod, modulus."""

    def only(**given: Array) -> Errors:
        nothing = {name: np.zeros(count) for name in ("cut", "base", "rod", "modulus")}
        return Errors(**{"trim": np.zeros((count, nuts)), **nothing, **given})

    ones = np.ones(count)
    trims = [only(trim=limits.nut * np.tile(np.eye(nuts)[nut], (count, 1))) for nut in range(nuts)]
    rest = [only(rod=limits.rod * ones), only(modulus=limits.modulus * ones)]
    return [only(cut=limits.cut * ones), only(base=limits.nut * ones), *trims, *rest]


def _slope(instrument: Instrument, row: Row, unit: Errors) -> Array:
    """Cents (R, PARTIALS) at this error, from the slope of the model at none."""
    low, high = _log_hz(instrument, row, [_scaled(unit, -_SMALL), _scaled(unit, _SMALL)])
    return np.asarray((high - low) / (2.0 * _SMALL) / CENT)


def _log_hz(instrument: Instrument, row: Row, builds: Sequence[Errors]) -> Array:
    """ln f (S, R, PARTIALS) of the tines as built; equal tines are solved once."""
    tines = [_off(tine, each, n) for each in builds for n, tine in enumerate(instrument.tines)]
    length = np.concatenate([row.length + each.cut - each.base for each in builds])
    placed = [_moved(row, each, n) for each in builds for n in range(len(instrument.tines))]
    rods = rods_of(tines, length, placed)
    _, first, same = np.unique(rods.table(), axis=0, return_index=True, return_inverse=True)
    found = np.log(lowest_frequencies(rods.take(first), PARTIALS))[same.reshape(-1)]
    return np.asarray(found.reshape(len(builds), len(instrument.tines), PARTIALS))


def _off(tine: Tine, errors: Errors, index: int) -> Tine:
    """The tine of steel and rod that are a little off; all its diameters by as much."""
    rod, thicker = tine.rod, float(errors.rod[index])
    names = ("diameter", "bend_diameter", "mass_diameter", "root_diameter")
    steel = dataclasses.replace(
        rod.material, youngs=rod.material.youngs * (1.0 + float(errors.modulus[index]))
    )
    sizes = {name: getattr(rod, name) + thicker for name in names}
    return dataclasses.replace(tine, rod=dataclasses.replace(rod, material=steel, **sizes))


def _moved(row: Row, errors: Errors, index: int) -> tuple[PlacedNut, ...]:
    """The trim nuts, seen from a base nut that is off itself."""
    base = float(errors.base[index])
    return tuple(
        dataclasses.replace(each, position=each.position + float(off) - base)
        for each, off in zip(row.trim[index], errors.trim[index], strict=False)
    )


def _none(instrument: Instrument, row: Row) -> Errors:
    return _unit_errors(len(instrument.tines), _most_nuts(row), Limits(0.0, 0.0, 0.0, 0.0))[0]


def _scaled(errors: Errors, factor: float) -> Errors:
    return Errors(*(factor * getattr(errors, each.name) for each in dataclasses.fields(Errors)))


def _most_nuts(row: Row) -> int:
    return max((len(nuts) for nuts in row.trim), default=0)


def _joined(parts: Array) -> Array:
    """The root of the sum of squares over the first axis."""
    return np.asarray(np.sqrt(np.sum(parts**2, axis=0)))
