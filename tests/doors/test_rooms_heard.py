"""`--room` in stroke, play and compare, and `proposal`: which room reaches the sound, and what is said of it."""

from __future__ import annotations

import numpy as np
import pytest
import soundfile

from synth.design.file import load
from synth.design.resolve import resolve
from synth.doors.cli import run
from synth.playing.score import performance
from synth.playing.stroke import Stroke
from synth.sound import audio
from synth.sound.loudness import measure
from synth.sound.render import perform, play, scene
from synth.sound.surroundings import Surroundings

DESIGN = """
[bar]
section = { shape = "rectangle", width_mm = 60.0, height_mm = 10.0 }
path = [ { straight_mm = 420.0 } ]
supports = [ { at_mm = 40.0, kind = "rubber" }, { at_mm = 330.0, kind = "cord" } ]
[stock.wire]
kind = "plain"
diameter_mm = 3.0
material = "music wire"
[[group]]
name = "wires"
stock = "wire"
start_mm = 160.0
[[group.tine]]
free_length_mm = 100.0
[[group.tine]]
free_length_mm = 80.0
[room.hall]
length_m = 8.0
width_m = 6.0
height_m = 3.5
floor = "parquet"
ceiling = "gypsum board"
walls = "brick"
instrument_at_m = [2.1, 2.6, 0.9]
listener_at_m = [5.2, 1.4, 1.5]
noise_dba = 31.0
[room.still]
length_m = 5.0
width_m = 4.0
height_m = 2.5
floor = "carpet"
ceiling = "gypsum board"
walls = "velour"
instrument_at_m = [1.1, 1.6, 0.9]
listener_at_m = [3.2, 1.4, 1.5]
"""
SCORE = 'tail_s = 1.0\nstroke = [ { at_s = 0.1, group = "wires", speed_mm_s = 300 } ]\n'


@pytest.fixture
def design(tmp_path):
    path = tmp_path / "design.toml"
    path.write_text(DESIGN, encoding="utf-8")
    return path


def rendered(design, room, noise=False, seconds=1.0):
    instrument = resolve(load(design), str(design))
    stroke = Stroke(group=0, stick=next(iter(instrument.sticks.values())), speed=0.3)
    there = scene(instrument, "bar", surroundings=Surroundings(room, noise))
    return perform(there, [stroke], seconds=seconds).sound()


@pytest.mark.parametrize(("words", "room", "noise"), [
    (["--room", "hall"], "hall", False),
    (["--room", "still"], "still", False),
    (["--room", "hall", "--room-noise"], "hall", True),
    ([], "", False),
])  # fmt: skip
def test_stroke_is_heard_in_the_room_that_is_named(design, tmp_path, words, room, noise, capsys):
    out = tmp_path / "out.wav"
    assert run(["stroke", str(design), "--group", "wires", "--speed-mm-s", "300", "--seconds", "1",
                "-o", str(out), *words]) == 0  # fmt: skip
    heard = soundfile.read(out)[0].T * audio.FULL_SCALE
    np.testing.assert_allclose(heard, rendered(design, room, noise), rtol=0.0, atol=2e-6)
    said = capsys.readouterr().out
    assert (f"{room}: " in said and f"In {room}, over" in said) == bool(room)
    assert ("its noise, 31 dB(A)" in said) == (room == "hall")
    assert ("since the design says nothing of it" in said) == (room == "still")


def test_play_is_heard_in_the_room_that_is_named_and_as_loud_as_it_says(design, tmp_path, capsys):
    score = tmp_path / "score.toml"
    score.write_text(SCORE, encoding="utf-8")
    sounds = {}
    for room in ("hall", "still"):
        out = tmp_path / f"{room}.wav"
        assert run(["play", str(design), str(score), "--room", room, "-o", str(out)]) == 0
        sounds[room] = soundfile.read(out)[0].T * audio.FULL_SCALE
        instrument = resolve(load(design), str(design))
        piece, _ = performance(score, instrument)
        wanted = play(instrument, piece, surroundings=Surroundings(room)).sound()
        np.testing.assert_allclose(sounds[room], wanted, rtol=0.0, atol=2e-6)
        level = measure(wanted, audio.RATE).loudest
        assert f"At the listener {level:.0f} dB(A) at its loudest" in capsys.readouterr().out
    assert np.abs(sounds["hall"] - sounds["still"]).max() > 0.1 * np.abs(sounds["hall"]).max()


def test_compare_is_heard_in_the_room_that_is_named(design, tmp_path):
    words = ["compare", str(design), "--group", "wires", "--vary", "speed_mm_s=300,600", "--seconds", "1"]
    assert run([*words, "--room", "hall", "-o", str(tmp_path / "there")]) == 0
    first = next((tmp_path / "there" / "true").glob("*300*.wav"))
    heard = soundfile.read(first)[0].T
    wanted = rendered(design, "hall")
    shape = wanted / np.abs(wanted).max() * np.abs(heard).max()
    np.testing.assert_allclose(heard, shape, rtol=0.0, atol=1e-4 * np.abs(heard).max())


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--room", "hal"], "there is no room 'hal'; did you mean 'hall'?"),
        (["--room-noise"], "there is no room to be noisy; add --room ROOM"),
        (["--room", "still", "--room-noise"], "this room has no noise; give it noise_dba or noise_nc"),
    ],
)
def test_a_room_that_is_not_there_is_one_line(design, tmp_path, words, said, capsys):
    out = tmp_path / "out.wav"
    assert run(["stroke", str(design), "--group", "wires", "-o", str(out), *words]) == 2
    error = capsys.readouterr().err
    assert said in error
    assert error.count("\n") == 1
    assert not out.exists()


def test_surfaces_are_among_the_stock(capsys):
    assert run(["stock", "surfaces", "--json"]) == 0
    assert '"from memory"' in capsys.readouterr().out


@pytest.mark.slow
def test_proposal_makes_the_folder_and_says_what_is_in_it(design, tmp_path, capsys):
    out = tmp_path / "client"
    assert run(["proposal", str(design), "--room", "still", "-o", str(out)]) == 0
    said = capsys.readouterr().out
    assert "index.html" in said
    assert "words.md: to be edited; it is kept from now on" in said
    assert "the design gives no prices" in said
    text = (out / "index.html").read_text(encoding="utf-8")
    assert "in still" in text
    assert "in hall" not in text
    assert run(["proposal", str(design), "--room", "hal", "-o", str(tmp_path / "other")]) == 2
    assert "did you mean 'hall'?" in capsys.readouterr().err
    assert not (tmp_path / "other").exists()


@pytest.mark.parametrize(
    ("words", "told"), [([], True), (["--room", "hall"], True), (["--room", "hall", "--room-noise"], False)]
)
def test_what_an_ear_would_say_is_of_the_stroke_and_never_of_the_rooms_noise(
    design, tmp_path, monkeypatch, words, told
):
    asked = []
    monkeypatch.setattr(
        "synth.doors.cli.hearing.write",
        lambda _, path, *, gain_db, touch: asked.append((gain_db, touch)) or [],
    )
    given = ["--group", "wires", "--seconds", "0.05", "--gain-db", "-7", "-o", str(tmp_path / "a.wav")]
    monkeypatch.setattr("synth.doors.cli.hearing.in_room", lambda *_: [])
    assert run(["stroke", str(design), *given, *words]) == 0
    assert asked == [(-7.0, Stroke(0, None).start if told else None)]
