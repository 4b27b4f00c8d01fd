"""The command `board`: words, data, picture and knock; boards it does not know; what `check` says of boards."""

import contextlib
import io
import json
from pathlib import Path

import numpy as np
import pytest
import soundfile

from synth.doors.cli import run

BOARDED = str(Path(__file__).resolve().parents[1] / "data" / "boarded.toml")


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory):
    """Boards are solved once for all tests of this file."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv("TINEWRIGHT_CACHE", str(tmp_path_factory.mktemp("cache")))
        yield


@pytest.fixture(scope="module")
def answers():
    """What `board --json` says of the panel and of the box."""
    told = {}
    for name in ("panel", "box"):
        with contextlib.redirect_stdout(io.StringIO()) as out:
            assert run(["board", BOARDED, name, "--json"]) == 0
        told[name] = json.loads(out.getvalue())
    return told


def refused(capsys, words):
    """The one line on standard error of a command that must end with exit code 2 and print nothing else."""
    assert run([str(word) for word in words]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    assert said.err.startswith("error: ")
    assert said.err.count("\n") == 1
    return said.err


def test_the_data_have_admittance_level_modes_and_every_group(answers):
    for name, data in answers.items():
        assert data["board"] == name
        frequency = np.array(data["frequency_hz"])
        assert np.all(np.diff(frequency) > 0.0)
        assert [foot["foot"] for foot in data["feet"]] == [1, 2]
        for foot in data["feet"]:
            mobility, conductance = np.array(foot["mobility_mm_s_n"]), np.array(foot["conductance_mm_s_n"])
            assert len(mobility) == len(foot["level_db_n"]) == len(frequency)
            assert np.all(conductance >= 0.0)  # a board takes power and gives none
            assert np.all(conductance <= mobility + 1e-6)
        assert [group["group"] for group in data["groups"]] == ["up", "side"]
        assert all(mode["frequency_hz"] > 0.0 and mode["decay_s"] > 0.0 for mode in data["modes"])


def test_the_change_is_the_boards_own_and_no_fixed_gain(answers):
    groups = [group for data in answers.values() for group in data["groups"]]
    gain = np.array([group["gain_db"] for group in groups])
    assert all(20.0 < gain[at] < 50.0 for at, group in enumerate(groups) if group["group"] == "up")
    assert np.ptp(gain) > 3.0
    assert all(0.0 < group["ring_ratio"] < 1.05 for group in groups)
    assert len({round(group["ring_ratio"], 4) for group in groups}) == len(groups)


def test_only_a_box_has_air_that_stiffens_its_lid(answers):
    assert answers["panel"]["box"] is None
    box = answers["box"]["box"]
    assert box["boxed_hz"] > box["open_hz"]
    # plug of air in a hole of 80 mm in a lid of 25 mm: c/2 pi sqrt(A/V(t + 1.7 r))
    assert box["hole_hz"] == pytest.approx(81.0, abs=3.0)


def test_an_endless_sheet_resists_by_the_textbook(answers):
    # 8 sqrt(m'') (Bx By)^(1/4) of plywood, 16.5 and 1.03 GPa, nu 0.1, 680 kg/m3, 4 mm
    mu = 1.0 - 0.1**2 * 1.03 / 16.5
    stiff = (16.5e9 * 1.03e9) ** 0.5 * 4e-3**3 / 12.0 / mu
    assert answers["panel"]["endless_sheet_n_s_m"] == pytest.approx(8.0 * (stiff * 2.72) ** 0.5, rel=1e-3)


def test_the_words_have_a_row_for_every_group_and_the_doubt(capsys):
    assert run(["board", BOARDED, "box"]) == 0
    said = capsys.readouterr().out
    assert "of the bar's ring" in said
    assert [line.split()[0] for line in said.splitlines() if line.startswith(("up ", "side "))] == [
        "up",
        "side",
    ]
    assert "about 10 dB either way" in said
    assert "the hole's own pitch" in said


def test_picture_and_knock_are_written_whole(tmp_path, capsys):
    picture, sound = tmp_path / "panel.png", tmp_path / "knock.wav"
    assert run(["board", BOARDED, "panel", "-o", str(picture), "--knock", str(sound)]) == 0
    assert picture.read_bytes().startswith(b"\x89PNG")
    assert picture.read_bytes().endswith(b"IEND\xaeB`\x82")
    samples, rate = soundfile.read(sound, always_2d=True)
    assert rate == 48_000
    assert np.abs(samples).max() > 0.0
    # a knock is over within a second; the last tenth of the file is next to nothing
    last = samples[-len(samples) // 10 :]
    assert np.abs(last).max() < 0.01 * np.abs(samples).max()
    assert sorted(each.name for each in tmp_path.iterdir()) == ["knock.wav", "panel.png"]
    assert "a knock of" in capsys.readouterr().err


def test_a_board_that_the_design_lacks_is_refused_with_the_nearest_name(capsys):
    said = refused(capsys, ["board", BOARDED, "pannel"])
    assert "no board 'pannel'" in said
    assert "did you mean 'panel'? have box, panel" in said


def test_a_picture_of_no_kind_is_refused_and_nothing_written(tmp_path, capsys):
    wrong = tmp_path / "panel.bmp"
    said = refused(capsys, ["board", BOARDED, "panel", "-o", wrong])
    assert "'.bmp' is not a kind of picture" in said
    assert list(tmp_path.iterdir()) == []


def test_check_says_the_same_of_boards_as_board_does(answers, capsys):
    assert run(["check", BOARDED, "--boards", "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert data["boards"] == [note for told in answers.values() for note in told["notes"]]
    assert any("'panel'" in sentence or "'box'" in sentence for sentence in data["boards"])
    assert run(["check", BOARDED, "--boards"]) == 0
    printed = capsys.readouterr().out
    assert all(sentence in printed for sentence in data["boards"])


def test_a_design_without_the_board_says_what_there_is(capsys):
    plain = Path(__file__).resolve().parents[2] / "designs" / "test-piece.toml"
    assert "there are none" in refused(capsys, ["board", plain, "panel"])
