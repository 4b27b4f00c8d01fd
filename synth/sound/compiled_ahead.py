"""The compiled functions that make a sound, compiled on another core while this one compiles the contact.

numba compiles one function at a time, so this is done by a process of its own, which leaves what it compiled in
numba's folder. Where it cannot be started, or nothing can be kept, each is compiled where it is first called.
"""

from __future__ import annotations

import contextlib
import subprocess
import sys
import threading
from collections.abc import Iterator
from typing import Any, Final

import numpy as np

from synth.compiled import load_kept
from synth.playing.contact import kernel, layout, modal_step
from synth.playing.contact.resolution import EVENT
from synth.sound.bin_sums import BinSum, DenseSum, PlacedBlocks
from synth.sound.drive import Drive, Force
from synth.sound.left_states import MANY
from synth.sound.zwicker import loudness_over_time

RATE: Final = 48_000.0
LONGEST: Final = 60.0  # s that anybody waits for the other process


@contextlib.contextmanager
def compiled_beside() -> Iterator[None]:
    """If anything has to be compiled inside, the rest is compiled beside it, and is there at the end."""
    from numba.core import event

    class Helper(event.Listener):
        process: subprocess.Popen[bytes] | None = None

        def on_start(self, event: Any) -> None:
            if self.process is None:
                self.process = _started()

        def on_end(self, event: Any) -> None:
            pass

    helper = Helper()
    with event.install_listener("numba:compile", helper):
        try:
            yield
        finally:
            if helper.process is not None:
                _ended(helper.process)


def load_all() -> threading.Thread:
    """Load, while something else is done, what was kept of a stroke's functions: see `synth.compiled.load_kept`."""
    kernel.runner(EVENT.tine_modes)
    return load_kept()


def compile_all() -> None:
    """Calls everything once, on as little as there can be: first what follows the contact at once."""
    compile_beside_the_pass()
    pole = np.append(np.full(MANY, -3.0 + 2000.0j), -1e5 + 2000.0j)
    drive = Drive(pole, np.ones((2, len(pole)), complex), immediate=np.zeros(2, np.bool_), rate=RATE)
    force = Force(np.array([0.01, 0.011]), np.array([0, 0]), np.array([1.0, -1.0]))
    drive(drive.inputs(np.ones((1, len(pole)), complex)), force)
    zero, one = np.zeros(1, np.int64), np.ones((1, 1), np.complex64)
    for sum_ in (BinSum, DenseSum):
        blocks = PlacedBlocks(zero, np.full(1, 64), zero, zero)
        sum_(np.array([-1e-4 + 0.1j]), 64).add(np.zeros(64, np.float32), blocks, one, one)
    loudness_over_time(np.zeros((1, 4800)), RATE)


def compile_beside_the_pass() -> None:
    """Calls what the contact needs besides `kernel.runner`: a root's moment in its ring, the force as a trace."""
    none = np.zeros((0, 0))
    row = layout.Row(np.zeros((5, 0, 4, 0)), none, none, none, none, none, np.zeros((3, 0, 3)), none, none)
    kernel.ring_on(row, none, none, none, 0)
    modal_step.place(none, 0.0, 1.0, none, np.zeros(0, np.int64), np.zeros(0), *[none] * 3)


def _started() -> subprocess.Popen[bytes] | None:
    leave = "os._exit(0)"  # without Python's taking apart of all it loaded: somebody waits
    code = f"import os, sys; sys.path[:] = {sys.path!r}; from {__name__} import compile_all; compile_all(); {leave}"
    with contextlib.suppress(OSError):
        return subprocess.Popen(
            [sys.executable, "-c", code],
            stdin=subprocess.DEVNULL,
            stdout=subprocess.DEVNULL,
            stderr=subprocess.DEVNULL,
        )
    return None


def _ended(process: subprocess.Popen[bytes]) -> None:
    try:
        process.wait(LONGEST if sys.exc_info()[0] is None else 0.0)
    except subprocess.TimeoutExpired:
        process.kill()
        process.wait()
