"""The campaigns of scripts/hostile.py and scripts/everyday.py: no traceback, no file lost, no impossible sound."""

import datetime
import random
import runpy
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from synth.doors.cli import run

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture
def campaign(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(SCRIPTS))
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(tmp_path / "cache"))

    def run_script(name, *words):
        monkeypatch.delitem(sys.modules, name, raising=False)  # others have a module of that name, too
        __import__(name)  # by its name, so that a child can import it too
        return sys.modules[name].main(list(words))

    return run_script


@pytest.mark.slow
def test_hostile_files_are_answered_or_refused_and_hostile_designs_sound_possible(campaign, capsys):
    assert campaign("hostile", "--cases", "1500", "--seed", "1") == 0, capsys.readouterr().out


@pytest.mark.slow
def test_hostile_files_of_the_day_are_answered_or_refused(campaign, capsys):
    """Others every day; what fails names its seed, with which it can be had again."""
    seed = f"{datetime.datetime.now(datetime.UTC):%Y%m%d}"
    assert campaign("hostile", "--cases", "500", "--seed", seed) == 0, capsys.readouterr().out


@pytest.mark.slow
def test_everyday_designs_go_through_the_workshop(campaign, capsys):
    assert campaign("everyday", "--cases", "4", "--seed", "3") == 0, capsys.readouterr().out


@pytest.fixture
def extreme(monkeypatch):
    monkeypatch.syspath_prepend(str(SCRIPTS))
    return runpy.run_path(str(SCRIPTS / "extreme.py"))


@pytest.mark.slow
@settings(
    max_examples=25,
    deadline=None,
    derandomize=True,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)
@given(draw=st.randoms(use_true_random=False))
def test_an_extreme_design_that_hypothesis_draws_is_refused_or_sounds_possible(extreme, draw):
    assert extreme["sounded"](extreme["extreme"](draw), draw).faults == ()


def drawn(extreme, seed):
    draw = random.Random(seed)
    return extreme["extreme"](draw), draw


@pytest.mark.slow
def test_most_extreme_designs_can_be_built_and_heard(extreme):
    outcomes = [extreme["sounded"](*drawn(extreme, seed)) for seed in range(8)]
    assert sum(each.figures is not None for each in outcomes) > len(outcomes) / 2
    assert [each.faults for each in outcomes if each.faults] == []


FLAT = """
[bar]
section = { shape = "rectangle", width_mm = 500.0, height_mm = 2.0 }
path = [{ straight_mm = 10000.0 }]
[[group]]
name = "a"
stock = "M3"
start_mm = 50.0
[[group.tine]]
free_length_mm = 150.0
"""


def test_a_bar_that_is_rather_a_plate_is_refused_before_it_takes_all_memory(tmp_path, capsys):
    design = tmp_path / "flat.toml"
    design.write_text(FLAT, encoding="utf-8")
    assert run(["check", str(design)]) == 2
    error = capsys.readouterr().err
    assert error.startswith(f"error: {design}: bar: a bar so long and flat takes 25096 nodes")
    assert error.count("\n") == 1


def test_a_child_that_takes_too_long_is_told_of_and_another_one_goes_on(monkeypatch):
    """Also where the one that asks is large: what it holds is not the child's."""
    monkeypatch.syspath_prepend(str(SCRIPTS))
    monkeypatch.setattr("child.STARTING", 60.0)
    child = __import__("child")
    import time as clock

    memory = 700 << 20
    much = bytearray(b"1") * round(1.2 * child.GROWN * memory)
    with child.Child(clock.sleep, seconds=1.0, memory=memory) as limited:
        limited(0.0)
        first = limited._process
        limited(0.0)
        assert limited._process is first
        began = clock.perf_counter()
        assert limited(30.0) is None
        assert clock.perf_counter() - began < 25.0
        assert limited._process is None
        limited(0.0)
        assert limited._process not in (None, first)
    assert len(much) > child.GROWN * memory
