"""ISO 532-1:2017: its own signals, and others by MoSQITo (tests/data, written by scripts/loudness_table.py)."""

from __future__ import annotations

import csv
import functools
import runpy
from pathlib import Path

import numpy as np
import pytest

from synth.sound.zwicker import (
    STEP,
    LoudnessOverTime,
    loudness_over_time,
    stationary_sone,
    third_octave_levels_db,
)

ROOT = Path(__file__).parents[2]
TABLE = runpy.run_path(str(ROOT / "scripts" / "loudness_table.py"))
CHECKS = ROOT / "tests" / "data" / "iso_532_checks.csv"
RATE = 48_000
SONE = 1.0

# Annex B.2, test signal 1: a machine's third-octave levels and its loudness (from memory)
MACHINE_DB = [
    -60,
    -60,
    78,
    79,
    89,
    72,
    80,
    89,
    75,
    87,
    85,
    79,
    86,
    80,
    71,
    70,
    72,
    71,
    72,
    74,
    69,
    65,
    67,
    77,
]
MACHINE_DB += [68, 58, 45, 30]
# Annex B.3, test signals 2 to 4: Hz, dB SPL, sone (from memory). The standard allows 5 % or 0.1 sone.
STEADY = [(250.0, 80.0, 14.655), (1000.0, 60.0, 4.019), (4000.0, 40.0, 1.549)]


@functools.lru_cache
def signals() -> dict[str, np.ndarray]:
    return TABLE["signals"]()


@functools.lru_cache
def heard(name: str) -> LoudnessOverTime:
    return loudness_over_time(signals()[name], RATE)


def value(loudness: LoudnessOverTime, quantity: str) -> float:
    if quantity.startswith("at "):
        return loudness.at_sone(float(quantity.split()[1]))
    return {"loudest": loudness.loudest_sone, "N5": loudness.n5_sone}[quantity]


def rows() -> list[dict[str, str]]:
    with CHECKS.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_the_machine_of_the_standard_has_its_loudness():
    assert stationary_sone(np.array(MACHINE_DB, float)) == pytest.approx(83.296, abs=0.002 * SONE)


@pytest.mark.parametrize(("hertz", "level_db", "sone"), STEADY)
def test_the_steady_tones_of_the_standard_have_their_loudness(hertz, level_db, sone):
    sound = TABLE["sine"](hertz, level_db, 2.0)
    steady = stationary_sone(third_octave_levels_db(sound, RATE))
    assert steady == pytest.approx(sone, rel=0.006)  # a tenth of what is allowed
    assert loudness_over_time(sound, RATE).loudest_sone == pytest.approx(steady, rel=1e-3)


def test_a_sone_is_a_thousand_hertz_at_forty_decibels():
    # the definition of the sone, ISO 532-1 clause 3
    assert loudness_over_time(TABLE["sine"](1000.0, 40.0, 1.0), RATE).loudest_sone == pytest.approx(
        1.0, abs=0.002
    )


@pytest.mark.parametrize("name", dict.fromkeys(row["signal"] for row in rows()))
def test_an_independent_program_hears_the_same_at_any_time(name):
    mine = [row for row in rows() if row["signal"] == name]
    assert len(mine) == 2 + len(TABLE["TIMES"])
    for row in mine:
        # what it gives is rounded to a thousandth before the weighting
        assert value(heard(name), row["quantity"]) == pytest.approx(
            float(row["sone"]), rel=2e-4, abs=1e-3 * SONE
        ), row


def test_the_table_holds_every_signal_and_names_its_source():
    assert {row["signal"] for row in rows()} == set(signals())
    assert {row["source"] for row in rows()} == {"MoSQITo 1.2.1, Apache License 2.0"}


@pytest.mark.slow
@pytest.mark.filterwarnings("ignore")
def test_the_program_itself_says_so_where_it_is_at_hand():
    pytest.importorskip("mosqito", reason="MoSQITo is not importable; its values are in tests/data")
    name = "partials of a tine"
    for quantity, sone in TABLE["measured"](signals()[name]):
        assert value(heard(name), quantity) == pytest.approx(sone, rel=2e-4, abs=1e-3 * SONE)


# Sharpness by DIN 45692 of the steady signals, acum: MoSQITo 1.2.1 (sharpness_din_st, Apache License 2.0)
SHARPNESS = {
    "1 kHz 60 dB": 1.0033,
    "250 Hz 80 dB": 0.4231,
    "4 kHz 40 dB": 2.7532,
    "80 Hz 50 dB": 0.1176,
    "many tones 60 dB": 2.0326,
}


@pytest.mark.parametrize(("name", "acum"), SHARPNESS.items())
def test_sharpness_of_steady_sounds_is_that_of_an_independent_program(name, acum):
    assert steady_acum(signals()[name]) == pytest.approx(acum, rel=0.03, abs=0.01)


def steady_acum(sound):
    """0.8 s after it began, when the click of its beginning is over."""
    return loudness_over_time(sound, RATE).acum[round(0.8 / STEP)]


def test_a_critical_band_of_noise_at_a_kilohertz_and_60_db_has_one_acum():
    """The definition of the unit (DIN 45692:2009): a band as wide as a critical band, 920 to 1080 Hz."""
    now = np.arange(RATE) / RATE
    draw = np.random.default_rng(2)
    hertz = np.arange(920.0, 1081.0, 1.0)
    noise = np.sum(np.sin(2.0 * np.pi * (hertz[:, None] * now + draw.random((len(hertz), 1)))), axis=0)
    noise *= 20e-6 * 10.0 ** (60.0 / 20.0) / np.sqrt(np.mean(noise**2))
    assert steady_acum(noise) == pytest.approx(1.0, abs=0.06)


def test_a_brighter_sound_is_sharper_at_the_same_loudness():
    def both(low_db, high_db):
        sound = TABLE["sine"](250.0, low_db) + TABLE["sine"](6000.0, high_db)
        return steady_acum(sound)

    assert both(70.0, 40.0) < both(60.0, 50.0) < both(50.0, 60.0)
