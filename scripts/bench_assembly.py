"""How fast tines and bar are solved together: run `python scripts/bench_assembly.py [--json] [--large]`.

Prints, in one run: a group of 20 tines with its bar, and 168 tines (both planes, partials to 18 kHz; with `--large`
400 besides) from lengths to damped modes, wall and processor time, with the peak memory; the solved instrument read
back from the cache; and the undamped modes alone, band by band, against the named alternatives: the same as one
dense problem (`eigen.real_modes`) and scipy.linalg.eigh on the generalised pair as it stands, processor time.
Targets on two quiet cores: 0.5 s for 20 tines, 2.5 s and 0.5 GiB for 168, 20 s and 2 GiB for 400, 0.1 s from the
cache.
"""

from __future__ import annotations

import dataclasses
import json
import os
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import scipy.linalg

from environment import peak_memory
from synth import cache
from synth.design.file import load
from synth.design.instrument import Instrument, Straight
from synth.design.resolve import resolve
from synth.remembered import forget_all
from synth.vibration.axial import solve_axial
from synth.vibration.bands import coupled_modes
from synth.vibration.bar import COUPLED_HZ, solve_bar
from synth.vibration.coupling import Structure, base_frames, couple, nut_inertia
from synth.vibration.eigen import real_modes
from synth.vibration.modal_model import HIGHEST_HZ, LOWEST_HZ, ModalModel, assemble
from synth.vibration.tine import solve_tines

DESIGN = Path(__file__).parents[1] / "tests" / "data" / "two-tines.toml"
SPACING = 0.012  # m
SHORTEST, LONGEST = 0.08, 0.18  # m


def instrument(count: int) -> Instrument:
    """So many different tines of the design's plain rod on a bar just long enough."""
    base = resolve(load(DESIGN))
    length = 0.2 + SPACING * count
    supports = tuple(
        dataclasses.replace(support, position=share * length)
        for support, share in zip(base.bar.supports, (0.224, 0.776), strict=True)
    )
    axes = np.random.default_rng(1).uniform(-0.7, 0.7, count)
    tines = tuple(
        dataclasses.replace(
            base.tines[0],
            number=r + 1,
            trim=(),
            wish=None,
            position=0.1 + SPACING * r,
            split_axis=float(axes[r]),
        )
        for r in range(count)
    )
    bar = dataclasses.replace(base.bar, path=(Straight(length),), supports=supports)
    return dataclasses.replace(base, bar=bar, tines=tines)


def lengths(count: int) -> np.ndarray:
    return np.random.default_rng(2).uniform(SHORTEST, LONGEST, count)


def whole(made: Instrument) -> ModalModel:
    """From a fresh start."""
    forget_all()
    count = len(made.tines)
    return assemble(made.tines, lengths(count), [()] * count, bar=made.bar)


def matrices(made: Instrument) -> Structure:
    count = len(made.tines)
    length, trim = lengths(count), [()] * count
    modes = solve_tines(made.tines, length, trim)
    bar = solve_bar(made.bar, [tine.position for tine in made.tines], highest_hz=COUPLED_HZ)
    bases = base_frames(made.tines, made.bar, bar)
    nuts = nut_inertia(made.tines, made.bar, bases)
    return couple(modes, solve_axial(made.tines, length, trim), bar, bases, nuts=nuts)


def as_it_stands(structure: Structure) -> None:
    """The undamped modes by a library's generalised solver, which knows nothing of the blocks."""
    K = scipy.linalg.block_diag(structure.host_stiffness, structure.tine_stiffness)
    M = scipy.linalg.block_diag(structure.host_mass, np.eye(len(structure.tine_stiffness)))
    host_count = len(structure.host_mass)
    M[:host_count, host_count:], M[host_count:, :host_count] = structure.coupling, structure.coupling.T
    scipy.linalg.eigh(K, M, overwrite_a=True, overwrite_b=True, check_finite=False)


def timed(
    work: Callable[[], Any], repeats: int, clock: Callable[[], float] = time.perf_counter
) -> tuple[float, Any]:
    """The best time of several, by the wall unless another clock is given, and the last result."""
    best, result = float("inf"), None
    for _ in range(repeats):
        start = clock()
        result = work()
        best = min(best, clock() - start)
    return best, result


def alone(structure: Structure) -> dict[str, float]:
    """Processor seconds of the undamped modes alone, three ways."""
    limits = {"lowest_hz": LOWEST_HZ, "highest_hz": HIGHEST_HZ}
    clock = time.process_time
    bands, _ = timed(lambda: coupled_modes(structure, **limits), 2, clock)
    dense, _ = timed(lambda: real_modes(structure, **limits), 2, clock)
    theirs, _ = timed(lambda: as_it_stands(structure), 1, clock)
    return {
        "undamped modes alone, processor s": bands,
        "the same as one dense problem": dense,
        "ratio": dense / bands,
        "the same by scipy.linalg.eigh": theirs,
        "its ratio": theirs / bands,
    }


def main() -> None:
    small, large = instrument(20), instrument(168)
    whole(small)  # imports and first calls
    figures: dict[str, Any] = {
        "cores": len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count()
    }
    figures["20 tines and bar, s"], model = timed(lambda: whole(small), 5)
    figures["modes of 20"] = len(model.pole)
    figures["168 tines and bar, s"], model = timed(lambda: whole(large), 2)
    figures["the same, processor s"], _ = timed(lambda: whole(large), 1, time.process_time)
    figures["modes of 168"] = len(model.pole)
    figures["peak memory, GiB"] = peak_memory() / 2.0**30
    with tempfile.TemporaryDirectory() as folder:
        os.environ[cache.FOLDER_VARIABLE] = folder
        figures["into the cache, s"], _ = timed(
            lambda: cache.cached("modes", large.tines, lambda: model, fresh=True), 1
        )
        figures["from the cache, s"], _ = timed(lambda: cache.cached("modes", large.tines, lambda: model), 3)
    figures |= alone(matrices(large))
    if "--large" in sys.argv[1:]:
        largest = instrument(400)
        busy = time.process_time()
        figures["400 tines and bar, s"], model = timed(lambda: whole(largest), 1)
        figures["the same with 400, processor s"] = time.process_time() - busy
        figures["modes of 400"] = len(model.pole)
        figures["peak memory with 400, GiB"] = peak_memory() / 2.0**30
    if "--json" in sys.argv[1:]:
        print(json.dumps(figures, indent=1))
        return
    for name, value in figures.items():
        print(f"{name:36s} {value:.3g}" if isinstance(value, float) else f"{name:36s} {value}")


if __name__ == "__main__":
    main()
