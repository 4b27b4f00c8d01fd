"""The package's few public names: the same piece as a script, and a cheap import."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

import synth

DESIGN = Path(__file__).parent / "data" / "two-tines.toml"
PIECE = """
tempo_bpm = 90
[defaults]
speed_mm_s = 300
[[stroke]]
at_beat = 0
phrase = "call"
times = 2
every_beats = 1.5
[[stroke]]
at_beat = 4
palm = "low A"
[phrase.call]
stroke = [ { at_beat = 0, group = "low A" }, { at_beat = 0.5, group = "low A", direction = "backward" } ]
"""


def test_python_builds_the_same_piece_as_the_script(tmp_path):
    instrument = synth.resolve(synth.load(DESIGN))
    (tmp_path / "piece.toml").write_text(PIECE)
    call = synth.Phrase(
        stroke=[
            synth.Entry(at_beat=0, group="low A"),
            synth.Entry(at_beat=0.5, group="low A", direction="backward"),
        ]
    )
    script = synth.Script(
        tempo_bpm=90,
        defaults=synth.How(speed_mm_s=300),
        phrase={"call": call},
        stroke=[
            synth.Entry(at_beat=0, phrase="call", times=2, every_beats=1.5),
            synth.Entry(at_beat=4, palm="low A"),
        ],
    )
    assert synth.schedule(script, instrument) == synth.read_script(tmp_path / "piece.toml", instrument)


def test_python_writes_a_piece_that_sounds(tmp_path):
    instrument = synth.resolve(synth.load(DESIGN))
    script = synth.Script(stroke=[synth.Entry(at_s=0.1, group="low A", speed_mm_s=300)], tail_s=0.4)
    synth.write(tmp_path / "one.wav", synth.play(instrument, synth.schedule(script, instrument)).blocks)
    sound, rate = soundfile.read(tmp_path / "one.wav")
    assert len(sound) == round(0.5 * rate)
    assert not sound[: int(0.09 * rate)].any()
    assert np.abs(sound[int(0.1 * rate) :]).max() > 1e-4


def test_every_public_name_is_where_it_is_said_to_be():
    for name in synth.__all__:
        assert getattr(synth, name).__module__.startswith("synth.")
    assert set(synth.__all__) <= set(dir(synth))
    with pytest.raises(AttributeError, match="it has load, resolve"):
        _ = synth.lode


def test_the_package_itself_loads_nothing():
    code = "import sys; before = set(sys.modules); import synth; print(sorted(set(sys.modules) - before))"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert "numpy" not in done.stdout
    assert "synth.design" not in done.stdout
