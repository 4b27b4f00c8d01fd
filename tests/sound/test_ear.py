"""What the ear would say: a made stroke whose body changes while its attack stays."""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import pytest

from synth.sound.bands import OCTAVES, WindowLevels
from synth.sound.ear import THRESHOLD_DB, EarMeasures, describe, onset, stroke_sentences, words
from synth.sound.loudness import measure
from synth.sound.zwicker import loudness_over_time

RATE = 48_000
DB = 1.0
LOW, MIDDLE, HIGH = 1, 4, 6


def stroke(low_db: float, high_db: float = 65.0, *, start: float = 0.2, seconds: float = 3.0) -> np.ndarray:
    """A D3 that rings and partials about 4 kHz that are over in a quarter of a second, in both ears."""
    now = np.arange(round((seconds - start) * RATE)) / RATE
    parts = [(147.0, low_db, 9.0), (3950.0, high_db, 0.25), (921.0, 40.0, 1.0)]
    sound = np.zeros(round(seconds * RATE))
    for hertz, level_db, decay in parts:
        peak = math.sqrt(2.0) * 20e-6 * 10.0 ** (level_db / 20.0)
        sound[len(sound) - len(now) :] += (
            peak * 10.0 ** (-3.0 * now / decay) * np.sin(2 * math.pi * hertz * now)
        )
    return np.stack([sound, sound])


@pytest.fixture(scope="module")
def bar() -> EarMeasures:
    return describe(stroke(24.0), RATE)


@pytest.fixture(scope="module")
def foam() -> EarMeasures:
    return describe(stroke(66.0), RATE)


def levels(total_dba: float, **octave: float) -> WindowLevels:
    """Levels with so much in the octaves named like `_125`."""
    found = np.full(8, -math.inf)
    for name, level in octave.items():
        found[[63, 125, 250, 500, 1000, 2000, 4000, 8000].index(int(name[1:]))] = level
    return WindowLevels(found, total_dba)


def heard(attack: WindowLevels, body: WindowLevels, loudest: float = 4.0, later: float = 1.0) -> EarMeasures:
    return EarMeasures(loudest, loudest, later, attack, body, np.zeros(8))


def test_a_level_at_the_attack_hides_what_the_words_tell(bar, foam):
    assert measure(stroke(66.0), RATE).loudest - measure(stroke(24.0), RATE).loudest < 1.0 * DB
    attack, body, loudest, later = words(bar, foam)
    assert attack.startswith("Attack the same (")
    assert "the 125 Hz octave +42 dB (24 to 65 dB)" in attack
    assert body == "Body +42 dB (2 to 44 dB(A)); the 125 Hz octave +42 dB, now heard (16 to 58 dB)."
    assert loudest.startswith("At its loudest")
    assert later.startswith("A second on 0")


def test_the_octaves_of_attack_and_body_are_those_of_their_windows(foam):
    # it falls by 60 dB in 9 s; the windows' middles are at 0.0625 and 1.25 s
    assert foam.attack.octaves_db[LOW] == pytest.approx(66.0 - 60.0 / 9.0 * 0.0625, abs=0.4 * DB)
    assert foam.body.octaves_db[LOW] == pytest.approx(66.0 - 60.0 / 9.0 * 1.25, abs=0.2 * DB)
    assert foam.body.octaves_db[HIGH] < 0.0
    assert foam.body.octaves_db[MIDDLE] < THRESHOLD_DB[MIDDLE] + 40.0 - 60.0


def test_a_second_on_is_counted_from_the_onset(foam):
    later = describe(stroke(66.0, start=0.9, seconds=3.7), RATE)
    assert later.at_1s_sone == pytest.approx(foam.at_1s_sone, rel=0.01)
    assert later.attack.octaves_db[LOW] == pytest.approx(foam.attack.octaves_db[LOW], abs=0.3 * DB)
    assert later.above_room_s == pytest.approx(foam.above_room_s, abs=0.06)
    told = describe(stroke(66.0), RATE, since=0.2)
    assert told.at_1s_sone == pytest.approx(foam.at_1s_sone, rel=0.01)


def test_what_stands_above_a_quiet_room_and_how_long(foam, bar):
    # 66 dB falling 60 dB in 9 s over 38 dB of the room's 125 Hz: to the end of 2.8 s; 4 kHz over 16: 0.2 s
    assert foam.above_room_s[LOW] == pytest.approx(2.8, abs=0.1)
    assert bar.above_room_s[LOW] == 0.0
    assert foam.above_room_s[HIGH] == pytest.approx(0.25 * 49.0 / 60.0, abs=0.1)
    loud = describe(stroke(66.0), RATE, room_db=np.full(8, 60.0))
    assert loud.above_room_s[LOW] == pytest.approx(0.9, abs=0.1)


def test_the_onset_is_where_the_power_begins():
    assert onset(stroke(66.0), RATE) == pytest.approx(0.2, abs=5e-3)
    assert onset(np.zeros((2, RATE)), RATE) == 0.0
    assert onset(np.zeros((2, 0)), RATE) == 0.0


def test_a_sound_too_short_for_a_body_says_so(bar):
    short = describe(stroke(66.0, seconds=0.9), RATE)
    assert math.isnan(short.at_1s_sone)
    assert math.isnan(short.body.total_dba)
    assert np.isfinite(short.attack.octaves_db[LOW])
    assert "Body cannot be compared: a sound is too short." in words(bar, short)


def test_silence_is_described_and_compared():
    silent = describe(np.zeros((2, 3 * RATE)), RATE)
    assert silent.loudest_sone == 0.0
    assert words(silent, silent) == ["Attack unheard in both.", "Body unheard in both."]


def test_nothing_changed_is_told_as_nothing():
    one = heard(levels(60.0, _1000=60.0), levels(40.0, _125=56.0))
    assert words(one, one) == [
        "Attack the same (60 to 60 dB(A)).",
        "Body the same (40 to 40 dB(A)).",
        "At its loudest 4 to 4 sone: as loud.",
        "A second on 1 to 1 sone: as loud.",
    ]


def test_an_octave_that_goes_its_own_way_is_told_and_one_that_goes_along_is_not():
    before = heard(levels(60.0, _1000=60.0, _125=40.0), levels(40.0, _125=56.0, _500=30.0))
    after = heard(levels(60.0, _1000=60.0, _125=60.0), levels(50.0, _125=66.0, _500=30.0))
    attack, body, *_ = words(before, after)
    assert attack == "Attack the same (60 to 60 dB(A)), but the 125 Hz octave +20 dB (40 to 60 dB)."
    assert body == "Body +10 dB (40 to 50 dB(A))."


def test_what_cannot_be_heard_is_not_told_to_change():
    before = heard(levels(60.0, _1000=60.0, _63=0.0), levels(10.0, _125=30.0))
    after = heard(levels(60.0, _1000=60.0, _63=35.0), levels(-20.0, _125=0.0))
    attack, body, *_ = words(before, after)
    assert attack == "Attack the same (60 to 60 dB(A))."
    assert body == "Body -10 dB (10 dB(A) to unheard)."


def test_the_three_octaves_that_part_most_from_the_whole_are_told_in_their_order():
    before = heard(
        levels(60.0, _125=60.0, _250=60.0, _500=60.0, _1000=60.0, _2000=60.0), levels(40.0, _125=56.0)
    )
    after = heard(
        levels(60.0, _125=75.0, _250=56.0, _500=40.0, _1000=62.0, _2000=70.0), levels(40.0, _125=56.0)
    )
    assert words(before, after)[0] == (
        "Attack the same (60 to 60 dB(A)), but the 125 Hz octave +15 dB (60 to 75 dB), "
        "the 500 Hz octave -20 dB (60 to 40 dB), the 2000 Hz octave +10 dB (60 to 70 dB)."
    )


@pytest.mark.parametrize(("change", "said"), [(0.8, "the same"), (1.2, "+1 dB"), (-1.2, "-1 dB")])
def test_a_decibel_is_what_is_just_heard(change, said):
    one, other = levels(60.0, _1000=60.0), levels(60.0 + change, _1000=60.0 + change)
    assert words(heard(one, one), heard(other, other))[0].startswith(f"Attack {said} (")


@pytest.mark.parametrize("k", range(8))
def test_the_threshold_of_hearing_is_where_loudness_begins(k):
    # two sources of one fact: ISO 389-7 here, Zwicker's LTQ with the ear's corrections in ISO 532-1 there
    now = np.arange(RATE) / RATE
    tone = math.sqrt(2.0) * 20e-6 * np.sin(2.0 * math.pi * OCTAVES[k] * now)
    below, above = (
        loudness_over_time(10.0 ** ((THRESHOLD_DB[k] + each) / 20.0) * tone, RATE).sone[400]
        for each in (-8.0, 8.0)
    )
    assert below == pytest.approx(0.0, abs=2e-3)
    assert above > 5e-3


def test_octaves_come_and_go():
    before = heard(levels(60.0, _1000=60.0, _250=50.0), levels(60.0, _1000=60.0))
    after = heard(levels(60.0, _1000=60.0, _250=0.0), levels(60.0, _1000=60.0, _4000=30.0))
    attack, body, *_ = words(before, after)
    assert attack.endswith("but the 250 Hz octave -50 dB, no longer heard (50 to 0 dB).")
    assert body.endswith("but the 4000 Hz octave now heard (silent to 30 dB).")


def test_twice_the_sone_is_twice_as_loud():
    one = heard(levels(60.0, _1000=60.0), levels(40.0, _125=56.0), loudest=4.0, later=1.0)
    two = dataclasses.replace(one, loudest_sone=8.0, at_1s_sone=0.25)
    assert words(one, two)[2:] == [
        "At its loudest 4 to 8 sone: 2 times as loud.",
        "A second on 1 to 0.25 sone: 0.25 times as loud.",
    ]
    assert words(one, dataclasses.replace(one, loudest_sone=0.0))[2] == "At its loudest 4 to 0 sone."


def test_one_stroke_is_told_by_what_can_be_heard_of_it():
    """63 Hz are not heard at 30 dB, 1 kHz are at 20; an octave that never stands above the room is not told."""
    above = np.array([0.0, 1.24, 0.0, 0.0, 3.0, 0.0, 0.0, 0.0])
    told = EarMeasures(
        1.234, 1.0, 0.512, levels(21.4, _63=30.0, _125=25.0, _1000=20.0, _8000=12.0),
        levels(-3.0, _63=36.0), above, sharpness_acum=2.345,
    )  # fmt: skip
    assert stroke_sentences(told) == [
        "Loudness 1.2 sone at its loudest, 0.51 a second on (ISO 532-1); sharpness 2.3 acum there (DIN 45692).",
        "Attack: 125 Hz 25, 1000 Hz 20 dB SPL; 21 dB(A).",
        "Body: no octave that can be heard, at most 36 dB SPL; unheard.",
        "Above the noise of a quiet room (30 dB(A)): 125 Hz for 1.2 s, 1000 Hz for 3.0 s.",
    ]
    short = dataclasses.replace(
        told, at_1s_sone=math.nan, sharpness_acum=math.nan, body=WindowLevels(np.full(8, math.nan), math.nan),
        above_room_s=np.zeros(8),
    )  # fmt: skip
    assert stroke_sentences(short) == [
        "Loudness 1.2 sone at its loudest (ISO 532-1).",
        "Attack: 125 Hz 25, 1000 Hz 20 dB SPL; 21 dB(A).",
        "Above the noise of a quiet room (30 dB(A)): no octave.",
    ]
