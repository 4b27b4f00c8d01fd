"""What another core compiles is what a stroke calls, and nobody waits for it in vain."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import numba
import pytest

from synth.sound import compiled_ahead

DESIGN = Path(__file__).parents[1] / "data" / "boarded.toml"
STROKE = """
import sys
from numba.core.registry import CPUDispatcher
from synth.compiled import _Part
from synth.playing.contact import kernel, modal_step
from synth.sound import bin_sums, drive, zwicker_kernel
from synth.sound.compiled_ahead import compile_all

def known():
    beside = {each: [str(words) for words in each.signatures] for each in (kernel.ring_on, modal_step.place)}
    return beside | {
        each.py_func.__qualname__: [str(words) for words in each.signatures]
        for room in (bin_sums, drive, zwicker_kernel)
        for each in vars(room).values()
        if isinstance(each, CPUDispatcher)
        and not isinstance(each, _Part)
        and each is not zwicker_kernel.sharp  # a part of spread
    }

compile_all()
before = known()
assert all(before.values()), before
from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.stroke import Stroke
from synth.sound.ear import describe
from synth.sound.render import perform, scene

here = scene(resolve(load(sys.argv[1])), sys.argv[2])
stick = next(iter(here.instrument.sticks.values()))
stroke = Stroke(group=0, stick=stick, speed=0.5)
sound = perform(here, [stroke], seconds=0.6).sound()
describe(sound, 48000.0)
assert known() == before, [(name, was, known()[name]) for name, was in before.items() if known()[name] != was]
"""


LOADED = """
import sys
from synth.playing.contact import kernel
from synth.playing.contact.resolution import EVENT
from synth.sound import bin_sums, drive
from synth.sound.compiled_ahead import load_all

load_all().join()
functions = [kernel.runner(EVENT.tine_modes), kernel.ring_on, drive._spread, drive._through, bin_sums._add_sums]
for each in functions:
    assert each.overloads and not each.stats.cache_misses, each
""" + STROKE.partition("assert all(before.values()), before")[2].replace(
    "known() == before, [(name, was, known()[name]) for name, was in before.items() if known()[name] != was]",
    "not any(each.stats.cache_hits or each.stats.cache_misses for each in functions)",
)


def test_what_was_kept_of_a_stroke_is_loaded_ahead():
    for code in (STROKE, LOADED):
        done = subprocess.run(
            [sys.executable, "-c", code, str(DESIGN), "bar"], capture_output=True, text=True
        )
        assert done.returncode == 0, done.stderr


@pytest.mark.parametrize("through", ["bar", "panel"])
def test_a_stroke_calls_what_was_compiled_ahead_and_no_other_kind_of_it(through):
    done = subprocess.run(
        [sys.executable, "-c", STROKE, str(DESIGN), through], capture_output=True, text=True
    )
    assert done.returncode == 0, done.stderr


@pytest.mark.slow
def test_it_is_kept_where_the_next_process_finds_it(tmp_path, monkeypatch):
    monkeypatch.setenv("NUMBA_CACHE_DIR", str(tmp_path))
    process = compiled_ahead._started()
    assert process is not None
    assert process.wait(300) == 0
    kept = {each.name.split("-")[0] for each in tmp_path.rglob("*.nbc")}
    assert {"drive._spread", "drive._through", "bin_sums._add_sums", "zwicker_kernel.decay"} <= kept


def _sleeping() -> subprocess.Popen[bytes]:
    return subprocess.Popen([sys.executable, "-c", "import time; time.sleep(600)"])


def test_nothing_is_started_where_nothing_has_to_be_compiled_and_one_where_something_has(monkeypatch):
    started: list[subprocess.Popen[bytes]] = []

    def start() -> subprocess.Popen[bytes]:
        started.append(subprocess.Popen([sys.executable, "-c", ""]))
        return started[-1]

    monkeypatch.setattr(compiled_ahead, "_started", start)
    one, other = numba.njit(lambda x: x + 1), numba.njit(lambda x: x + 2)
    with compiled_ahead.compiled_beside():
        pass
    assert not started
    with compiled_ahead.compiled_beside():
        assert one(1) == 2
        assert other(1) == 3
    assert len(started) == 1
    assert started[0].returncode == 0  # waited for
    with compiled_ahead.compiled_beside():
        assert one(2) == 3
    assert len(started) == 1


def test_what_cannot_be_started_or_never_ends_costs_time_only(monkeypatch):
    process = _sleeping()
    monkeypatch.setattr(compiled_ahead, "LONGEST", 0.1)
    monkeypatch.setattr(compiled_ahead, "_started", lambda: process)
    with compiled_ahead.compiled_beside():
        assert numba.njit(lambda x: x + 3)(1) == 4
    assert process.returncode not in (None, 0)
    monkeypatch.undo()
    monkeypatch.setattr(sys, "executable", os.path.join(os.sep, "nowhere", "python"))
    assert compiled_ahead._started() is None


def test_who_stops_does_not_wait(monkeypatch):
    process = _sleeping()
    monkeypatch.setattr(compiled_ahead, "_started", lambda: process)
    with pytest.raises(ZeroDivisionError), compiled_ahead.compiled_beside():
        print(numba.njit(lambda x: x + 4)(1) / 0)
    assert process.returncode is not None
