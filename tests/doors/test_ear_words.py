"""What `stroke` and `board` say to the ear is what the sound holds."""

import numpy as np
import pytest
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


@pytest.mark.parametrize(("level", "gain", "words"), [(70.0, 20.0, "headphones at true level give 90 dB(A)"),
                                                     (70.0, 0.0, ""), (20.0, 0.0, "quieter than a quiet room"),
                                                     (20.0, 60.0, "")])  # fmt: skip
def test_what_to_mind_on_playback_is_said_of_the_file_at_its_gain(tmp_path, level, gain, words):
    """A tone of 1 kHz, which weighs as it is; the level at the listener stays what it is."""
    from synth.doors.cli.hearing import write
    from synth.sound.render import Rendering

    tone = 20e-6 * 10 ** (level / 20) * np.sqrt(2.0) * np.sin(2 * np.pi * 1000.0 * np.arange(48_000) / 48_000)
    rendering = Rendering("bar", iter([np.stack([tone, tone])]), 1, (), (), (), ())
    said = write(rendering, tmp_path / "a.wav", gain_db=gain)
    assert f"1.00 s through bar, gain {gain:+.1f} dB" in said[0]
    assert f"At the listener {level:.0f} dB(A) at its loudest" in said[1]
    told = [each for each in said[2:] if "true level" in each]
    assert bool(told) == bool(words)
    assert all(words in each for each in told)
