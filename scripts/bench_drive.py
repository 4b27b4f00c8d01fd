"""What a stroke leaves in the modes costs: runs of bins against the product with every mode's turns.

    .venv/bin/python scripts/bench_drive.py

Processor milliseconds, the median of several in turns in one run on one core, for the forces of a part of a stroke
(4 blocks of a chunk on an input each) and of a whole one (16, 110), on 2,345 modes; and how far each of the two is
from the sum in double precision, as a share of the greatest state.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from typing import Any

import numpy as np

from synth.cores import one_core
from synth.sound.left_states import LeftStates
from synth.sound.pole_steps import powers

MODES, INPUTS, SIZE, RATE = 2_345, 24, 512, 96_000.0
BLOCKS = (4, 16, 110)
RUNS = 31


def main() -> None:
    dice = np.random.default_rng(1)
    hz = np.sort(np.exp(dice.uniform(math.log(20.0), math.log(19_900.0), MODES)))
    turn = (-math.pi * hz * dice.uniform(2e-4, 2e-2, MODES) + 2j * math.pi * hz) / RATE
    drive = (dice.standard_normal((INPUTS, MODES)) + 1j * dice.standard_normal((INPUTS, MODES))).astype(
        np.complex64
    )
    turns = powers(turn, SIZE + 1)[:0:-1]
    single = turns.astype(np.complex64)
    states = LeftStates(turn, SIZE, single)
    print("blocks   runs ms   product ms   ratio   off: runs   product")
    for count in BLOCKS:
        force = dice.standard_normal((count, SIZE)) * 1e-5 + 1e-5
        for row in force:
            row[: dice.integers(0, SIZE)] = 0.0
        source, chunk_of = dice.integers(0, INPUTS, count), np.arange(count) // 2

        def runs(force: Any = force, source: Any = source, chunk_of: Any = chunk_of) -> Any:
            left = np.zeros((chunk_of[-1] + 1, MODES), np.complex64)
            states.add(left, force, drive, source, chunk_of, [0, len(force)])
            return left

        def product(force: Any = force, source: Any = source) -> Any:
            each = (force.astype(np.float32) @ single.view(np.float32)).view(np.complex64)
            return np.add.reduceat(each * drive[source], np.arange(0, len(force), 2))

        plain = np.zeros((chunk_of[-1] + 1, MODES), complex)
        np.add.at(plain, chunk_of, (force @ turns) * drive[source])
        off = [np.abs(made() - plain).max() / np.abs(plain).max() for made in (runs, product)]
        quick, slow = in_turns(runs, product)
        print(
            f"{count:6} {quick * 1e3:9.2f} {slow * 1e3:12.2f} {slow / quick:7.1f}"
            f" {off[0]:11.1e} {off[1]:9.1e}"
        )


def in_turns(*ways: Callable[[], Any]) -> list[float]:
    """Median processor seconds of each."""
    times: list[list[float]] = [[] for _ in ways]
    with one_core():
        for _ in range(RUNS):
            for way, took in zip(ways, times, strict=True):
                begun = time.thread_time()
                way()
                took.append(time.thread_time() - begun)
    return [float(np.median(each)) for each in times]


if __name__ == "__main__":
    main()
