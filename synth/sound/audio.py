"""Audio files: pressure in pascal to WAV or FLAC, whole or not at all, at one level for every file.

In: blocks of pressure (C, n) in Pa. Out: a 24-bit file in which a full-scale sine is 100 dB SPL. The gain that
the user asks for is the only one; what would clip is refused with the gain that fits.
"""

from __future__ import annotations

import io
import math
import threading
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from synth.errors import InputError
from synth.files import atomic_write, check_place, for_libsndfile
from synth.units import amplitude, decibels

if TYPE_CHECKING:
    import soundfile

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


class BlockWriter:
    """An open sound file that takes blocks of pressure one by one, from any thread; once closed, none."""

    def __init__(self, path: Path | io.BytesIO, *, gain_db: float, rate: int, kind: str) -> None:
        self._path, self._rate, self._kind = path, rate, kind
        self._scale = amplitude(gain_db) / FULL_SCALE
        self._file: soundfile.SoundFile | None = None
        self._closed, self._alone = False, threading.Lock()
        self.peak = 0.0  # of full scale

    def add(self, pressure: NDArray[np.floating]) -> None:
        """The next samples (C, n) in Pa. ValueError once it is closed."""
        samples = np.asarray(pressure, dtype=np.float64).T * self._scale
        with self._alone:
            if self._closed:
                raise ValueError("this sound file is closed")
            if self._file is None:
                self._file = self._opened(len(pressure))
            if samples.size:
                self.peak = max(self.peak, float(np.max(np.abs(samples))))
            self._file.write(samples)

    def close(self) -> bool:
        """Whether there was anything."""
        with self._alone:
            self._closed = True
            if self._file is not None:
                self._file.close()
            return self._file is not None

    def _opened(self, channels: int) -> soundfile.SoundFile:
        import soundfile

        place = for_libsndfile(self._path) if isinstance(self._path, Path) else self._path
        return soundfile.SoundFile(
            place, "w", samplerate=self._rate, channels=channels, subtype="PCM_24", format=self._kind
        )


@contextmanager
def writing(path: Path, *, gain_db: float = 0.0, rate: int = RATE) -> Iterator[BlockWriter]:
    """What takes blocks of pressure for `path`, which is there, whole, once the context has ended well.

    An interrupted or refused render leaves an older file of that name as it was. Raises `InputError` where the
    sound would clip or the file cannot be written.
    """
    import soundfile

    check_output(path)
    try:
        with atomic_write(path) as beside:
            file = BlockWriter(beside, gain_db=gain_db, rate=rate, kind=FORMATS[path.suffix.lower()])
            try:
                yield file
            finally:
                any_block = file.close()
            if not any_block:
                raise InputError(
                    "there is nothing to write", remedy="ask for more than 0 seconds", file=str(path)
                )
            _refuse_clipping(path, file.peak, gain_db)
    except soundfile.LibsndfileError as failure:
        raise InputError(
            f"cannot be written ({failure})", remedy="is the disk full?", file=str(path)
        ) from failure


def write(
    path: Path, blocks: Iterable[NDArray[np.floating]], *, gain_db: float = 0.0, rate: int = RATE
) -> float:
    """The peak in dBFS of blocks (C, n) of pressure in Pa, written to `path` as `writing` does."""
    with writing(path, gain_db=gain_db, rate=rate) as file:
        for block in blocks:
            file.add(block)
    return decibels(file.peak)


def encoded(pressure: NDArray[np.floating], *, gain_db: float = 0.0, rate: int = RATE) -> bytes:
    """A FLAC file in memory of pressure (C, N) in Pa, true level plus the gain, for a web page to hold."""
    held = io.BytesIO()
    file = BlockWriter(held, gain_db=gain_db, rate=rate, kind="FLAC")
    file.add(pressure)
    file.close()
    return held.getvalue()


def headroom_db(peak_pressure: float) -> float:
    """The gain in dB that would bring a peak pressure (Pa) just below full scale."""
    return math.inf if peak_pressure <= 0.0 else -decibels(peak_pressure / FULL_SCALE)


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
