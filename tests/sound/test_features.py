"""What is measured of a sound, on sounds of which it is known by formula."""

import math

import numpy as np
import pytest

from synth.sound import features, loudness
from synth.sound.audio import FULL_SCALE

RATE = 48_000
TIME = np.arange(2 * RATE) / RATE


def sine(hz, level=1.0):
    return level * np.sin(2.0 * math.pi * hz * TIME)


def test_an_attack_runs_from_a_tenth_to_nine_tenths_of_the_envelopes_peak():
    """A straight rise of 50 ms passes eight tenths in 40 ms; at half the slope it takes twice as long."""
    for rise in (0.05, 0.1):
        level = np.minimum(TIME / rise, 1.0) * np.exp(-np.maximum(TIME - rise, 0.0))
        sound = np.stack([level * sine(3000.0)] * 2)
        assert features.attack_time(sound, RATE) == pytest.approx(0.8 * rise, rel=0.03)
    assert math.isnan(features.attack_time(np.zeros((2, 1000)), RATE))


def test_the_centroid_weighs_by_power():
    """0.1 of 400 Hz and 0.3 of 2000 Hz weigh 1 to 9."""
    sound = np.stack([sine(400.0, 0.1) + sine(2000.0, 0.3)] * 2)
    assert features.centroid(sound, RATE) == pytest.approx((400.0 + 9.0 * 2000.0) / 10.0, rel=1e-4)


@pytest.mark.parametrize(("seconds", "within"), [(0.5, 0.08), (1.5, 0.03)])  # a band of 25 Hz blurs by 20 ms
def test_a_decay_is_the_time_to_fall_by_sixty_decibels_of_its_own_partial(seconds, within):
    """Struck at once, at the very start of the file: nothing may wrap round from there to its end."""
    other = 10.0 ** (-3.0 * TIME / 0.2) * sine(2500.0)
    sound = np.stack([10.0 ** (-3.0 * TIME / seconds) * sine(440.0) + other] * 2)
    assert features.partial_decay(sound, RATE, 440.0) == pytest.approx(seconds, rel=within)
    assert features.partial_decay(sound, RATE, 2500.0) == pytest.approx(0.2, rel=0.05)


def test_a_decay_is_told_from_the_first_twenty_decibels_below_five():
    """ISO 3382-1's T20: a tail that lingers below -50 dB does not count."""
    bend = 50.0 / 60.0
    lingers = 10.0 ** (-2.5) * 10.0 ** (-3.0 * (TIME - bend) / 20.0)
    bent = np.where(bend > TIME, 10.0 ** (-3.0 * TIME), lingers)
    assert features.partial_decay(np.stack([bent * sine(440.0)] * 2), RATE, 440.0) == pytest.approx(
        1.0, rel=0.05
    )


@pytest.mark.parametrize("seconds", [2.0, 4.0, 10.0, 40.0])
def test_a_decay_is_right_or_is_not_told_where_the_file_ends_before_the_ring(seconds):
    """In two seconds these fall by 60, 30, 12 and 3 dB: the end of a file must not pass for that of a sound."""
    told = features.partial_decay(np.stack([10.0 ** (-3.0 * TIME / seconds) * sine(440.0)] * 2), RATE, 440.0)
    assert told == pytest.approx(seconds, rel=0.05) or (seconds > 3.0 and math.isnan(told))


def test_two_ears_that_hear_the_same_hear_as_loud_as_one():
    one = loudness.measure(sine(1000.0)[None], RATE)
    both = loudness.measure(np.stack([sine(1000.0)] * 2), RATE)
    assert both.loudest == pytest.approx(one.loudest)
    assert both.average == pytest.approx(one.average)
    assert both.peak == one.peak == pytest.approx(1.0, rel=1e-3)
    # 1 Pa of peak is 0.707 rms: 90.97 dB re 20 uPa, and A weighs 1 kHz by nothing
    assert one.average == pytest.approx(20.0 * math.log10(math.sqrt(0.5) / 20e-6), abs=0.05)
    silent = loudness.measure(np.stack([sine(1000.0), 0.0 * TIME]), RATE)
    assert silent.average == pytest.approx(one.average - 3.01, abs=0.02)


def gains():
    sounds = [
        np.stack([sine(hz, pascals)] * 2) for hz, pascals in ((200.0, 0.1), (1000.0, 0.02), (3000.0, 0.4))
    ]
    heard = [loudness.measure(each, RATE) for each in sounds]
    return sounds, heard, [loudness.integrated(each / FULL_SCALE, RATE) for each in sounds]


def test_matched_gains_make_all_as_loud_and_the_tightest_just_fit_a_decibel_below_full_scale():
    sounds, heard, loud = gains()
    found = loudness.matched_gains(loud, heard)
    after = [each + gain for each, gain in zip(loud, found, strict=True)]
    assert after == pytest.approx([after[0]] * 3)
    peaks = [
        np.abs(each).max() / FULL_SCALE * 10.0 ** (gain / 20.0)
        for each, gain in zip(sounds, found, strict=True)
    ]
    assert 20.0 * math.log10(max(peaks)) == pytest.approx(-1.0, abs=0.01)


def test_a_shared_gain_fits_the_loudest_with_a_decibel_to_spare_in_whole_decibels():
    sounds, heard, _ = gains()
    gain = loudness.shared_gain(heard)
    assert gain == round(gain)
    top = 20.0 * math.log10(max(np.abs(each).max() for each in sounds) / FULL_SCALE) + gain
    assert -2.0 < top <= -1.0


def test_words_speak_of_the_level_with_the_gain():
    quiet = loudness.Loudness(loudest=20.0, average=10.0, peak=1e-3)
    plain, turned = (" ".join(loudness.words(quiet, gain_db=gain)) for gain in (0.0, 20.0))
    assert "At the listener 20 dB(A)" in plain
    assert "At the listener 20 dB(A)" in turned
    assert "--gain-db 45 lets you hear it" in plain  # to a comfortable 65 dB(A)
    assert "--gain-db" not in turned  # 40 dB(A) is heard
    assert "Mind your ears: headphones at true level give 90 dB(A)" in " ".join(
        loudness.words(quiet, gain_db=70.0)
    )
