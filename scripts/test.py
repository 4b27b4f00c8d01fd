"""Runs everything that CI runs: format, lint, types, tests.

`python3 scripts/test.py [--fast] [words for pytest]`; --fast leaves out the slow tests and those in a browser.
Makes `.venv` with the test tools first. Asks for no root; a test skips with its reason what a machine lacks.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import environment

# one core each: the numerical libraries would otherwise fight over the cores that the tests share
THREADS = {"OMP_NUM_THREADS": "1", "OPENBLAS_NUM_THREADS": "1", "MKL_NUM_THREADS": "1"}

# one more than cores: browsers, sounds played as they go and processes waited for leave a core idle
IN_PARALLEL = ("-n", "3", "--dist", "loadfile", "--no-loadscope-reorder")
BESIDE = ("-n", "2", *IN_PARALLEL[2:])

NOTHING_CHOSEN = 5  # pytest's exit code where the words given chose no test of a step


def main(words: list[str]) -> int:
    left_out = " and not slow and not browser" if "--fast" in words else ""
    pytest = ["pytest", "-q", "--no-header", *(word for word in words if word != "--fast")]
    try:
        python = environment.python(extras=("dev",))
    except environment.StepError as failure:
        print(failure, file=sys.stderr)
        return 1

    def well(name: str, *words: str, idle: bool = False) -> bool:
        return step(name, [str(python), "-m", *words], idle=idle)

    with ThreadPoolExecutor() as pool:
        patient = {  # done in what all others leave of the cores
            "types": pool.submit(well, "types", "mypy", idle=True),
            "tests that are patient": pool.submit(
                well, "tests that are patient", *pytest, *BESIDE, "-m", f"patient{left_out}", idle=True
            ),
        }
        done = {
            "format": well("format", "ruff", "format", "--check", "--quiet", "."),
            "lint": well("lint", "ruff", "check", "--quiet", "."),
            "tests in real time": well("tests in real time", *pytest, "-m", f"realtime{left_out}"),
        }
        # in the order of tests/conftest.py: files with slow tests first
        done["tests"] = well("tests", *pytest, *IN_PARALLEL, "-m", f"not realtime and not patient{left_out}")
        done |= {name: waited.result() for name, waited in patient.items()}
    failed = [name for name, passed in done.items() if not passed]
    if failed:
        print(f"failed: {', '.join(failed)}", file=sys.stderr)
    return 1 if failed else 0


def step(name: str, command: list[str], *, idle: bool = False) -> bool:
    """Whether one step went well. What it said is shown when it did not; of the tests, always the count.

    One that is `idle` gets only what all others leave of a core, where the system has such a thing.
    """
    env = {**os.environ, **THREADS}
    env.pop(
        "PYTHONDONTWRITEBYTECODE", None
    )  # hundreds of commands that the tests start compile the house once
    with subprocess.Popen(
        command,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        encoding="utf-8",
        env=env,
        cwd=Path(environment.ROOT),
    ) as process:
        if idle:
            with contextlib.suppress(AttributeError, OSError):
                os.sched_setscheduler(process.pid, os.SCHED_IDLE, os.sched_param(0))
        said, errors = process.communicate()
    code = process.returncode
    well = code == 0 or (name.startswith("tests") and code == NOTHING_CHOSEN)
    if not well:
        print(f"{name}: failed\n{(said + errors).strip()}")
    elif name.startswith("tests"):
        lines = said.strip().splitlines()
        print("\n".join([*(line for line in lines if line.startswith("SKIPPED")), lines[-1]]))
    else:
        print(f"{name}: ok")
    sys.stdout.flush()
    return well


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
