"""How long `compare` takes for 12 variants of the 63-tine rail: run `python scripts/bench_compare.py`.

Prints, of one run: the wall time of the command on two cores and its processor time, beside the named alternative,
which is what a maker would do without it: a copy of the design for each variant and `stroke` on each, one after
the other (measured on three, told for twelve). Nothing is kept from earlier runs but what is compiled: the cache is
a folder of its own. The target is 8 s of wall time with two cores free; the load of the machine is printed besides.
"""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Sequence
from pathlib import Path

ROOT = Path(__file__).resolve().parents[1]
RAIL = ROOT / "designs" / "quay-rail.toml"
HEIGHTS = [20.0 + n for n in range(12)]
ALONE = 3  # variants by hand


def main() -> None:
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        warm(folder)
        heights = ",".join(f"{each:g}" for each in HEIGHTS)
        words = ["compare", str(RAIL), "--group", "D3", "--vary", f"bar.section.height_mm={heights}"]
        wall, processor = timed([*words, "-o", str(folder / "bars")], folder / "cache")
        by_hand = sum(stroke(folder, each) for each in HEIGHTS[:ALONE]) * len(HEIGHTS) / ALONE
    load = os.getloadavg()[0] if hasattr(os, "getloadavg") else float("nan")
    print(
        f"compare, 12 variants: {wall:.1f} s, {processor:.1f} s of processor; "
        f"load {load:.1f} of {os.cpu_count()} cores"
    )
    print(f"12 copies and strokes: {by_hand:.1f} s, {by_hand / wall:.1f} times as long")


def warm(folder: Path) -> None:
    """What is compiled once is compiled."""
    piece = ROOT / "designs" / "test-piece.toml"
    words = ["compare", str(piece), "--group", "D3", "--seconds", "0.2", "--vary", "bite_mm=1"]
    timed([*words, "-o", str(folder / "warm")], folder / "warm-cache")


def stroke(folder: Path, height: float) -> float:
    """Seconds of wall time for one variant by hand."""
    copy = folder / f"rail-{height:g}.toml"
    text = RAIL.read_text(encoding="utf-8")
    copy.write_text(text.replace("height_mm = 25.0", f"height_mm = {height}"), encoding="utf-8")
    words = ["stroke", str(copy), "--group", "D3", "--seconds", "5", "-o", str(copy.with_suffix(".wav"))]
    return timed(words, folder / "cache-by-hand")[0]


def timed(words: Sequence[str], cache: Path) -> tuple[float, float]:
    """Wall and processor time in s of a command in a process of its own, its workers among it."""
    before, began = spent(), time.perf_counter()
    subprocess.run(
        [sys.executable, "-m", "synth", *words],
        env=os.environ | {"TINEWRIGHT_CACHE": str(cache), "PYTHONPATH": str(ROOT)},
        check=True,
        stdout=subprocess.DEVNULL,
        stderr=subprocess.DEVNULL,
    )
    return time.perf_counter() - began, spent() - before


def spent() -> float:
    used = os.times()
    return used.children_user + used.children_system


if __name__ == "__main__":
    main()
