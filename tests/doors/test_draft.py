"""The command `draft`: a file that is there is kept, nobody is waited for, a person is asked ten things at most."""

import sys
from pathlib import Path

import click
import pytest

from synth.doors.cli import run
from synth.doors.cli.draft import NOTES, SECTION, STOCK, _asked

WORDS = ["draft", "--notes", "D3,A3", "--tines", "3", "--board", "none"]


def test_a_file_that_is_there_stays_unless_force_is_said(tmp_path, capsys):
    path = tmp_path / "rail.toml"
    path.write_text("mine")
    assert run([*WORDS, "-o", str(path)]) == 2
    assert "there already" in capsys.readouterr().err
    assert path.read_text() == "mine"
    assert run([*WORDS, "-o", str(path), "--force"]) == 0
    assert path.read_text().startswith("# A draft")
    assert run(["check", str(path)]) == 0


def test_nobody_at_the_terminal_is_not_waited_for(tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: False, raising=False)
    assert run(["draft"]) == 2
    assert capsys.readouterr().err.count("\n") == 1
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("answers", [{}, {"Millimetres or inches": "inch", "Shape of the bar": "u"}])
def test_a_person_is_asked_ten_things_at_most_each_with_a_default(tmp_path, monkeypatch, answers):
    asked = []

    def prompt(text, *, default, type=None):
        asked.append(text)
        return answers.get(text, default)

    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "prompt", prompt)
    assert run(["draft"]) == 0
    assert len(asked) == 10
    assert ("straight_in" in (tmp_path / "draft.toml").read_text()) == bool(answers)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_what_was_said_already_stands_in_the_brackets_of_its_question(monkeypatch, units):
    """Of what was not said, what is usual in these units; what is answered takes its place."""
    asked = {}

    def prompt(text, *, default, type=None):
        asked[text] = default
        return units if "inches" in text else default

    monkeypatch.setattr(sys.stdin, "isatty", lambda: True, raising=False)
    monkeypatch.setattr(click, "prompt", prompt)
    plain = {
        "units": "mm", "tines": 9, "octaves": 3, "intervals": "1/1,3/2", "stock": None, "section": None,
        "shape": "straight", "board": "panel", "legs": "500,400",
    }  # fmt: skip
    words, where = _asked(plain, None)
    usual = {"stock": STOCK[units], "section": SECTION[units], "units": units, "notes": NOTES}
    assert words == {**plain, **usual}
    assert str(where) == "draft.toml"
    said = {
        "tines": 5,
        "octaves": 2,
        "intervals": "1/1",
        "stock": "M5",
        "section": "30x20",
        "shape": "u",
        "board": "none",
    }
    words, where = _asked({**plain, **said}, Path("rail.toml"))
    assert words == {**plain, **said, "units": units, "notes": NOTES}
    assert str(where) == "rail.toml"
    assert list(asked.values())[:10] == [
        "mm", NOTES, 5, 2, "1/1", "M5", "30x20", "u", "none", "draft.toml",
    ]  # fmt: skip
