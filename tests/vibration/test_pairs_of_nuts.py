"""Pairs of nuts apart on a tine, against the quick picture of every pair of places, one above the other or not."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from synth.design.instrument import PlacedNut
from synth.vibration.trimming import search
from synth.vibration.trimming.loaded_rod import quick_picture
from synth.vibration.trimming.settle import Aim

WISHES = (((2, 6.1),), ((2, 6.1), (3, 16.5)))


@pytest.mark.parametrize("pitch", [110.0, None])
@pytest.mark.parametrize("wishes", WISHES, ids=["one wish", "two"])
@pytest.mark.parametrize("grip", [0.0, 0.7])
def test_pairs_start_where_the_picture_of_all_places_meets_the_wishes(
    bench: Any, grip: float, wishes: tuple[tuple[int, float], ...], pitch: float | None
) -> None:
    """A hex nut below a thin one, beside one that is there; starts are the middles of cells they cross."""
    trim = (PlacedNut(bench.nut("M3"), 0.04),)
    aim = Aim(bench.tine(bench.threaded(3.0, 0.5), trim=trim), 0.15, pitch, wishes)
    nuts = bench.nut("M3", grip=grip), bench.nut("M3", form="thin hex")
    starts, ratios = search.pair(aim, nuts)
    gap, count = (0.5, search.FINE) if len(wishes) > 1 else (1.0, search.COARSE)
    share = np.linspace(gap * nuts[0].height, 0.15 - gap * nuts[1].height, count) / 0.15
    grid = np.array([(low, high) for low in share for high in share])
    tall, logs = quick_picture(aim.tine, 0.15, nuts, grid, pitch=pitch, partials=wishes[-1][0])
    low, high = (grid * tall[:, None]).T
    room = high - low >= gap * (nuts[0].height + nuts[1].height)
    for place, nut in ((low, nuts[0]), (high, nuts[1])):
        room &= np.abs(place - 0.04) >= (nut.height + trim[0].nut.height) / 2.0
    np.testing.assert_allclose(ratios, np.exp(logs[room, 1] - logs[room, 0]), rtol=1e-9)
    assert len(starts) > 0
    places = np.array([start.position for start in starts]) / [[start.length] for start in starts]
    for partial, ratio in wishes:
        off = (logs[:, partial - 1] - logs[:, 0] - math.log(ratio)).reshape(count, count)
        i, j = (np.searchsorted(share, each) - 1 for each in places.T)
        corners = np.stack([off[i, j], off[i + 1, j], off[i, j + 1], off[i + 1, j + 1]])
        assert np.all(corners.min(axis=0) < search.BLUR)
        assert np.all(corners.max(axis=0) > -search.BLUR)
