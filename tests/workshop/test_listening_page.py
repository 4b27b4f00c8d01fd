"""What the page to listen to a comparison holds, read without a browser: sounds, factors, levels, words."""

import base64
import io
import json
import math

import numpy as np
import pytest
import soundfile

from synth.sound.audio import RATE
from synth.workshop import listening
from synth.workshop.listening import Heard, listening_page
from synth.workshop.spectrograms import Panel, tone_levels
from synth.workshop.variants import LeftOut

FULL_SCALE_PA = 20e-6 * 10.0 ** (100.0 / 20.0) * math.sqrt(2.0)  # a sine of 100 dB SPL


def head_of(text):
    return json.loads(text.split('<script id="head" type="application/json">')[1].split("</script>")[0])


def test_every_sound_times_its_factors_is_the_pressure_at_its_gains():
    """As a browser decodes it: shares of 2^15; at true level every sound is 30 dB louder than at the listener."""
    dice = np.random.default_rng(1)
    panel = Panel("speed 200 mm/s", 0.5, np.full((193, 24), 40.0, np.float32), (146.8, 921.0))
    pressures = [level * dice.uniform(-1.0, 1.0, (2, RATE // 2)) for level in (0.02, 0.003)]
    sounds = [
        Heard((("stick", "birch"), ("speed_mm_s", str(n))), each.astype(np.float32), 30.0, gain, 61.5, panel)
        for n, (each, gain) in enumerate(zip(pressures, (27.0, 44.0), strict=True))
    ]
    head = head_of(listening_page(sounds, [], title="T", a4_hz=441.0))
    assert (head["rate"], head["seconds"], head["title"], head["a4_hz"]) == (48_000, 0.5, "T", 441.0)
    assert (head["keys"], head["key_words"], head["across"]) == (
        ["stick", "speed_mm_s"],
        ["stick", "speed"],
        2,
    )
    assert "At true level all are +30 dB" in head["about"]
    assert "This page holds" not in head["about"]
    assert "-30 to 40 dB SPL" in head["scale"]
    for told, pressure, gain in zip(head["sounds"], pressures, (27.0, 44.0), strict=True):
        stored, rate = soundfile.read(io.BytesIO(base64.b64decode(told["flac"])), dtype="int16")
        assert rate == 48_000
        assert np.abs(stored).max() == 2**15 - 1  # raised to full scale
        for kind, db in (("true", 30.0), ("matched", gain)):
            played = stored.T / 2.0**15 * told[kind]
            wanted = pressure / FULL_SCALE_PA * 10.0 ** (db / 20.0)
            assert played == pytest.approx(wanted, abs=1e-4 * np.abs(wanted).max())
        assert told["level_dba"] == 61.5
        assert told["partials_hz"] == [146.8, 921.0]
        assert told["words"] == "speed 200 mm/s"
    assert [each["values"] for each in head["sounds"]] == [["birch", "0 mm/s"], ["birch", "1 mm/s"]]
    assert [each["name"] for each in head["sounds"]] == [
        "stick=birch_speed_mm_s=0",
        "stick=birch_speed_mm_s=1",
    ]


def test_rows_of_the_picture_are_levels_on_the_scale_that_is_told():
    t = np.arange(RATE) / RATE
    sounds = []
    for rms in (0.2, 0.02):
        pressure = rms * np.sqrt(2.0) * np.sin(2e3 * np.pi * t)[None].repeat(2, axis=0)
        panel = Panel("n", 1.0, tone_levels(pressure), (1000.0,))
        sounds.append(Heard((("n", "1"),), pressure, 0.0, 0.0, 60.0, panel))
    loud, soft = (listening._entry(each, RATE, 80.0) for each in sounds)
    peaks = [max(base64.b64decode(each["levels"])) for each in (loud, soft)]
    assert np.diff(peaks)[0] == pytest.approx(-20.0 / 70.0 * 255.0, abs=1.0)


def test_long_sounds_are_cut_to_what_a_page_holds(monkeypatch):
    monkeypatch.setattr(listening, "LONGEST", 2.0)
    pressure = np.ones((2, 2 * RATE), np.float32)
    panel = Panel("n", 2.0, np.zeros((193, 94)), ())
    sounds = [Heard((("n", str(n)),), pressure, 0.0, 0.0, math.inf, panel) for n in range(2)]
    text = listening_page(sounds, [LeftOut((("n", "</script>"),), "no")], title="T", a4_hz=440.0)
    head = head_of(text)
    assert head["seconds"] == 1.0
    assert "the first 1.0 s" in head["about"]
    assert head["left_out"] == ["n=</script>: no"]
    assert head["sounds"][0]["level_dba"] is None
    samples, _ = soundfile.read(io.BytesIO(base64.b64decode(head["sounds"][0]["flac"])))
    assert samples.shape == (RATE, 2)
    assert samples[-1] == pytest.approx(0.0, abs=1e-3)
    assert len(base64.b64decode(head["sounds"][0]["levels"])) == head["rows"] * math.ceil(RATE / 1024)
