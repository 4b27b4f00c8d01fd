"""Free lengths and nut positions: from what the maker wants to what is cut.

In: the instrument, and what the bar makes of a clamped pitch. Out: a `Row`. The one idea: the logarithm of a
tine's pitch is all but a straight line in the logarithm of its length (slope -2), so a secant on all tines at
once ends in three or four solutions, first clamped, then on the bar; a tine that is there is not solved again.

The pitch of a tine is its lowest partial in the plane nearest to the row.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Final

import numpy as np

from synth.arrays import Array, Indices
from synth.design.instrument import FixedLength, Instrument, Pitch, PlacedNut, Tine
from synth.errors import InputError
from synth.frozen import frozen
from synth.remembered import MIB, Remembered
from synth.units import cents, length_said
from synth.vibration.bar import mode_name
from synth.vibration.clearance import check_clearance
from synth.vibration.coupling import rigid_inertia
from synth.vibration.mounted_pitch import Mounting, loaded_bar_hz
from synth.vibration.rod import Rods, lowest_frequencies
from synth.vibration.tine import HIGHEST, TineModes, lossless_tines, plane_ratios, rods_of, solve_tines
from synth.vibration.tine import LONGEST as LONGEST
from synth.vibration.tine import SHORTEST as SHORTEST

Trim = tuple[tuple[PlacedNut, ...], ...]
_LENGTHS: Final[Remembered[float]] = Remembered(4 * MIB)  # of clamped tines
_LOWEST: Final[Remembered[float]] = Remembered(2 * MIB)  # Hz, of lengths as written

PITCH_ERROR: Final = 1e-6  # relative, 0.002 cent
# Of a length's logarithm, 0.0004 cent each way: lengths on the bar are multiples of it. A tine changed elsewhere
# moves the others' by a tenth of that, so that what is remembered of most of them still holds.
GRAIN: Final = 2.0**-21
SOUGHT: Final = 22.0  # times the pitch, up to where partials are solved in the search: the third is there
_FURTHEST: Final = 0.175  # of the logarithm of a length, half an octave: no bar moves a pitch so far
_END: Final = (
    1e-3  # of a length: a search that ends so near to what can be built may be for more than can be had
)
_ROUNDING: Final = 1e-9
_ROUNDS: Final = 12
# What a bend like that from `slope` to the last secant would make a third try miss by: it misses by a twentieth.
_STRAIGHT: Final = 2e-5
_CHANCE: Final = 0.01  # of a miss stays in doubt, as a secant may agree with `slope` by chance
MISSED: Final = 6e-5  # relative, 0.1 cent: more is told
_FIRST_ROOT: Final = 1.8751040687  # of 1 + cos cosh = 0


@frozen
class Row:
    """R tines ready to be cut. `mounted_hz` is as they sound on the bar; `target_hz` nan where none is given."""

    length: Array  # (R,) m, free
    trim: Trim
    clamped_hz: Array  # (R,)
    mounted_hz: Array  # (R,)
    target_hz: Array  # (R,)
    modes: TineModes
    warnings: tuple[str, ...]


def tune(instrument: Instrument, mounting: Mounting | None = None, *, highest_hz: float = HIGHEST) -> Row:
    """Every tine's length and nuts, so that the mounted pitch meets its target within 0.01 cent.

    `mounting` gives the mounted pitch over the clamped one (R,); without it the bar does not move. Raises
    `InputError` for what cannot be built. A pitch that the bar does not let a tine have is warned of.
    """
    try:
        return _tuned(instrument, mounting, highest_hz)
    except InputError as error:
        raise error.within(instrument.file) from None


def free_lengths(tines: Sequence[Tine], trim: Sequence[Sequence[PlacedNut]], pitch: Array) -> Array:
    """The free lengths (R,) at which the clamped tines have these pitches (R,) in Hz. Raises `InputError`."""
    rods = rods_of(tines, LONGEST, trim)
    planes, low = plane_ratios(tines)[:, 0], _shortest(trim)

    def solve(rows: Indices) -> list[float]:
        own, nearest = [tines[row] for row in rows.tolist()], low[rows]
        return list(map(float, _sought(own, rods.take(rows), planes[rows], pitch[rows], nearest)))

    return np.array(_LENGTHS.each(rods.keys(planes, pitch, low), solve))


def _sought(tines: Sequence[Tine], rods: Rods, planes: Array, pitch: Array, low: Array) -> Array:
    wanted, high = np.log(pitch / planes), np.full(len(tines), LONGEST)

    def miss(x: Array, rows: Indices) -> Array:
        part = replace(rods.take(rows), length=np.exp(x[rows]))
        return np.asarray(np.log(lowest_frequencies(part)[:, 0]) - wanted[rows])

    thin = _FIRST_ROOT / np.sqrt(2.0 * math.pi * np.exp(wanted)) * (rods.bend / rods.mass) ** 0.25
    start = np.clip(thin - rods.added, low, high)
    slope = -2.0 * start / (start + rods.added)
    x, off = _secant(miss, np.log(start), slope, np.log(low), np.log(high), sure=0.1 * PITCH_ERROR)
    length = np.exp(x)
    inside = (off < PITCH_ERROR) & (length > low * (1.0 + _END)) & (length < high * (1.0 - _END))
    _check_reached(tines, rods, pitch, low, np.flatnonzero(~inside))
    return length


def _check_reached(tines: Sequence[Tine], rods: Rods, pitch: Array, low: Array, rows: Indices) -> None:
    """Refuse a pitch beyond what the shortest and the longest rod give, of the `rows` where it may be."""
    if not len(rows):
        return
    reach = _reach(rods.take(rows), low[rows]) * plane_ratios(tines)[rows, :1]
    for row, (least, most) in zip(rows.tolist(), reach, strict=True):
        if not least <= pitch[row] <= most:
            raise _unreachable(tines[row], float(pitch[row]), float(low[row]), np.array([least, most]))


def _tuned(instrument: Instrument, mounting: Mounting | None, highest_hz: float) -> Row:
    tines = instrument.tines
    target = np.array([tine.goal.frequency if isinstance(tine.goal, Pitch) else np.nan for tine in tines])
    wished = _wished(instrument, target)
    trim = tuple(_with(tine, wished.get(row), 1.0) for row, tine in enumerate(tines))
    clamped = _lengths(instrument, trim, target)
    _check_heard(tines, trim, clamped, highest_hz)
    search = _OnTheBar(tines, wished, clamped, target, mounting, highest_hz)
    row = search.row(clamped) if mounting is None else search.found()
    _check_within(tines, row)
    words = (*_missed(instrument, row), *check_clearance(instrument, row.length, row.trim, row.modes))
    return replace(row, warnings=words)


@frozen
class _OnTheBar:
    """The search for the lengths (R,) at which mounted pitches meet the targets, from those that do so clamped."""

    tines: Sequence[Tine]
    wished: dict[int, PlacedNut]
    clamped: Array  # (R,)
    target: Array  # (R,)
    mounting: Mounting | None
    highest_hz: float

    def found(self) -> Row:
        """The row of these lengths, or of those that come as near as the bar lets them."""
        rigid = np.zeros((len(self.tines), 6, 6))
        pitch = np.where(np.isnan(self.target), self.highest_hz, self.target)
        highest = np.minimum(SOUGHT * pitch, self.highest_hz)
        tried: list[Row] = []

        def lengths(x: Array) -> Array:
            return np.where(np.isnan(self.target), self.clamped, np.exp(x))

        def miss(x: Array, rows: Indices) -> Array:
            tines, length = [self.tines[row] for row in rows], lengths(x)[rows]
            modes = lossless_tines(tines, length, self._trim(rows, length), highest[rows])
            rigid[rows] = rigid_inertia(modes)
            return _off(self._mounted(modes, rows, rigid), self.target[rows])

        def last(x: Array, rows: Indices) -> Array:
            tried[:] = [self.row(lengths(x))]
            return _off(tried[0].mounted_hz, self.target)[rows]

        start = np.log(self.clamped)
        added = np.array([tine.root.added_length for tine in self.tines])
        slope = -2.0 * self.clamped / (self.clamped + added)
        reach = (start - _FURTHEST, start + _FURTHEST)
        x, _ = _secant(miss, start, slope, *reach, grain=GRAIN, last=last)
        length = lengths(x)
        there = bool(tried) and np.array_equal(tried[0].length, length)
        return tried[0] if there else self.row(length)

    def row(self, length: Array) -> Row:
        """All partials of the tines at these lengths, and as they sound on the bar."""
        every = np.arange(len(self.tines))
        trim = self._trim(every, length)
        modes = solve_tines(self.tines, length, trim, self.highest_hz)
        mounted = self._mounted(modes, every, rigid_inertia(modes))
        return Row(length, trim, modes.frequency[:, 0, 0], mounted, self.target, modes, ())

    def _mounted(self, modes: TineModes, rows: Indices, rigid: Array) -> Array:
        clamped = modes.frequency[:, 0, 0]
        return clamped if self.mounting is None else clamped * self.mounting(modes, rows, rigid)

    def _trim(self, rows: Indices, length: Array) -> Trim:
        """A wished nut keeps its share of the length as that changes."""
        return tuple(
            _with(self.tines[row], self.wished.get(row), scale)
            for row, scale in zip(rows.tolist(), (length / self.clamped[rows]).tolist(), strict=True)
        )


def _off(pitch: Array, target: Array) -> Array:
    """The logarithms of a pitch over the wanted one (R,); 0 where none is wanted."""
    return np.asarray(np.where(np.isnan(target), 0.0, np.log(pitch / target)))


def _check_heard(tines: Sequence[Tine], trim: Trim, length: Array, highest_hz: float) -> None:
    """Refuse a tine of a length as written that has no partial to be heard."""
    written = [r for r, tine in enumerate(tines) if isinstance(tine.goal, FixedLength)]
    if not written:
        return
    own = [tines[r] for r in written]
    rods = rods_of(own, length[written], [trim[r] for r in written])
    lowest = _LOWEST.each(
        rods.keys(), lambda rows: list(map(float, lowest_frequencies(rods.take(rows))[:, 0]))
    )
    highest = np.array(lowest) * plane_ratios(own).max(axis=1)
    for at in np.flatnonzero(highest > highest_hz).tolist():
        r, tine = written[at], own[at]
        raise InputError(
            f"tine {tine.number}: {length_said(float(length[r]), tine.written.units)} free of the stock "
            f"'{tine.rod.name}' sound at {highest[at]:.5g} Hz, above what is heard",
            remedy="let more of it stand free, or take thinner rod",
            location=tine.written.there,
        )


def _check_within(tines: Sequence[Tine], row: Row) -> None:
    """Refuse a length sought beyond what can be built: the bar asked for more than a clamp would."""
    low = _shortest(row.trim)
    outside = (row.length < low * (1.0 - _ROUNDING)) | (row.length > LONGEST * (1.0 + _ROUNDING))
    for r in np.flatnonzero(outside & ~np.isnan(row.target_hz)).tolist():
        one = [tines[r]]
        reach = _reach(rods_of(one, LONGEST, [row.trim[r]]), low[r : r + 1])[0] * plane_ratios(one)[0, 0]
        as_mounted = reach * row.mounted_hz[r] / row.clamped_hz[r]
        raise _unreachable(tines[r], float(row.target_hz[r]), float(low[r]), as_mounted)


def _shortest(trim: Sequence[Sequence[PlacedNut]]) -> Array:
    return np.maximum(SHORTEST, [_top(nuts) for nuts in trim])


def _reach(rods: Rods, shortest: Array) -> Array:
    """The lowest and the highest pitch (R, 2) of round rods, the longest and the `shortest` (R,) that are built."""
    ends = (np.full(len(shortest), LONGEST), shortest)
    return np.stack([lowest_frequencies(replace(rods, length=end))[:, 0] for end in ends], axis=1)


def _secant(
    miss: Callable[[Array, Indices], Array],
    start: Array,
    slope: Array,
    low: Array,
    high: Array,
    *,
    grain: float = 0.0,
    sure: float = 0.0,
    last: Callable[[Array, Indices], Array] | None = None,
) -> tuple[Array, Array]:
    """For each row the x at which it misses nothing, or the least of `_ROUNDS` tries, and by how much it does.

    A row that is there rests, and one that the next step is foreseen to bring within `sure`. `miss` takes all x and
    the rows still wanted; `last`, which takes longer and finds what is wanted in the end, is asked in its place
    where all of them are likely to be there. A secant far from `slope` is rounding or a jump and is not believed; a
    step out of the bracket that signs have closed is halved instead, so that a jump is found as well. Where there
    is a `grain`, x goes on to multiples of it, and is there at the nearest.
    """
    x, best, steep = start.copy(), start.copy(), slope.copy()
    low, high, least = low.copy(), high.copy(), np.full(len(x), np.inf)
    before = np.full((2, len(x)), np.nan)
    active = np.arange(len(x))
    near, closed = max(0.3 * PITCH_ERROR, 1.05 * grain), max(0.1 * PITCH_ERROR, 1.05 * grain)
    ask = miss
    for _ in range(_ROUNDS):
        error = ask(x, active)
        nearer = np.abs(error) < least[active]
        best[active[nearer]], least[active[nearer]] = x[active[nearer]], np.abs(error[nearer])
        under = error * slope[active] < 0.0
        low[active[under]], high[active[~under]] = x[active[under]], x[active[~under]]
        with np.errstate(invalid="ignore", divide="ignore"):
            fresh = (error - before[1, active]) / (x[active] - before[0, active])
            believed = (fresh / slope[active] > 0.05) & (fresh / slope[active] < 4.0)
        steep[active] = np.where(believed, fresh, steep[active])
        before[:, active] = x[active], error
        left = (np.abs(error) > near) & (high[active] - low[active] > closed)
        active, error, believed = active[left], error[left], believed[left]
        if not len(active):
            break
        there = x[active] - error / steep[active]
        inside = (there > low[active]) & (there < high[active])
        there = np.where(inside, there, 0.5 * (low[active] + high[active]))
        x[active] = np.rint(there / grain) * grain if grain else there
        foreseen = np.abs(error) * (np.abs(steep[active] / slope[active] - 1.0) + _CHANCE)
        foreseen[~(believed & inside)] = np.inf
        rests = foreseen < sure
        best[active[rests]], least[active[rests]] = x[active[rests]], foreseen[rests]
        active, foreseen = active[~rests], foreseen[~rests]
        if not len(active):
            break
        ask = last if last is not None and np.all(foreseen < _STRAIGHT) else miss
    return best, least


def _lengths(instrument: Instrument, trim: Trim, aim: Array) -> Array:
    length = np.array([t.goal.length if isinstance(t.goal, FixedLength) else 0.0 for t in instrument.tines])
    rows = np.flatnonzero(length == 0.0)
    if len(rows):
        tines = [instrument.tines[row] for row in rows]
        length[rows] = free_lengths(tines, [trim[row] for row in rows], aim[rows])
    return length


def _wished(instrument: Instrument, target: Array) -> dict[int, PlacedNut]:
    """The most forgiving place of each wished nut, by the tine's index. Raises `InputError`."""
    rows = [row for row, tine in enumerate(instrument.tines) if tine.wish is not None]
    if not rows:
        return {}
    from synth.vibration.trimming.answers import first_answers

    bare = _lengths(instrument, tuple(tine.trim for tine in instrument.tines), target)
    answers = first_answers([instrument.tines[row] for row in rows], bare[rows], target[rows])
    return {row: answer.nuts[0] for row, answer in zip(rows, answers, strict=True)}


def _with(tine: Tine, wished: PlacedNut | None, scale: float) -> tuple[PlacedNut, ...]:
    if wished is None:
        return tine.trim
    nut = replace(wished, position=wished.position * scale)
    return tuple(sorted((*tine.trim, nut), key=lambda each: each.position))


def _top(nuts: Sequence[PlacedNut]) -> float:
    return max((each.position + each.nut.height / 2.0 for each in nuts), default=0.0)


def _unreachable(tine: Tine, pitch: float, shortest: float, reach: Array) -> InputError:
    stock = f"tine {tine.number}: {pitch:.5g} Hz cannot be reached with the stock '{tine.rod.name}'"
    low, high = (length_said(each, tine.written.units) for each in (shortest, LONGEST))
    span = f"{low.split()[0]} to {high}"
    remedy = f"free lengths of {span} give {reach[1]:.4g} to {reach[0]:.4g} Hz"
    above = "take thicker rod" if pitch > reach[1] else "take thinner rod or a nut near the tip"
    if pitch > reach[1] and tine.trim:
        above += ", or set its nuts lower"
    return InputError(stock, remedy=f"{remedy}; {above}", location=tine.written.there)


def _missed(instrument: Instrument, row: Row) -> tuple[str, ...]:
    """Words on tines whose pitch the bar does not allow: a mode of it stands where the tine should."""
    missed = np.flatnonzero(np.abs(_off(row.mounted_hz, row.target_hz)) > MISSED)
    hertz = loaded_bar_hz(instrument, row.modes) if missed.size else np.zeros(0)
    words = []
    for index in missed.tolist():
        tine, target = instrument.tines[index], float(row.target_hz[index])
        near = int(np.argmin(np.abs(np.log(hertz / target))))
        words.append(
            f"group[{tine.group + 1}]: tine {tine.number} of '{instrument.groups[tine.group].name}' sounds "
            f"{cents(float(row.mounted_hz[index]) / target):+z.2g} cents from its pitch of {target:.4g} Hz, "
            f"whatever its length: {mode_name(near, float(hertz[near]))} stands in its way"
        )
    return tuple(words)
