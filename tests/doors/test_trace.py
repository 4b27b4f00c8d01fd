"""What `stroke --trace` writes is what drove the sound; the stick can be left out of every command's sound."""

from __future__ import annotations

import runpy
from pathlib import Path

import numpy as np
import pytest
import soundfile

from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.playing.stroke import ForceTrace
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.render import scene

ROOT = Path(__file__).resolve().parents[2]
TABLE = runpy.run_path(str(ROOT / "scripts" / "drive_table.py"))
DESIGN = """
[bar]
section = { shape = "rectangle", width_mm = 40.0, height_mm = 12.0 }
path = [ { straight_mm = 300.0 } ]
supports = [ { at_mm = 60.0, kind = "rubber" }, { at_mm = 240.0, kind = "rubber" } ]
[[group]]
name = "alone"
stock = "M3"
start_mm = 60.0
[[group.tine]]
pitch = "G3"
[[group]]
name = "pair"
stock = "M4"
start_mm = 120.0
spacing_mm = 14.0
[[group.tine]]
pitch = "D3"
[[group.tine]]
pitch = "A3"
"""


@pytest.fixture(scope="module")
def design(tmp_path_factory):
    path = tmp_path_factory.mktemp("traced") / "design.toml"
    path.write_text(DESIGN, encoding="utf-8")
    return path


def stroked(design, folder, *more):
    out = folder / "a.wav"
    words = ["stroke", design, "--group", "pair", "--seconds", "0.5", "--gain-db", "20", "-o", out, *more]
    assert run([str(word) for word in words]) == 0
    return soundfile.read(out)[0].T * FULL_SCALE / 10.0


def test_the_trace_alone_makes_the_file(design, tmp_path, capsys):
    """Every traced impulse on every mode, summed plainly: the file below 20 kHz, to -60 dB."""
    sound = stroked(
        design, tmp_path, "--trace", tmp_path / "t.npz", "--without", "stick", "--direction", "backward"
    )
    data = np.load(tmp_path / "t.npz")
    assert set(data) == {"time_s", "tine", "impulse_n_s", "stick_impulse_n_s", "bin_s"}
    count = len(data["time_s"])
    assert data["tine"].shape == (count,)
    assert data["impulse_n_s"].shape == (count, 2)
    assert data["stick_impulse_n_s"].shape == (count, 3)
    assert np.all(np.diff(data["time_s"]) >= 0.0)
    assert set(data["tine"]) == {1, 2}  # counted from 1 in their group
    listening = scene(resolve(load(design), str(design)), "bar")
    trace = ForceTrace(
        start=0.0,
        bin_s=float(data["bin_s"]),
        time=data["time_s"],
        tine=data["tine"] + 0,  # the first tine of the design stands alone in another group
        impulse=data["impulse_n_s"],
        push=-data["stick_impulse_n_s"],
        turn=np.zeros((count, 2)),
    )
    assert max(TABLE["_whole"](listening, trace, sound, 0.0)) < -60.0


def test_a_backward_stroke_meets_the_last_tine_first_and_pushes_the_other_way(design, tmp_path, capsys):
    sums = {}
    for direction in ("forward", "backward"):
        stroked(design, tmp_path, "--trace", tmp_path / "t.npz", "--direction", direction)
        data = np.load(tmp_path / "t.npz")
        assert data["tine"][0] == (1 if direction == "forward" else 2)
        sums[direction] = data["impulse_n_s"][:, 0].sum()
        np.testing.assert_allclose(
            data["stick_impulse_n_s"][:, :2].sum(axis=0),
            -data["impulse_n_s"].sum(axis=0),
            rtol=0.2,
            atol=1e-4,
        )
    assert sums["forward"] > 0.0 > sums["backward"]


def test_the_stick_can_be_left_out_of_a_stroke_a_piece_and_a_comparison(design, tmp_path, capsys):
    whole, bare = stroked(design, tmp_path), stroked(design, tmp_path, "--without", "stick")
    assert np.abs(whole - bare).max() > 1e-3 * np.abs(bare).max()
    script = tmp_path / "piece.toml"
    script.write_text('stroke = [ { at_s = 0.001, group = "pair" } ]\ntail_s = 0.2\n', encoding="utf-8")
    played = []
    for more in ([], ["--without", "stick"]):
        words = ["play", str(design), str(script), "-o", str(tmp_path / "p.wav"), "--gain-db", "20", *more]
        assert run(words) == 0
        played.append(soundfile.read(tmp_path / "p.wav")[0].T * FULL_SCALE / 10.0)
    for sound, expected in zip(played, (whole, bare), strict=True):
        length = min(sound.shape[1], expected.shape[1], round(0.2 * RATE))
        assert np.abs(sound[:, :length] - expected[:, :length]).max() < 1e-5 * np.abs(whole).max()
    energies = []
    for n, more in enumerate(([], ["--without", "stick"])):
        folder = tmp_path / f"c{n}"
        words = ["compare", str(design), "--group", "pair", "--vary", "speed_mm_s=500", "--seconds", "0.3"]
        assert run([*words, "-o", str(folder), *more]) == 0
        first = sorted(folder.rglob("*true*.wav")) or sorted(folder.rglob("*.wav"))
        energies.append(soundfile.read(first[0])[0])
    assert np.abs(energies[0] - energies[1]).max() > 0.0


def test_what_else_may_be_left_out_is_told(design, tmp_path, capsys):
    out = str(tmp_path / "a.wav")
    assert run(["stroke", str(design), "--group", "pair", "--without", "bar", "-o", out]) == 2
    assert "stick" in capsys.readouterr().err
