"""How fast and how true a recording is measured: run `python scripts/bench_recording.py [--json]`.

Prints, in one run: the whole command on a 10 s recording of three taps, cold, whose target is 2 s; and the
measuring alone against the named alternative, scipy.signal.stft with a parabola through each peak and a straight
line through its decay, which is what one would otherwise do, with the errors of both. The recording is made by
plain formulas: a tine with its two planes, in noise 20 dB below.
"""

from __future__ import annotations

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

os.environ["OMP_NUM_THREADS"] = "1"  # before numpy: one core

import numpy as np
import scipy.signal
import soundfile

from synth.arrays import Array
from synth.recording.audio_input import read_recording
from synth.recording.partials import measure_taps

RATE = 48_000
SECONDS = 10.0
TAPS = (0.3, 3.6, 6.9)  # s
# Hz, seconds to fall 60 dB, amplitude
TINE = (
    (146.8, 9.0, 0.30),
    (147.1, 8.0, 0.20),
    (906.7, 1.70, 0.20),
    (908.3, 1.65, 0.10),
    (2523.4, 0.62, 0.10),
    (4910.0, 0.32, 0.08),
)


def recording() -> Array:
    """The taps in noise 20 dB below the first tap's mean square over its first second."""
    rng = np.random.default_rng(7)
    total = np.zeros(round(SECONDS * RATE))
    for start in TAPS:
        first = round(start * RATE)
        now = np.arange(len(total) - first) / RATE
        for hz, decay, level in TINE:
            total[first:] += (
                level * 10.0 ** (-3.0 * now / decay) * np.cos(2.0 * np.pi * hz * now + rng.uniform(0, 6))
            )
    loud = total[round(TAPS[0] * RATE) : round((TAPS[0] + 1.0) * RATE)]
    return 0.4 * (total + 0.1 * float(np.sqrt(np.mean(loud**2))) * rng.normal(size=len(total)))


def by_stft(sound: Array) -> list[tuple[float, float]]:
    """(Hz, seconds to fall 60 dB) of the last tap's peaks by the alternative."""
    tail = sound[round(TAPS[-1] * RATE) + 300 :]
    frequency, when, table = scipy.signal.stft(tail, RATE, nperseg=8192, noverlap=7168, boundary=None)
    level = 20.0 * np.log10(np.abs(table) + 1e-12)
    mean = level[:, 0]
    places, _ = scipy.signal.find_peaks(mean, height=float(np.max(mean)) - 50.0, prominence=15.0)
    found = []
    for k in places:
        low, mid, high = mean[k - 1 : k + 2]
        middle = frequency[k] + 0.5 * (low - high) / (low - 2.0 * mid + high) * (frequency[1] - frequency[0])
        floor = np.median(level[max(0, k - 40) : k + 40]) + 10.0
        held = int(np.argmax(level[k] < floor)) or len(when)
        slope = np.polyfit(when[:held], level[k][:held], 1)[0] if held > 2 else -np.inf
        found.append((float(middle), float(-60.0 / slope)))
    return found


def errors(found: list[tuple[float, float]]) -> dict[str, float]:
    """How many of the tine's partials were found (within 3 cents), and their mean errors."""
    off, slow = [], []
    for hz, decay, _ in TINE:
        near = min(found, key=lambda each: abs(np.log(each[0] / hz)), default=(1.0, 1.0))
        if abs(1200.0 * np.log2(near[0] / hz)) < 3.0:
            off.append(abs(1200.0 * float(np.log2(near[0] / hz))))
            slow.append(abs(near[1] / decay - 1.0))
    return {
        "found": len(off),
        "of": len(TINE),
        "cents": float(np.mean(off)) if off else float("nan"),
        "decay_percent": 100.0 * float(np.mean(slow)) if slow else float("nan"),
    }


def main() -> None:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "taps.wav"
        soundfile.write(path, recording(), RATE, subtype="PCM_24")
        cold = time.perf_counter()
        words = [sys.executable, "-c", "from synth.doors.cli import main; main()", "measure", str(path)]
        subprocess.run(words, check=True, stdout=subprocess.DEVNULL)
        cold = time.perf_counter() - cold
        take = read_recording(path)
    start = time.perf_counter()
    ours = measure_taps(take).taps[-1].partials
    ours_s = time.perf_counter() - start
    start = time.perf_counter()
    theirs = by_stft(take.samples)
    theirs_s = time.perf_counter() - start
    data = {
        "command_s": cold,
        "measure_s": ours_s,
        "stft_one_tap_s": theirs_s,
        "stft_over_measure": len(TAPS) * theirs_s / ours_s,
        "measure": errors([(each.frequency, each.decay) for each in ours]),
        "stft": errors(theirs),
    }
    print(json.dumps(data, indent=1) if "--json" in sys.argv[1:] else _words(data))


def _words(data: dict[str, object]) -> str:
    return "\n".join(
        f"{key:18s} {value:.3f}" if isinstance(value, float) else f"{key:18s} {value}"
        for key, value in data.items()
    )


if __name__ == "__main__":
    main()
