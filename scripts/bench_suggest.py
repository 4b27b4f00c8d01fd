"""How fast changes are suggested: run `python scripts/bench_suggest.py [--json]`.

Designs of 8, 56 and 112 tines on straight and bent bars, flat and square. For each: the whole of `suggest` as a
maker runs it, nothing kept; and, in the same run, what the tries of its searches would take by the named
alternative, each changed design solved anew (measured on one, times the number of tries). Target: 10 s for all.
"""

from __future__ import annotations

import contextlib
import io
import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

from threadpoolctl import threadpool_limits

from synth.cache import FOLDER_VARIABLE
from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.vibration.solve import solve_quarrels, solve_row

SECTIONS = {
    "flat 40 x 12": 'shape = "rectangle", width_mm = 40.0, height_mm = 12.0',
    "flat 60 x 10": 'shape = "rectangle", width_mm = 60.0, height_mm = 10.0',
    "square 25": 'shape = "rectangle", width_mm = 25.0, height_mm = 25.0',
}
NOTES = ("D3", "F3", "G3", "A3", "C4", "D4", "F4", "G4", "A4", "C5", "D5", "E5", "F5", "G5", "A5", "C6")
CASES = [(tines, bent, section) for tines in (8, 56, 112) for bent in (False, True) for section in SECTIONS]


def design(tines: int, bent: bool, section: str) -> str:
    """A design as text: groups of seven or eight on a bar just long enough, straight or bent twice out of plane."""
    each = 7 if tines % 7 == 0 else 8
    groups = tines // each
    length = 100.0 + groups * (12.0 * each + 14.0)
    path = f"{{ straight_mm = {length} }}"
    if bent:
        bends = "{ bend_deg = 60.0, radius_mm = 150.0, plane_deg = %s }"
        path = ", ".join(
            f"{{ straight_mm = {length / 3:.1f} }}, {bends % plane}" for plane in ("0.0", "40.0")
        )
        path += f", {{ straight_mm = {length / 3:.1f} }}"
    total = length + (2.0 * 157.08 if bent else 0.0)
    ends = [f'{{ at_mm = {share * total:.0f}, kind = "rubber" }}' for share in (0.2, 0.8)]
    lines = [
        "[bar]",
        f"section = {{ {SECTIONS[section]} }}",
        f"path = [ {path} ]",
        f"supports = [ {', '.join(ends)} ]",
        "[recipe.all]",
        f"members = {['1/1', '1/1', '1/1', '3/2', '3/2', '2/1', '2/1', '2/1'][:each]}",
    ]
    for number in range(groups):
        lines += [
            "[[group]]",
            f'name = "{NOTES[number]}"',
            f'root = "{NOTES[number]}"',
            'recipe = "all"',
            'stock = "M3"',
            f"start_mm = {50.0 + number * (12.0 * each + 14.0)}",
        ]
    return "\n".join(lines)


def measured(tines: int, bent: bool, section: str, folder: Path) -> dict[str, Any]:
    """One case: seconds of the command, tries, and seconds of as many full solutions."""
    path = folder / "design.toml"
    path.write_text(design(tines, bent, section), encoding="utf-8")
    start, busy = time.perf_counter(), time.process_time()
    with contextlib.redirect_stdout(io.StringIO()) as printed:
        assert run(["suggest", str(path), "--json", "--fresh"]) == 0
    seconds, busy = time.perf_counter() - start, time.process_time() - busy
    found = json.loads(printed.getvalue())
    with threadpool_limits(1):
        full = _seconds_of_one(path)
    case = f"{tines} tines, {'bent' if bent else 'straight'}, {section}"
    now, best = found["now"]["severity"], min((s["severity"] for s in found["suggestions"]), default=None)
    return {
        "case": case,
        "seconds": seconds,
        "processor_s": busy,
        "full_solution_s": full,
        "tries": found["tries"],
        "ratio": full * found["tries"] / seconds,
        "severity": now,
        "best": best,
    }


def _seconds_of_one(path: Path) -> float:
    instrument = resolve(load(path), str(path))
    start = time.perf_counter()
    row = solve_row(instrument, fresh=True)
    solve_quarrels(instrument, row, fresh=True)
    return time.perf_counter() - start


def main() -> None:
    """Every case, a line each."""
    results = []
    with tempfile.TemporaryDirectory() as name:
        os.environ[FOLDER_VARIABLE] = name
        for case in CASES:
            results.append(measured(*case, Path(name)))
            if "--json" not in sys.argv[1:]:
                print(_line(results[-1]), flush=True)
    if "--json" in sys.argv[1:]:
        print(json.dumps(results, indent=1))
        return
    worst, busiest = (max(each[key] for each in results) for key in ("seconds", "processor_s"))
    print(f"slowest: {worst:.1f} s of 10; {busiest:.1f} s of processor, which a busy machine stretches less")


def _line(r: dict[str, Any]) -> str:
    best = "none" if r["best"] is None else f"{r['best']:.1f}"
    return (
        f"{r['case']:38} {r['seconds']:6.2f} s, {r['processor_s']:5.2f} s of processor, {r['tries']:4d} tries; "
        f"solved anew each {r['ratio']:5.1f} times as long; severity {r['severity']:.1f} -> {best}"
    )


if __name__ == "__main__":
    main()
