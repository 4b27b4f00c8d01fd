"""The command `draft`: a file that is there is kept, nobody is waited for, a person is asked ten things at most."""

import sys

import click
import pytest

from synth.doors.cli import run

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
