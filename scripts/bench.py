"""How fast the modal bank is: `python scripts/bench.py [--json] [--readme [FILE]]`.

One run, on one core and on two, for 300, 2,700 and 27,000 modes: the offline and the live bank beside what else
sums modes: scipy.signal.lfilter and sosfilt for each mode, a float32 matrix product of states and a table, and a
compiled recursion for each mode (numba). Every method makes the same sound: modes from 20 Hz to 23 kHz, decays of 5
to 60 s, so that none dies; all struck every two seconds. Figures are multiples of real time at 48 kHz, mono, with
all that a method prepares; medians of several rounds in which the methods take turns. The offline bank makes 400 s
of sound, and a minute, of which what it prepares is a larger part. Slow methods are measured on fewer modes or
fewer seconds and scaled in proportion, marked *. `--readme` writes the table between the markers of README.md.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

RATE = 48000.0
MODES = (300, 2700, 27000)
LIVE_MODES = (300, 3000, 27000)
STROKE_EVERY = 2.0  # s
LONG, MINUTE = 400.0, 60.0  # s of sound
BLOCK = 128  # frames of a live block
README = Path(__file__).parents[1] / "README.md"
THREADS = (
    "OMP_NUM_THREADS",
    "OPENBLAS_NUM_THREADS",
    "MKL_NUM_THREADS",
    "NUMBA_NUM_THREADS",
    "VECLIB_MAXIMUM_THREADS",
)
OURS, LIVE, MATRIX, COMPILED = (
    "offline bank",
    "live bank",
    "float32 matrix product",
    "compiled recursion (numba)",
)
LFILTER, SOSFILT, MIXED = "scipy.signal.lfilter", "scipy.signal.sosfilt", "offline bank, decays from 5 ms"
SHORT = "offline bank, one minute"

# ---- what is measured, in a process of its own for each number of cores


def worker(cores: int, rounds: int) -> dict[str, Any]:
    """All figures on so many cores."""
    if hasattr(os, "sched_setaffinity"):
        os.sched_setaffinity(0, sorted(os.sched_getaffinity(0))[:cores])
    figures: dict[str, Any] = {"speed": {}, "live": {}}
    for modes in MODES:
        methods = speeds_of(modes, cores)
        taken: dict[str, list[float]] = {name: [] for name in methods}
        for _ in range(rounds + 1):
            for name, (work, seconds) in methods.items():
                taken[name].append(seconds / timed(work))
        figures["speed"][str(modes)] = {name: median(times[1:]) for name, times in taken.items()}
    figures["error"] = error()
    for modes in LIVE_MODES:
        figures["live"][str(modes)] = live(modes)
    return figures


def speeds_of(modes: int, cores: int) -> dict[str, tuple[Callable[[], Any], float]]:
    """What to run for each method, and for how many seconds of sound with all modes that counts."""
    from synth.sound import bank

    def offline(shortest: float, seconds: float) -> Callable[[], Any]:
        pole, weights, strokes = scenario(modes, seconds, shortest)
        frames = int(seconds * RATE)
        return lambda: [None for _ in bank.blocks(pole, weights, strokes, rate=RATE, frames=frames)]

    short = min(20.0, 30000.0 / modes)
    few = min(modes, 30)
    return {
        OURS: (offline(5.0, LONG), LONG),
        MIXED: (offline(0.005, LONG), LONG),
        SHORT: (offline(5.0, MINUTE), MINUTE),
        MATRIX: (matrix_product(modes, 2 * short), 2 * short),
        COMPILED: (recursion(modes, short, cores), short),
        LFILTER: (filters(few, 2.0, "lfilter"), 2.0 * few / modes),
        SOSFILT: (filters(few, 2.0, "sosfilt"), 2.0 * few / modes),
    }


def scenario(modes: int, seconds: float, shortest: float = 5.0) -> tuple[Any, Any, list[tuple[float, Any]]]:
    """Poles (M,), weights (1, M) and strokes that set all modes going."""
    import numpy as np

    rng = np.random.default_rng(modes)
    frequency = np.exp(rng.uniform(np.log(20.0), np.log(23e3), modes))
    decay = np.exp(rng.uniform(np.log(shortest), np.log(60.0), modes))
    pole = -np.log(1000.0) / decay + 2j * np.pi * frequency
    row = rng.standard_normal(modes) + 1j * rng.standard_normal(modes)
    times = np.arange(0.0, seconds, STROKE_EVERY) + rng.uniform(0.0, 0.1)
    return pole, np.ones((1, modes)), [(float(at), row) for at in times]


def matrix_product(modes: int, seconds: float, length: int = 256, at_once: int = 64) -> Callable[[], Any]:
    """States of 64 blocks at a time, times a table of what follows each state: real parts of a complex product."""
    import numpy as np

    pole, _, strokes = scenario(modes, seconds)
    turn, row, portions = pole / RATE, strokes[0][1], max(1, int(seconds * RATE) // (at_once * length))

    def work() -> Any:
        factor = np.exp(np.multiply.outer(turn, np.arange(length))).astype(np.complex64)
        table = np.stack([factor.real, -factor.imag], axis=1).reshape(2 * modes, length)
        reach = np.exp(np.multiply.outer(np.arange(at_once) * length, turn)).astype(np.complex64)
        state, step, sound = row.copy(), np.exp(turn * (at_once * length)), []
        for _ in range(portions):
            sound.append((reach * state.astype(np.complex64)).view(np.float32) @ table)
            state *= step
        return sound

    return scaled(work, portions * at_once * length / (seconds * RATE))


def recursion(modes: int, seconds: float, cores: int) -> Callable[[], Any]:
    """x[n + 4] = z^4 x[n] and the three frames between, in single precision, many modes to an instruction.

    Four frames a pass are twice as fast as one, and modes inside frames ten times as fast as frames inside modes.
    The states are set right from double precision every 4,096 frames.
    """
    import numba
    import numpy as np

    @numba.njit(fastmath=True, parallel=cores > 1)
    def run(re: Any, im: Any, state: Any, leap: Any, out: Any) -> None:
        parts, stretches, _ = out.shape
        for part in numba.prange(parts):
            first, last = part * re.shape[1] // parts, (part + 1) * re.shape[1] // parts
            a, b, c, d = re[0, first:last], im[0, first:last], re[1, first:last], im[1, first:last]
            e, f, g, h = re[2, first:last], im[2, first:last], re[3, first:last], im[3, first:last]
            now = state[first:last].copy()
            for stretch in range(stretches):
                x, y = now.real.astype(np.float32), now.imag.astype(np.float32)
                now *= leap[first:last]
                for n in range(0, out.shape[2], 4):
                    s0 = s1 = s2 = s3 = np.float32(0.0)
                    for m in range(len(x)):
                        u, v = x[m], y[m]
                        s0 += u
                        s1 += a[m] * u - b[m] * v
                        s2 += c[m] * u - d[m] * v
                        s3 += e[m] * u - f[m] * v
                        x[m] = g[m] * u - h[m] * v
                        y[m] = g[m] * v + h[m] * u
                    out[part, stretch, n] = s0
                    out[part, stretch, n + 1] = s1
                    out[part, stretch, n + 2] = s2
                    out[part, stretch, n + 3] = s3

    pole, _, strokes = scenario(modes, seconds)
    steps = np.exp(np.multiply.outer([1, 2, 3, 4], pole / RATE))
    re, im = steps.real.astype(np.float32), steps.imag.astype(np.float32)
    leap, row, stretches = np.exp(pole / RATE * 4096), strokes[0][1], max(1, int(seconds * RATE) // 4096)

    def work() -> Any:
        out = np.empty((cores, stretches, 4096), np.float32)
        run(re, im, row, leap, out)
        return out.sum(axis=0)

    return scaled(work, stretches * 4096 / (seconds * RATE))


def filters(modes: int, seconds: float, kind: str) -> Callable[[], Any]:
    """Each mode as a filter of two poles, struck by impulses."""
    import numpy as np
    from scipy import signal

    pole, _, strokes = scenario(modes, seconds)
    z, row = np.exp(pole / RATE), strokes[0][1]
    impulses = np.zeros(int(seconds * RATE))
    impulses[(np.array([at for at, _ in strokes]) * RATE).astype(int)] = 1.0

    def work() -> Any:
        total = np.zeros(impulses.size)
        for zm, am in zip(z, row, strict=True):
            top, bottom = [am.real, -(am * zm.conjugate()).real], [1.0, -2.0 * zm.real, abs(zm) ** 2]
            if kind == "lfilter":
                total += signal.lfilter(top, bottom, impulses)
            else:
                total += signal.sosfilt([[*top, 0.0, *bottom]], impulses)
        return total

    return work


def scaled(work: Callable[[], Any], excess: float) -> Callable[[], Any]:
    """The same, told how much more than asked for it makes."""
    work.excess = excess  # type: ignore[attr-defined]
    return work


def live(modes: int) -> dict[str, float]:
    """Microseconds of a live block with twenty strokes a second, and without preparing them."""
    import numpy as np

    from synth.sound.livebank import LiveBank

    pole, weights, strokes = scenario(modes, STROKE_EVERY)
    bank, sound, taken = LiveBank(pole, weights, rate=RATE), np.zeros((1, BLOCK), np.float32), []
    count = 4000 if modes < 20000 else 600
    times = np.arange(0.0, count * BLOCK / RATE, 0.05) + 0.01
    for n in range(count):
        ahead = times[(times >= n * BLOCK / RATE) & (times < (n + 1) * BLOCK / RATE)]
        if ahead.size:
            bank.add(ahead, np.repeat(strokes[0][1][None, :], ahead.size, axis=0))
        began = time.perf_counter()
        bank.fill(sound)
        taken.append((time.perf_counter() - began) * 1e6)
    return {
        "median_us": float(np.median(taken)),
        "p999_us": float(np.percentile(taken, 99.9)),
        "x_real_time": BLOCK / RATE * 1e6 / float(np.median(taken)),
    }


def error() -> float:
    """The offline bank's largest difference from the plain sum, of the peak: 2,700 modes with decays from 5 ms."""
    import numpy as np

    from synth.sound import bank

    pole, weights, strokes = scenario(2700, 0.3, 0.005)
    t = np.arange(int(0.3 * RATE)) / RATE
    (start, row), truth = strokes[0], np.zeros(t.size)
    on = t >= start
    truth[on] = ((weights * row) @ np.exp(np.multiply.outer(pole, t[on] - start))).real[0]
    sound = bank.render(pole, weights, strokes, rate=RATE, frames=t.size)[0]
    return float(np.abs(sound - truth).max() / np.abs(truth).max())


def timed(work: Callable[[], Any]) -> float:
    began = time.perf_counter()
    work()
    return (time.perf_counter() - began) / getattr(work, "excess", 1.0)


def median(values: list[float]) -> float:
    return sorted(values)[len(values) // 2]


# ---- what is told


def measure(rounds: int) -> dict[str, Any]:
    """The machine, and the figures on one core and on two."""
    figures: dict[str, Any] = {"machine": machine(), "cores": {}}
    for cores in (1, 2):
        if cores <= (os.cpu_count() or 1):
            print(f"measuring on {cores} core{'s'[: cores - 1]} ...", file=sys.stderr)
            figures["cores"][str(cores)] = apart(cores, rounds)
    return figures


def apart(cores: int, rounds: int) -> dict[str, Any]:
    """`worker` in a process of its own: the number of threads is read once, when the libraries are loaded."""
    chosen = {name: str(cores) for name in THREADS}
    # a kernel that someone chose for another purpose says nothing about this machine
    environment = {key: value for key, value in os.environ.items() if key != "OPENBLAS_CORETYPE"} | chosen
    command = [sys.executable, __file__, "--worker", str(cores), "--rounds", str(rounds)]
    done = subprocess.run(
        command, env=environment, stdout=subprocess.PIPE, text=True, encoding="utf-8", check=True
    )
    return dict(json.loads(done.stdout))


def machine() -> dict[str, Any]:
    import numba
    import numpy
    import scipy

    name = platform.processor() or platform.machine()
    about = Path("/proc/cpuinfo")
    if about.exists():
        lines = [
            line.split(":", 1)[1].strip()
            for line in about.read_text(encoding="utf-8").splitlines()
            if line.startswith("model name")
        ]
        name = lines[0] if lines else name
    versions = {module.__name__: module.__version__ for module in (numpy, scipy, numba)}
    found = {
        "cpu": name,
        "cores": os.cpu_count(),
        "system": platform.system(),
        "python": platform.python_version(),
    }
    load = {"load": os.getloadavg()[0]} if hasattr(os, "getloadavg") else {}
    unset = {"unset": "OPENBLAS_CORETYPE"} if "OPENBLAS_CORETYPE" in os.environ else {}
    return found | versions | load | unset


def table(figures: dict[str, Any]) -> str:
    """All of it as a Markdown table and a few lines."""
    made = figures["machine"]
    ones = figures["cores"]
    heads = [(cores, modes) for cores in ones for modes in map(str, MODES)]
    rows = [
        "| times real time, 48 kHz, mono | "
        + " | ".join(f"{int(m):,} modes, {c} core{'s'[: int(c) - 1]}" for c, m in heads)
        + " |",
        "| --- |" + " ---: |" * len(heads),
    ]
    for name in ones["1"]["speed"][str(MODES[0])]:
        star = "*" if name in (LFILTER, SOSFILT, MATRIX, COMPILED) else ""
        rows.append(
            f"| {name}{star} | " + " | ".join(short(ones[c]["speed"][m][name]) for c, m in heads) + " |"
        )
    lives = [(cores, modes) for cores in ones for modes in map(str, LIVE_MODES)]
    rows += [
        "",
        f"| live bank, a block of {BLOCK} frames ({BLOCK / RATE * 1e3:.2f} ms) | "
        + " | ".join(f"{int(m):,} modes, {c} core{'s'[: int(c) - 1]}" for c, m in lives)
        + " |",
        "| --- |" + " ---: |" * len(lives),
    ]
    for label, key in (
        ("median, microseconds", "median_us"),
        ("99.9th percentile", "p999_us"),
        ("times real time", "x_real_time"),
    ):
        rows.append(f"| {label} | " + " | ".join(short(ones[c]["live"][m][key]) for c, m in lives) + " |")
    speed = ones["1"]["speed"]["2700"]
    others = ", ".join(
        f"{short(speed[OURS] / speed[name])} times {name}" for name in (COMPILED, MATRIX, LFILTER)
    )
    rows += [
        "",
        f"On one core, 2,700 modes: {others}. "
        f"Largest difference from the plain sum {ones['1']['error']:.1e} of the peak.",
        f"Modes of 20 Hz to 23 kHz, decays 5 to 60 s (second row 5 ms to 60 s), "
        f"{LONG:g} s of sound (third row a minute), "
        f"all struck every {STROKE_EVERY:g} s; the live bank twenty times a second. "
        "The offline bank uses one core. "
        "* measured on fewer seconds or modes and scaled in proportion. "
        f"Measured by `scripts/bench.py` on {made['cpu']}, {made['cores']} cores, "
        f"load {made.get('load', 0):.1f} at the start; "
        f"Python {made['python']}, numpy {made['numpy']}, scipy {made['scipy']}, numba {made['numba']}.",
    ]
    return "\n".join(rows)


def short(value: float) -> str:
    """Three figures at most."""
    return f"{float(f'{value:.3g}'):,.0f}" if value >= 100 else f"{value:.3g}"


def parts(readme: Path, name: str = "bench") -> tuple[str, str]:
    """What stands before and after the table of this name, found before anything is measured."""
    begin, end = f"<!-- {name}:begin -->", f"<!-- {name}:end -->"
    old = readme.read_text(encoding="utf-8") if readme.is_file() else ""
    if old.count(begin) != 1 or end not in old.split(begin)[-1]:
        raise SystemExit(
            f"error: {readme}: no {begin} and {end} in it; put the two lines where the table shall stand"
        )
    head, rest = old.split(begin)
    return head + begin, end + rest.split(end, 1)[1]


def into(readme: Path, text: str, name: str = "bench") -> None:
    """Puts the text between the markers, the file whole or not at all."""
    head, tail = parts(readme, name)
    new = readme.with_name(readme.name + ".new")
    new.write_text(f"{head}\n{text}\n{tail}", encoding="utf-8", newline="\n")
    os.replace(new, readme)


def main() -> None:
    parser = argparse.ArgumentParser(description="How fast the modal bank is.")
    parser.add_argument("--json", action="store_true", help="print the figures as data")
    parser.add_argument("--readme", nargs="?", const=README, type=Path, help="write the table into this file")
    parser.add_argument("--rounds", type=int, default=5, help="how often each method takes its turn")
    parser.add_argument("--worker", type=int, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.worker:
        print(json.dumps(worker(given.worker, given.rounds)))
        return
    if given.readme:
        parts(given.readme)
    figures = measure(given.rounds)
    print(json.dumps(figures, indent=1) if given.json else table(figures))
    if given.readme:
        into(given.readme, table(figures))


if __name__ == "__main__":
    main()
