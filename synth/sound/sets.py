"""Several sounds as two sets of files: as they are, at one gain; and matched in loudness, each gain stated.

In: names and pressures in Pa. Out: `true/NAME.wav`, `matched/NAME.wav` and, for each, its loudness and gains. The
first set tells which is louder; the second lets the ear compare colour without being taken in by level.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from synth.files import make_folder
from synth.sound import audio
from synth.sound.loudness import Loudness, integrated, matched_gains, measure, shared_gain


@dataclass(frozen=True)
class Member:
    """One sound of both sets."""

    name: str
    file: str  # the same in both folders
    loudness: Loudness
    integrated: float  # LUFS at 0 dB gain, BS.1770; -inf where the standard's gate hears nothing
    true_gain_db: float
    matched_gain_db: float


def write_sets(sounds: Mapping[str, NDArray[Any]], folder: Path, *, rate: int = audio.RATE) -> list[Member]:
    """Both sets of 24-bit WAV files below a folder. Raises `InputError` where they cannot be written."""
    heard = [measure(np.asarray(each, dtype=np.float64), rate) for each in sounds.values()]
    loud = [integrated(np.asarray(each, np.float64) / audio.FULL_SCALE, rate) for each in sounds.values()]
    true_gain, matched = shared_gain(heard), matched_gains(loud, heard)
    members = []
    for (name, pressure), loudness, lufs, gain in zip(sounds.items(), heard, loud, matched, strict=True):
        file = f"{file_name(name)}.wav"
        audio.write(make_folder(folder / "true") / file, [pressure], gain_db=true_gain, rate=rate)
        audio.write(make_folder(folder / "matched") / file, [pressure], gain_db=gain, rate=rate)
        members.append(Member(name, file, loudness, lufs, true_gain, gain))
    return members


def file_name(name: str) -> str:
    """A name that every file system takes, still to be read."""
    return re.sub(r"[^\w.+#=-]+", "-", name).strip("-.") or "sound"
