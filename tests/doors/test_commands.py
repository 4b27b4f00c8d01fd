"""The command contract: exit codes, one line for what is wrong, JSON keys, whole files or none."""

import itertools
import json
import os
import subprocess
import sys
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile

from synth.doors.cli import COMMANDS, run, tinewright

ROOT = Path(__file__).resolve().parents[2]
TEST_PIECE = str(ROOT / "designs" / "test-piece.toml")


@pytest.fixture(autouse=True, scope="module")
def own_cache(tmp_path_factory):
    old = os.environ.get("TINEWRIGHT_CACHE")
    os.environ["TINEWRIGHT_CACHE"] = str(tmp_path_factory.mktemp("cache"))
    yield
    if old is None:
        del os.environ["TINEWRIGHT_CACHE"]
    else:
        os.environ["TINEWRIGHT_CACHE"] = old


def refused(capsys, words):
    """The one line on standard error of a command that must end with exit code 2 and print nothing else."""
    assert run([str(word) for word in words]) == 2
    said = capsys.readouterr()
    assert said.err.startswith("error: ")
    assert said.err.count("\n") == 1
    return said.err


def test_check_prints_every_tine_and_the_totals(capsys):
    assert run(["check", TEST_PIECE]) == 0
    said = capsys.readouterr().out
    assert len([line for line in said.splitlines() if line.startswith("D3 ")]) == 6
    assert "6 tines" in said
    assert "bar: 0.200 m" in said


def test_check_gives_the_same_as_data(capsys):
    assert run(["check", TEST_PIECE, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert len(data["tines"]) == 6
    assert {
        "group",
        "number",
        "mounted_hz",
        "clamped_hz",
        "free_length_mm",
        "ratios",
        "trim",
        "mass_g",
    } <= set(data["tines"][0])
    assert data["totals"]["tines"] == 6


def test_modes_follows_the_contract(capsys):
    assert run(["modes", TEST_PIECE, "--json"]) == 0
    data = json.loads(capsys.readouterr().out)
    assert {"design", "tines", "bar", "assembly", "quarrels"} <= set(data)
    tine = data["tines"][0]
    assert set(tine) == {"group", "tine", "free_length_mm", "target_hz", "clamped", "mounted_hz"}
    assert tine["tine"] == 1
    assert {each["plane"] for each in tine["clamped"]} == {"along", "across"}
    assert set(tine["clamped"][0]) == {"plane", "partial", "frequency_hz", "decay_s"}
    assert tine["clamped"][0]["partial"] == 1
    assert all(each["frequency_hz"] <= 18_100.0 for each in tine["clamped"])
    assert all(set(each) == {"frequency_hz", "decay_s"} for each in data["bar"])
    for each in data["assembly"]:
        assert each["strongest"] == "bar" or set(each["strongest"]) == {"group", "tine", "plane"}
    frequencies = [each["frequency_hz"] for each in data["assembly"]]
    assert frequencies == sorted(frequencies)


def test_stroke_writes_a_whole_stereo_file_and_says_how_loud_it_is(capsys, tmp_path):
    out = tmp_path / "a.wav"
    report = tmp_path / "a.json"
    words = ["stroke", TEST_PIECE, "--group", "D3", "--seconds", "1", "-o", out, "--report", report]
    assert run([str(word) for word in words]) == 0
    said = capsys.readouterr().out
    assert "dB(A)" in said
    assert "gain +0.0 dB" in said
    info = soundfile.info(out)
    assert (info.samplerate, info.channels, info.subtype, info.frames) == (48_000, 2, "PCM_24", 48_000)
    rows = json.loads(report.read_text())["tines"]
    assert len(rows) == 6
    assert {
        "first_touch_s",
        "last_release_s",
        "greatest_force_n",
        "energy_j",
        "along_mm",
        "across_mm",
    } <= set(rows[0])
    assert {"root_stress_mpa", "regime"} <= set(rows[0])
    assert len(rows[0]["along_mm"]) == 6
    assert sorted(os.listdir(tmp_path)) == ["a.json", "a.wav"]


def test_the_same_words_give_the_same_samples_and_a_gain_is_only_a_gain(tmp_path):
    words = ["stroke", TEST_PIECE, "--group", "D3", "--seconds", "0.5", "-o"]
    for name, more in (("a.wav", []), ("b.wav", []), ("c.flac", ["--gain-db", "-6"])):
        assert run([*words, str(tmp_path / name), *more]) == 0
    a, b, c = (soundfile.read(tmp_path / name)[0] for name in ("a.wav", "b.wav", "c.flac"))
    np.testing.assert_array_equal(a, b)
    assert np.abs(c - a * 10 ** (-6 / 20)).max() < 2.0**-22


def test_backward_is_another_order(tmp_path):
    reports = []
    for direction in ("forward", "backward"):
        report = tmp_path / f"{direction}.json"
        words = ["stroke", TEST_PIECE, "--group", "D3", "--seconds", "0.1", "--direction", direction]
        assert run([*words, "-o", str(tmp_path / "a.wav"), "--report", str(report)]) == 0
        reports.append([each["first_touch_s"] for each in json.loads(report.read_text())["tines"]])
    assert reports[0] == sorted(reports[0])
    assert reports[1] == sorted(reports[1], reverse=True)


def test_what_would_clip_is_refused_with_the_gain_that_fits(capsys, tmp_path):
    words = [
        "stroke",
        TEST_PIECE,
        "--group",
        "D3",
        "--seconds",
        "0.2",
        "--gain-db",
        "90",
        "-o",
        tmp_path / "a.wav",
    ]
    assert "--gain-db" in refused(capsys, words)
    assert os.listdir(tmp_path) == []


def test_play_renders_a_script(tmp_path, capsys):
    script = tmp_path / "piece.toml"
    script.write_text('tail_s = 0.5\nstroke = [{ at_s = 0.1, group = "D3" }, { at_s = 0.4, palm = "D3" }]\n')
    assert run(["play", TEST_PIECE, str(script), "-o", str(tmp_path / "a.flac")]) == 0
    assert soundfile.info(tmp_path / "a.flac").frames == round(0.9 * 48_000)


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["check", "nowhere.toml"], "nowhere.toml: there is no such file"),
        (["check", "."], ".: is a directory"),
        (["check"], "DESIGN"),
        (["chekc"], "chekc"),
        (["stroke", TEST_PIECE, "--group", "X9", "-o", "a.wav"], "there is no group 'X9'"),
        (["stroke", TEST_PIECE, "--group", "D3", "-o", "a.mp3"], "a.mp3: '.mp3' is not an audio format"),
        (["stroke", TEST_PIECE, "--group", "D3", "-o", "none/a.wav"], "there is no folder"),
        (["stroke", TEST_PIECE, "--group", "D3", "--stick", "oak", "-o", "a.wav"], "there is no stick 'oak'"),
        (
            ["stroke", TEST_PIECE, "--group", "D3", "--through", "wall", "-o", "a.wav"],
            "nothing is heard through",
        ),
        (
            ["stroke", TEST_PIECE, "--group", "D3", "--bite-mm", "nan", "-o", "a.wav"],
            "bite_mm: nan is out of range",
        ),
        (
            ["stroke", TEST_PIECE, "--group", "D3", "--speed-mm-s", "0", "-o", "a.wav"],
            "speed_mm_s: 0 is out of",
        ),
        (["stroke", TEST_PIECE, "--group", "D3", "--direction", "up", "-o", "a.wav"], "'up'"),
        (["stroke", TEST_PIECE, "--group", "D3", "--seconds", "-1", "-o", "a.wav"], "-1"),
        (["stroke", TEST_PIECE, "--group", "D3", "--tilt-deg", "5", "-o", "a.wav"], "tilt"),
        (
            ["stroke", TEST_PIECE, "--group", "D3", "-o", "a.wav", "--report", "none/r.json"],
            "there is no folder",
        ),
        (["play", TEST_PIECE, "nowhere.mid", "-o", "a.wav"], "nowhere.mid: No such file"),
        (["compare", TEST_PIECE, "--group", "D3", "-o", "x"], "nothing is varied"),
        (["compare", TEST_PIECE, "--group", "D3", "--vary", "sped=1", "-o", "x"], "'sped' cannot be varied"),
        (
            ["compare", TEST_PIECE, "--group", "D3", "--vary", "bar.section.hight_mm=9", "-o", "x"],
            "did you mean 'height_mm'?",
        ),
        (
            ["compare", TEST_PIECE, "nowhere.toml", "--group", "D3", "-o", "x"],
            "nowhere.toml: there is no such",
        ),
        (["compare", "--group", "D3", "-o", "x"], "DESIGN"),
    ],
)
def test_what_is_wrong_is_one_line_and_exit_code_2(capsys, tmp_path, monkeypatch, words, said):
    monkeypatch.chdir(tmp_path)
    assert said in refused(capsys, words)
    assert os.listdir(tmp_path) == []


@pytest.mark.parametrize("command", COMMANDS)
def test_every_command_has_help_with_an_example(capsys, command):
    assert run([command, "--help"]) == 0
    said = capsys.readouterr().out
    assert f"tinewright {command} " in said.split("Example:")[1]


def path_words(command, folder):
    """The command with everything it must be given, and its options that name something to write."""
    found = tinewright.get_command(None, command)
    reads = [each for each in found.params if isinstance(each, click.Argument)]
    writes = [
        each for each in found.params if isinstance(each, click.Option) and isinstance(each.type, click.Path)
    ]
    needed = [each for each in found.params if each.required and each not in (*reads, *writes)]
    files = [isinstance(each.type, click.Path) for each in reads]
    words = [command, *(folder / f"in{n}.toml" if file else "panel" for n, file in enumerate(files))]
    writes.sort(key=lambda each: not each.required)  # what must be given first
    return [*words, *(word for each in needed for word in (each.opts[0], "D3"))], {
        each.opts[0]: each.required for each in writes
    }


WRITERS = {command: path_words(command, Path())[1] for command in COMMANDS}


@pytest.mark.parametrize(
    ("command", "option"), [(each, option) for each in COMMANDS for option in WRITERS[each]]
)
@pytest.mark.parametrize("link", ["itself", "symbolic", "hard"])
def test_no_command_writes_over_a_file_that_it_reads(capsys, tmp_path, command, option, link):
    words, options = path_words(command, tmp_path)
    for n in range(4):
        (tmp_path / f"in{n}.toml").write_text(Path(TEST_PIECE).read_text())
    before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    others = [
        word for each, must in options.items() if must and each != option for word in (each, tmp_path / "out")
    ]
    for path in [each for each in words if isinstance(each, Path)]:
        goal = path if link == "itself" else tmp_path / "other"
        if link != "itself":
            goal.unlink(missing_ok=True)
            goal.symlink_to(path) if link == "symbolic" else os.link(path, goal)
        assert "is read by this command" in refused(capsys, [*words, option, goal, *others])
    assert {path.name: path.read_bytes() for path in tmp_path.iterdir() if path.name != "other"} == before


@pytest.mark.parametrize(
    ("command", "pair"),
    [(each, pair) for each in COMMANDS for pair in itertools.combinations(WRITERS[each], 2)],
)
def test_no_command_writes_one_file_twice(capsys, tmp_path, command, pair):
    words, options = path_words(command, tmp_path)
    goals = [tmp_path / "a.wav", tmp_path / "." / "x" / ".." / "a.wav"]
    (tmp_path / "x").mkdir()
    both = [word for option, goal in zip(pair, goals, strict=True) for word in (option, goal)]
    others = [
        word
        for each, must in options.items()
        if must and each not in pair
        for word in (each, tmp_path / "b.wav")
    ]
    assert "would be written twice" in refused(capsys, [*words, *both, *others])
    assert os.listdir(tmp_path) == ["x"]


def test_the_commands_that_write_are_known_to_this_test():
    assert {command for command in COMMANDS if WRITERS[command]} >= {
        "stroke", "play", "compare", "map", "cutlist", "template", "tolerance", "measure", "calibrate", "trim",
        "live", "board",
    }  # fmt: skip


def test_the_version_is_told(capsys):
    assert run(["--version"]) == 0
    assert "tinewright" in capsys.readouterr().out


def piece_of(tmp_path, text):
    (tmp_path / "piece.toml").write_text(text)
    return str(tmp_path / "piece.toml")


def test_what_bends_a_tine_is_told_with_its_second_and_where_it_is_written(capsys, tmp_path):
    piece = piece_of(
        tmp_path,
        'tail_s = 0.1\n[[stroke]]\nat_s = 0\ngroup = "D3"\nspeed_mm_s = 100\n'
        '[[stroke]]\nat_s = 1.25\nphrase = "zu tief"\n'
        '[phrase."zu tief"]\nstroke = [{ at_s = 0.5, group = "D3", FIERCE }]\n'.replace(
            "FIERCE", 'bite_mm = 19, stick = "brass", grip = "firm", speed_mm_s = 5000'
        ),
    )
    said = refused(capsys, ["play", TEST_PIECE, piece, "-o", tmp_path / "a.wav"])
    assert "1.75 s, phrase.'zu tief'.stroke[1]: past yield: " in said
    assert sorted(os.listdir(tmp_path)) == ["piece.toml"]


def test_what_bends_a_tine_is_told_with_its_note_and_velocity(capsys, tmp_path):
    import mido

    file = mido.MidiFile(ticks_per_beat=480)
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.Message("program_change", program=2))  # brass
    track.append(mido.Message("control_change", control=16, value=127))  # a firm grip
    track.append(mido.Message("control_change", control=74, value=127))  # short and stiff
    track.append(mido.Message("note_on", note=50, velocity=127, time=960))
    file.save(tmp_path / "a.mid")
    thin = tmp_path / "thin.toml"  # M2: half as thick as the test piece's rods
    thin.write_text(Path(TEST_PIECE).read_text().replace('"M4', '"M2'))
    said = refused(capsys, ["play", thin, tmp_path / "a.mid", "-o", tmp_path / "a.wav"])
    assert "1.00 s, note 50 at velocity 127 on channel 1: past yield: " in said
    assert sorted(os.listdir(tmp_path)) == ["a.mid", "thin.toml"]


def test_a_midi_file_of_which_nothing_can_be_played_is_refused(capsys, tmp_path):
    import mido

    file = mido.MidiFile()
    track = mido.MidiTrack()
    file.tracks.append(track)
    track.append(mido.Message("note_on", note=127, velocity=64))
    file.save(tmp_path / "a.mid")
    words = ["play", TEST_PIECE, tmp_path / "a.mid", "--skip-unplayable", "-o", tmp_path / "a.wav"]
    assert "none of its notes has a group" in refused(capsys, words)


def test_a_comparison_tells_and_leaves_out_the_combination_that_cannot_be(capsys, tmp_path):
    words = ["compare", TEST_PIECE, "--group", "D3", "--seconds", "0.1", "-o", tmp_path / "x"]
    words += ["--grip", "firm", "--speed-mm-s", "5000", "--vary", "stick=brass"]
    assert run([str(each) for each in (*words, "--vary", "bite_mm=1,19")]) == 0
    (line,) = capsys.readouterr().err.strip().splitlines()[-1:]
    assert line.startswith("left out: stick=brass_bite_mm=19: ")
    assert "past yield: " in line
    assert os.listdir(tmp_path / "x" / "true") == ["stick=brass_bite_mm=1.wav"]


def test_a_comparison_of_which_nothing_can_be_is_refused(capsys, tmp_path):
    words = ["compare", TEST_PIECE, "--group", "D3", "--seconds", "0.1", "-o", tmp_path / "x"]
    words += ["--grip", "firm", "--speed-mm-s", "5000"]
    said = refused(capsys, [*words, "--vary", "bite_mm=18,19", "--vary", "stick=brass"])
    assert "bite_mm=18_stick=brass: " in said
    assert "past yield: " in said
    assert not (tmp_path / "x").exists()


@pytest.mark.parametrize("through", ["bar", "pickup"])
def test_a_script_that_overrules_through_is_told_of(capsys, tmp_path, through):
    text = (
        'tail_s = 0.1\nstroke = [{ at_s = 0, group = "D3" }, { at_s = 0.1, palm = "D3", through = "bar" }]\n'
    )
    words = [
        "play",
        TEST_PIECE,
        piece_of(tmp_path, text),
        "--through",
        through,
        "-o",
        str(tmp_path / "a.wav"),
    ]
    assert run(words) == 0
    said = capsys.readouterr().err
    assert ("--through pickup gives way to the script, in 1 of 2: bar" in said) == (through == "pickup")


def test_compare_renders_every_combination_with_its_numbers(tmp_path, capsys):
    words = ["compare", TEST_PIECE, "--group", "D3", "--seconds", "0.6", "-o", str(tmp_path / "x")]
    assert run([*words, "--vary", "speed_mm_s=200,900", "--vary", "stick=birch,brass"]) == 0
    names = sorted(os.listdir(tmp_path / "x" / "true"))
    assert len(names) == 4
    assert sorted(os.listdir(tmp_path / "x" / "matched")) == names
    rows = (tmp_path / "x" / "comparison.csv").read_text().splitlines()
    assert rows[0].startswith("combination,file,loudest_dba")
    assert len(rows) == 5
    assert (tmp_path / "x" / "comparison.png").stat().st_size > 10_000
    loud = [
        soundfile.read(tmp_path / "x" / "true" / f"speed_mm_s={v}_stick=birch.wav")[0] for v in (200, 900)
    ]
    assert np.sum(loud[1] ** 2) > np.sum(loud[0] ** 2)  # E ~ v^1.2


def test_the_installed_command_leaves_with_the_code(tmp_path):
    done = subprocess.run(
        [sys.executable, "-c", "from synth.doors.cli import main; main()", "check", str(tmp_path)],
        capture_output=True,
        text=True,
        check=False,
        cwd=ROOT,
    )
    assert done.returncode == 2
    assert done.stderr.startswith("error: ")
    assert "Traceback" not in done.stderr
