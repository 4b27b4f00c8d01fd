"""README.md says everything: each command, each design key, each key of a stroke script."""

import re
import subprocess
from pathlib import Path

import msgspec
import pytest

from synth.design import schema
from synth.doors.cli import COMMANDS, run
from synth.playing import script

ROOT = Path(__file__).resolve().parent.parent
README = (ROOT / "README.md").read_text(encoding="utf-8")


def tables(kind, seen=None):
    """Every table type that a schema reaches."""
    seen = set() if seen is None else seen
    if kind in seen:
        return seen
    seen.add(kind)
    for field in msgspec.structs.fields(kind):
        for part in re.findall(r"(?:schema|script)\.(\w+)", str(field.type)):
            for room in (schema, script):
                inner = getattr(room, part, None)
                if isinstance(inner, type) and issubclass(inner, msgspec.Struct):
                    tables(inner, seen)
    return seen


def keys(kind):
    return sorted({field.name for table in tables(kind) for field in msgspec.structs.fields(table)})


def test_the_walk_reaches_the_innermost_tables():
    names = {each.__name__ for each in tables(schema.Design)}
    assert {"Bar", "Section", "Segment", "Support", "Tine", "PlacedNut", "TrimWish", "Foot"} <= names


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_stands_in_the_readme(command):
    assert f"tinewright {command} " in README


@pytest.mark.parametrize("key", keys(schema.Design))
def test_every_design_key_stands_in_the_readme(key):
    assert re.search(rf"`[^`]*\b{re.escape(key)}\b[^`]*`", README), key


@pytest.mark.parametrize("key", keys(script.Script))
def test_every_script_key_stands_in_the_readme(key):
    assert re.search(rf"`[^`]*\b{re.escape(key)}\b[^`]*`", README), key


def test_the_two_commands_come_first():
    assert README.index("scripts/demo.py") < README.index("tinewright ")
    assert README.index("scripts/test.py") < README.index("tinewright ")


def test_files_that_the_readme_names_are_there():
    named = set(re.findall(r"(?:designs|scripts|tests)/[\w./-]+\.\w+", README))
    assert named
    assert [name for name in sorted(named) if not (ROOT / name).exists()] == []


def test_nothing_else_stands_at_the_top():
    listed = subprocess.run(["git", "ls-files"], capture_output=True, text=True, cwd=ROOT, check=False)
    if listed.returncode != 0:
        pytest.skip("not a git checkout")
    top = {name.split("/")[0] for name in listed.stdout.splitlines()}
    allowed = {"pyproject.toml", "README.md", "DEVELOPERS.md", "synth", "designs", "tests", "scripts"}
    assert {name for name in top if not name.startswith(".")} <= allowed


def blocks(language):
    return re.findall(rf"```{language}\n(.*?)```", README, re.S)


def test_the_python_of_the_readme_runs(tmp_path, monkeypatch):
    (code,) = blocks("python")
    monkeypatch.chdir(ROOT)
    names = {}
    exec(code.replace('"d3.wav"', repr(str(tmp_path / "d3.wav"))), names)
    assert (tmp_path / "d3.wav").stat().st_size == pytest.approx(8 * 48_000 * 2 * 3, rel=1e-3)  # 24 bits
    assert names["sound"].samples.shape == (2, 384_000)
    assert names["piece"].seconds == pytest.approx(1.5 + 4.0)
    assert len(names["piece"].reports) == 2
    feet = len(names["rail"].instrument.boards["panel"].feet)
    assert names["admittance"].shape == (feet, feet, 3)
    assert names["thinner"].instrument.bar.section.height == pytest.approx(0.022)


def test_the_script_of_the_readme_plays(tmp_path, monkeypatch):
    (text,) = blocks("toml")
    (tmp_path / "calls.toml").write_text(text)
    monkeypatch.chdir(ROOT)
    words = [
        "play",
        "designs/quay-rail.toml",
        str(tmp_path / "calls.toml"),
        "-o",
        str(tmp_path / "calls.flac"),
    ]
    assert run(words) == 0
