"""How fast a whole performance is rendered: `python scripts/bench_performance.py [--json]`.

A bar with 168 tines in 14 groups on a board, from the cached instrument to a finished 60 s stereo WAV of 200
strokes, contacts included, with the peak memory; as a ratio to real time, and to following the contacts alone in
the full model (measured on a few strokes and scaled). Target: 3 s on two quiet cores, 350 MiB.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path

from environment import peak_memory

GROUPS, MEMBERS, STROKES, SECONDS = 14, 12, 200, 60.0
ROOTS = ("D2", "E2", "F2", "G2", "A2", "C3", "D3", "E3", "F3", "G3", "A3", "C4", "D4", "E4")


def design() -> str:
    """Fourteen groups of twelve on one bar, each a root with doubled octaves and fifths, on a plywood panel."""
    groups = "".join(
        f"""
[[group]]
name = "{root}"
root = "{root}"
recipe = "full"
stock = "{"M4" if n < 7 else "M3"}"
start_mm = {40.0 + n * 160.0}
spacing_mm = 12.5
"""
        for n, root in enumerate(ROOTS)
    )
    return f"""
name = "bench"
[bar]
section = {{ shape = "rectangle", width_mm = 30.0, height_mm = 30.0 }}
path = [ {{ straight_mm = 2300.0 }} ]
supports = [ {{ at_mm = 515.0, kind = "cord" }}, {{ at_mm = 1785.0, kind = "cord" }} ]
[recipe.full]
members = ["1/1", "1/1", "1/1", "3/2", "3/2", "2/1", "2/1", "2/1", "3/1", "3/1", "4/1", "4/1"]
{groups}
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
width_mm = 400.0
length_mm = 1400.0
thickness_mm = 4.0
feet = [
  {{ bar_mm = 515.0, x_mm = 65.0, y_mm = 200.0 }},
  {{ bar_mm = 1785.0, x_mm = 1335.0, y_mm = 200.0 }},
]
"""


def script() -> str:
    """Two hundred strokes in fifty seconds, all groups, slow and fast, forward and backward."""
    speeds, directions = (300, 500, 900, 1500), ("forward", "backward")
    lines = "".join(
        f"""  {{ at_s = {n * 52.0 / STROKES:.3f}, group = "{ROOTS[(5 * n) % GROUPS]}", """
        f"""speed_mm_s = {speeds[n % 4]}, direction = "{directions[n // 3 % 2]}" }},\n"""
        for n in range(STROKES)
    )
    return f'defaults = {{ through = "panel", bite_mm = 1.0 }}\ntail_s = 8.3\nstroke = [\n{lines}]\n'


def render(folder: Path) -> dict[str, float]:
    """One rendering in this process, timed from the start of the command to the finished file."""
    from synth.doors.cli import run

    start = time.perf_counter()
    code = run(
        ["play", str(folder / "design.toml"), str(folder / "piece.toml"), "-o", str(folder / "out.wav")]
    )
    assert code == 0
    return {"seconds": time.perf_counter() - start, "peak_mib": peak_memory() / 2.0**20}


def main(words: list[str]) -> None:
    if "--once" in words:
        print(json.dumps(render(Path(words[words.index("--once") + 1]))))
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "design.toml").write_text(design(), encoding="utf-8")
        (folder / "piece.toml").write_text(script(), encoding="utf-8")
        runs = [_once(folder) for _ in range(4)]
        first, kept = runs[0], sorted(runs[1:], key=lambda each: each["seconds"])[1]
        full = _full_seconds(folder)
    data = {
        "first_s": first["seconds"],
        "kept_s": kept["seconds"],
        "peak_mib": kept["peak_mib"],
        "times_real_time": SECONDS / kept["seconds"],
        "full_contact_alone_s": full,
        "ratio_to_full_contact": full / kept["seconds"],
    }
    if "--json" in words:
        print(json.dumps(data, indent=1))
        return
    print(f"{STROKES} strokes, {GROUPS * MEMBERS} tines, {SECONDS:.0f} s, stereo through a board")
    print(f"first time, solved and compiled   {data['first_s']:7.1f} s")
    print(f"from the cache                    {data['kept_s']:7.2f} s, {data['peak_mib']:.0f} MiB")
    print(f"times real time                   {data['times_real_time']:7.1f}")
    print(f"contacts alone in the full model  {data['full_contact_alone_s']:7.1f} s (five strokes, scaled)")


def _once(folder: Path) -> dict[str, float]:
    command = [sys.executable, __file__, "--once", str(folder)]
    done = subprocess.run(command, capture_output=True, text=True, encoding="utf-8", check=True)
    result: dict[str, float] = json.loads(done.stdout.splitlines()[-1])
    return result


def _full_seconds(folder: Path) -> float:
    from synth.design.file import load
    from synth.design.resolve import resolve
    from synth.playing.contact.stroke_contact import REFERENCE, stroke_row
    from synth.playing.script import read_script
    from synth.playing.stroke import Stroke
    from synth.vibration.solve import solve_row

    instrument = resolve(load(folder / "design.toml"))
    row = solve_row(instrument)
    piece = read_script(folder / "piece.toml", instrument)
    strokes = [each.event for each in piece.played if isinstance(each.event, Stroke)]
    stroke_row(strokes[0], instrument, row.modes, resolution=REFERENCE)  # compiled
    start = time.perf_counter()
    for stroke in strokes[:5]:
        stroke_row(stroke, instrument, row.modes, resolution=REFERENCE)
    return (time.perf_counter() - start) * len(strokes) / 5


if __name__ == "__main__":
    main(sys.argv[1:])
