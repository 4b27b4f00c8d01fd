"""How fast 168 tines are solved: run `python scripts/bench_solve.py`.

Prints the wall time of the whole tuning (lengths from pitch, partials to 18 kHz, dampings, room to swing) and, in
the same run, the partials alone against the named alternative: the same matrices, one tine at a time in a Python
loop, by scipy.linalg.eigh. One core; the target for the whole is 1.0 s. Then what a change costs: a group of the
rail tuned otherwise, from the instrument to the pressure of every mode at the ears, against the same from a fresh
start, in the processor's seconds.
"""

from __future__ import annotations

import math
import os
import statistics
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import scipy.linalg

from synth.design.file import load
from synth.design.instrument import Group, Instrument, Pitch, PlacedNut, Straight, TrimWish
from synth.design.resolve import resolve
from synth.remembered import forget_all
from synth.sound.radiator.bar import bar_radiator
from synth.vibration import rod
from synth.vibration.beam import plane_element
from synth.vibration.modal_model import assemble
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tine import HIGHEST, rods_of, solve_tines
from synth.vibration.tuning import Row, tune

DESIGN = Path(__file__).parents[1] / "tests" / "data" / "two-tines.toml"
RAIL = Path(__file__).parents[1] / "designs" / "quay-rail.toml"
TINES = 168
LOWEST_HZ, PER_OCTAVE = 73.4, 48  # 3.5 octaves from D2, all different: nothing is solved twice
REPEATS = 5


def instrument() -> Instrument:
    """168 different pitches of the design's plain rod, every third with a trim nut."""
    base = resolve(load(DESIGN))
    nut = base.nuts["M3 hex"]
    tines = tuple(
        replace(
            base.tines[0],
            number=index + 1,
            goal=Pitch(LOWEST_HZ * 2.0 ** (index / PER_OCTAVE)),
            trim=(PlacedNut(nut, 0.02),) if index % 3 == 0 else (),
            wish=None,
            position=0.05 + 0.012 * index,
        )
        for index in range(TINES)
    )
    bar = replace(base.bar, path=(Straight(0.1 + 0.012 * TINES),))
    return replace(base, bar=bar, groups=(Group("all", None, None, 0, TINES),), tines=tines)


def wishing(made: Instrument) -> Instrument:
    """The same row where every tine wants its second partial at 6.15 times its first."""
    wish = TrimWish(2, 6.15, made.nuts["M3 hex"])
    return replace(made, tines=tuple(replace(tine, trim=(), wish=wish) for tine in made.tines))


def one_at_a_time(made: Instrument, row: Row) -> np.ndarray:
    """The fundamentals (R,), every tine assembled and solved by itself."""
    first = np.empty(TINES)
    for index, tine in enumerate(made.tines):
        rods = rods_of([tine], row.length[index : index + 1], [row.trim[index]])
        (mesh,) = rod._meshes(rods, np.array([HIGHEST]))
        line = (rods.shear[:, None], rods.mass[:, None], rods.rotary[:, None])
        k, _ = plane_element(rods.bend[:, None] / mesh.compliance, *line, np.diff(mesh.nodes, axis=1))
        K, M = rod._assembled(k), rod._flexibility(rods, mesh)[2]
        values, _ = scipy.linalg.eigh(K[0, 2:, 2:], M[0, 2:, 2:])
        first[index] = math.sqrt(values[0]) / (2.0 * math.pi)
    return first


def best(work: Callable[[], object]) -> float:
    """From a fresh start."""
    work()
    times = []
    for _ in range(REPEATS):
        forget_all()
        start = time.perf_counter()
        work()
        times.append(time.perf_counter() - start)
    return min(times)


def retuned(made: Instrument, ratio: float) -> Instrument:
    """Its third group by so much higher."""
    own = made.groups[2].tines
    higher = [
        replace(tine, goal=Pitch(tine.goal.frequency * ratio)) if isinstance(tine.goal, Pitch) else tine
        for tine in made.tines[own]
    ]
    return replace(made, tines=(*made.tines[: own.start], *higher, *made.tines[own.stop :]))


def heard(made: Instrument) -> None:
    row = tune(made, mounting(made))
    model = assemble(made.tines, row.length, row.trim, bar=made.bar, modes=row.modes)
    bar_radiator(model, made, row.trim)


def change(made: Instrument, *, fresh: bool) -> float:
    """Processor seconds of a change, the median of several, each another one."""
    heard(made)
    times = []
    for n in range(REPEATS):
        other = retuned(made, 1.004 + 1e-3 * n)
        if fresh:
            forget_all()
        start = time.process_time()
        heard(other)
        times.append(time.process_time() - start)
    return statistics.median(times)


def main() -> None:
    made = instrument()
    row = tune(made)
    rods = rods_of(made.tines, row.length, row.trim)
    stacked = rod.solve_rods(rods, HIGHEST).frequency[:, 0]
    worst = np.max(np.abs(np.log2(stacked / one_at_a_time(made, row)))) * 1200.0
    whole = best(lambda: tune(made))
    damped = best(lambda: solve_tines(made.tines, row.length, row.trim))
    partials = best(lambda: rod.solve_rods(rods, HIGHEST))
    alone = best(lambda: one_at_a_time(made, row))
    print(f"{TINES} tines, {int(row.modes.exists.sum())} partials, up to {rods.length.max() * 1e3:.0f} mm")
    print(f"lengths from pitch, partials, dampings, clearance  {whole:7.3f} s   (target 1.0 s)")
    print(f"partials and dampings                              {damped:7.3f} s")
    print(f"partials, stacked                                  {partials:7.3f} s")
    print(
        f"partials, scipy.linalg.eigh one tine at a time     {alone:7.3f} s   {alone / partials:.1f} times as long"
    )
    print(f"the whole where every tine wishes for a trim nut   {best(lambda: tune(wishing(made))):7.3f} s")
    print(f"fundamentals agree within {worst:.1e} cent")
    rail = resolve(load(RAIL), str(RAIL))
    again, anew = change(rail, fresh=False), change(rail, fresh=True)
    print(f"a group of the rail tuned otherwise, processor     {again:7.3f} s")
    print(
        f"the same from a fresh start                        {anew:7.3f} s   {anew / again:.1f} times as long"
    )


if __name__ == "__main__":
    threads = ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS")
    if any(os.environ.get(name) != "1" for name in threads):  # read when numpy is loaded: start again
        os.environ.update(dict.fromkeys(threads, "1"))
        os.execv(sys.executable, [sys.executable, *sys.argv])
    main()
