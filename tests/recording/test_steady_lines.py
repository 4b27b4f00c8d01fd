"""A glance at a sound: where its lines are, which of them stay, and whether a voice made them."""

import numpy as np
import pytest

from synth.recording.steady_lines import Glance, glance, voiced

RATE = 48_000
HALF = round(0.15 * RATE)
NOW = np.arange(2 * HALF) / RATE


def lines(*parts):
    """(Hz in the first half, in the second, level, by how much the second half is louder in power)."""
    sound = 1e-6 * np.random.default_rng(2).normal(size=2 * HALF)
    late = np.arange(2 * HALF) >= HALF
    for first, second, level, louder in parts:
        wave = np.where(late, np.cos(2.0 * np.pi * second * NOW), np.cos(2.0 * np.pi * first * NOW + 1.0))
        sound += level * np.where(late, np.sqrt(louder), 1.0) * wave
    return sound


def test_lines_are_told_between_the_bins_at_the_levels_of_the_samples():
    """Bins are 3.3 Hz apart: a bin aside, or a parabola the wrong way round, would be one of these off."""
    hertz, level = np.array([201.3, 733.7, 1902.4, 5000.9]), np.array([0.1, 0.04, 0.02, 0.05])
    seen = glance(lines(*((hz, hz, share, 1.0) for hz, share in zip(hertz, level, strict=True))), RATE)
    order = np.sort(np.argsort(-seen.level)[:4])  # a window's side lobes stand 31 dB below
    order = order[np.argsort(seen.hertz[order])]
    assert seen.hertz[order] == pytest.approx(hertz, abs=0.15)
    assert seen.level[order] == pytest.approx(level, rel=0.1)
    assert seen.steady[order].all()
    assert seen.rough[order].all()


@pytest.mark.parametrize(
    ("moved", "louder", "steady", "rough"),
    [
        (0.0, 1.0, True, True),
        (2.2, 1.0, True, True),  # 1.2 Hz and 12 cents, 1.4 Hz of 200
        (-3.2, 1.0, False, True),
        (7.0, 1.0, False, True),
        (14.0, 1.0, False, False),
        (0.0, 5.0, True, True),  # planes beat
        (0.0, 7.5, False, False),  # what grows so was not struck
        (0.0, 0.05, True, True),
    ],
)
def test_a_line_is_steady_that_hardly_moves_and_does_not_grow(moved, louder, steady, rough):
    still = (1500.0, 1500.0, 0.05, 1.0)
    seen = glance(lines((200.0, 200.0 + moved, 0.1, louder), still), RATE)
    low = int(np.argmin(np.abs(seen.hertz - 200.0 - moved)))
    assert (seen.steady[low], seen.rough[low]) == (steady, rough)
    assert seen.steady[int(np.argmin(np.abs(seen.hertz - 1500.0)))]


def test_a_line_has_been_there_before_if_it_was_half_as_loud_or_louder():
    def seen(hertz, level):
        return Glance(np.array(hertz), np.array(level), np.ones(len(hertz), bool), np.ones(len(hertz), bool))

    now = seen([200.0, 300.0, 400.0, 500.0, 3000.0], [1.0, 1.0, 1.0, 1.0, 0.1])
    before = seen([201.0, 300.0, 405.0, 502.0, 3018.0], [0.6, 0.4, 9.0, 9.0, 0.2])
    assert now.since(before).tolist() == [True, False, False, True, True]  # 1.2 Hz and 12 cents apart at most
    assert now.since(seen([], [])).tolist() == [False] * 5


def test_too_little_sound_or_none_shows_no_lines():
    assert not len(glance(np.zeros(2 * HALF), RATE).hertz)
    assert not len(glance(lines((200.0, 200.0, 0.1, 1.0))[: round(0.09 * RATE)], RATE).hertz)


@pytest.mark.parametrize(
    ("hertz", "level", "said"),
    [
        ([150.0, 300.0, 450.0, 600.0], None, True),
        ([300.0, 450.0, 600.0, 750.0], None, True),  # its first is missing
        ([100.0, 201.6, 297.6, 403.2], None, True),  # it glides: a hundredth of each multiple
        ([100.0, 203.0, 294.0, 406.0], None, False),
        ([200.0, 300.0, 400.0, 600.0], None, False),  # octaves and a fifth of rods
        ([110.0, 689.4, 1930.5, 3783.0], None, False),  # a clamped rod: 1, 6.267, 17.55, 34.39
        ([150.0, 300.0, 450.0, 600.0], [1.0, 1.0, 1.0, 0.02], True),
        ([150.0, 300.0, 450.0, 600.0], [1.0, 1.0, 1.0, 0.005], False),  # too faint to count
        ([800.0, 1600.0, 2400.0, 3200.0], None, False),  # no voice is so high
        ([30.0, 60.0, 90.0], None, False),
        ([], None, False),
    ],
)
def test_four_multiples_in_a_row_of_a_voices_pitch_are_a_voice(hertz, level, said):
    level = np.ones(len(hertz)) if level is None else np.array(level)
    assert voiced(np.array(hertz), level) is said
