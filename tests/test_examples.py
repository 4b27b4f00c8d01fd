"""The example programs: each runs, uses the Python interface alone, and what it prints is what it says."""

import ast
import csv
import io
import math
import runpy
from pathlib import Path

import numpy as np
import pytest

import synth

ROOT = Path(__file__).resolve().parent.parent
EXAMPLES = sorted((ROOT / "scripts").glob("example_*.py"))
DATA = ROOT / "tests" / "data"


def example(name):
    return runpy.run_path(str(ROOT / "scripts" / f"example_{name}.py"))


def printed(capsys, name, *words):
    """The records of the CSV that an example prints."""
    assert example(name)["main"]([str(word) for word in words]) == 0
    return list(csv.DictReader(io.StringIO(capsys.readouterr().out)))


@pytest.mark.parametrize("path", EXAMPLES, ids=lambda path: path.stem)
def test_an_example_uses_the_public_interface_alone(path):
    imported = [
        name
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.Import | ast.ImportFrom)
        for name in (
            [node.module] if isinstance(node, ast.ImportFrom) else [each.name for each in node.names]
        )
    ]
    assert [name for name in imported if name.split(".")[0] == "synth"] == ["synth"]
    assert f"scripts/{path.name}" in (ROOT / "README.md").read_text(encoding="utf-8")


def test_the_tuning_table_meets_the_scale_and_says_what_a_millimetre_does(capsys):
    ratios = ["1/1", "5/4", "3/2", "2/1"]
    words = ["--root-hz", 220, "--scale", *ratios, "--stock", "M3"]
    table = printed(capsys, "tuning_table", ROOT / "designs" / "test-piece.toml", *words)
    assert [each["ratio"] for each in table] == ratios
    for line, hz in zip(table, [220.0, 275.0, 330.0, 440.0], strict=True):
        assert 1200.0 * math.log2(float(line["mounted_hz"]) / hz) == pytest.approx(0.0, abs=0.05)
    # just against equal temperament: a third of 5/4 is 386.3 cents, a fifth of 3/2 is 702.0 (closed form)
    assert [each["note"] for each in table] == ["A3", "C#4", "E4", "A4"]
    assert [float(each["from_note_cents"]) for each in table] == pytest.approx(
        [0.0, 1200.0 * math.log2(5 / 4) - 400.0, 1200.0 * math.log2(3 / 2) - 700.0, 0.0], abs=0.05
    )
    # a clamped rod's pitch goes with 1 / length^2, the clamp's give about 0.3 diameters (0.7 mm) of it
    for line in table:
        length = float(line["free_length_mm"]) + 0.7
        falls = 2400.0 * math.log2((length + 1.0) / length)
        assert float(line["fall_per_mm_cents"]) == pytest.approx(falls, rel=0.02)
    assert float(table[3]["free_length_mm"]) == pytest.approx(
        float(table[0]["free_length_mm"]) / 2**0.5, rel=0.02
    )


def test_the_admittance_is_the_boards_at_the_tines_pitches(capsys, tmp_path):
    picture = tmp_path / "panel.svg"
    table = printed(capsys, "admittance", DATA / "boarded.toml", "--board", "panel", "-o", picture)
    design = synth.open(DATA / "boarded.toml")
    pitch_hz = design.modes().mounted_hz
    assert [each["tine"] for each in table] == ["up.1", "side.1"]
    assert [float(each["pitch_hz"]) for each in table] == pytest.approx(pitch_hz, abs=0.01)
    mobility = design.board("panel").mobility(pitch_hz)
    for foot in range(2):
        told = [float(each[f"foot_{foot + 1}_mm_s_n"]) for each in table]
        assert told == pytest.approx(1e3 * np.abs(mobility[foot, foot]), rel=1e-3)
    text = picture.read_text(encoding="utf-8")
    assert text.rstrip().endswith("</svg>")
    assert len(text) > 20_000  # two curves of two thousand points


def test_strokes_that_are_all_alike_do_not_scatter(capsys):
    words = [DATA / "boarded.toml", "--group", "up", "--strokes", 2, "--spread", 0]
    for line in printed(capsys, "scatter", *words):
        assert line["from_db"] == line["median_db"] == line["to_db"]


def test_random_strokes_scatter_the_upper_partials_by_decibels(capsys):
    table = printed(capsys, "scatter", DATA / "boarded.toml", "--group", "up", "--strokes", 8)
    assert [each["partial"] for each in table] == ["1", "2", "3", "4"]
    hz = [float(each["frequency_hz"]) for each in table]
    # a clamped rod: 6.267, 17.55, 34.39 times the first (closed form), the clamp's give aside
    assert [each / hz[0] for each in hz] == pytest.approx([1.0, 6.267, 17.55, 34.39], rel=0.01)
    assert {float(table[0][key]) for key in ("from_db", "median_db", "to_db")} == {0.0}
    for line in table[1:]:
        low, middle, high = (float(line[key]) for key in ("from_db", "median_db", "to_db"))
        assert low <= middle <= high
        assert high - low > 1.0


def test_a_partials_level_is_its_energy_near_it():
    rate, seconds = 48_000, 1.5
    time = np.arange(round(rate * seconds)) / rate
    tone = 0.2 * np.sin(2.0 * np.pi * 440.0 * time) + 0.02 * np.sin(2.0 * np.pi * 2750.0 * time)
    report = {"tines": [{"last_release_s": 0.25}, {"last_release_s": 0.1}]}
    sound = synth.Sound("tones", "bar", pressure_pa=np.array([tone, tone]), reports=(report,))
    first, second = example("scatter")["partial_levels"](sound, np.array([440.0, 2750.0]))
    assert second - first == pytest.approx(-20.0, abs=0.01)
