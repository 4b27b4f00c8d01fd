"""ISO 532-1:2017, time-varying loudness, compiled: from pressure to sone in five passes.

In: pressure (N,) in Pa at 48 kHz. Out: loudness every 0.5 ms. The standard works in decibels; here the same steps
are taken in intensities (re 4e-10 Pa2), where corrections are factors and ranges are compared as they are: a
logarithm or a power for no band. Which level is which stands in `synth.sound.zwicker_tables`.

The states of the 28 filters lie band after band in one flat array, with what they are multiplied by: so the
compiler sees that nothing overlaps and takes several bands in one instruction.
"""

from __future__ import annotations

import math
from typing import Any, Final

import numpy as np

from synth.arrays import Array
from synth.compiled import njit
from synth.sound import zwicker_tables as table

DECIMATION: Final = 24  # 48 kHz to 2 kHz, ISO 532-1 clause 6.3
SUBSTEPS: Final = 24  # of the decay and the weighting between two values, as in the standard's program
STEP: Final = DECIMATION / table.FILTER_RATE  # s
REFERENCE: Final = 4e-10  # Pa2, (20 uPa)2
TINY: Final = 1e-12  # Pa2, added before the level is taken, as in the standard's program
NOTHING: Final = 1e-100  # states below it are set to 0: numbers too small for the processor cost 100 times
SHORT: Final = 5e-3  # s, time constants of the decay, clause 6.4
LONG: Final = 15e-3  # s
VARYING: Final = 75e-3  # s
EQUAL: Final = 1e-5  # sone/Bark, below which the decay takes two values as one
WEIGHTED: Final = (
    (0.47, 3.5e-3),
    (0.53, 70e-3),
)  # part and time constant in s of the two weightings, clause 6.6

_B: Final = table.BANDS
_PAST_END: Final = 1e-4  # Bark, added to the upper ends by the standard's program

# Handed over, not compiled in: compiled code that is kept knows this file's edition, not that of the tables.
CORE_TABLES: Final = (
    np.array(table.FIRST_OF),
    10.0 ** (0.1 * (table.RANGE_DB[:, None] - table.LOW_CORRECTION_DB)),  # ends of the ranges
    10.0 ** (0.1 * table.LOW_CORRECTION_DB),
    10.0 ** (0.1 * (table.THRESHOLD_DB + table.TRANSMISSION_DB)),  # heard from there on
    10.0 ** (-0.1 * (table.THRESHOLD_DB + table.TRANSMISSION_DB + table.BANDWIDTH_DB)),
    0.0635 * 10.0 ** (0.025 * table.THRESHOLD_DB),  # sone/Bark
)
SLOPE_TABLES: Final = (table.UPPER_END + _PAST_END, table.RANGE, table.STEEPNESS)


def filters() -> Array:
    """The flat array (17 BANDS,) for `intensities`: 9 states, a1 and a2 of 3 sections, smoothing, gain squared."""
    centre = 1000.0 * 10.0 ** ((np.arange(_B) - 16) / 10.0)
    smoothing = np.exp(-1.0 / (table.FILTER_RATE * 2.0 / (3.0 * np.minimum(centre, 1000.0))))
    rows = [np.zeros(9 * _B), table.A1.T, table.A2.T, smoothing, table.GAIN**2 / REFERENCE]
    return np.concatenate([np.ravel(row) for row in rows])


def decay_constants() -> tuple[float, float, float, float, float, float]:
    """B1 to B6 of the network of two capacitors by which loudness decays, clause 6.4."""
    p = (VARYING + LONG) / (VARYING * SHORT)
    q = 1.0 / (SHORT * VARYING)
    root = math.sqrt(p * p / 4.0 - q)
    l1, l2 = -p / 2.0 + root, -p / 2.0 - root
    den = VARYING * (l1 - l2)
    dt = STEP / SUBSTEPS
    e1, e2 = math.exp(l1 * dt), math.exp(l2 * dt)
    return (
        (e1 - e2) / den,
        ((VARYING * l2 + 1.0) * e1 - (VARYING * l1 + 1.0) * e2) / den,
        ((VARYING * l1 + 1.0) * e1 - (VARYING * l2 + 1.0) * e2) / den,
        (VARYING * l1 + 1.0) * (VARYING * l2 + 1.0) * (e1 - e2) / den,
        math.exp(-dt / LONG),
        math.exp(-dt / VARYING),
    )


@njit(cache=True, nogil=True, fastmath={"contract", "nsz"})
def intensities(pressure: Any, w: Any, out: Any) -> None:
    """Fill `out` (T, 28): third-octave intensities at every 24th sample, squared and smoothed, clause 6.3."""
    for n in range(len(pressure)):
        x = pressure[n]
        for b in range(_B):
            y = x + w[b]
            w[b] = 2.0 * x - w[b + 9 * _B] * y + w[b + _B]
            w[b + _B] = x - w[b + 12 * _B] * y
            z = y + w[b + 2 * _B]
            w[b + 2 * _B] = w[b + 3 * _B] - w[b + 10 * _B] * z
            w[b + 3 * _B] = -y - w[b + 13 * _B] * z
            v = z + w[b + 4 * _B]
            w[b + 4 * _B] = w[b + 5 * _B] - 2.0 * z - w[b + 11 * _B] * v
            w[b + 5 * _B] = z - w[b + 14 * _B] * v
            a = w[b + 15 * _B]
            square = v * v
            square += a * (w[b + 6 * _B] - square)
            w[b + 6 * _B] = square
            square += a * (w[b + 7 * _B] - square)
            w[b + 7 * _B] = square
            square += a * (w[b + 8 * _B] - square)
            w[b + 8 * _B] = square
        if n % DECIMATION == 0:
            for b in range(_B):
                out[n // DECIMATION, b] = w[b + 8 * _B] * w[b + 16 * _B]
            for k in range(9 * _B):
                if abs(w[k]) < NOTHING:
                    w[k] = 0.0


@njit(cache=True, nogil=True)
def core_loudness(intensity: Any, tables: Any, out: Any) -> None:
    """Fill `out` (T, 21), sone/Bark, from third-octave intensities (T, 28) re 4e-10 Pa2: clause 5.4, free field."""
    first, end, factor, heard_from, over_threshold, at_threshold = tables
    for t in range(len(intensity)):
        for k in range(3):
            total = 0.0
            for b in range(first[k], first[k + 1]):
                j = 0
                while j < 7 and intensity[t, b] > end[j, b]:
                    j += 1
                total += intensity[t, b] * factor[j, b]
            out[t, k] = total
        for k in range(3, 20):
            out[t, k] = intensity[t, k + 8]
        for k in range(20):
            if out[t, k] > heard_from[k]:
                over = 0.75 + 0.25 * out[t, k] * over_threshold[k]
                out[t, k] = max(at_threshold[k] * (math.sqrt(math.sqrt(over)) - 1.0), 0.0)
            else:
                out[t, k] = 0.0
        out[t, 0] *= min(1.0, 0.4 + 0.32 * out[t, 0] ** 0.2)
        out[t, 20] = 0.0


@njit(cache=True, nogil=True)
def decay(core: Any, constants: Any) -> None:
    """Let core loudness (T, 21) fall no faster than the ear lets it, in place: clause 6.4."""
    b0, b1, b2, b3, b4, b5 = constants
    last = len(core) - 1
    for k in range(core.shape[1]):
        o, c = 0.0, 0.0  # of the output, of the second capacitor
        for t in range(last + 1):
            u = core[t, k]
            after = core[t + 1, k] if t < last else u
            if u == 0.0 and after == 0.0 and o < NOTHING:
                o, c = 0.0, 0.0
                core[t, k] = 0.0
                continue
            up = (after - u) / SUBSTEPS
            for i in range(SUBSTEPS):
                if u < o:
                    if o > c:
                        low = o * b0 - c * b1
                        o = max(o * b2 - c * b3, u)
                        c = min(low, o)
                    else:
                        o = max(o * b4, u)
                        c = o
                else:
                    near = u - o < EQUAL and u <= c
                    o = u
                    c = u if near else (c - u) * b5 + u
                if i == 0:
                    core[t, k] = o
                u += up


@njit(cache=True, nogil=True)
def sharp(z: float) -> float:
    """What specific loudness at z Bark counts for sharpness: g(z) z of DIN 45692:2009, from memory."""
    return z if z <= 15.8 else z * (0.15 * math.exp(0.42 * (z - 15.8)) + 0.85)


@njit(cache=True, nogil=True)
def spread(core: Any, tables: Any, out: Any, moment: Any) -> None:
    """Fill `out` (T,), sone: the area below core loudness (T, 21) and its slopes to higher Bark, clause 5.5.

    `moment` (T,) is the same area with `sharp` of its place as a weight, by Simpson's rule piece by piece.
    """
    ends, ranges, steepness = tables
    for t in range(len(core)):
        total, weighted, z1, n1, j = 0.0, 0.0, 0.0, 0.0, 17
        for k in range(21):
            here = core[t, k]
            slope = min(max(k - 1, 0), 7)
            while z1 < ends[k]:
                if n1 <= here:
                    if n1 < here:
                        j = 0
                        while j < 17 and ranges[j] >= here:
                            j += 1
                    z2, n2 = ends[k], here
                    dz, before = z2 - z1, n2
                    total += n2 * dz
                else:
                    n2 = max(ranges[j], here)
                    dz = (n1 - n2) / steepness[j, slope]
                    z2 = z1 + dz
                    if z2 > ends[k]:
                        z2 = ends[k]
                        dz = z2 - z1
                        n2 = n1 - dz * steepness[j, slope]
                    before = n1
                    total += dz * (n1 + n2) / 2.0
                middle = 4.0 * sharp(z1 + dz / 2.0) * (before + n2) / 2.0
                weighted += dz / 6.0 * (sharp(z1) * before + middle + sharp(z2) * n2)
                while j < 17 and n2 <= ranges[j]:
                    j += 1
                z1, n1 = z2, n2
        out[t], moment[t] = total, weighted


@njit(cache=True, nogil=True)
def weigh(loudness: Any, out: Any) -> None:
    """Add to `out` (T,) loudness (T,) as the ear sums it over time, clause 6.6.

    Two low passes of straight lines between values.
    """
    for part, tau in WEIGHTED:
        a = math.exp(-STEP / (SUBSTEPS * tau))
        all_of, rising = 0.0, 0.0  # what the substeps keep of a constant, and of a rise by 1 a substep
        for i in range(1, SUBSTEPS):
            all_of += (1.0 - a) * a ** (SUBSTEPS - 1 - i)
            rising += (1.0 - a) * a ** (SUBSTEPS - 1 - i) * i
        y = 0.0
        for t in range(len(loudness)):
            y = a * y + (1.0 - a) * loudness[t]
            out[t] += part * y
            if t < len(loudness) - 1:
                up = (loudness[t + 1] - loudness[t]) / SUBSTEPS
                y = y * a ** (SUBSTEPS - 1) + all_of * loudness[t] + rising * up
