"""Figures of a recording as the commands give them: a measurement and an advice put in by hand, read by name."""

import csv
import json
import math
import re
from types import SimpleNamespace

import numpy as np
import pytest

from synth.doors.cli import run
from synth.recording import audio_input, partials, retune
from synth.recording.calibrate import Calibration, Fitted, Rejected
from synth.recording.calibration_list import calibration_data, calibration_words
from synth.recording.match import MatchedPartial, TineAssignment
from synth.recording.measurement import Measurement, Partial, TapPartials
from synth.recording.parameters import Unknown
from synth.recording.predicted_partials import PredictedPartials
from synth.recording.retune import Retune

ONE = Partial(440.25, 0.011, 2.5, 0.07, 0.02, 0.03, 0.6, 0.01j, "partial", "clear")
TWO = Partial(2750.5, 0.21, math.nan, math.nan, 0.004, 0.12, 1.7, 0.001j, "harmonic", "of the first")
THREE = Partial(147.0, 0.31, 0.75, 0.09, 0.1, 0.05, 2.7, 0.05j)
TAPS = (TapPartials(0.31, 0.02, 1.62, (ONE, TWO)), TapPartials(2.05, 0.03, 0.93, (THREE,)))


@pytest.fixture
def heard(monkeypatch, tmp_path):
    monkeypatch.setattr(audio_input, "read_recording", lambda *_, **__: SimpleNamespace())
    monkeypatch.setattr(partials, "measure_taps", lambda _: Measurement("tap.wav", TAPS, ("mind the hum",)))
    return tmp_path


def test_measure_gives_every_figure_in_data_in_its_file_and_in_words(heard, capsys):
    assert run(["measure", "tap.wav", "--json", "--csv", str(heard / "a.csv")]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["warnings"] == ["mind the hum"]
    assert [tap["time_s"] for tap in told["taps"]] == [0.31, 2.05]
    with (heard / "a.csv").open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    given = [(n, tap, each) for n, tap in enumerate(TAPS, start=1) for each in tap.partials]
    data = [each for tap in told["taps"] for each in tap["partials"]]
    assert run(["measure", "tap.wav"]) == 0
    printed = [
        line.split()
        for line in capsys.readouterr().out.splitlines()
        if line.strip()[:3] in ("440", "275", "147")
    ]
    for (number, tap, each), told_row, row, words in zip(given, data, rows, printed, strict=True):
        known = math.isfinite(each.decay)
        level = 20.0 * math.log10(each.level)
        spread = 20.0 * math.log10(1.0 + each.level_deviation)
        assert told_row == {
            "frequency_hz": each.frequency, "frequency_sd_hz": each.frequency_deviation,
            "decay_s": each.decay if known else None, "decay_sd_s": each.decay_deviation if known else None,
            "level_db": pytest.approx(level), "note": each.note,
        }  # fmt: skip
        assert (int(row["tap"]), float(row["time_s"])) == (number, tap.time)
        assert float(row["frequency_hz"]) == each.frequency
        assert float(row["frequency_sd_hz"]) == each.frequency_deviation
        assert (row["decay_s"], row["decay_sd_s"]) == (
            (str(each.decay), str(each.decay_deviation)) if known else ("", "")
        )
        assert float(row["level_db"]) == pytest.approx(level)
        assert float(row["level_sd_db"]) == pytest.approx(spread)
        assert (float(row["splits_hz"]), row["kind"], row["note"]) == (each.splits, each.kind, each.note)
        cents = 1200.0 / math.log(2.0) * each.frequency_deviation / each.frequency
        assert words[:7] == [
            f"{each.frequency:.3f}", f"{each.frequency_deviation:.2g}", f"{cents:.2g}",
            f"{each.decay:.3g}" if known else "?", f"{each.decay_deviation:.1g}" if known else "?",
            f"{level:.1f}", f"{spread:.1g}",
        ]  # fmt: skip


@pytest.mark.parametrize(
    ("sounds", "way", "clock", "what", "other", "doubts"),
    [
        (221.0, "down, towards the bar", "with the clock", "Lengthen", 1, ("it stood askew", "by guess")),
        (219.0, "up, towards the tip", "against", "Shorten", None, ()),
    ],
)
def test_tune_gives_its_advice_in_millimetres_and_turns_and_the_right_way_round(
    slat, heard, capsys, monkeypatch, sounds, way, clock, what, other, doubts
):
    """A tine that sounds too high is lengthened: its nut goes down by 0.21 mm, 0.3 turns of 0.7 mm."""
    shorten = -0.21e-3 if sounds > 220.0 else 0.21e-3
    asked = []

    def advised(instrument, row, tine, taps, target):
        asked.append((tine, taps, target))
        return Retune(sounds, 0.02, target, 1, shorten, 0.7e-3, other, doubts)

    monkeypatch.setattr(retune, "retune", advised)
    words = ["tune", str(slat.design), "tap.wav", "--tine", "low.3"]
    assert run([*words, "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert asked == [(2, TAPS, pytest.approx(220.0))]
    off = 1200.0 * math.log2(sounds / 220.0)
    assert told == {
        "tine": "low.3", "sounds_hz": sounds, "sounds_sd_hz": 0.02, "target_hz": pytest.approx(220.0),
        "cents": pytest.approx(off), "cents_sd": pytest.approx(1200.0 * math.log2(1.0 + 0.02 / sounds)),
        "told_by_partial": 2, "shorten_mm": pytest.approx(1e3 * shorten),
        "turns_up": pytest.approx(shorten / 0.7e-3),
        "more_like": None if other is None else "low.2", "doubts": list(doubts),
    }  # fmt: skip
    assert run(words) == 0
    said = capsys.readouterr().out
    side = "above" if off > 0.0 else "below"
    assert (
        f"low.3 sounds {sounds:.2f} Hz, told by partial 2, {abs(off):.1f} cents {side} its 220.00 Hz (A3 +0)"
        in said
    )
    assert (
        f"{what} the free length by 0.21 mm: turn the base nut 0.30 turns (2.4 eighths) {way}; {clock}"
        in said
    )
    assert f"{abs(off) / 0.3:.1f} cents a turn" in said
    told_in_words = [line.removeprefix("In doubt: ") for line in said.splitlines() if "In doubt" in line]
    assert told_in_words[: len(doubts)] == [f"{each}." for each in doubts]
    assert len(told_in_words) == len(doubts) + (other is not None)
    assert ("the partials fit low.2 better" in said) == (other is not None)
    assert run([*words, "--target-hz", "230"]) == 0
    assert asked[-1][2] == 230.0
    assert np.isfinite(off)


def test_a_calibration_tells_every_figure_before_and_after_of_its_own_line(slat):
    """Tine low.3 heard in both planes at once, aside.1 across the row; rates of other figures than frequencies."""

    def predicted(shift):
        frequency = np.array([[[220.0, 1380.0], [224.0, 1390.0]], [[293.0, 1840.0], [297.0, 1850.0]]]) * shift
        rate = np.array([[[1.1, 2.2], [1.3, 2.6]], [[3.1, 4.2], [3.3, 4.6]]]) * shift**2
        return PredictedPartials(np.array([3, 2]), frequency[::-1], rate[::-1])

    lines = (
        MatchedPartial(2, 1, None, 1381.0, 1e-4, 2.5, 0.1),
        MatchedPartial(3, 0, 1, 299.0, 1e-4, math.nan, math.nan),
    )
    youngs, grip = (
        Unknown("youngs", "steel", "youngs_gpa", 193.0, 1.0, 400.0, lambda _: ()),
        Unknown("nut-grip", "M4 hex", "grip", 0.7, 0.0, 1.0, lambda _: ()),
    )
    found = Calibration(
        fitted=(Fitted(youngs, 188.5, 1.25), Fitted(grip, 0.62, 0.04)),
        correlation=np.array([[1.0, -0.35], [-0.35, 1.0]]),
        rejected=(Rejected(grip, "it moves nothing", "tap another"),),
        lines=lines, before=predicted(1.0), after=predicted(1.01), edits=(), warnings=("mind it",),
    )  # fmt: skip
    claims = [
        TineAssignment(tap, tine, 3.0, n == 1) for n, (tap, tine) in enumerate(zip(TAPS, (2, 3), strict=True))
    ]
    told = calibration_data(slat.instrument, claims, found)
    assert told["taps"] == [
        {"time_s": 0.31, "tine": "low.3", "found": False},
        {"time_s": 2.05, "tine": "aside.1", "found": True},
    ]
    assert told["fitted"] == [
        {"name": "youngs of steel", "key": "youngs_gpa", "before": 193.0, "after": 188.5, "sd": 1.25},
        {"name": "nut-grip of M4 hex", "key": "grip", "before": 0.7, "after": 0.62, "sd": 0.04},
    ]
    assert told["correlation"] == [[1.0, -0.35], [-0.35, 1.0]]
    assert told["rejected"] == [
        {"name": "nut-grip of M4 hex", "reason": "it moves nothing", "would_tell": "tap another"}
    ]
    assert told["warnings"] == ["mind it"]
    both, across = math.sqrt(1380.0 * 1390.0), 297.0
    fall, more = math.log(1e3), 1200.0 * math.log2(1.01)

    def line(name, partial, plane, hertz, model, decay, rate):
        cents = 1200.0 * math.log2(model / hertz)
        return {
            "tine": name, "partial": partial, "plane": plane, "frequency_hz": hertz,
            "before_cents": pytest.approx(cents), "after_cents": pytest.approx(cents + more), "decay_s": decay,
            "before_s": pytest.approx(fall / rate), "after_s": pytest.approx(fall / rate / 1.01**2),
        }  # fmt: skip

    assert told["partials"] == [
        line("low.3", 2, "both", 1381.0, both, pytest.approx(fall / 2.5), math.sqrt(2.2 * 2.6)),
        line("aside.1", 1, "across", 299.0, across, None, 3.3),
    ]
    words = calibration_words(slat.instrument, found, 100)
    assert re.search(r"youngs of steel +youngs_gpa +193 +188\.5 +1\.2\n", words)
    before = 1200.0 * math.log2(both / 1381.0)
    assert re.search(rf"low\.3 +2 +both +1381\.00 +\{before:+.1f} +\{before + more:+.1f} ", words)
    assert re.search(r"youngs of steel +\+1\.00 +-0\.35", words)
