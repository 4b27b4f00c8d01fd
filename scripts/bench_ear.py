"""How fast the ear's measures are: run `python scripts/bench_ear.py [--mosqito PYTHON] [--json]`.

Prints, in one run and warm: the loudness by ISO 532-1 of 8 s of stereo at 48 kHz, whose target is 0.1 s, and
everything that `ear.describe` tells of it; on half a second of one channel the same loudness against the standard's
steps taken one by one with scipy.signal (tests/sound/plain_zwicker.py); and with `--mosqito`, a Python that has it,
against MoSQITo on the 8 s.
"""

from __future__ import annotations

import argparse
import json
import os
import runpy
import subprocess
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ["OMP_NUM_THREADS"] = "1"  # before numpy: one core

import numpy as np
from numpy.typing import NDArray

from synth.sound import ear
from synth.sound.zwicker import loudness_over_time

RATE = 48_000
SECONDS = 8.0
SHORT = 0.5  # s, for what goes step by step
AGAIN = 5
ROOT = Path(__file__).parents[1]
THEIRS = """
import sys, time
import numpy as np
from mosqito.sq_metrics import loudness_zwtv
sound = np.load(sys.argv[1])
start = time.perf_counter()
loudest = max(float(loudness_zwtv(channel, 48000)[0].max()) for channel in sound)
print(time.perf_counter() - start, loudest)
"""


def stroke() -> NDArray[np.float64]:
    """Nine tines with four partials each, 40 ms apart, a little noise; both ears somewhat different."""
    rng = np.random.default_rng(7)
    sound = 2e-5 * rng.normal(size=(2, round(SECONDS * RATE)))
    for tine in range(9):
        first = round((0.1 + 0.04 * tine) * RATE)
        now = np.arange(sound.shape[1] - first) / RATE
        for ratio, decay in ((1.0, 8.0), (6.27, 1.7), (17.5, 0.6), (34.4, 0.3)):
            wave = 10.0 ** (-3.0 * now / decay) * np.sin(2.0 * np.pi * 147.0 * 1.08**tine * ratio * now)
            sound[:, first:] += np.array([[0.01], [0.008]]) * wave
    return sound


def best(task: Callable[[], Any]) -> float:
    """The shortest of several, in s: warm, and without what else the machine did."""
    task()
    times = []
    for _ in range(AGAIN):
        start = time.perf_counter()
        task()
        times.append(time.perf_counter() - start)
    return min(times)


def by_mosqito(python: str, sound: NDArray[np.float64]) -> tuple[float, float]:
    """Seconds, and the loudest in sone, of MoSQITo on both channels."""
    with tempfile.TemporaryDirectory() as folder:
        np.save(Path(folder) / "sound.npy", sound)
        words = [python, "-c", THEIRS, str(Path(folder) / "sound.npy")]
        said = subprocess.run(
            words, check=True, capture_output=True, text=True, encoding="utf-8"
        ).stdout.split()
    return float(said[0]), float(said[1])


def main() -> None:
    options = argparse.ArgumentParser(description=__doc__)
    options.add_argument("--mosqito", metavar="PYTHON", help="a Python in which mosqito can be imported")
    options.add_argument("--json", action="store_true")
    chosen = options.parse_args()
    sound = stroke()
    data = {
        "loudness_s": best(lambda: loudness_over_time(sound, RATE)),
        "describe_s": best(lambda: ear.describe(sound, RATE)),
    }
    plain = runpy.run_path(str(ROOT / "tests" / "sound" / "plain_zwicker.py"))["loudness"]
    short = sound[0, : round(SHORT * RATE)]
    ours = best(lambda: loudness_over_time(short, RATE))
    start = time.perf_counter()
    plainly = plain(short, step=4e-3)
    data["plain_over_ours"] = (time.perf_counter() - start) / ours
    data["differs_from_plain_sone"] = float(np.abs(plainly - loudness_over_time(short, RATE).sone).max())
    if chosen.mosqito:
        seconds, loudest = by_mosqito(chosen.mosqito, sound)
        data["mosqito_over_ours"] = seconds / data["loudness_s"]
        mine = max(loudness_over_time(channel, RATE).loudest_sone for channel in sound)
        data["loudest_over_mosqito"] = mine / loudest
    print(
        json.dumps(data, indent=1) if chosen.json else "\n".join(f"{k:24s} {v:.5g}" for k, v in data.items())
    )


if __name__ == "__main__":
    main()
