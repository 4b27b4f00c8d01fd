"""Quarrels and remedies as `check` and `modes` give them: every figure is the object's, in its unit."""

import json
import re
import tomllib

import pytest

from synth.design.change import words
from synth.doors.cli import run
from synth.units import cents
from synth.vibration.advice import advise

SEED = 20  # a design with remedies of its groups


@pytest.fixture(autouse=True)
def kept(tmp_path, monkeypatch):
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(tmp_path / "kept"))


@pytest.fixture
def case(everyday, tmp_path):
    """A design's file, its tree, and what it comes to."""
    import tomlkit

    tree = everyday.design_tree(SEED)
    path = tmp_path / "a.toml"
    path.write_text(tomlkit.dumps(tree), encoding="utf-8")
    tree = tomllib.loads(path.read_text(encoding="utf-8"))
    instrument, row, quarrels = everyday.solved(tree)
    return path, tree, instrument, quarrels, advise(everyday.design_of(tree), instrument, row, quarrels)


@pytest.mark.parametrize("command", ["check", "modes"])
def test_every_figure_of_the_data_is_the_objects(case, command, capsys):
    path, _, instrument, quarrels, advice = case
    assert run([command, str(path), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)["quarrels"]
    assert len(data) == len(quarrels)
    assert any(each["remedies"] for each in data)
    for index, (told, meant) in enumerate(zip(data, quarrels, strict=True)):
        tine = instrument.tines[meant.tine]
        assert told["group"] == instrument.groups[tine.group].name
        assert told["tine"] == tine.number
        assert told["plane"] == ("along", "across")[meant.plane]
        assert told["partial"] == meant.partial
        figures = (meant.partial_hz, meant.bar_hz, cents(meant.shift), meant.decay_loss, meant.severity)
        keys = ("frequency_hz", "bar_hz", "shift_cents", "decay_times_shorter", "severity")
        assert [told[key] for key in keys] == pytest.approx(figures, rel=1e-6)
        assert len(told["remedies"]) == len(advice.of(index))
        for given, remedy in zip(told["remedies"], advice.of(index), strict=True):
            starts = {instrument.groups[g].name: mm for g, mm in remedy.change.starts}
            assert {each["group"]: each["start_mm"] for each in given["groups"]} == starts
            supports = [{"support": s + 1, "at_mm": mm} for s, mm in remedy.change.supports]
            assert given["supports"] == supports
            assert given["severity_left"] == pytest.approx(remedy.left, rel=1e-6)
            assert given["severity_of_all"] == pytest.approx(remedy.total, rel=1e-6)
            assert given["words"] == words(instrument, remedy.change)


def test_every_remedy_that_check_prints_can_be_written_into_the_file(case, everyday, capsys):
    path, tree, _, quarrels, advice = case
    assert run(["check", str(path)]) == 0
    printed = capsys.readouterr().out
    lines = re.findall(r"^ +settled by (.+)$", printed, re.MULTILINE)
    assert len(lines) == sum(len(advice.of(index)) for index in range(min(len(quarrels), 10)))
    assert lines
    for line in lines:
        everyday.solved(everyday.edited(tree, re.split(r", (?=group '|support \d)", line)))
