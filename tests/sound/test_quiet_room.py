"""A quiet room as a spectrum, and what stands above it."""

from __future__ import annotations

import numpy as np
import pytest

from synth.design.rooms import RoomNoise
from synth.sound.audio import RATE
from synth.sound.bands import BandHistory, a_weighted_db, window_levels
from synth.sound.quiet_room import NC_CURVES, nc_curve, room_spectrum, seconds_above
from synth.sound.room_noise import noise_octaves, noise_stream

DB = 1.0


def test_curves_rise_with_their_number_and_fall_with_frequency():
    table = np.array(list(NC_CURVES.values()))
    assert table.shape == (11, 8)
    assert np.all(np.diff(table, axis=0) > 0.0)
    assert np.all(np.diff(table, axis=1) < 0.0)
    assert [*NC_CURVES] == list(range(15, 66, 5))


@pytest.mark.parametrize(
    ("number", "levels"),
    [
        (15, (47, 36, 29, 22, 17, 14, 12, 11)),
        (20, (51, 40, 33, 26, 22, 19, 17, 16)),
        (25, (54, 44, 37, 31, 27, 24, 22, 21)),
        (30, (57, 48, 41, 35, 31, 29, 28, 27)),
        (35, (60, 52, 45, 40, 36, 34, 33, 32)),
        (40, (64, 56, 50, 45, 41, 39, 38, 37)),
        (45, (67, 60, 54, 49, 46, 44, 43, 42)),
        (50, (71, 64, 58, 54, 51, 49, 48, 47)),
        (55, (74, 67, 62, 58, 56, 54, 53, 52)),
        (60, (77, 71, 67, 63, 61, 59, 58, 57)),
        (65, (80, 75, 71, 68, 66, 64, 63, 62)),
    ],
)
def test_a_quiet_room_is_the_published_curve(number, levels):
    # ANSI/ASA S12.2, Table 1 (from memory)
    assert nc_curve(number) == pytest.approx(np.array(levels, float))


def test_between_curves_it_goes_in_proportion_and_beyond_them_not_at_all():
    assert nc_curve(17.5) == pytest.approx(0.5 * (nc_curve(15) + nc_curve(20)))
    for number in (10.0, 66.0):
        with pytest.raises(ValueError, match="NC-15"):
            nc_curve(number)


def test_nc_20_is_about_thirty_decibel_a():
    # NC numbers lie 6 to 12 dB below the level in dB(A) (common practice, no published source)
    assert 26.0 < a_weighted_db(nc_curve(20)) < 32.0


@pytest.mark.parametrize("level", [20.0, 30.0, 37.0, 45.0])
def test_a_room_of_so_many_decibel_a_has_that_level(level):
    assert a_weighted_db(room_spectrum(level)) == pytest.approx(level, abs=1e-6)


def test_a_room_of_thirty_decibel_a_has_the_shape_of_its_curve():
    assert room_spectrum(30.0) == pytest.approx(nc_curve(18.6), abs=0.5 * DB)
    assert room_spectrum() == pytest.approx(room_spectrum(30.0))


def test_each_octave_is_told_how_long_it_stands_above():
    time = np.arange(0.0, 4.0, 0.05)
    noise = np.linspace(50.0, 15.0, 8)
    level = np.full((8, len(time)), -np.inf)
    level[1] = noise[1] + 30.0 - 15.0 * time  # above until 2 s
    level[3] = np.where(time < 1.0, noise[3] + 10.0, -20.0)  # from before the onset, until 1 s
    level[6] = noise[6] + np.where((time > 2.5) & (time < 3.0), 1.0, -1.0)  # swells later
    level[7] = noise[7] + 1.0  # to the end
    found = seconds_above(BandHistory(time, level), noise, since=0.5)
    assert found == pytest.approx([0.0, 1.45, 0.0, 0.45, 0.0, 0.0, 2.45, 3.45], abs=0.06)


def test_what_is_over_before_the_onset_is_not_counted():
    history = BandHistory(np.array([0.0, 1.0, 2.0]), np.full((8, 3), 90.0) * np.array([1.0, 0.0, 0.0]))
    assert seconds_above(history, nc_curve(20), since=0.5) == pytest.approx(np.zeros(8))


def test_the_noise_of_a_room_goes_on_from_block_to_block():
    """In blocks of any length it is the same sound, nothing comes twice, and each ear has a noise of its own."""
    levels = room_spectrum(30.0)
    one, other = noise_stream(levels, 0.2), noise_stream(levels, 0.2)
    parts = np.concatenate([one(each) for each in (100, 1, 700)], axis=1)
    np.testing.assert_array_equal(parts, other(801))
    assert np.abs(parts[:, :100] - parts[:, 101:201]).max() > 0.1 * np.abs(parts).max()
    assert np.abs(parts[0] - parts[1]).max() > 0.1 * np.abs(parts).max()


@pytest.mark.parametrize(("noise", "dba"), [(RoomNoise(dba=38.0), 38.0), (RoomNoise(nc=35.0), None)])
def test_the_noise_has_the_level_that_the_design_says(noise, dba):
    wanted = noise_octaves(noise)
    sound = np.concatenate([noise_stream(wanted, 0.18)(n) for n in (100_000, 1, 200_000)], axis=1)
    found = window_levels(sound, RATE, since=0.5, until=5.5)
    assert found.octaves_db == pytest.approx(wanted, abs=0.7 * DB)
    if dba is not None:
        assert found.total_dba == pytest.approx(dba, abs=0.5 * DB)
    else:
        assert wanted == pytest.approx([60, 52, 45, 40, 36, 34, 33, 32])  # NC-35, from memory


def test_two_ears_hear_low_noise_alike_and_high_noise_apart():
    sound = noise_stream(np.full(8, 60.0), 0.18)(1 << 18)
    spectrum = np.fft.rfft(sound)
    hertz = np.fft.rfftfreq(sound.shape[1], 1 / RATE)
    for low, high in ((63, 100), (3000, 4000)):
        part = spectrum[:, (hertz > low) & (hertz < high)]
        cross = (part[0] * part[1].conj()).sum() / np.sqrt((np.abs(part) ** 2).sum(axis=1).prod())
        middle = 2 * np.pi * 0.5 * (low + high) * 0.18 / 343.2
        assert cross.real == pytest.approx(np.sinc(middle / np.pi), abs=0.1)
