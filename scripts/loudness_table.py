"""Loudness of signals anyone can make again, by an independent program.

`python scripts/loudness_table.py tests/data/iso_532_checks.csv` writes the table by MoSQITo (Apache License 2.0),
which is no part of this project and has to be importable (`pip install mosqito` in an environment of its own). The
tests take the signals from here and hold `synth.sound.zwicker` to the table, and to MoSQITo where it is there.
"""

from __future__ import annotations

import csv
import math
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

RATE = 48_000
TIMES = (0.01, 0.03, 0.06, 0.1, 0.2, 0.35, 0.5, 0.7, 0.9, 1.1, 1.3)  # s at which the loudness is written down
Wave = NDArray[np.float64]


def amplitude(level_db: float | Wave) -> Any:
    """Pa peak of a sine of so many dB SPL."""
    return math.sqrt(2.0) * 20e-6 * 10.0 ** (np.asarray(level_db) / 20.0)


def seconds(length: float) -> Wave:
    return np.arange(round(length * RATE)) / RATE


def sine(hertz: float, level_db: float | Wave, length: float = 1.0) -> Wave:
    return np.asarray(amplitude(level_db) * np.sin(2.0 * math.pi * hertz * seconds(length)))


def pulse(hertz: float, level_db: float, length: float) -> Wave:
    """A tone pulse 0.1 s after the start of a second."""
    sound = np.zeros(RATE)
    burst = sine(hertz, level_db, length)
    sound[RATE // 10 : RATE // 10 + len(burst)] = burst
    return sound


def many_tones(level_db: float) -> Wave:
    """Pink noise without chance: 300 sines equally spaced in pitch, their phases by the golden ratio."""
    hertz = 30.0 * 500.0 ** (np.arange(300) / 300.0)
    phase = 2.0 * math.pi * ((np.arange(300) ** 2 * (math.sqrt(5.0) - 1.0) / 2.0) % 1.0)
    each = amplitude(level_db) / math.sqrt(300.0)
    return np.asarray(
        each
        * np.sum([np.sin(2.0 * math.pi * f * seconds(1.0) + p) for f, p in zip(hertz, phase, strict=True)], 0)
    )


def ringing() -> Wave:
    """A struck tine's partials (Hz, dB SPL at first, s to fall by 60 dB), 50 ms after the start."""
    sound = np.zeros(RATE)
    now = seconds(0.95)
    for hertz, level_db, decay in (
        (147.0, 66.0, 6.0),
        (921.0, 62.0, 1.7),
        (2580.0, 64.0, 0.6),
        (5060.0, 58.0, 0.3),
    ):
        sound[RATE // 20 :] += 10.0 ** (-3.0 * now / decay) * sine(hertz, level_db, 0.95)
    return sound


def signals() -> dict[str, Wave]:
    """What is measured, Pa at 48 kHz: after the kinds of signals of ISO 532-1, Annex B.

    All end in silence: MoSQITo 1.2.1 begins its decay from the last value of the sound, not from nothing.
    """
    return {name: np.pad(sound, (0, RATE // 2)) for name, sound in _sounding().items()}


def _sounding() -> dict[str, Wave]:
    beat = 1.0 + np.sin(2.0 * math.pi * 4.0 * seconds(1.0))
    return {
        "1 kHz 60 dB": sine(1000.0, 60.0),
        "250 Hz 80 dB": sine(250.0, 80.0),
        "4 kHz 40 dB": sine(4000.0, 40.0),
        "80 Hz 50 dB": sine(80.0, 50.0),
        "many tones 60 dB": many_tones(60.0),
        "250 Hz rising from 30 to 80 dB": sine(250.0, 30.0 + 50.0 * seconds(1.0)),
        "4 kHz falling from 80 to 30 dB": sine(4000.0, 80.0 - 50.0 * seconds(1.0)),
        "1 kHz 70 dB for 10 ms": pulse(1000.0, 70.0, 0.01),
        "1 kHz 70 dB for 50 ms": pulse(1000.0, 70.0, 0.05),
        "1 kHz 70 dB for 500 ms": pulse(1000.0, 70.0, 0.5),
        "1 kHz 60 dB beating at 4 Hz": beat * sine(1000.0, 60.0),
        "partials of a tine": ringing(),
    }


def measured(sound: Wave) -> Iterator[tuple[str, float]]:
    """What MoSQITo says of a sound: N max, N5 and the loudness at some times, in sone."""
    from mosqito.sq_metrics import loudness_zwtv

    loudness, _, _, _ = loudness_zwtv(sound, RATE)
    yield "loudest", float(np.max(loudness))
    yield "N5", float(np.percentile(loudness, 95.0))
    for time in TIMES:
        yield f"at {time:g} s", float(loudness[round(time / 2e-3)])


def main() -> None:
    from importlib.metadata import version

    by = f"MoSQITo {version('mosqito')}, Apache License 2.0"
    with Path(sys.argv[1]).open("w", newline="", encoding="utf-8") as file:
        table = csv.writer(file, lineterminator="\n")
        table.writerow(["signal", "quantity", "sone", "source"])
        for name, sound in signals().items():
            table.writerows([name, quantity, f"{value:.4f}", by] for quantity, value in measured(sound))


if __name__ == "__main__":
    main()
