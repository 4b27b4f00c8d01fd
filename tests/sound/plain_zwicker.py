"""ISO 532-1:2017 step by step in decibels, as its text and program have it: slow, and what the compiled is held to.

scipy.signal filters; decay, slopes and weighting go value by value. Time-varying, free field.
"""

from __future__ import annotations

import math

import numpy as np
from scipy.signal import lfilter, sosfilt

from synth.sound import zwicker_tables as table

RATE = 48_000
SUBSTEPS = 24


def third_octave_levels(sound: np.ndarray) -> np.ndarray:
    """(28, T) dB, every 24th sample."""
    levels = []
    for band in range(28):
        sections = np.ones((3, 6))
        sections[:, :3] = [[1, 2, 1], [1, 0, -1], [1, -2, 1]]
        sections[:, 4], sections[:, 5] = table.A1[band], table.A2[band]
        square = (table.GAIN[band] * sosfilt(sections, sound)) ** 2
        centre = 1000.0 * 10.0 ** ((band - 16) / 10.0)
        keep = math.exp(-1.0 / (RATE * 2.0 / (3.0 * min(centre, 1000.0))))
        for _ in range(3):
            square = lfilter([1.0 - keep], [1.0, -keep], square)
        levels.append(10.0 * np.log10((square[::24] + 1e-12) / 4e-10))
    return np.array(levels)


def core(levels: np.ndarray) -> np.ndarray:
    """Core loudness (21,) of third-octave levels (28,)."""
    intensity = np.zeros(11)
    for band in range(11):
        j = 0
        while j < 7 and levels[band] > table.RANGE_DB[j] - table.LOW_CORRECTION_DB[j, band]:
            j += 1
        intensity[band] = 10.0 ** ((levels[band] + table.LOW_CORRECTION_DB[j, band]) / 10.0)
    critical = [10.0 * math.log10(max(1e-30, part.sum())) for part in np.split(intensity, [6, 9])]
    critical += list(levels[11:])
    found = np.zeros(21)
    for k in range(20):
        level = critical[k] - table.TRANSMISSION_DB[k]
        threshold = table.THRESHOLD_DB[k]
        if level > threshold:
            level -= table.BANDWIDTH_DB[k]
            over = (1.0 - 0.25 + 0.25 * 10.0 ** (0.1 * (level - threshold))) ** 0.25 - 1.0
            found[k] = max(0.0, 0.0635 * 10.0 ** (0.025 * threshold) * over)
    found[0] *= min(1.0, 0.4 + 0.32 * found[0] ** 0.2)
    return found


def decay(values: np.ndarray) -> np.ndarray:
    """One band's core loudness (T,) every 0.5 ms after the two capacitors of the standard."""
    short, long, varying = 5e-3, 15e-3, 75e-3
    dt = 1.0 / (2000.0 * SUBSTEPS)
    p, q = (varying + long) / (varying * short), 1.0 / (short * varying)
    one, two = -p / 2 + math.sqrt(p * p / 4 - q), -p / 2 - math.sqrt(p * p / 4 - q)
    den = varying * (one - two)
    e1, e2 = math.exp(one * dt), math.exp(two * dt)
    b = [
        (e1 - e2) / den,
        ((varying * two + 1) * e1 - (varying * one + 1) * e2) / den,
        ((varying * one + 1) * e1 - (varying * two + 1) * e2) / den,
        (varying * one + 1) * (varying * two + 1) * (e1 - e2) / den,
        math.exp(-dt / long),
        math.exp(-dt / varying),
    ]
    output, second = 0.0, 0.0
    found = []
    for t, value in enumerate(values):
        after = values[t + 1] if t + 1 < len(values) else value
        for i in range(SUBSTEPS):
            now = value + (after - value) * i / SUBSTEPS
            was, was_second = output, second
            if now < was:
                if was > was_second:
                    output = max(now, was * b[2] - was_second * b[3])
                    second = min(output, was * b[0] - was_second * b[1])
                else:
                    output = max(now, was * b[4])
                    second = output
            else:
                output = now
                same = abs(now - was) < 1e-5 and output <= was_second
                second = now if same else (was_second - now) * b[5] + now
            if i == 0:
                found.append(output)
    return np.array(found)


def areas(core_loudness: np.ndarray, step: float = 1e-3) -> tuple[np.ndarray, np.ndarray]:
    """Below patterns of core loudness (T, 21), all followed side by side in small steps of Bark, without segments:
    their areas (T,), and the same with each piece by its place times the weight of DIN 45692."""
    ends, steepness = (table.UPPER_END + 1e-4).tolist(), table.STEEPNESS
    area, moment, now = np.zeros((3, len(core_loudness)))
    z, k = 0.0, 0
    while k < 21:
        end = min(z + step, ends[k])
        here, slopes, wide = core_loudness[:, k], steepness[:, min(k - 1, 7)], end - z
        ranges = (now[:, None] > table.RANGE).argmax(axis=1)  # the range that it falls through
        fallen = np.maximum(here, now - wide * slopes[ranges])
        piece = wide * np.where(now <= here, here, 0.5 * (now + fallen))
        now = np.where(now <= here, here, fallen)
        area += piece
        middle = 0.5 * (z + end)
        moment += piece * middle * (1.0 if middle <= 15.8 else 0.15 * math.exp(0.42 * (middle - 15.8)) + 0.85)
        z = end
        if z >= ends[k]:
            k += 1
    return area, moment


def weighted(values: np.ndarray) -> np.ndarray:
    """Two low passes at 24 times the rate, with straight lines between the values."""
    after = np.append(values[1:], values[-1])
    fine = values[:, None] + (after - values)[:, None] * np.arange(SUBSTEPS) / SUBSTEPS
    found = np.zeros(len(values))
    for part, tau in ((0.47, 3.5e-3), (0.53, 70e-3)):
        keep = math.exp(-1.0 / (2000.0 * SUBSTEPS * tau))
        found = found + part * lfilter([1.0 - keep], [1.0, -keep], fine.ravel())[::SUBSTEPS]
    return found


def loudness(sound: np.ndarray, step: float = 1e-3) -> np.ndarray:
    """Loudness in sone every 2 ms of a sound (N,) in Pa at 48 kHz."""
    levels = third_octave_levels(sound)
    cores = np.array([core(each) for each in levels.T])
    decayed = np.array([decay(band) for band in cores.T]).T
    return weighted(areas(decayed, step)[0])[::4]
