"""Audio files: level, format, wholeness."""

import io
import math
import os

import numpy as np
import pytest
import soundfile

from synth.errors import InputError
from synth.sound import audio

ONE_STEP = 2.0**-23  # of a 24-bit file


def sine(peak_pascal, frequency=1000.0, seconds=0.5):
    time = np.arange(int(seconds * audio.RATE)) / audio.RATE
    return peak_pascal * np.sin(2 * np.pi * frequency * time)


def test_a_full_scale_sine_is_100_db_spl(tmp_path):
    pressure = sine(
        20e-6 * 10 ** (94 / 20) * math.sqrt(2)
    )  # 94 dB SPL is 1.0024 Pa rms (definition of 20 uPa)
    peak_db = audio.write(tmp_path / "a.wav", [np.stack([pressure, pressure])])
    assert peak_db == pytest.approx(-6.0, abs=0.01)
    samples, rate = soundfile.read(tmp_path / "a.wav")
    assert rate == 48_000
    assert samples.shape == (24_000, 2)
    assert np.max(np.abs(samples[:, 0] * audio.FULL_SCALE - pressure)) <= ONE_STEP * audio.FULL_SCALE


@pytest.mark.parametrize("ending", [".wav", ".flac", ".WAV", ".Flac"])
def test_files_are_24_bit_and_blocks_join_without_a_seam(tmp_path, ending):
    pressure = np.stack([sine(1.0), sine(0.5)])
    audio.write(tmp_path / f"a{ending}", np.split(pressure, 3, axis=1))
    audio.check_output(tmp_path / f"a{ending}")
    told = soundfile.info(tmp_path / f"a{ending}")
    assert (told.format, told.subtype) == (ending[1:].upper(), "PCM_24")
    samples, _ = soundfile.read(tmp_path / f"a{ending}")
    assert np.max(np.abs(samples.T * audio.FULL_SCALE - pressure)) <= ONE_STEP * audio.FULL_SCALE


def test_what_would_clip_is_refused_with_the_gain_that_fits_and_nothing_is_written(tmp_path):
    loud = np.stack([sine(audio.FULL_SCALE * 2.0)] * 2)
    with pytest.raises(InputError, match=r"clip by 6\.0 dB; --gain-db -6\.1 fits"):
        audio.write(tmp_path / "a.wav", [loud])
    assert os.listdir(tmp_path) == []
    audio.write(tmp_path / "a.wav", [loud], gain_db=-6.1)
    assert os.listdir(tmp_path) == ["a.wav"]
    for gain_db, over, fits in (
        (4.0, r"\+4\.0 dB the sound would clip by 10\.0", r"-6\.1"),
        (-5.5, r"by 0\.5", r"-6\.1"),
    ):
        with pytest.raises(InputError, match=rf"{over} dB; --gain-db {fits} fits"):
            audio.write(tmp_path / "b.wav", [loud], gain_db=gain_db)
    assert os.listdir(tmp_path) == ["a.wav"]


@pytest.mark.parametrize(("gain_db", "rate"), [(0.0, audio.RATE), (-12.0, 32_000), (7.0, 44_100)])
def test_a_sound_for_a_page_and_one_for_a_file_are_the_same_at_any_gain_and_rate(tmp_path, gain_db, rate):
    pressure = np.stack([sine(0.5), sine(0.2, 300.0)])
    peak_db = audio.write(tmp_path / "a.flac", [pressure], gain_db=gain_db, rate=rate)
    wanted = pressure.T * 10.0 ** (gain_db / 20.0) / audio.FULL_SCALE
    assert peak_db == pytest.approx(20.0 * math.log10(np.abs(wanted).max()))
    for found in (tmp_path / "a.flac", io.BytesIO(audio.encoded(pressure, gain_db=gain_db, rate=rate))):
        samples, told = soundfile.read(found)
        assert told == rate
        assert np.max(np.abs(samples - wanted)) <= ONE_STEP


def test_a_render_that_breaks_off_leaves_the_older_file_as_it_was(tmp_path):
    audio.write(tmp_path / "a.wav", [np.zeros((2, 10))])
    before = (tmp_path / "a.wav").read_bytes()

    def blocks():
        yield np.zeros((2, 10))
        raise RuntimeError("power cut")

    with pytest.raises(RuntimeError):
        audio.write(tmp_path / "a.wav", blocks())
    assert (tmp_path / "a.wav").read_bytes() == before
    assert os.listdir(tmp_path) == ["a.wav"]


@pytest.mark.parametrize(
    ("name", "said"),
    [
        ("a.mp3", "'.mp3' is not an audio format written here; end it in .wav or .flac"),
        ("a", "the name has no ending; end it in .wav or .flac"),
        ("none/a.wav", "there is no folder"),
        (".", "the name has no ending"),
    ],
)
def test_a_file_that_cannot_be_written_is_refused_before_the_work(tmp_path, name, said):
    with pytest.raises(InputError, match=said.replace(".", r"\.")):
        audio.check_output(tmp_path / name)


def test_headroom_is_the_gain_that_just_fits():
    assert audio.headroom_db(audio.FULL_SCALE / 2) == pytest.approx(6.02, abs=0.01)
    assert audio.headroom_db(0.0) == math.inf
