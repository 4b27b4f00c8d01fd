"""Whole recordings: what is reported, what is said about it, and what is said instead of a guess."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from synth.errors import InputError
from synth.recording.measurement import Measurement

TINE = [(92.0, 20.0, 0.3), (577.8, 3.7, 0.2), (1617.8, 1.34, 0.1), (3170.0, 0.69, 0.05)]
Listen = Callable[..., Measurement]


def test_each_tap_of_a_file_is_measured(studio: Any, listen: Listen) -> None:
    sound = studio.noise(8.0, 1e-3)
    for time, gain in ((0.5, 1.0), (3.1, 0.6)):
        sound += studio.late(gain * studio.ring(TINE, 8.0), time)[: len(sound)]
    measured = listen(sound)
    assert [round(tap.time, 1) for tap in measured.taps] == [0.5, 3.1]
    for tap in measured.taps:
        assert [p.frequency for p in tap.partials] == pytest.approx([hz for hz, _, _ in TINE], rel=0.1 / 1731)
        assert [p.decay for p in tap.partials] == pytest.approx([decay for _, decay, _ in TINE], rel=0.02)
    assert [p.level for p in measured.taps[0].partials] == pytest.approx([a for _, _, a in TINE], rel=0.03)
    assert [p.level for p in measured.taps[1].partials[1:]] == pytest.approx([0.12, 0.06, 0.03], rel=0.03)
    assert measured.warnings == ()


def test_a_pair_says_how_it_beats(studio: Any, listen: Listen) -> None:
    sound = studio.ring([(577.8, 3.7, 0.3), (578.8, 3.4, 0.2)], 4.0) + studio.noise(4.0, 1e-3)
    (tap,) = listen(sound).taps
    assert len(tap.partials) == 2
    assert tap.partials[0].note == "beats 1 times a second with the next"


def test_two_stages_are_both_reported(studio: Any, listen: Listen) -> None:
    sound = studio.ring([(440.0, 1.0, 0.3), (440.02, 9.0, 0.1)], 5.0, phase=0.0) + studio.noise(5.0, 1e-3)
    (tap,) = listen(sound).taps
    assert sorted(p.decay for p in tap.partials) == pytest.approx([1.0, 9.0], rel=0.05)
    assert "decays in two stages with the next: 1 s, then 9 s" in tap.partials[0].note


def test_a_pair_too_close_for_the_recording_is_not_guessed(studio: Any, listen: Listen) -> None:
    """0.3 Hz apart and gone within a second: no method tells them (Cramer-Rao), and the note says so."""
    sound = studio.ring([(440.0, 0.6, 0.2), (440.3, 0.6, 0.2)], 0.4) + studio.noise(0.4, 0.01)
    (partial,) = listen(sound).taps[0].partials
    assert partial.splits > 0.3
    assert partial.note.startswith("one, or more within")
    assert partial.note.endswith("Hz: cannot tell")


def test_a_decay_beyond_the_recording_is_not_guessed(studio: Any, listen: Listen) -> None:
    sound = studio.ring([(440.0, 3000.0, 0.2)], 0.7) + studio.noise(0.7, 0.02)
    (partial,) = listen(sound).taps[0].partials
    assert np.isnan(partial.decay)
    assert np.isnan(partial.decay_deviation)
    assert "decay: cannot tell" in partial.note
    assert partial.frequency == pytest.approx(440.0, abs=5.0 * partial.frequency_deviation)


@pytest.mark.parametrize("mains", [49.95, 60.03])
def test_hum_is_left_out_and_a_tine_beside_it_stays(studio: Any, listen: Listen, mains: float) -> None:
    tine = [(2.0 * mains + 0.4, 12.0, 0.2), (640.0, 3.0, 0.1)]
    time = np.arange(5 * studio.rate) / studio.rate
    hum = sum(0.01 / n * np.cos(2.0 * np.pi * n * mains * time + n) for n in (1, 2, 3, 5))
    measured = listen(hum + studio.late(studio.ring(tine, 4.5), 0.5) + studio.noise(5.0, 1e-3))
    (tap,) = measured.taps
    assert [p.frequency for p in tap.partials] == pytest.approx([hz for hz, _, _ in tine], abs=0.01)
    assert measured.warnings == (f"{round(mains)} Hz hum, multiples 1, 2, 3, 5: left out",)


def test_a_decaying_tine_on_a_multiple_of_the_mains_is_no_hum(studio: Any, listen: Listen) -> None:
    measured = listen(studio.ring([(100.0, 15.0, 0.2)], 5.0) + studio.noise(5.0, 1e-3))
    assert [round(p.frequency, 2) for p in measured.taps[0].partials] == [100.0]
    assert measured.warnings == ()


def test_a_bent_pickup_makes_distortion_and_no_partials(studio: Any, listen: Listen) -> None:
    clean = studio.ring([(180.0, 9.0, 0.3), (1128.0, 2.5, 0.1)], 4.0)
    measured = listen(clean + 0.3 * clean**2 + 0.3 * clean**3 + studio.noise(4.0, 1e-4))
    (tap,) = measured.taps
    kinds = {round(p.frequency): p.kind for p in tap.partials}
    assert kinds[180] == kinds[1128] == "partial"
    assert kinds[360] == kinds[540] == "distortion"
    assert [hz for hz, kind in kinds.items() if kind == "partial"] == [180, 1128]
    note = next(p.note for p in tap.partials if round(p.frequency) == 360)
    assert "exactly 2 x 180.00 Hz, decaying 2 times as fast" in note


def test_a_tine_trimmed_to_six_times_its_pitch_is_no_distortion(studio: Any, listen: Listen) -> None:
    """Its decay is a sixth too where the loss factor is flat; a pickup would show the multiples below."""
    measured = listen(studio.ring([(180.0, 9.0, 0.3), (1080.0, 1.5, 0.1)], 4.0) + studio.noise(4.0, 1e-3))
    assert [p.kind for p in measured.taps[0].partials] == ["partial", "partial"]


def test_a_harmonic_sound_is_not_taken_for_a_tine(studio: Any, listen: Listen) -> None:
    parts = [(220.0 * n, 3.0, 0.2 / n) for n in (1, 2, 3, 4, 5)]
    measured = listen(studio.ring(parts, 3.0) + studio.noise(3.0, 1e-3))
    assert any("1 : 2 : 3 : 4 : 5 times 220.00 Hz" in each for each in measured.warnings)
    assert any("looks like a harmonic or processed" in each for each in measured.warnings)


def test_an_envelope_in_steps_is_told_by_its_sidebands(studio: Any, listen: Listen) -> None:
    time = np.arange(2 * studio.rate) / studio.rate
    stepped = 10.0 ** (-3.0 * np.floor(time / 0.016) * 0.016 / 1.5)
    sound = 0.5 * stepped * np.cos(2.0 * np.pi * 1321.7 * time) + studio.noise(2.0, 1e-5)
    assert any("level moves in steps of 16.0 ms" in each for each in listen(sound).warnings)


def test_after_clipping_only_what_is_whole_is_used(studio: Any, listen: Listen) -> None:
    sound = np.clip(studio.ring([(440.0, 3.0, 1.6)], 3.0), -1.0, 1.0 - 2.0**-15)
    measured = listen(sound, subtype="PCM_16")
    (partial,) = measured.taps[0].partials
    assert measured.taps[0].free_from == pytest.approx(np.log10(1.6), abs=0.01)  # 1.6 x 10^-t = 1
    assert partial.decay == pytest.approx(3.0, rel=1e-3)
    assert any(each.startswith("clipped") for each in measured.warnings)


def test_noise_alone_is_refused(studio: Any, listen: Listen) -> None:
    with pytest.raises(InputError, match="nothing in it rings"):
        listen(studio.noise(3.0, 0.05))


def test_a_knock_that_does_not_ring_is_told(studio: Any, listen: Listen) -> None:
    knock = studio.noise(0.004, 0.3)
    sound = studio.noise(5.0, 1e-4)
    sound[2 * studio.rate : 2 * studio.rate + len(knock)] += knock
    sound += studio.late(studio.ring(TINE, 2.0), 3.0)
    measured = listen(sound)
    assert len(measured.taps) == 1
    assert any("nothing rings clear of the noise after the knock at 2.00 s" in e for e in measured.warnings)
