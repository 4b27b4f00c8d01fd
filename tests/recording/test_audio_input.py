"""Reading recordings: every format, bounded memory, and what is wrong with them said aloud."""

from __future__ import annotations

import tracemalloc
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from synth.errors import InputError
from synth.recording import audio_input
from synth.recording.audio_input import MOST_SECONDS, read_recording

TONE = [(440.0, 2.0, 0.5)]
LSB_16 = 2.0**-15


@pytest.mark.parametrize(
    ("suffix", "subtype", "step"),
    [
        ("wav", "PCM_16", LSB_16),
        ("wav", "PCM_24", 1e-6),
        ("wav", "DOUBLE", 1e-6),
        ("wav", "PCM_U8", 2.0**-7),
        ("aiff", "PCM_16", LSB_16),
        ("caf", "PCM_16", LSB_16),
        ("flac", "PCM_24", 1e-6),
        ("ogg", "VORBIS", 0.2),
    ],
)
def test_every_format_gives_the_same_samples(
    tmp_path: Path, studio: Any, suffix: str, subtype: str, step: float
) -> None:
    sound = studio.ring(TONE, 1.0)
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, sound, studio.rate, subtype=subtype)
    take = read_recording(path)
    assert take.rate == studio.rate
    assert np.max(np.abs(take.samples - (sound - np.mean(sound)))) < 1.5 * step


@pytest.mark.parametrize("rate", [8000, 22_050, 44_100, 96_000, 192_000])
def test_any_rate_is_kept(tmp_path: Path, studio: Any, rate: int) -> None:
    soundfile.write(tmp_path / "take.wav", studio.ring(TONE, 0.5, rate), rate)
    assert read_recording(tmp_path / "take.wav").rate == rate


def test_two_channels_in_opposite_phase_do_not_cancel(tmp_path: Path, studio: Any) -> None:
    sound = studio.ring(TONE, 1.0)
    soundfile.write(tmp_path / "take.wav", np.stack((sound, -sound), axis=1), studio.rate, subtype="FLOAT")
    centred = sound - np.mean(sound)
    got = read_recording(tmp_path / "take.wav").samples
    assert np.max(np.abs(np.abs(got) - np.abs(centred))) < 1e-5


def test_a_silent_channel_does_not_halve_the_level(tmp_path: Path, studio: Any) -> None:
    sound = studio.ring(TONE, 1.0)
    soundfile.write(tmp_path / "take.wav", np.stack((sound, 0 * sound), axis=1), studio.rate, subtype="FLOAT")
    assert np.max(np.abs(read_recording(tmp_path / "take.wav").samples)) == pytest.approx(
        np.max(np.abs(sound)), rel=0.01
    )


def test_two_hours_cost_no_more_than_five_minutes(tmp_path: Path) -> None:
    path, rate = tmp_path / "long.wav", 4000
    with soundfile.SoundFile(path, "w", rate, 1, subtype="PCM_U8") as file:
        hum = 0.3 * np.sin(2.0 * np.pi * 200.0 * np.arange(60 * rate) / rate)
        for _ in range(120):
            file.write(hum)
    tracemalloc.start()
    take = read_recording(path)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert take.seconds == pytest.approx(MOST_SECONDS)
    assert peak < 100e6
    assert any("only 300 s of 7200 s were read" in each for each in take.warnings)


def test_a_part_is_read_from_where_it_is_asked_for(tmp_path: Path, studio: Any) -> None:
    sound = studio.ring(TONE, 3.0)
    soundfile.write(tmp_path / "take.wav", sound, studio.rate, subtype="FLOAT")
    take = read_recording(tmp_path / "take.wav", start=1.0, seconds=0.5)
    part = sound[studio.rate : studio.rate + studio.rate // 2]
    assert np.allclose(take.samples, part - np.mean(part), atol=1e-6)
    assert take.warnings == ()
    with pytest.raises(InputError, match="before the start"):
        read_recording(tmp_path / "take.wav", start=4.0)


def test_a_few_nans_are_bridged_and_told(tmp_path: Path, studio: Any) -> None:
    sound = studio.ring(TONE, 1.0).astype(np.float32)
    sound[1000:1010] = np.nan
    sound[2000] = np.inf
    soundfile.write(tmp_path / "take.wav", sound, studio.rate, subtype="FLOAT")
    take = read_recording(tmp_path / "take.wav")
    assert np.all(np.isfinite(take.samples))
    assert any("11 samples are not numbers" in each for each in take.warnings)


def test_clipping_is_told_with_its_place(tmp_path: Path, studio: Any) -> None:
    sound = np.clip(studio.ring([(440.0, 1.0, 2.0)], 1.0), -1.0, 1.0 - LSB_16)
    soundfile.write(tmp_path / "take.wav", sound, studio.rate)
    take = read_recording(tmp_path / "take.wav")
    last = np.flatnonzero(take.clipped)[-1] / studio.rate
    assert last == pytest.approx(np.log10(2.0) / 3.0, abs=0.005)  # 2 x 10^(-3 t) = 1
    assert any(each.startswith("clipped between 0.00 s") for each in take.warnings)


@pytest.mark.parametrize("subtype", ["PCM_16", "PCM_U8", "FLOAT"])
def test_a_low_tone_is_not_called_clipped(tmp_path: Path, studio: Any, subtype: str) -> None:
    soundfile.write(
        tmp_path / "take.wav", studio.ring([(41.0, 9.0, 0.99)], 1.0), studio.rate, subtype=subtype
    )
    assert not np.any(read_recording(tmp_path / "take.wav").clipped)


def test_eight_bits_are_told(tmp_path: Path, studio: Any) -> None:
    soundfile.write(tmp_path / "take.wav", studio.ring(TONE, 0.5), studio.rate, subtype="PCM_U8")
    assert any(each.startswith("8-bit") for each in read_recording(tmp_path / "take.wav").warnings)


@pytest.mark.parametrize(
    ("name", "content", "finding"),
    [
        ("text.wav", b"this is no sound\n" * 20, "is not a sound file that can be read"),
        ("empty.wav", b"", "is not a sound file that can be read"),
        ("headerless.raw", b"abcd" * 500, "is not a sound file that can be read"),
    ],
)
def test_what_is_no_sound_is_refused_in_one_line(
    tmp_path: Path, name: str, content: bytes, finding: str
) -> None:
    (tmp_path / name).write_bytes(content)
    with pytest.raises(InputError, match=finding) as caught:
        read_recording(tmp_path / name)
    assert "\n" not in str(caught.value)
    assert name in str(caught.value)


def test_missing_files_and_folders_are_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="there is no such file"):
        read_recording(tmp_path / "none.wav")
    with pytest.raises(InputError, match="is a folder"):
        read_recording(tmp_path)


@pytest.mark.parametrize(
    ("samples", "finding"),
    [
        (np.zeros(48_000), "silent"),
        (np.full(48_000, 0.3), "silent"),
        (np.zeros(0), "only 0 ms"),
        (np.full(48_000, np.nan), "48000 of 48000 samples are not numbers"),
    ],
)
def test_recordings_without_sound_are_refused(tmp_path: Path, samples: Any, finding: str) -> None:
    soundfile.write(tmp_path / "take.wav", samples, 48_000, subtype="FLOAT")
    with pytest.raises(InputError, match=finding):
        read_recording(tmp_path / "take.wav")


@pytest.mark.parametrize("suffix", ["wav", "flac", "aiff", "ogg"])
def test_damaged_files_end_in_samples_or_in_one_line(tmp_path: Path, studio: Any, suffix: str) -> None:
    """Bytes changed at random, mostly in the header, and the end cut off: 60 of each kind."""
    path = tmp_path / f"take.{suffix}"
    soundfile.write(path, studio.ring(TONE, 0.3), studio.rate)
    whole, rng = path.read_bytes(), np.random.default_rng(1)
    for _ in range(60):
        damaged = bytearray(whole)
        for position in rng.integers(0, rng.choice([60, 200, len(whole)]), rng.integers(1, 20)):
            damaged[position] = int(rng.integers(256))
        path.write_bytes(damaged[: rng.integers(len(whole) // 2, len(whole) + 1)])
        refusals = []
        try:
            assert np.all(np.isfinite(read_recording(path).samples))
        except InputError as refused:
            refusals.append(str(refused))
        assert not any("\n" in each for each in refusals)


def test_a_hole_is_bridged_with_its_own_channels_neighbours(tmp_path: Path) -> None:
    """Two ramps, one falling, the other three times as steep; a straight line is what was there."""
    rising = np.linspace(-0.2, 0.2, 48_000)
    frames = np.stack((-rising, 3.0 * rising), axis=1).astype(np.float32)
    whole = read_recording(_written(tmp_path, frames)).samples
    for channel in (0, 1):
        holed = frames.copy()
        holed[1000:1040, channel] = np.nan
        take = read_recording(_written(tmp_path, holed))
        np.testing.assert_allclose(take.samples, whole, atol=1e-5)
        assert any("40 samples are not numbers" in each for each in take.warnings)


def test_what_is_left_from_the_start_asked_for_is_all_there_is(tmp_path: Path, studio: Any) -> None:
    path = _written(tmp_path, studio.ring(TONE, 3.0))
    assert read_recording(path, start=2.0).warnings == ()
    assert read_recording(path, start=2.0, seconds=5.0).warnings == ()
    assert read_recording(path, start=2.0).seconds == pytest.approx(1.0)


def test_memory_is_shared_by_the_channels(
    tmp_path: Path, studio: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("synth.recording.audio_input.MOST_FRAMES", 60_000)
    tone = studio.ring(TONE, 1.0)
    take = read_recording(_written(tmp_path, np.stack((tone, tone, tone), axis=1)))
    assert len(take.samples) == 20_000
    assert take.warnings == ("only 0 s of 1 s were read; choose another part with --start-s and --seconds",)


@pytest.mark.parametrize("order", [1, -1])
@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_channels_together_swing_as_the_louder_one_does(
    tmp_path: Path, studio: Any, sign: float, order: int
) -> None:
    tone = studio.ring(TONE, 0.5)
    frames = np.stack((-0.3 * sign * tone, sign * tone), axis=1)[:, ::order]
    take = read_recording(_written(tmp_path, frames))
    weight = 0.3 + 1.0  # along (-0.3, 1): each by its share, the sum of shares one
    np.testing.assert_allclose(
        take.samples, sign * (0.3**2 + 1.0) / weight * (tone - np.mean(tone)), atol=1e-6
    )


def _written(folder: Path, frames: Any, rate: int = 48_000) -> Path:
    soundfile.write(folder / "take.wav", frames, rate, subtype="FLOAT")
    return folder / "take.wav"


@pytest.mark.parametrize(
    ("subtype", "said"),
    [
        *((each, "8-bit samples") for each in ("PCM_S8", "PCM_U8", "ULAW", "ALAW")),
        *((each, "lossy compression") for each in ("VORBIS", "OPUS", "MPEG_LAYER_III")),
        *((each, None) for each in ("PCM_16", "PCM_24", "FLOAT", "DOUBLE", "ALAC_16")),
    ],
)
def test_what_a_format_costs_is_told(subtype: str, said: str | None) -> None:
    told = audio_input._format(subtype)
    assert [each.startswith(said or "nothing") for each in told] == ([] if said is None else [True])
