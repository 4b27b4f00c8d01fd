"""Work shared out to copies of the process: what they give and raise comes back, and none of them is left."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from synth.workers import _ending

ROOT = Path(__file__).resolve().parent.parent
pytestmark = pytest.mark.skipif(os.name == "nt", reason="POSIX signals")

# What each job does is a word: the process of its own in which it is done may meet a signal, or fail.
PROGRAM = """
import multiprocessing, os, signal, sys, time
from synth import workers
from synth.errors import InputError

def work(job):
    kind, number = job
    if kind == "slow":
        time.sleep(60.0)
    elif kind == "late":
        time.sleep(0.3)
    elif kind == "wrong":
        raise InputError("no such thing", remedy="take another", file="a.toml", location="key")
    elif kind == "signal":
        os.kill(os.getpid(), number)
    elif kind == "left":
        os._exit(number)
    return kind, number, os.getpid()

if __name__ == "__main__":
    os.cpu_count = lambda: 2
    jobs, began = eval(sys.argv[1]), time.monotonic()
    try:
        with workers.workers(len(jobs)) as run:
            done = list(run(work, jobs))
        assert [each[:2] for each in done] == jobs, done
        print(len({each[2] for each in done} - {os.getpid()}), "copies")
    except Exception as error:
        print(type(error).__name__, error, sep=": ")
    assert time.monotonic() - began < 30.0
    assert multiprocessing.active_children() == []
    try:
        os.waitpid(-1, os.WNOHANG)
        print("a child is left")
    except ChildProcessError:
        pass
"""


@pytest.mark.parametrize(
    ("jobs", "said"),
    [
        # of five the first is the last to be done
        ([("late", 0), ("quick", 1), ("quick", 2), ("quick", 3), ("quick", 4)], "2 copies"),
        # an error in one is told while the other is still at work, with all its parts
        ([("slow", 0), ("wrong", 1)], "InputError: a.toml: key: no such thing; take another"),
        # a terminal's signals go to every process of a command: those are the parent's
        ([("signal", 2), ("signal", 1), ("late", 0)], "2 copies"),
        (
            [("slow", 0), ("signal", 15)],
            "ProcessLostError: a process that shared the work was ended from outside, by SIGTERM",
        ),
        (
            [("signal", 9), ("slow", 0)],
            "ProcessLostError: a process that shared the work was ended from outside, by SIGKILL; "
            "a system short of memory does that: take fewer tines or seconds",
        ),
        (
            [("left", 3), ("slow", 0)],
            "ProcessLostError: a process that shared the work ended by itself, with exit code 3",
        ),
    ],
)
def test_what_copies_give_and_how_they_end_is_told_and_none_is_left(tmp_path, jobs, said):
    program = tmp_path / "program.py"
    program.write_text(PROGRAM, encoding="utf-8")
    done = subprocess.run(
        [sys.executable, str(program), repr(jobs)],
        capture_output=True,
        text=True,
        cwd=ROOT,
        env={**os.environ, "PYTHONPATH": os.pathsep.join([str(ROOT), os.environ.get("PYTHONPATH", "")])},
        timeout=120,
        check=False,
    )
    assert (done.stdout, done.stderr) == (f"{said}\n", "")


def test_copies_end_with_the_process_that_made_them(tmp_path):
    """Even where that is killed: what holds the standard streams open is gone, so the reading of them ends."""
    program = tmp_path / "program.py"
    killing = "threading.Timer(1.5, os.kill, (os.getpid(), signal.SIGKILL)).start()"
    begun = 'if __name__ == "__main__":\n    import threading; '
    program.write_text(
        PROGRAM.replace('if __name__ == "__main__":\n', f"{begun}{killing}\n", 1), encoding="utf-8"
    )
    jobs = repr([("slow", 0), ("slow", 1)])
    with subprocess.Popen(
        [sys.executable, str(program), jobs], stdout=subprocess.PIPE, stderr=subprocess.PIPE, cwd=ROOT,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    ) as process:  # fmt: skip
        assert process.communicate(timeout=30) == (b"", b"")
    assert process.returncode == -9


def test_a_signal_without_a_name_is_told_by_its_number():
    assert _ending(-99).endswith("from outside, by signal 99")
    assert _ending(-6).endswith("by SIGABRT")
