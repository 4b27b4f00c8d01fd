"""A sound of the Python interface: the command line's own samples, read and written as often as wanted."""

import base64
import io
import json
import math
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

import synth
from synth.doors.cli import run
from synth.interface.sound import Sound
from synth.sound.render import Rendering

DESIGN = Path(__file__).parents[1] / "data" / "boarded.toml"
STEP = 1.001 * 2.0**-23  # of full scale: a file holds 24 bits, cut off below
AWAY = {  # every word of a stroke away from its default: name in Python, value
    "speed_mm_s": 700.0,
    "bite_mm": 3.0,
    "lean": 0.5,
    "height_mm": 4.0,
    "tilt_deg": 50.0,
    "skew_deg": 10.0,
    "pressure_n": 0.1,
    "direction": "backward",
    "grip": "firm",
    "hand": "loose",
    "stick": "brass",
    "seed": 7,
    "seconds": 0.4,
    "through": "panel",
    "without": "stick",
}


@pytest.fixture(scope="module")
def ins():
    return synth.open(str(DESIGN))


@pytest.fixture(scope="module")
def sound(ins):
    return ins.stroke("up", seconds=0.5)


@pytest.mark.parametrize("words", [{"seconds": 0.3}, AWAY], ids=["plain", "every word"])
def test_a_stroke_is_the_command_lines_bit_for_bit(ins, tmp_path, words):
    sound = ins.stroke("up", **words)
    sound.write(tmp_path / "python.wav")
    options = [f"--{key.replace('_', '-')}={value}" for key, value in words.items()]
    out, report, trace = tmp_path / "line.wav", tmp_path / "line.json", tmp_path / "line.npz"
    files = ["-o", str(out), "--report", str(report), "--trace", str(trace)]
    assert run(["stroke", str(DESIGN), "--group", "up", *options, *files]) == 0
    assert (tmp_path / "python.wav").read_bytes() == out.read_bytes()
    samples, rate = soundfile.read(out)
    assert rate == sound.rate_hz
    assert np.abs(samples.T - sound.samples).max() < STEP
    assert np.abs(samples).max() > 1e-5
    assert json.loads(report.read_text()) == json.loads(json.dumps(sound.reports[0]))
    with np.load(trace) as arrays:
        assert sorted(arrays) == sorted(sound.trace())
        assert all(np.array_equal(arrays[key], sound.trace()[key]) for key in arrays)


def test_a_piece_is_the_command_lines_bit_for_bit(ins, tmp_path):
    script = tmp_path / "piece.toml"
    script.write_text(
        "tail_s = 0.3\n[[stroke]]\nat_s = 0\ngroup = 'up'\n"
        "[[stroke]]\nat_s = 0.2\ngroup = 'side'\nthrough = 'pickup'\n"
    )
    piece = ins.play(script, through="panel", hand="steady", seed=3)
    piece.write(tmp_path / "python.flac")
    words = ["play", str(DESIGN), str(script), "--through", "panel", "--hand", "steady", "--seed", "3"]
    assert run([*words, "-o", str(tmp_path / "line.flac")]) == 0
    assert (tmp_path / "python.flac").read_bytes() == (tmp_path / "line.flac").read_bytes()
    assert piece.through == "panel, pickup"
    assert piece.seconds == pytest.approx(0.5)
    assert len(piece.reports) == 2


def test_it_is_read_and_written_twice_alike(sound, tmp_path):
    assert np.array_equal(sound.samples, sound.samples)
    sound.write(tmp_path / "one.wav")
    sound.write(str(tmp_path / "two.wav"))
    assert (tmp_path / "one.wav").read_bytes() == (tmp_path / "two.wav").read_bytes()


def test_samples_are_pressure_over_the_pressure_of_full_scale(sound):
    full_scale_pa = 20e-6 * 10.0 ** (100.0 / 20.0) * math.sqrt(2.0)  # a sine of 100 dB SPL, ISO 1683's 20 uPa
    assert sound.samples * full_scale_pa == pytest.approx(sound.pressure_pa, rel=1e-12)
    assert sound.peak_dbfs == pytest.approx(20.0 * math.log10(np.abs(sound.samples).max()))
    assert sound.loudness.peak == pytest.approx(np.abs(sound.pressure_pa).max())


def test_a_gain_is_the_gain_of_the_file(sound, tmp_path):
    peak_dbfs = sound.write(tmp_path / "more.wav", gain_db=6.0)
    assert peak_dbfs == pytest.approx(sound.peak_dbfs + 6.0)
    samples, _ = soundfile.read(tmp_path / "more.wav")
    assert np.abs(samples.T - sound.samples * 10.0**0.3).max() < STEP


def test_what_would_clip_is_refused_as_on_the_command_line(sound, tmp_path):
    with pytest.raises(synth.InputError, match=r"would clip by .* dB; --gain-db \S+ fits"):
        sound.write(tmp_path / "loud.wav", gain_db=150.0)
    with pytest.raises(synth.InputError, match=r"end it in \.wav or \.flac"):
        sound.write(tmp_path / "sound.mp3")
    assert list(tmp_path.iterdir()) == []


def player(sound):
    """What a notebook's page holds: the caption, and the samples (T, C) of its file."""
    page = sound._repr_html_()
    assert "autoplay" not in page
    (data,) = re.findall(r'src="data:audio/flac;base64,([^"]+)"', page)
    samples, rate = soundfile.read(io.BytesIO(base64.b64decode(data)))
    assert rate == 48_000
    return re.findall(r"<figcaption>(.*)</figcaption>", page)[0], samples.T


def test_a_notebook_plays_a_quiet_sound_at_its_true_level(sound):
    caption, samples = player(sound)
    assert "true level" in caption
    assert np.abs(samples - sound.samples).max() < STEP


def test_a_notebook_turns_a_loud_sound_down_and_says_so(sound):
    loud = synth.Sound(
        title="<b>", through="bar", pressure_pa=sound.pressure_pa / np.abs(sound.pressure_pa).max()
    )
    caption, samples = player(loud)
    # 1 Pa peak is 20 log10(1 / 2.83) = -9.03 dBFS, so it is turned down by 10.97 dB
    assert "-11.0 dB" in caption
    assert "&lt;b&gt;" in caption
    assert 20.0 * math.log10(np.abs(samples).max()) == pytest.approx(-20.0, abs=0.01)


def test_silence_and_a_long_sound_are_shown_too():
    silent = synth.Sound(title="nothing", through="bar", pressure_pa=np.zeros((2, 48_000 * 121)))
    caption, samples = player(silent)
    assert samples.shape[1] == 48_000 * 120
    assert "the first 120 s" in caption
    assert not samples.any()


def test_a_trace_that_is_not_there_is_refused(sound):
    with pytest.raises(synth.InputError, match="there is no stroke 2; have 1"):
        sound.trace(2)


def test_a_sound_is_what_its_rendering_says_with_what_was_left_out_before(ins):
    rendering = Rendering(
        through="panel", blocks=iter([np.ones((2, 3)), np.zeros((2, 2))]), block_count=2, reports=({"a": 1},),
        traces=(), warnings=("of the sound",), rings=(),
    )  # fmt: skip
    made = Sound.of(rendering, "piece", ins.instrument, warnings=("left out",))
    assert (made.title, made.through, made.warnings) == ("piece", "panel", ("left out", "of the sound"))
    assert made.reports == ({"a": 1},)
    assert made.pressure_pa.tolist() == [[1.0, 1.0, 1.0, 0.0, 0.0]] * 2
    assert Sound("t", "bar", np.zeros((2, 12_000)), rate_hz=24_000).seconds == 0.5


def test_a_trace_is_that_of_the_stroke_counted_from_one(monkeypatch):
    monkeypatch.setattr("synth.interface.sound.trace_arrays", lambda trace, instrument: {trace: instrument})
    made = Sound("two", "bar", np.zeros((2, 9)), _traces=("first", "second"), _instrument="of these tines")
    assert made.trace() == made.trace(1) == {"first": "of these tines"}
    assert made.trace(2) == {"second": "of these tines"}
    for none in (0, 3, -1):
        with pytest.raises(synth.InputError, match=f"there is no stroke {none}; have 2 strokes"):
            made.trace(none)
