"""Lengths of transforms against scipy's own choice."""

from __future__ import annotations

from scipy.fft import next_fast_len

from synth.sound.fast_length import fast_length


def test_lengths_are_those_that_scipy_chooses_for_real_signals():
    for least in [*range(1, 3000), 48_000, 65_537, 384_001, 2_999_999]:
        assert fast_length(least) == next_fast_len(least, real=True)
