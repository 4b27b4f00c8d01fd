"""Audio files: pressure in pascal to WAV or FLAC, whole or not at all, at one level for every file.

In: blocks of pressure (C, n) in Pa. Out: a 24-bit file in which a full-scale sine is 100 dB SPL. The gain that
the user asks for is the only one; what would clip is refused with the gain that fits.
"""

from __future__ import annotations

import io
import math
from collections.abc import Iterable
from pathlib import Path
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.files import atomic_write, check_place, for_libsndfile
from synth.units import amplitude, decibels

RATE: Final = 48_000  # Hz, the rate of film, broadcast and most interfaces
FULL_SCALE_SPL: Final = (
    100.0  # dB SPL of a full-scale sine: loud strokes fit, quiet ones stay above 24-bit noise
)
REFERENCE_PRESSURE: Final = 20e-6  # Pa, ISO 1683
FULL_SCALE: Final = REFERENCE_PRESSURE * 10.0 ** (FULL_SCALE_SPL / 20.0) * math.sqrt(2.0)  # Pa peak at 0 dBFS

FORMATS: Final = {".wav": "WAV", ".flac": "FLAC"}


def check_output(path: Path) -> None:
    """Refuse an audio file that could not be written, before any work is done for it. Raises `InputError`."""
    if path.suffix.lower() not in FORMATS:
        found = (
            f"'{path.suffix}' is not an audio format written here"
            if path.suffix
            else "the name has no ending"
        )
        raise InputError(found, remedy="end it in .wav or .flac", file=str(path))
    check_place(path)


def write(
    path: Path, blocks: Iterable[NDArray[np.floating]], *, gain_db: float = 0.0, rate: int = RATE
) -> float:
    """The peak in dBFS of blocks (C, n) of pressure in Pa, written to `path`.

    An interrupted or refused render leaves an older file of that name as it was. Raises `InputError` where the
    sound would clip or the file cannot be written.
    """
    import soundfile

    check_output(path)
    scale = amplitude(gain_db) / FULL_SCALE
    try:
        with atomic_write(path) as beside:
            peak = _write_blocks(beside, blocks, scale=scale, rate=rate, kind=FORMATS[path.suffix.lower()])
            _refuse_clipping(path, peak, gain_db)
    except soundfile.LibsndfileError as failure:
        raise InputError(
            f"cannot be written ({failure})", remedy="is the disk full?", file=str(path)
        ) from failure
    return decibels(peak)


def encoded(pressure: NDArray[np.floating], *, gain_db: float = 0.0, rate: int = RATE) -> bytes:
    """A FLAC file in memory of pressure (C, N) in Pa, true level plus the gain, for a web page to hold."""
    file = io.BytesIO()
    _write_blocks(file, [pressure], scale=amplitude(gain_db) / FULL_SCALE, rate=rate, kind="FLAC")
    return file.getvalue()


def headroom_db(peak_pressure: float) -> float:
    """The gain in dB that would bring a peak pressure (Pa) just below full scale."""
    return math.inf if peak_pressure <= 0.0 else -decibels(peak_pressure / FULL_SCALE)


def _write_blocks(
    path: Path | io.BytesIO, blocks: Iterable[NDArray[np.floating]], *, scale: float, rate: int, kind: str
) -> float:
    import soundfile

    peak = 0.0
    file: soundfile.SoundFile | None = None
    try:
        for block in blocks:
            if file is None:
                file = soundfile.SoundFile(
                    for_libsndfile(path) if isinstance(path, Path) else path,
                    "w",
                    samplerate=rate,
                    channels=len(block),
                    subtype="PCM_24",
                    format=kind,
                )
            samples = np.asarray(block, dtype=np.float64).T * scale
            if samples.size:
                peak = max(peak, float(np.max(np.abs(samples))))
            file.write(samples)
    finally:
        if file is not None:
            file.close()
    if file is None:
        raise InputError("there is nothing to write", remedy="ask for more than 0 seconds", file=str(path))
    return peak


def _refuse_clipping(path: Path, peak: float, gain_db: float) -> None:
    if not math.isfinite(peak):
        raise ValueError(f"{path}: the rendered sound is not finite")
    if peak > 1.0:
        fits = math.floor((gain_db - decibels(peak)) * 10.0) / 10.0
        raise InputError(
            f"at a gain of {gain_db:+z.1f} dB the sound would clip by {decibels(peak):.1f} dB",
            remedy=f"--gain-db {fits:.1f} fits",
            file=str(path),
        )
