"""What the ear would say of a stroke: how loud in sone, in which octaves, at the attack and in the body, how long.

In: pressure (C, N) in Pa at the listener. Out: `EarMeasures`, and of two of them what changed, in words. The level
at the attack in dB(A) hides what a board does: high partials make it, and they are over in a tenth of a second.
So attack and body (a second on) are told apart, and octaves where the whole does not tell what they do.
"""

from __future__ import annotations

import math
from concurrent.futures import ThreadPoolExecutor
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.frozen import frozen
from synth.sound.bands import NOMINAL_HZ, WindowLevels, band_history, window_levels
from synth.sound.quiet_room import room_spectrum, seconds_above
from synth.sound.zwicker import loudness_over_time

ATTACK: Final = 0.125  # s from the onset: time weighting F of IEC 61672-1, what an ear takes as one event
BODY: Final = (1.0, 1.5)  # s from the onset: high partials are over, low ones ring
ONSET: Final = 0.01  # of the greatest power, where the sound begins: 20 dB below
BLOCK: Final = 2e-3  # s over which that power is taken
# dB SPL of the tone that is just heard at the octaves' middles, free field: ISO 389-7:2005, Table 1, from memory
THRESHOLD_DB: Final = np.array([37.5, 22.1, 11.4, 4.4, 2.4, -1.3, -5.4, 12.6])
SAME: Final = (
    1.0  # dB, a change of level that is just heard (Fastl and Zwicker, Psychoacoustics, 3rd ed., ch. 7;
)
# from memory)
TOLD: Final = (
    3.0  # dB by which an octave must change otherwise than the whole to be told; common practice, no
)
# published source
MOST: Final = 3  # octaves told of a window


@frozen(eq=False)
class EarMeasures:
    """What is heard of one stroke, octaves as in `bands.NOMINAL_HZ`; nan where the sound is too short."""

    loudest_sone: float  # ISO 532-1, N max
    n5_sone: float  # exceeded in 5 % of the time, over the whole file
    at_1s_sone: float  # a second after the onset
    attack: WindowLevels  # mean levels over `ATTACK` from the onset
    body: WindowLevels  # mean levels over `BODY`
    above_room_s: Array  # (8,) how long after the onset each octave stands above a quiet room
    sharpness_acum: float = math.nan  # DIN 45692, where it is loudest


def describe(
    pressure: Array, rate: float, *, since: float | None = None, room_db: Array | None = None
) -> EarMeasures:
    """What is heard of pressure (C, N) or (N,) in Pa.

    `since` is the onset in s, where the caller knows the first touch; else it is where the power first comes within
    20 dB of its greatest. `room_db` (8,) is the noise of the room in dB SPL, that of 30 dB(A) unless told.
    """
    sound = np.atleast_2d(np.asarray(pressure, dtype=np.float64))
    start = onset(sound, rate) if since is None else since
    noise = room_spectrum() if room_db is None else room_db
    with ThreadPoolExecutor(1) as beside:  # compiled code and transforms: both cores have work
        asked = beside.submit(loudness_over_time, sound, rate)
        history = band_history(sound, rate)
        loudness = asked.result()
    return EarMeasures(
        loudest_sone=loudness.loudest_sone,
        n5_sone=loudness.n5_sone,
        at_1s_sone=loudness.at_sone(start + BODY[0]),
        sharpness_acum=loudness.sharpness_acum,
        attack=window_levels(sound, rate, since=start, until=start + ATTACK),
        body=window_levels(sound, rate, since=start + BODY[0], until=start + BODY[1]),
        above_room_s=seconds_above(history, noise, since=start),
    )


def onset(pressure: Array, rate: float) -> float:
    """Where a sound (C, N) begins, in s; 0 for silence."""
    width = max(1, round(BLOCK * rate))
    square = np.mean(np.asarray(pressure) ** 2, axis=0)
    blocks = np.pad(square, (0, -len(square) % width)).reshape(-1, width).sum(axis=1)
    return float(np.argmax(blocks >= ONSET * blocks.max())) * width / rate if blocks.size else 0.0


def stroke_sentences(measures: EarMeasures) -> list[str]:
    """What an ear would say of one stroke: how loud, in which octaves at the attack and a second on, how long."""
    later = "" if math.isnan(measures.at_1s_sone) else f", {measures.at_1s_sone:.2g} a second on"
    sharpness = measures.sharpness_acum
    sharp = "" if math.isnan(sharpness) else f"; sharpness {sharpness:.2g} acum there (DIN 45692)"
    windows = [
        f"{name}: {', '.join(_levels(window))} dB SPL; {_level(window.total_dba)}."
        for name, window in (("Attack", measures.attack), ("Body", measures.body))
        if not math.isnan(window.total_dba)
    ]
    lasting = [
        f"{hz} Hz for {seconds:.1f} s"
        for hz, seconds in zip(NOMINAL_HZ, measures.above_room_s, strict=True)
        if seconds > 0.0
    ]
    heard = ", ".join(lasting) or "no octave"
    return [
        f"Loudness {measures.loudest_sone:.2g} sone at its loudest{later} (ISO 532-1){sharp}.",
        *windows,
        f"Above the noise of a quiet room (30 dB(A)): {heard}.",
    ]


def _levels(window: WindowLevels) -> list[str]:
    """Each octave that can be heard, with its level."""
    return [
        f"{hz} Hz {level:.0f}"
        for hz, level, least in zip(NOMINAL_HZ, window.octaves_db, THRESHOLD_DB, strict=True)
        if level > least
    ] or ["no octave that can be heard, at most " + f"{np.max(window.octaves_db):.0f}"]


def words(before: EarMeasures, after: EarMeasures) -> list[str]:
    """What an ear would say of a change, a sentence each: of attack and body, of the loudness then.

    "Attack the same (65 to 65 dB(A)), but the 125 Hz octave +42 dB (24 to 66 dB).", "Body +42 dB (2 to 44 dB(A))."
    An octave is told that does otherwise than the whole; what is below the threshold of hearing does not count.
    """
    said = [
        _window("Attack", before.attack, after.attack),
        _window("Body", before.body, after.body),
        _loudness("At its loudest", before.loudest_sone, after.loudest_sone),
        _loudness("A second on", before.at_1s_sone, after.at_1s_sone),
    ]
    return [each for each in said if each]


def _window(name: str, before: WindowLevels, after: WindowLevels) -> str:
    if math.isnan(before.total_dba) or math.isnan(after.total_dba):
        return f"{name} cannot be compared: a sound is too short."
    one, other = np.maximum(before.octaves_db, THRESHOLD_DB), np.maximum(after.octaves_db, THRESHOLD_DB)
    change = other - one  # what is below the threshold is not heard to change
    if not np.any(np.maximum(one, other) > THRESHOLD_DB):
        return f"{name} unheard in both."
    whole = max(after.total_dba, 0.0) - max(before.total_dba, 0.0)
    far = np.argsort(-np.abs(change - whole), kind="stable")
    odd = [k for k in far if abs(change[k]) >= TOLD and abs(change[k] - whole) >= TOLD][:MOST]
    octaves = ", ".join(_octave(k, before.octaves_db[k], after.octaves_db[k]) for k in sorted(odd))
    link = ", but " if abs(whole) < SAME else "; "
    told = f"{_said(whole)} ({_from_to(before.total_dba, after.total_dba)})"
    return f"{name} {told}{link + octaves if octaves else ''}."


def _octave(k: int, before: float, after: float) -> str:
    """What an octave does in decibels, as far as that is a number, and whether it crosses what is heard at all."""
    said = [_said(after - before)] if math.isfinite(after - before) else []
    said += ["now heard"] if before <= THRESHOLD_DB[k] < after else []
    said += ["no longer heard"] if after <= THRESHOLD_DB[k] < before else []
    levels = " to ".join("silent" if math.isinf(each) else f"{each:.0f}" for each in (before, after))
    return f"the {NOMINAL_HZ[k]} Hz octave {', '.join(said)} ({levels} dB)"


def _level(level: float) -> str:
    return f"{level:.0f} dB(A)" if level > 0.0 else "unheard"


def _from_to(before: float, after: float) -> str:
    """From a level to another, "42 to 57 dB(A)"; the unit stands after every number that none follows."""
    first = _level(before).removesuffix(" dB(A)" if after > 0.0 else "")
    return f"{first} to {_level(after)}"


def _said(change: float) -> str:
    return "the same" if abs(change) < SAME else f"{change:+z.0f} dB"


def _loudness(name: str, before: float, after: float) -> str:
    """Sone are in proportion to what is heard: twice as many, twice as loud."""
    if math.isnan(before) or math.isnan(after) or max(before, after) <= 0.0:
        return ""
    told = f"{name} {before:.2g} to {after:.2g} sone"
    if min(before, after) <= 0.0:
        return f"{told}."
    times = after / before
    heard = abs(10.0 * math.log2(times)) >= SAME  # loudness doubles every 10 phon
    factor = f"{float(f'{times:.2g}'):g}"
    return f"{told}: {factor} times as loud." if heard else f"{told}: as loud."
