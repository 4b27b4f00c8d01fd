"""What a workshop sounds like when no tine is tapped: talk, whistling, knocks, hammers, steps, by plain formulas.

Talk is pulses of a glottis whose pitch glides, jitters and trembles, through resonances that move (vowels), with
hisses, and bursts that begin as suddenly as a tap; babble is several who talk at once. What is struck is wood:
short, much damped modes. A hammer on an anvil rings, at no ratios that a clamped rod has. No part of the package.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Any, Final

import numpy as np
import scipy.signal

from synth.arrays import Array

RATE: Final = 48_000
VOWELS: Final = ((730, 1090, 2440), (270, 2290, 3010), (300, 870, 2240), (530, 1840, 2480), (660, 1720, 2410))
"""Hz of formants of American vowels (G. Peterson & H. Barney, JASA 24 (1952) 175), from memory."""


def _voice(count: int, pitch: float, dice: Any, *, glide: float, jitter: float) -> Array:
    """Pulses (count,) whose period wanders."""
    out, at, wander = np.zeros(count), 0.0, 0.0
    while at < count:
        out[int(at)] = 1.0
        wander = 0.9 * wander + jitter * dice.normal()
        at += RATE / (pitch * (1.0 + glide * at / count + wander))
    return out


def _resonances(sound: Array, hertz: Any, width: float) -> Array:
    for each in hertz:
        r = np.exp(-np.pi * width / RATE)
        sound = scipy.signal.lfilter(
            [1.0 - r], [1.0, -2.0 * r * np.cos(2.0 * np.pi * each / RATE), r**2], sound
        )
    return sound / (np.max(np.abs(sound)) + 1e-12)


def syllable(dice: Any, pitch: float) -> Array:
    """A burst or a hiss or neither, then a vowel that comes and goes."""
    count = round(dice.uniform(0.12, 0.4) * RATE)
    voiced = _voice(count, pitch * dice.uniform(0.85, 1.2), dice, glide=dice.uniform(-0.2, 0.1), jitter=0.002)
    first, last = (np.array(VOWELS[dice.integers(len(VOWELS))]) * dice.uniform(0.9, 1.15) for _ in range(2))
    fade = np.linspace(0.0, 1.0, count)
    vowel = (1.0 - fade) * _resonances(voiced, first, 80.0) + fade * _resonances(voiced, last, 80.0)
    rise, fall = round(dice.uniform(0.005, 0.05) * RATE), round(0.04 * RATE)
    vowel[:rise] *= np.linspace(0.0, 1.0, rise)
    vowel[-fall:] *= np.linspace(1.0, 0.0, fall)
    kind = dice.random()
    if kind < 0.35:  # a plosive: a burst of a few ms, a little before the voice
        burst = dice.normal(size=round(0.06 * RATE)) * np.exp(-np.arange(round(0.06 * RATE)) / (0.004 * RATE))
        return np.concatenate((dice.uniform(0.2, 1.0) * burst, vowel))
    if kind < 0.6:  # a fricative
        hiss = scipy.signal.lfilter([1.0, -0.95], [1.0], dice.normal(size=round(0.09 * RATE)))
        return np.concatenate((0.15 * hiss * np.hanning(len(hiss)), vowel))
    return vowel


def talk(seconds: float, dice: Any) -> Array:
    """One who talks, with pauses."""
    out, at = np.zeros(round(seconds * RATE)), round(0.3 * RATE)
    pitch, loud = dice.uniform(85.0, 250.0), dice.uniform(0.05, 0.4)
    while True:
        sound = loud * dice.uniform(0.3, 1.0) * syllable(dice, pitch)
        if at + len(sound) >= len(out):
            return out
        out[at : at + len(sound)] += sound
        at += len(sound) + round((dice.uniform(0.3, 1.0) if dice.random() < 0.15 else 0.03) * RATE)


def babble(seconds: float, dice: Any) -> Array:
    return sum((0.5 * talk(seconds, dice) for _ in range(5)), np.zeros(round(seconds * RATE)))


def whistling(seconds: float, dice: Any) -> Array:
    """Notes of one line each, that begin at once and tremble."""
    time = np.arange(round(seconds * RATE)) / RATE
    out, at = np.zeros(len(time)), 0.4
    while at < seconds - 1.0:
        lasts, hertz = dice.uniform(0.2, 0.9), dice.uniform(600.0, 2500.0)
        here = slice(round(at * RATE), round((at + lasts) * RATE))
        now = time[here] - at
        phase = 2.0 * np.pi * hertz * (now + 0.004 * np.sin(2.0 * np.pi * 5.0 * now) / (2.0 * np.pi * 5.0))
        edge = np.minimum(1.0, np.minimum(now, lasts - now) / 0.02)
        out[here] += 0.1 * edge * (np.sin(phase) + 0.03 * dice.normal(size=len(now)))
        at += lasts + dice.uniform(0.05, 0.4)
    return out


def humming(seconds: float, dice: Any) -> Array:
    """Steady sung notes, harmonics in every place, that swell in and out."""
    out, at = np.zeros(round(seconds * RATE)), round(0.3 * RATE)
    while at < len(out) - 2 * RATE:
        count = round(dice.uniform(0.5, 1.5) * RATE)
        note = _resonances(
            _voice(count, dice.uniform(90.0, 300.0), dice, glide=0.0, jitter=4e-4), VOWELS[2], 80.0
        )
        out[at : at + count] += 0.2 * np.sin(np.pi * np.arange(count) / count) ** 0.3 * note
        at += count + round(dice.uniform(0.1, 0.5) * RATE)
    return out


def _blows(
    seconds: float, dice: Any, *, hertz: tuple[float, float], q: tuple[float, float], gap: float
) -> Array:
    """Blows on something with eight modes of that quality."""
    out, at = np.zeros(round((seconds + 3.0) * RATE)), 0.5
    modes = np.sort(dice.uniform(*hertz, 8))
    quality = dice.uniform(*q, 8)
    time = np.arange(2 * RATE) / RATE
    rings = [
        0.1 * np.exp(-np.pi * f / each * time) * np.sin(2.0 * np.pi * f * time)
        for f, each in zip(modes, quality, strict=True)
    ]
    while at < seconds:
        here = round(at * RATE)
        out[here : here + len(time)] += dice.uniform(0.2, 1.0, len(rings)) @ rings
        out[here : here + 100] += 0.2 * dice.normal(size=100)
        at += dice.uniform(0.5, 1.5) * gap
    return out[: round(seconds * RATE)]


def knocks(seconds: float, dice: Any) -> Array:
    """A fist on a door, wood on wood."""
    return _blows(seconds, dice, hertz=(80.0, 1500.0), q=(8.0, 30.0), gap=0.4)


def steps(seconds: float, dice: Any) -> Array:
    return _blows(seconds, dice, hertz=(50.0, 300.0), q=(3.0, 12.0), gap=0.6)


def hammering(seconds: float, dice: Any) -> Array:
    """On steel that lies about: it rings, short or long."""
    return _blows(seconds, dice, hertz=(400.0, 6000.0), q=(60.0, 800.0), gap=0.7)


NOISES: Final[dict[str, Callable[[float, Any], Array]]] = {
    "talk": talk,
    "babble": babble,
    "whistling": whistling,
    "humming": humming,
    "knocks": knocks,
    "steps": steps,
    "hammering": hammering,
}


def minutes(seconds: float, dice: Any, kinds: tuple[str, ...]) -> Iterator[Array]:
    """Ten seconds after ten seconds of these kinds in turn, in the shop's own noise."""
    for part in range(round(seconds / 10.0)):
        yield NOISES[kinds[part % len(kinds)]](10.0, dice) + 1e-4 * dice.normal(size=10 * RATE)
