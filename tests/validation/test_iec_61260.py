"""IEC 61260-1:2014: exact mid frequencies (clause 5.4 and Annex E) and band edges (5.5), base ten; from memory."""

from __future__ import annotations

import numpy as np
import pytest

from synth.sound.bands import NOMINAL_HZ, OCTAVES, band_edges, mid_frequencies

OCTAVE_MIDDLES = [63.096, 125.89, 251.19, 501.19, 1000.0, 1995.3, 3981.1, 7943.3]
THIRDS = [25.119, 31.623, 39.811, 50.119, 63.096, 79.433, 100.0]


def test_octaves_have_their_exact_middles():
    assert pytest.approx(OCTAVE_MIDDLES, rel=4e-5) == OCTAVES
    assert len(NOMINAL_HZ) == len(OCTAVES)


def test_thirds_of_octaves_have_their_exact_middles():
    assert mid_frequencies(-16, -10, fraction=3) == pytest.approx(THIRDS, rel=2e-5)


@pytest.mark.parametrize(("fraction", "low", "high"), [(1, 707.95, 1412.5), (3, 891.25, 1122.0)])
def test_bands_about_a_thousand_hertz_have_their_edges(fraction, low, high):
    assert band_edges(np.array([1000.0]), fraction=fraction)[0] == pytest.approx([low, high], rel=3e-5)


def test_where_one_octave_ends_the_next_begins():
    low, high = band_edges(OCTAVES).T
    assert low[1:] == pytest.approx(high[:-1], rel=1e-12)
