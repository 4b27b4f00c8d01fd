"""What `stroke` and `board` say to the ear is what the sound holds."""

import numpy as np
import soundfile

from synth.doors.cli import run
from synth.sound import audio, bands, ear


def test_stroke_tells_loudness_octaves_and_how_long_it_stands_above_a_quiet_room(tmp_path, capsys):
    out = tmp_path / "a.wav"
    words = ["stroke", "tests/data/boarded.toml", "--through", "panel", "--group", "side", "--seconds", "2"]
    assert run([*words, "--gain-db", "6", "-o", str(out)]) == 0
    said = capsys.readouterr().out
    samples, rate = soundfile.read(out)
    heard = ear.describe(samples.T * audio.FULL_SCALE * 10.0 ** (-6.0 / 20.0), rate, since=1e-3)
    for sentence in ear.stroke_sentences(heard):
        assert sentence in said
    assert f"Loudness {heard.loudest_sone:.2g} sone" in said
    loud = int(np.argmax(heard.attack.octaves_db))
    assert f"{bands.NOMINAL_HZ[loud]} Hz {heard.attack.octaves_db[loud]:.0f}" in said.split("Attack:")[1]


def test_board_tells_attack_and_body_of_a_usual_stroke_apart(capsys):
    assert run(["board", "tests/data/boarded.toml", "panel"]) == 0
    said = capsys.readouterr().out
    usual = said[said.index("A usual stroke of") :]
    assert "from the bar alone to panel" in usual
    assert "\nAttack " in usual
    assert "\nBody " in usual
    assert "sone: " in usual
