"""`measure`, `calibrate` and `tune` from the command line: files in, data, files and exit codes out."""

from __future__ import annotations

import csv
import json
import tomllib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile
from PIL import Image

from synth.design.edit import Edit
from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.doors.cli.tune import _words
from synth.recording.retune import Retune
from synth.recording.tuning_session import TuningWishes, wished_targets
from synth.vibration.solve import solve_row

BEND = Edit("stock.rod.bend_diameter_mm", 2.41)
ROOT = Edit("tines.root_length_per_diameter", 0.55)
CHANGES = [BEND, ROOT]


@pytest.fixture(autouse=True)
def own_cache(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(tmp_path / "kept"))


@pytest.fixture
def recording(tmp_path: Path, studio: Any) -> Path:
    sound = studio.ring([(440.0, 3.0, 0.3), (441.5, 2.0, 0.2), (2750.0, 0.8, 0.1)], 2.0)
    soundfile.write(tmp_path / "tap.wav", studio.late(sound, 0.2) + studio.noise(2.2, 1e-3), studio.rate)
    return tmp_path / "tap.wav"


def test_measure_gives_exactly_the_agreed_data(recording: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["measure", str(recording), "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert list(data) == ["taps", "warnings"]
    (tap,) = data["taps"]
    assert list(tap) == ["time_s", "partials"]
    assert tap["time_s"] == pytest.approx(0.2, abs=0.01)
    keys = ["frequency_hz", "frequency_sd_hz", "decay_s", "decay_sd_s", "level_db", "note"]
    assert [list(each) for each in tap["partials"]] == [keys] * 3
    assert [each["frequency_hz"] for each in tap["partials"]] == pytest.approx(
        [440.0, 441.5, 2750.0], abs=0.02
    )
    assert data["warnings"] == []


def test_a_decay_that_cannot_be_told_is_null(
    tmp_path: Path, studio: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    sound = studio.ring([(440.0, 3000.0, 0.2)], 0.7) + studio.noise(0.7, 0.02)
    soundfile.write(tmp_path / "tap.wav", sound, studio.rate)
    assert run(["measure", str(tmp_path / "tap.wav"), "--json"]) == 0
    (partial,) = json.loads(capsys.readouterr().out)["taps"][0]["partials"]
    assert partial["decay_s"] is None
    assert partial["decay_sd_s"] is None
    assert "cannot tell" in partial["note"]


def test_measure_writes_table_and_picture(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    table, image = tmp_path / "tap.csv", tmp_path / "tap.png"
    assert run(["measure", str(recording), "--csv", str(table), "-o", str(image)]) == 0
    shown = capsys.readouterr().out
    assert "440.000" in shown
    assert "beats 1.5 times a second with the next" in shown
    rows = list(csv.DictReader(table.read_text(encoding="utf-8").splitlines()))
    assert [float(row["decay_s"]) for row in rows] == pytest.approx([3.0, 2.0, 0.8], rel=0.02)
    pixels = np.asarray(Image.open(image).convert("RGB")).reshape(-1, 3)
    red = (pixels[:, 0] > 180) & (pixels[:, 1] < 90) & (pixels[:, 2] < 90)
    assert np.count_nonzero(red) > 500  # fitted lines are drawn, in the one red of the picture


@pytest.mark.parametrize(
    ("name", "content", "finding"),
    [
        ("text.wav", b"no sound at all\n" * 9, "is not a sound file"),
        ("none.wav", None, "there is no such file"),
    ],
)
def test_bad_recordings_end_in_one_line(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, content: bytes | None, finding: str
) -> None:
    if content is not None:
        (tmp_path / name).write_bytes(content)
    image = tmp_path / "tap.png"
    assert run(["measure", str(tmp_path / name), "-o", str(image)]) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert err.startswith("error: ")
    assert finding in err
    assert not image.exists()


def test_a_picture_of_an_unknown_kind_is_refused(
    recording: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert run(["measure", str(recording), "-o", str(tmp_path / "tap.bmp")]) == 2
    assert "name it .png, .svg or .pdf" in capsys.readouterr().err
    assert not (tmp_path / "tap.bmp").exists()


def test_calibrate_writes_a_corrected_copy(piece: Any, capsys: pytest.CaptureFixture[str]) -> None:
    """Three files that name their tines, a thread thinner and a root softer than the design has them."""
    files = [str(piece.record(f"take.low_D-{tine + 1}.wav", CHANGES, tine, seed=tine)) for tine in (0, 1, 2)]
    text, copy = piece.design.read_text(), piece.folder / "piece-measured.toml"
    assert run(["calibrate", str(piece.design), *files, "--length-sd-mm", "0.02", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    fitted = {each["name"]: each for each in data["fitted"]}
    for name, value in (("bend-diameter of rod", 2.41), ("root-length", 0.55)):
        assert fitted[name]["after"] == pytest.approx(value, abs=3.0 * fitted[name]["sd"])
        assert fitted[name]["after"] == pytest.approx(value, rel=0.06)
    assert max(abs(each["before_cents"]) for each in data["partials"]) > 30.0
    assert max(abs(each["after_cents"]) for each in data["partials"]) < 1.0
    assert piece.design.read_text() == text
    after = copy.read_text()
    assert "# from the shop round the corner" in after
    assert set(text.splitlines()) <= set(after.splitlines())
    tree = tomllib.loads(after)
    assert tree["stock"]["rod"]["bend_diameter_mm"] == pytest.approx(2.41, rel=0.01)
    assert len(tree["stock"]["rod"]["measured"]) == len("2026-01-31")
    rod = resolve(load(copy), "").tines[0].rod
    assert rod.bend_diameter == pytest.approx(1e-3 * fitted["bend-diameter of rod"]["after"], rel=1e-5)


def test_calibrate_shows_what_it_found_and_asks(piece: Any, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(piece.record("take.wav", [BEND], 1))
    copy = piece.folder / "piece-measured.toml"
    assert run(["calibrate", str(piece.design), file]) == 2
    err = capsys.readouterr().err
    assert "low D.2  found" in err
    assert "say --yes" in err
    assert not copy.exists()
    assert run(["calibrate", str(piece.design), file, "--yes"]) == 0
    out = capsys.readouterr().out
    assert "bend-diameter of rod" in out
    assert "Not fitted, and taken as it stands" in out
    assert copy.exists()


def test_calibrate_replaces_no_file_unasked(piece: Any, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(piece.record("take.wav", [BEND], 1, seconds=1.0))
    copy = piece.folder / "piece-measured.toml"
    copy.write_text("mine")
    words = ["calibrate", str(piece.design), file, "--tine", "low D.2"]
    assert run(words) == 2
    assert copy.read_text() == "mine"
    assert run([*words, "-o", str(piece.design), "--overwrite"]) == 2
    assert "is read by this command" in capsys.readouterr().err
    assert run([*words, "--overwrite"]) == 0
    assert "bend_diameter_mm" in copy.read_text()


@pytest.mark.parametrize(
    ("more", "finding"),
    [
        (["--tine", "low D.7"], "there is no tine 'low D.7'"),
        (["--tine", "low D.1", "--tine", "low D.2"], "2 names for 1 recording with 1 tap"),
        (["--tine", "1.2", "--length", "1.2=5"], "is not a tine and its length"),
        (["--tine", "1.2", "--fit", "nut-grip"], "no nut-grip to fit"),
        (["--tine", "1.2", "--fit", "youngs", "--fit", "bend-diameter"], "the data do not hold the youngs"),
    ],
)
def test_calibrate_refuses_in_one_line(
    piece: Any, capsys: pytest.CaptureFixture[str], more: list[str], finding: str
) -> None:
    file = str(piece.record("take.wav", [BEND], 1, seconds=1.0))
    assert run(["calibrate", str(piece.design), file, *more]) == 2
    err = capsys.readouterr().err
    assert finding in err.splitlines()[-1]
    assert not (piece.folder / "piece-measured.toml").exists()


def test_tune_says_which_way_and_how_many_turns(piece: Any, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(piece.record("tap.wav", [BEND], 3))
    assert run(["tune", str(piece.design), "--tine", "low D.4", file]) == 0
    out = capsys.readouterr().out
    assert "cents below its 220.00 Hz (A3 +0)" in out
    assert "turns (" in out
    assert "up, towards the tip; against the clock" in out
    assert run(["tune", str(piece.design), "--tine", "low D.4", file, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    sounds = piece.model([BEND])[2].frequency[3, 0, 0]
    assert data["sounds_hz"] == pytest.approx(sounds, rel=1e-5)
    assert data["turns_up"] == pytest.approx(data["shorten_mm"] / 0.5)
    assert data["turns_up"] > 0.0


def test_tune_needs_a_pitch(piece: Any, capsys: pytest.CaptureFixture[str]) -> None:
    file = str(piece.record("tap.wav", [], 1, seconds=1.0))
    assert run(["tune", str(piece.design), "--tine", "low D.2", file]) == 2
    assert "say --target-hz" in capsys.readouterr().err
    sounds = piece.model()[2].frequency[1, 0, 0]
    assert run(["tune", str(piece.design), "--tine", "low D.2", file, "--target-hz", f"{sounds:.4f}"]) == 0
    assert "It is in tune: leave it." in capsys.readouterr().out


def test_tune_moves_the_target_of_a_named_tine_as_of_those_that_it_finds(
    piece: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    """By 50 cents, 5 an octave from a' (one below: 220 Hz), and by what ten kelvin do to the steel."""
    words = ["tune", str(piece.design), "--tine", "low D.4", str(piece.record("tap.wav", [], 3))]
    moves = ["--shift-cents", "50", "--stretch-cents", "5", "--temperature-c", "30"]
    instrument = resolve(load(str(piece.design)), str(piece.design))
    wishes = TuningWishes(temperature=303.15, shift=50.0, stretch=5.0)
    wanted = float(wished_targets(instrument, solve_row(instrument), wishes).target[3])

    def told(*more: str) -> dict[str, Any]:
        assert run([*words, *more, "--json"]) == 0
        return dict(json.loads(capsys.readouterr().out))

    usual, moved = told(), told(*moves)
    assert moved["target_hz"] == pytest.approx(wanted, rel=1e-12)
    assert usual["target_hz"] == pytest.approx(220.0)
    assert moved["cents"] - usual["cents"] == pytest.approx(-1200.0 * np.log2(wanted / 220.0), abs=1e-6)
    assert told(*moves[:2])["target_hz"] == pytest.approx(220.0 * 2.0 ** (50.0 / 1200.0))
    assert told(*moves[2:4])["target_hz"] == pytest.approx(220.0 * 2.0 ** (-5.0 / 1200.0))
    assert moved["turns_up"] > usual["turns_up"]


def test_tune_calls_a_named_tine_in_tune_within_the_cents_that_are_asked(
    piece: Any, capsys: pytest.CaptureFixture[str]
) -> None:
    words = ["tune", str(piece.design), "--tine", "low D.4", str(piece.record("tap.wav", [], 3))]
    for shift, more, in_tune in (
        ("0.5", [], True),
        ("2", [], False),
        ("2", ["--cents", "3"], True),
        ("4", ["--cents", "3"], False),
    ):
        asked = [*words, "--shift-cents", shift, *more]
        assert run(asked) == 0
        assert ("It is in tune: leave it." in capsys.readouterr().out) is in_tune


def test_a_figure_less_sure_than_it_is_off_says_neither_in_tune_nor_a_way(piece: Any) -> None:
    instrument = resolve(load(str(piece.design)), str(piece.design))
    unsure = Retune(220.5, 1.0, 220.0, 0, 1e-4, 0.5e-3, None, ())  # 3.9 cents above, known within 7.8
    said = _words(instrument, solve_row(instrument), 3, unsure, 5.0)
    assert said.endswith("Whether it is flat or sharp cannot be told: tap again, nearer to the microphone.")


@pytest.mark.parametrize("move", ["--shift-cents", "--stretch-cents", "--temperature-c"])
def test_a_pitch_that_is_given_is_not_moved(
    piece: Any, capsys: pytest.CaptureFixture[str], move: str
) -> None:
    words = ["tune", str(piece.design), "--tine", "low D.4", "--target-hz", "220", move, "10", "tap.wav"]
    assert run(words) == 2
    err = capsys.readouterr().err
    assert err.count("\n") == 1
    assert move in err
    assert "leave them out with --target-hz" in err
