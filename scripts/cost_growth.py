"""How cost grows: `python scripts/cost_growth.py [--only WORD] [--json] [--readme [FILE]]`.

Seconds and memory against tines (10 to 400, from the design to its damped modes, nothing kept), modes (a minute of
the bank), strokes (contacts, bank and file of half a minute, the instrument kept) and seconds of sound, each in a
fresh process once its code is compiled. Beside each row stands the exponent p of cost ~ size^p, fitted to the
largest half of the sizes, where what is the same for every size weighs least. `--only tines` leaves the others out;
`--readme` writes the table between its markers.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Final

import numpy as np

import bench
import bench_performance
import environment

SIZES: Final[dict[str, tuple[int, ...]]] = {
    "tines": (10, 20, 50, 100, 200, 400),
    "modes": (300, 1000, 3000, 10_000, 30_000),
    "strokes": (12, 25, 50, 100, 200),
    "seconds": (8, 15, 30, 60, 120),
}
WHAT: Final = {
    "tines": "tines, solved on their bar",
    "modes": "modes, a minute of the bank",
    "strokes": "strokes in half a minute, 168 tines on a panel",
    "seconds": "seconds of sound, 20 strokes, 168 tines on a panel",
}
PITCH: Final = 12.5  # mm between tines
SOUND: Final = 60.0  # s of the bank
PIECE: Final = 30.0  # s in which strokes stand


def row_of(tines: int) -> str:
    """A design of so many different tines on a bar just long enough."""
    length = 200.0 + PITCH * tines
    draw = np.random.default_rng(1)
    groups = "".join(
        f"""
[[group]]
name = "g{first}"
stock = "M3"
start_mm = {100.0 + PITCH * first}
spacing_mm = {PITCH}
tine = [{", ".join(f"{{ free_length_mm = {each:.2f} }}" for each in draw.uniform(80.0, 180.0, 10))}]
"""
        for first in range(0, tines, 10)
    )
    return f"""
name = "growth"
[bar]
section = {{ shape = "rectangle", width_mm = 40.0, height_mm = 25.0 }}
path = [ {{ straight_mm = {length} }} ]
supports = [ {{ at_mm = {0.224 * length}, kind = "cord" }}, {{ at_mm = {0.776 * length}, kind = "cord" }} ]
{groups}
"""


def piece_of(strokes: int, seconds: float) -> str:
    """So many strokes over three quarters of so many seconds."""
    roots = bench_performance.ROOTS
    lines = "".join(
        f'  {{ at_s = {0.75 * seconds * n / strokes:.3f}, group = "{roots[5 * n % len(roots)]}" }},\n'
        for n in range(strokes)
    )
    usual = '{ through = "panel", bite_mm = 1.0, speed_mm_s = 500 }'
    return f"defaults = {usual}\ntail_s = {seconds / 4.0}\nstroke = [\n{lines}]\n"


def solving(tines: int, folder: Path) -> Callable[[], Any]:
    from synth.design.file import load
    from synth.design.resolve import resolve
    from synth.remembered import forget_all
    from synth.vibration.solve import solve_model, solve_row

    path = folder / "growth.toml"
    path.write_text(row_of(tines), encoding="utf-8")

    def work() -> None:
        forget_all()
        instrument = resolve(load(path), str(path))
        solve_model(instrument, solve_row(instrument, fresh=True), fresh=True)

    return work


def banking(modes: int, folder: Path) -> Callable[[], Any]:
    from synth.sound import bank

    pole, weights, strokes = bench.scenario(modes, SOUND)
    frames = int(SOUND * bench.RATE)

    def work() -> None:
        for _ in bank.blocks(pole, weights, strokes, rate=bench.RATE, frames=frames):
            pass

    return work


def playing(strokes: int, seconds: float, folder: Path) -> Callable[[], Any]:
    from synth.doors.cli import run

    (folder / "design.toml").write_text(bench_performance.design(), encoding="utf-8")
    (folder / "piece.toml").write_text(piece_of(strokes, seconds), encoding="utf-8")
    words = ["play", str(folder / "design.toml"), str(folder / "piece.toml"), "-o", str(folder / "out.wav")]

    def work() -> None:
        assert run(words) == 0

    return work


def once(what: str, size: int, folder: Path) -> dict[str, float]:
    """One size, in this process. What is called first may compile and fill the cache, the second is measured."""
    make: dict[str, Callable[[int], Callable[[], Any]]] = {
        "tines": lambda size: solving(size, folder),
        "modes": lambda size: banking(size, folder),
        "strokes": lambda size: playing(size, PIECE, folder),
        "seconds": lambda size: playing(20, float(size), folder),
    }
    make[what](SIZES[what][0])()
    work = make[what](size)
    wall, busy = time.perf_counter(), time.process_time()
    work()
    return {
        "wall_s": time.perf_counter() - wall,
        "processor_s": time.process_time() - busy,
        "peak_mib": environment.peak_memory() / 2.0**20,
    }


def apart(what: str, size: int, folder: Path) -> dict[str, float]:
    """One size in a process of its own."""
    command = [sys.executable, __file__, "--once", what, str(size), str(folder)]
    env = os.environ | {"TINEWRIGHT_CACHE": str(folder / "kept")}
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", env=env, check=False)
    if done.returncode:
        raise SystemExit(f"error: {size} {what}: {done.stderr.strip().splitlines()[-1]}")
    result: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return result


def exponent(sizes: Sequence[float], costs: Sequence[float]) -> float:
    """p of cost ~ size^p by least squares in the logarithms, over the largest half of the sizes."""
    large = len(sizes) // 2
    slope, _ = np.polyfit(np.log(sizes[large:]), np.log(costs[large:]), 1)
    return float(slope)


def measured(only: str | None) -> dict[str, Any]:
    found: dict[str, Any] = {"machine": bench.machine()}
    with tempfile.TemporaryDirectory() as name:
        for what, sizes in SIZES.items():
            if only in (None, what):
                found[what] = {size: apart(what, size, Path(name)) for size in sizes}
    return found


def table(found: dict[str, Any]) -> str:
    """A row of sizes, one of seconds and one of memory for each thing that grows."""
    lines = []
    for what, figures in found.items():
        if what == "machine":
            continue
        sizes = list(figures)
        lines += [
            "| " + " | ".join([WHAT[what], *(f"{size:,}" for size in sizes), "grows as size to the"]) + " |",
            "| --- |" + " ---: |" * (len(sizes) + 1),
        ]
        for label, key in (
            ("seconds", "wall_s"),
            ("processor's seconds", "processor_s"),
            ("MiB", "peak_mib"),
        ):
            costs = [figures[size][key] for size in sizes]
            cells = [bench.short(each) for each in costs] + [f"{exponent(sizes, costs):.1f}"]
            lines.append(f"| {label} | " + " | ".join(cells) + " |")
        lines.append("")
    made = found["machine"]
    lines.append(
        "The exponents are of the larger sizes; what a process takes by itself is some 90 MiB. Measured by "
        f"`scripts/cost_growth.py` on {made['cpu']}, {made['cores']} cores, load {made.get('load', 0):.1f} at the "
        f"start; numpy {made['numpy']}, scipy {made['scipy']}, numba {made['numba']}."
    )
    return "\n".join(lines)


def main() -> None:
    parser = argparse.ArgumentParser(description="How cost grows with tines, modes, strokes and seconds.")
    parser.add_argument("--only", choices=tuple(SIZES), help="one of them")
    parser.add_argument("--json", action="store_true", help="print the figures as data")
    parser.add_argument(
        "--readme", nargs="?", const=bench.README, type=Path, help="write the table into this file"
    )
    parser.add_argument("--once", nargs=3, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.once:
        what, size, folder = given.once
        print(json.dumps(once(what, int(size), Path(folder))))
        return
    if given.readme:
        bench.parts(given.readme, "growth")
    found = measured(given.only)
    print(json.dumps(found, indent=1) if given.json else table(found))
    if given.readme:
        bench.into(given.readme, table(found), "growth")


if __name__ == "__main__":
    main()
