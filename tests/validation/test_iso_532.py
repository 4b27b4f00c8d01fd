"""ISO 532-1:2017: its own signals, and others by MoSQITo (tests/data, written by scripts/loudness_table.py)."""

from __future__ import annotations

import csv
import functools
import runpy
from pathlib import Path

import numpy as np
import pytest

from synth.sound.zwicker import (
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
