"""What is freed is kept for what comes next, or given back, as it is asked."""

from __future__ import annotations

import os
import platform
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]
HELD = """
import sys
import numpy as np
from synth import memory
def held():
    with open("/proc/self/statm") as file: return int(file.read().split()[1]) * 4096
if "keep" in sys.argv: memory.keep_freed()
before = held()
blocks = [np.ones(1 << 17) for _ in range(24)]
del blocks
kept = held()
memory.give_back()
print(kept - before, held() - before)
"""


def told(*words):
    """Bytes more than before that 24 MiB, freed, still take of the machine, and once they are given back."""
    done = subprocess.run(
        [sys.executable, "-c", HELD, *words],
        env=os.environ | {"PYTHONPATH": str(ROOT)},
        capture_output=True,
        text=True,
        check=True,
    )
    return [int(each) / 2**20 for each in done.stdout.split()]


@pytest.mark.skipif("glibc" not in platform.libc_ver(), reason="what other libraries of C do is theirs")
def test_what_is_freed_is_kept_where_that_is_asked_and_given_back_where_that_is():
    kept, left = told("keep")
    assert kept > 20.0
    assert left < 4.0
    at_once, _ = told()
    assert at_once < 4.0
