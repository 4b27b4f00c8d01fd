"""Several sounds as two sets of files: as they are, at one gain; and matched in loudness, each gain stated.

In: names and pressures in Pa. Out: `true/NAME.wav`, `matched/NAME.wav` and, for each, its loudness and gains. The
first set tells which is louder; the second lets the ear compare colour without being taken in by level.

The loudness meter of BS.1770 hears nothing below -70 LUFS, which at true level is a quiet room: of a quiet sound it
hears the loud beginning alone, or nothing. To be matched, each is measured as raised to full scale, near the level
at which it will be played, and the raising is taken off again: the same sound at any level becomes the same file.
"""

from __future__ import annotations

import itertools
import math
import re
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.files import make_folder
from synth.frozen import frozen
from synth.sound import audio
from synth.sound.loudness import Loudness, integrated, matched_gains, measure, shared_gain
from synth.units import decibels

LONGEST: Final = 100  # characters of a file's name
DEVICE: Final = re.compile(r"(con|prn|aux|nul|com\d|lpt\d)(\.|$)", re.IGNORECASE)  # no files on Windows


@frozen
class SetMember:
    """One sound of both sets."""

    name: str
    file: str  # the same in both folders
    loudness: Loudness
    integrated: float  # LUFS at 0 dB gain, BS.1770, of what its gate lets through; -inf where that is nothing
    true_gain_db: float
    matched_gain_db: float
    gated: bool  # below the meter's gate at true level, though it sounds


def write_sets(
    sounds: Mapping[str, NDArray[Any]], folder: Path, *, rate: int = audio.RATE
) -> list[SetMember]:
    """Both sets of 24-bit WAV files below a folder. Raises `InputError` where they cannot be written."""
    members = set_members(sounds, rate=rate)
    for member, pressure in zip(members, sounds.values(), strict=True):
        for kind, gain in (("true", member.true_gain_db), ("matched", member.matched_gain_db)):
            audio.write(make_folder(folder / kind) / member.file, [pressure], gain_db=gain, rate=rate)
    return members


def set_members(sounds: Mapping[str, NDArray[Any]], *, rate: int = audio.RATE) -> list[SetMember]:
    """How loud each of the sounds is, and at which gains it belongs into both sets."""
    heard = [measure(np.asarray(each, dtype=np.float64), rate) for each in sounds.values()]
    loud = [integrated(np.asarray(each, np.float64) / audio.FULL_SCALE, rate) for each in sounds.values()]
    gated = [each.peak > 0.0 and not math.isfinite(lufs) for each, lufs in zip(heard, loud, strict=True)]
    raised = [_raised(each, rate) for each in sounds.values()]
    true_gain, matched = shared_gain(heard), matched_gains(raised, heard)
    files = file_names(list(sounds))
    return [
        SetMember(name, f"{files[n]}.wav", heard[n], loud[n], true_gain, matched[n], gated[n])
        for n, name in enumerate(sounds)
    ]


def _raised(pressure: NDArray[Any], rate: int) -> float:
    """The loudness in LUFS of a sound raised to full scale, less the raising; -inf for silence."""
    peak = float(np.max(np.abs(pressure), initial=0.0))
    if peak <= 0.0:
        return -math.inf
    return integrated(np.asarray(pressure, np.float64) / peak, rate) + decibels(peak / audio.FULL_SCALE)


def file_names(names: Sequence[str]) -> list[str]:
    """Names that every file system takes, still to be read, and none twice in upper or lower case."""
    taken: set[str] = set()
    files = []
    for name in names:
        plain = re.sub(r"[^\w.+#=-]+", "-", name).strip("-.")[:LONGEST] or "sound"
        plain = f"sound-{plain}" if DEVICE.match(plain) else plain
        tries = (plain if number == 1 else f"{plain}-{number}" for number in itertools.count(1))
        files.append(next(each for each in tries if each.casefold() not in taken))
        taken.add(files[-1].casefold())
    return files
