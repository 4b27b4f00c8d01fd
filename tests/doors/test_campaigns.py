"""A part of the campaigns that scripts/hostile.py and scripts/everyday.py run whole: no traceback, no file lost."""

import runpy
from pathlib import Path

import pytest

SCRIPTS = Path(__file__).resolve().parents[2] / "scripts"


@pytest.fixture
def campaign(monkeypatch, tmp_path):
    monkeypatch.syspath_prepend(str(SCRIPTS))
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(tmp_path / "cache"))
    return lambda name, *words: runpy.run_path(str(SCRIPTS / f"{name}.py"))["main"](list(words))


@pytest.mark.slow
def test_hostile_files_are_answered_or_refused_in_one_line(campaign, capsys):
    assert campaign("hostile", "--cases", "200", "--seed", "3") == 0, capsys.readouterr().out


@pytest.mark.slow
def test_everyday_designs_go_through_the_workshop(campaign, capsys):
    assert campaign("everyday", "--cases", "4", "--seed", "3") == 0, capsys.readouterr().out
