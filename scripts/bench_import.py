"""How long a program waits for `import synth`, and for a design opened, against numpy's own import.

`python scripts/bench_import.py [--runs 15]`: fresh processes in turn, the middle time of each against numpy's.
"""

from __future__ import annotations

import statistics
import subprocess
import sys
import time
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
CODE = {
    "nothing": "pass",
    "import numpy": "import numpy",
    "import synth": "import synth",
    "synth.open": "import synth; synth.open('designs/quay-rail.toml')",
    "tinewright --version": "from synth.doors.cli import run; run(['--version'])",
}


def main(words: list[str]) -> int:
    runs = int(words[words.index("--runs") + 1]) if "--runs" in words else 15
    times: dict[str, list[float]] = {name: [] for name in CODE}
    for _ in range(runs):
        for name, code in CODE.items():
            times[name].append(seconds(code))
    base = statistics.median(times["nothing"])
    numpy = statistics.median(times["import numpy"]) - base
    for name, each in times.items():
        took = statistics.median(each) - base
        print(f"{name:22} {1e3 * took:7.1f} ms over an empty process, {took / numpy:5.2f} of numpy's import")
    return 0


def seconds(code: str) -> float:
    start = time.perf_counter()
    subprocess.run([sys.executable, "-c", code], cwd=ROOT, check=True, stdout=subprocess.DEVNULL)
    return time.perf_counter() - start


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
