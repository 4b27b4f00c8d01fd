"""How fast boards are solved and filter: run `python scripts/bench_board.py [--json]`.

Prints, in one run, for every board of designs/quay-rail.toml: its first use (modes in air, feet), the same read
back from the cache, and the board as a stereo filter on a minute of force at its feet, as a whole and in blocks of
a second, against the named alternative, scipy.signal.oaconvolve path by path. Targets: 0.3 s, 0.1 s, 100 times
faster than real time on one core.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

os.environ["OMP_NUM_THREADS"] = "1"  # before numpy: one core

import numpy as np
from scipy.signal import oaconvolve

from synth.arrays import Array
from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.sound.audio import RATE
from synth.sound.convolution import Convolver
from synth.sound.radiator import ears
from synth.sound.radiator.board import BoardFilter
from synth.vibration.solve import solve_board_of

DESIGN = Path(__file__).parents[1] / "designs" / "quay-rail.toml"
SECONDS = 60


def timed(work: Callable[[], Any]) -> tuple[float, Any]:
    began = time.perf_counter()
    made = work()
    return time.perf_counter() - began, made


def in_blocks(step: Convolver, signals: Array) -> Array:
    parts = [step(signals[:, first : first + RATE]) for first in range(0, signals.shape[1], RATE)]
    return np.concatenate(parts, axis=1)


def path_by_path(kernel: Array, signals: Array) -> Array:
    return np.stack(
        [
            sum(oaconvolve(one, signal)[: len(signal)] for one, signal in zip(ear, signals, strict=True))
            for ear in kernel
        ]
    )


def measure(instrument: Instrument, name: str) -> dict[str, float]:
    first, _ = timed(lambda: solve_board_of(instrument, name, fresh=True))
    again, solved = timed(lambda: solve_board_of(instrument, name))
    alone = BoardFilter(solved, ears(instrument))
    ready, kernel = timed(lambda: alone.impulse_response(RATE) / RATE)
    paths = 3 * len(solved.standing.feet.position)
    signals = np.random.default_rng(1).normal(size=(paths, SECONDS * RATE))
    whole, heard = timed(lambda: Convolver(kernel)(signals))
    blocks, again_heard = timed(lambda: in_blocks(Convolver(kernel), signals))
    other, plain = timed(lambda: path_by_path(kernel.astype(np.float32), signals.astype(np.float32)))
    off = max(np.abs(each - plain).max() for each in (heard, again_heard)) / np.abs(plain).max()
    return {
        "first_s": first,
        "cached_s": again,
        "ring_s": alone.ring,
        "filter_ready_s": ready,
        "times_real_time": SECONDS / whole,
        "in_blocks_times_real_time": SECONDS / blocks,
        "oaconvolve_times_real_time": SECONDS / other,
        "difference": float(off),
    }


def main() -> None:
    os.environ["TINEWRIGHT_CACHE"] = tempfile.mkdtemp()
    instrument = resolve(load(DESIGN), str(DESIGN))
    found = {name: measure(instrument, name) for name in instrument.boards}
    if "--json" in sys.argv[1:]:
        print(json.dumps(found, indent=2))
        return
    for name, each in found.items():
        ratio = each["times_real_time"] / each["oaconvolve_times_real_time"]
        print(
            f"{name:8} first {each['first_s']:.2f} s, from the cache {each['cached_s']:.3f} s, "
            f"rings {each['ring_s']:.1f} s; filter {each['times_real_time']:.0f} x real time, "
            f"in blocks of 1 s {each['in_blocks_times_real_time']:.0f} x; "
            f"{ratio:.1f} x oaconvolve path by path (off by {each['difference']:.0e} of the peak)"
        )


if __name__ == "__main__":
    main()
