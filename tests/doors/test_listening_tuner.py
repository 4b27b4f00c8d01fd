"""`tune --listen`: a recording played through as if live, the file beside the design, and no microphone."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.doors.listening_tuner import TunerSettings
from synth.doors.tuner_words import large
from synth.recording.predicted_partials import bar_of, heard
from synth.recording.tuning_session import TuningWishes
from synth.vibration.solve import solve_row

PITCHES = (147.0, 196.0)
DESIGN = """\
name = "two on an offcut"
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }
path = [{ straight_mm = 300.0 }]
supports = [{ at_mm = 67.0, kind = "cord" }, { at_mm = 233.0, kind = "cord" }]
[[group]]
name = "g"
stock = "M3"
start_mm = 100.0
spacing_mm = 14.0
tine = [{ pitch_hz = 147.0 }, { pitch_hz = 196.0 }]
"""


@pytest.fixture
def bench(tmp_path: Path) -> Path:
    """A design, and a recording in which its second tine, 20 cents flat, then in tune, is tapped."""
    design = tmp_path / "two.toml"
    design.write_text(DESIGN)
    instrument = resolve(load(str(design)), str(design))
    row = solve_row(instrument)
    model = heard(instrument, bar_of(instrument), row.length, row.trim, [0, 1])
    dice = np.random.default_rng(2)
    time = np.arange(96_000) / 48_000
    taps = []
    for off in (-20.0, 0.5):
        sound = np.zeros(len(time))
        for plane, share in ((0, 1.0), (1, 0.4)):
            for n in range(4):
                hz = model.frequency[1, plane, n] * 2.0 ** (off / 1200.0)
                fall = np.exp(-model.decay_rate[1, plane, n] * time)
                sound += 0.1 * share / (n + 1) * fall * np.cos(2.0 * np.pi * hz * time + n)
        quick_hand = np.clip((1.95 - time) / 0.05, 0.0, 1.0)
        taps.append(sound * quick_hand)
    whole = np.concatenate((np.zeros(30_000), taps[0], np.zeros(24_000), taps[1]))
    soundfile.write(tmp_path / "bench.wav", whole + 1e-3 * dice.normal(size=len(whole)), 48_000, "FLOAT")
    return tmp_path


def test_taps_are_told_of_and_what_is_done_is_kept(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["tune", str(bench / "two.toml"), "--listen", str(bench / "bench.wav"), "--from", "g.2"]
    assert run(words) == 0
    out = capsys.readouterr().out
    assert out.startswith("next: g.2, 196.00 Hz (0 of 2 done)\n")
    flat, right = (
        next(line for line in out.splitlines() if word in line) for word in ("turns up", "in tune")
    )
    assert float(flat.split("g.2")[1].split()[0]) == pytest.approx(-20.0, abs=2.0)  # out of round
    assert float(right.split("g.2")[1].split()[0]) == pytest.approx(0.5, abs=2.0)
    assert "next: g.1, 147.00 Hz" in out
    assert out.endswith("1 of 2 tines are in tune.\n")
    kept = tomllib.loads((bench / "two.tuning.toml").read_text())
    assert list(kept["tine"]) == ["g.2"]
    assert kept["tine"]["g.2"]["done"] is True
    assert kept["tine"]["g.2"]["cents"] == pytest.approx(0.5, abs=2.0)


def test_a_cold_bench_asks_for_a_sharper_tine(bench: Path, capsys: pytest.CaptureFixture[str]) -> None:
    words = ["tune", str(bench / "two.toml"), "--listen", str(bench / "bench.wav"), "--temperature-c", "0"]
    assert run([*words, "--from", "g.2", "--cents", "1"]) == 0
    assert "in tune:" not in capsys.readouterr().out
    assert tomllib.loads((bench / "two.tuning.toml").read_text())["tine"]["g.2"]["cents"] < -2.0


def test_words_that_do_not_go_together_and_no_microphone_are_one_line(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    design = str(bench / "two.toml")
    for words in (
        ["--listen", "--json"],
        [],
        ["--listen", "--device", "no such microphone"],
        ["--listen", "--from", "g.9"],
    ):
        assert run(["tune", design, *words]) == 2
        assert len(capsys.readouterr().err.strip().splitlines()) == 1
    assert not (bench / "two.tuning.toml").exists()


def test_a_design_in_the_place_of_the_progress_is_refused_before_anything_is_written(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    mine = bench / "two.tuning.toml"
    mine.write_text((bench / "two.toml").read_text())
    before = {each.name: each.read_bytes() for each in bench.iterdir()}
    assert run(["tune", str(bench / "two.toml"), "--listen", str(bench / "bench.wav")]) == 2
    (line,) = capsys.readouterr().err.strip().splitlines()
    assert str(mine) in line
    assert "move the file away" in line
    assert {each.name: each.read_bytes() for each in bench.iterdir()} == before


@pytest.mark.parametrize(("shown", "page"), [("--page", "this machine"), ("--phone", "a phone")])
def test_every_option_reaches_the_session_or_its_settings(
    bench: Path, monkeypatch: pytest.MonkeyPatch, shown: str, page: str
) -> None:
    """Each set away from its default and from the others; nothing is heard."""
    asked: list[Any] = []
    monkeypatch.setattr("synth.doors.listening_tuner.listen_and_tell", lambda *given: asked.append(given))
    design = bench / "two.toml"
    assert run(["tune", str(design), "--listen"]) == 0
    words = ["--device", "mic", "--tones", shown, "--from", "g.2", "--in-order", "--again", "--cents", "4.5"]
    words += [
        "--tune-to-what-is-there",
        "--shift-cents",
        "-6",
        "--stretch-cents",
        "1.5",
        "--temperature-c",
        "12",
    ]
    assert run(["tune", str(design), str(bench / "bench.wav"), "--listen", *words]) == 0
    plain, given = asked
    assert plain[2:] == (TunerSettings(), TuningWishes())
    assert (given[0].name, given[1]) == ("two on an offcut", design)
    assert given[2] == TunerSettings(bench / "bench.wav", "mic", True, True, page)  # type: ignore[arg-type]
    assert given[3] == TuningWishes(4.5, pytest.approx(285.15), 1, True, -6.0, 1.5, True)


def test_files_are_held_to_the_targets_that_the_options_move(
    bench: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """What is 20 cents flat is 26 flat of a target 6 higher; a stretch of 12 takes 14 of that off below a'."""
    samples, rate = soundfile.read(bench / "bench.wav")
    soundfile.write(bench / "one.wav", samples[: 2 * rate], rate, "FLOAT")
    found = []
    for words in ([], ["--shift-cents", "6", "--stretch-cents", "12", "--cents", "30"]):
        assert run(["tune", str(bench / "two.toml"), str(bench / "one.wav"), "--json", *words]) == 0
        (told,) = json.loads(capsys.readouterr().out)
        found.append(told)
    moved = found[1]["cents"] - found[0]["cents"]
    assert moved == pytest.approx(-6.0 - 12.0 * np.log2(196.0 / 440.0), abs=0.05)
    assert [each["in_tune"] for each in found] == [False, True]


def test_large_figures_stand_five_lines_high() -> None:
    rows: Any = large("-1.0").splitlines()
    assert len(rows) == 5
    assert {len(row) for row in rows} == {4 * 6 + 3 * 2}
    assert rows[2].startswith("\u2588" * 6)
