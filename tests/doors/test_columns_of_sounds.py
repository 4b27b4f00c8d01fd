"""Every figure of a stroke's report and of a comparison is that of what sounded, in the unit that its name says.

Units are put in by hand here: what a column is called and what it holds are compared, not the code that fills it.
"""

import csv
import json
import math

import numpy as np
import pytest
import soundfile

from synth.playing.stroke import Stroke
from synth.sound import ear, features, loudness
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.bands import NOMINAL_HZ
from synth.sound.render import ContactSettings, perform, scene
from synth.sound.ringing import heard_roughness

TOUCH = {  # key of the report: field of TineTouch and its unit
    "first_touch_s": ("first_touch", 1.0),
    "last_release_s": ("last_release", 1.0),
    "touches": ("touches", 1),
    "greatest_force_n": ("greatest_force", 1.0),
    "energy_j": ("energy", 1.0),
    "greatest_bend_mm": ("bend", 1e-3),
    "root_stress_mpa": ("root_stress", 1e6),
    "strike_number": ("strike_number", 1.0),
}


def test_the_report_of_a_stroke_is_of_the_stroke_that_every_option_makes(slat, tmp_path):
    from synth.playing.contact.stroke_contact import stroke_row
    from synth.sound.modal_state import ModalState

    words = {
        "--group": "aside", "--stick": "brass", "--direction": "backward", "--speed-mm-s": 350, "--bite-mm": 1.1,
        "--lean": 0.3, "--height-mm": 2.0, "--tilt-deg": 50, "--skew-deg": 4, "--pressure-n": 0.4,
        "--hand": "loose", "--seed": 5, "--seconds": 0.4, "--through": "panel", "--gain-db": -20,
        "-o": tmp_path / "a.wav", "--report": tmp_path / "a.json",
    }  # fmt: skip
    slat.said("stroke", *(each for pair in words.items() for each in pair))
    told = json.loads((tmp_path / "a.json").read_text())
    degree = math.pi / 180.0
    stroke = Stroke(
        group=1, stick=slat.instrument.sticks["brass"], speed=0.35, direction="backward", bite=1.1e-3, lean=0.3,
        height=2e-3, tilt=50.0 * degree, skew=4.0 * degree, pressure=0.4, hand="loose",
    )  # fmt: skip
    listening = scene(slat.instrument, "panel")
    contact = stroke_row(
        stroke, slat.instrument, listening.row.modes, seed=5, ringing=ModalState(listening.model).ahead(0.0)
    )
    assert (told["group"], told["stick"], told["direction"]) == ("aside", "brass", "backward")
    touches = sorted(contact.touches, key=lambda each: each.tine)
    assert [each["tine"] for each in told["tines"]] == [1, 2] == [each.tine - 2 for each in touches]
    for each, touch in zip(told["tines"], touches, strict=True):
        assert each["regime"] == touch.regime
        for key, (field, unit) in TOUCH.items():
            assert each[key] == pytest.approx(getattr(touch, field) / unit), key
        assert each["along_mm"] == pytest.approx(1e3 * np.array(touch.along))
        assert each["across_mm"] == pytest.approx(1e3 * np.array(touch.across))
    sound = perform(listening, [stroke], seconds=0.4, settings=ContactSettings(seed=5)).sound()
    written, rate = soundfile.read(tmp_path / "a.wav")
    assert rate == RATE
    np.testing.assert_allclose(written.T, 0.1 * sound / FULL_SCALE, atol=2.0**-23)


def test_a_comparison_has_the_figures_of_the_files_beside_it(slat, tmp_path):
    """Each figure of comparison.csv is that of the file beside it, measured here."""
    out = tmp_path / "x"
    slat.said(
        "compare", "--group", "low", "--seconds", 0.8, "--vary", "speed_mm_s=150,900", "--seed", 2, "-o", out
    )
    listening = scene(slat.instrument, "bar")
    with (out / "comparison.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [each["combination"] for each in rows] == ["speed_mm_s=150", "speed_mm_s=900"]
    gains = []
    for each in rows:
        assert each["file"] == f"{each['combination']}.wav"
        true, matched = (soundfile.read(out / kind / each["file"])[0].T for kind in ("true", "matched"))
        true_gain, matched_gain = float(each["true_gain_db"]), float(each["matched_gain_db"])
        gains.append((true_gain, matched_gain))
        between = 20.0 * math.log10(np.sqrt(np.mean(matched**2) / np.mean(true**2)))
        assert between == pytest.approx(matched_gain - true_gain, abs=0.01)
        pressure = true * FULL_SCALE / 10.0 ** (true_gain / 20.0)
        heard = loudness.measure(pressure, RATE)
        assert float(each["loudest_dba"]) == pytest.approx(heard.loudest, abs=0.06)
        assert float(each["average_dba"]) == pytest.approx(heard.average, abs=0.06)
        lufs = loudness.integrated(pressure / FULL_SCALE, RATE)
        # empty where all of it is below the meter's gate of -70 LUFS
        assert float(each["loudness_lufs"] or -math.inf) == pytest.approx(lufs, abs=0.06)
        since, until = touched(listening, float(each["combination"].split("=")[1]))
        attack = features.attack_time(pressure, RATE, since=since, until=until + features.SMOOTH)
        assert float(each["attack_ms"]) == pytest.approx(1e3 * attack, rel=0.01)
        assert float(each["centroid_hz"]) == pytest.approx(features.centroid(pressure, RATE), rel=2e-3)
        told = ear.describe(pressure, RATE)
        assert float(each["loudest_sone"]) == pytest.approx(told.loudest_sone, rel=0.01)
        if each["body_500_db"]:
            level = max(told.body.octaves_db[NOMINAL_HZ.index(500)], ear.THRESHOLD_DB[NOMINAL_HZ.index(500)])
            assert float(each["body_500_db"]) == pytest.approx(level, abs=0.1)
        if each["roughness"]:
            rough = rung(listening, float(each["combination"].split("=")[1]))
            assert float(each["roughness"]) == pytest.approx(rough, rel=0.01)
    assert gains[0][0] == gains[1][0]  # one gain for all that are true
    assert gains[0][1] > gains[1][1] + 3.0  # the slow stroke needs more to sound as loud
    assert loud(out, rows[0]) == pytest.approx(loud(out, rows[1]), abs=0.05)
    assert float(rows[1]["energy_mj"]) > float(rows[0]["energy_mj"]) > 0.0
    assert rows[1]["loudness_lufs"]


def touched(position, speed_mm_s):
    """From the first touch of the same stroke to its last release, s."""
    stick = next(iter(position.instrument.sticks.values()))
    stroke = Stroke(group=0, stick=stick, speed=1e-3 * speed_mm_s)
    tines = perform(position, [stroke], seconds=0.8, settings=ContactSettings(seed=2)).reports[0]["tines"]
    tines = [each for each in tines if each["first_touch_s"] is not None]
    return min(each["first_touch_s"] for each in tines), max(each["last_release_s"] for each in tines)


def rung(position, speed_mm_s):
    """The roughness of the same stroke, from its last release on."""
    stick = next(iter(position.instrument.sticks.values()))
    stroke = Stroke(group=0, stick=stick, speed=1e-3 * speed_mm_s)
    ring = perform(position, [stroke], seconds=0.8, settings=ContactSettings(seed=2)).rings[0]
    return heard_roughness(position, ring, since=touched(position, speed_mm_s)[1])


def loud(out, each):
    return loudness.integrated(soundfile.read(out / "matched" / each["file"])[0].T, RATE)


def test_a_comparison_tells_energy_stress_and_decay_of_the_stroke(slat, tmp_path):
    out = tmp_path / "x"
    slat.said(
        "compare", "--group", "aside", "--seconds", 1.5, "--vary", "stick=brass", "--bite-mm", 1.2, "-o", out
    )
    with (out / "comparison.csv").open(encoding="utf-8", newline="") as file:
        (each,) = csv.DictReader(file)
    listening = scene(slat.instrument, "bar")
    stroke = Stroke(group=1, stick=slat.instrument.sticks["brass"], bite=1.2e-3)
    rendering = perform(listening, [stroke], seconds=1.5)
    tines = rendering.reports[0]["tines"]
    assert float(each["energy_mj"]) == pytest.approx(1e3 * sum(tine["energy_j"] for tine in tines), rel=1e-3)
    assert float(each["greatest_stress_mpa"]) == pytest.approx(
        max(t["root_stress_mpa"] for t in tines), rel=1e-3
    )
    lowest = 3 if listening.row.mounted_hz[3] < listening.row.mounted_hz[4] else 4
    own = {"group": "aside", "tine": lowest - 2, "plane": "along"}
    modes = [mode for mode in slat.data("modes")["assembly"] if mode["strongest"] == own]
    for partial in range(3):
        hz = listening.row.modes.frequency[lowest, 0, partial]
        nearest = min(modes, key=lambda mode: abs(math.log(mode["frequency_hz"] / hz)))
        assert float(each[f"decay_{partial + 1}_s"]) == pytest.approx(nearest["decay_s"], rel=2e-3)
