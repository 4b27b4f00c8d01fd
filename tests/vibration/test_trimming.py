"""Looking for places of trim nuts: the quick picture against the full model, and what it leaves out."""

from __future__ import annotations

import math
from types import ModuleType
from typing import Any

import numpy as np
import pytest

from synth.design.instrument import Nut, PlacedNut, Tine
from synth.units import CENT
from synth.vibration.tine import solve_tines
from synth.vibration.trimming.loaded_rod import log_frequencies, quick_picture
from synth.vibration.trimming.search import along, pair, without
from synth.vibration.trimming.settle import LOCKED, Aim, Start, TrimSolution, _Batch, settle


def interval(tine: Tine, length: float, *nuts: tuple[Nut, float], partial: int = 2) -> float:
    """ln of a partial over the fundamental, by the tine's own solver."""
    placed = tuple(PlacedNut(nut, at) for nut, at in nuts)
    hertz = solve_tines([tine], [length], [(*tine.trim, *placed)]).frequency[0, 0]
    return math.log(hertz[partial - 1] / hertz[0])


@pytest.mark.parametrize("ratio", [5.9, 6.1, 6.4])
def test_of_two_nuts_apart_each_does_something_by_itself(bench: Any, ratio: float) -> None:
    """15 cents by the quick picture, which may be off by 6."""
    tine, nut = bench.tine(bench.threaded(4.0, 0.7)), bench.nut("M4")
    starts, ratios = pair(Aim(tine, 0.15, None, ((2, ratio),)), (nut, nut))
    bare = interval(tine, 0.15)
    assert 0 < len(starts) <= 2
    for start in starts:
        assert start.position[1] - start.position[0] >= 2.0 * nut.height
        both = interval(tine, 0.15, *zip(start.nuts, start.position, strict=True))
        assert both == pytest.approx(math.log(ratio), abs=40.0 * CENT)
        for each, at in zip(start.nuts, start.position, strict=True):
            assert abs(interval(tine, 0.15, (each, at)) - bare) > 9.0 * CENT
    assert ratios.min() < ratio < ratios.max()


@pytest.mark.parametrize("own", [0.03, 0.07, 0.11])
def test_two_nuts_are_looked_for_beside_the_tines_own(bench: Any, own: float) -> None:
    m4, nut = bench.threaded(4.0, 0.7), bench.nut("M4")
    bare, with_own = bench.tine(m4), bench.tine(m4, trim=(PlacedNut(nut, own),))
    room = [len(pair(Aim(tine, 0.15, None, ((2, 6.1),)), (nut, nut))[1]) for tine in (bare, with_own)]
    assert 0.75 * room[0] < room[1] < 0.95 * room[0]  # one or two of 41 places, for either nut
    for ratio in (5.95, 6.1, 6.3, 6.5):
        for start in pair(Aim(with_own, 0.15, None, ((2, ratio),)), (nut, nut))[0]:
            assert all(abs(at - own) > nut.height - 0.0019 for at in start.position)  # to half a cell


def test_the_quick_picture_is_the_full_model_to_some_cents_and_that_the_tines_own(bench: Any) -> None:
    """Unlike nuts, one that grips, on a threaded tine that carries one: mass, turning and stiffness each."""
    own = (PlacedNut(bench.nut("M4"), 0.02),)
    tine = bench.tine(bench.threaded(4.0, 0.7), trim=own, root=bench.root(added=1.0), split=1.002, axis=0.3)
    nuts = (bench.nut("M4"), Nut("heavy", 1e-3, 6e-3, 9e-3, 3e-8, 0.8, ""))
    share = np.array([[0.3, 0.5], [0.4, 0.8], [0.55, 0.9], [0.25, 0.7]])
    length, logs = quick_picture(tine, 0.15, nuts, share, pitch=None, partials=3)
    full = log_frequencies([tine] * 4, length, [nuts] * 4, share * length[:, None], partials=3)
    assert np.all(length == 0.15)
    np.testing.assert_allclose(logs[:, 1:] - logs[:, :1], full[:, 1:] - full[:, :1], atol=15.0 * CENT)
    for places, told in zip(share, full, strict=True):
        placed = tuple(PlacedNut(nut, s * 0.15) for nut, s in zip(nuts, places, strict=True))
        hertz = solve_tines([tine], [0.15], [(*own, *placed)]).frequency[0, 0, :3]
        np.testing.assert_allclose(np.exp(told) * math.sqrt(1.002), hertz, rtol=0.1 * CENT)


def test_without_its_wish_a_tine_has_the_ratio_of_its_own_nuts(bench: Any) -> None:
    tine = bench.tine(bench.threaded(4.0, 0.7), trim=(PlacedNut(bench.nut("M4"), 0.07),))
    for partial in (2, 3):
        aim = Aim(tine, 0.15, 110.0, ((partial, 9.0),))
        assert without(aim) == pytest.approx(math.exp(interval(tine, 0.15, partial=partial)), rel=0.1 * CENT)


def test_a_locked_pair_answers_as_one_and_nuts_apart_as_independent_ones() -> None:
    def forgives(locked: bool, pitch: float = 0.7e-3) -> TrimSolution:
        return TrimSolution((), 0.15, (3000.0, -1000.0), locked, pitch)

    assert forgives(True).unforgiving == pytest.approx(2000.0)
    assert forgives(False).unforgiving == pytest.approx(math.sqrt(1e7))
    assert forgives(True).cents_per_turn == pytest.approx(1.4)
    assert forgives(False, pitch=0.0).cents_per_turn is None


@pytest.mark.parametrize(
    ("length", "low", "high", "fits"),
    [
        (150.0, 40.0, 90.0, True),
        (150.0, 1.53, 90.0, True),  # an M4 nut is 3.05 high: half of it above the base nut
        (150.0, 1.52, 90.0, False),
        (150.0, 40.0, 146.9, True),  # the upper one is 6 high
        (150.0, 40.0, 147.1, False),
        (150.0, 40.0, 44.53, True),  # side by side: 3.05 / 2 and 3
        (150.0, 40.0, 44.52, False),
        (150.0, 90.0, 40.0, False),
        (150.0, 40.0, 65.47, True),  # its own nut at 70 takes 1.525, the upper one 3
        (150.0, 40.0, 65.48, False),
        (150.0, 71.0, 90.0, False),
        (600.0, 40.0, 90.0, True),
        (600.1, 40.0, 90.0, False),
        (20.1, 5.0, 12.0, True),
        (19.9, 5.0, 12.0, False),
    ],
)
def test_nuts_fit_between_base_nut_and_tip_beside_each_other_and_the_tines_own(
    bench: Any, length: float, low: float, high: float, fits: bool
) -> None:
    nut = bench.nut("M4")
    tine = bench.tine(bench.threaded(4.0, 0.7), trim=(PlacedNut(nut, 0.07),))
    pair_of = (nut, Nut("high", 2e-3, 6e-3, 9e-3, 9e-8, 0.8, ""))
    start = Start(Aim(tine, 0.15, None, ((2, 6.0),)), pair_of, 0.15, (0.04, 0.09), LOCKED)
    found = _Batch([start])._fits(np.array([length * 1e-3]), np.array([[low, high]]) * 1e-3)
    assert found.tolist() == [fits]


@pytest.mark.parametrize("pitch", [None, 112.0])
@pytest.mark.parametrize("wishes", [((2, 6.1),), ((2, 5.9), (3, 16.5))])
def test_nuts_settle_where_each_state_asked_by_itself_brings_them(
    bench: Any, plain_trimming: ModuleType, pitch: float | None, wishes: tuple[tuple[int, float], ...]
) -> None:
    """Several states are asked of the full model at once, and only what fits is asked how it answers a nut."""
    nut, heavy = bench.nut("M4"), Nut("heavy", 2e-3, 6e-3, 9e-3, 6e-8, 0.6, "")
    own = (PlacedNut(bench.nut("M4"), 0.02),)
    tine = bench.tine(bench.threaded(4.0, 0.7), trim=own, root=bench.root(added=1.0), split=1.002, axis=0.3)
    aim = Aim(tine, 0.15, pitch, wishes)
    looked = [pair(aim, (nut, heavy)), pair(aim, (heavy, heavy))]
    if len(wishes) == 1:
        looked += [along(aim, (nut, nut)), along(aim, (heavy, nut))]  # locked: as many nuts and ways
    starts = [start for some, _ in looked for start in some]
    assert len(starts) > 2
    length, position, cents = plain_trimming.settled(starts)
    found = [(n, each) for n, some in enumerate(settle(starts)) for each in some]
    assert len(found) > 1
    for n, each in found:
        assert each.length == pytest.approx(length[n], rel=1e-9)
        assert [nut.position for nut in each.nuts] == pytest.approx(position[n].tolist(), abs=1e-9)
        assert each.cents_per_metre == pytest.approx(cents[n].tolist(), rel=1e-5, abs=1e-3)


@pytest.mark.parametrize("nuts", [1, 2])
def test_starts_of_which_none_arrives_lead_to_nothing(bench: Any, nuts: int) -> None:
    aim = Aim(bench.tine(bench.threaded(4.0, 0.7)), 0.15, 112.0, ((2, 3.0),))
    start = Start(aim, (bench.nut("M4"),) * nuts, 0.15, (0.04, 0.09)[:nuts], ((1.0,) * nuts,))
    assert settle([start, start]) == [[], []]


@pytest.mark.parametrize("pitch", [None, 95.0, 130.0])
def test_the_quick_picture_takes_no_other_lengths_for_following_one_partial_alone(
    bench: Any, plain_trimming: ModuleType, pitch: float | None
) -> None:
    """Very heavy nuts as well, where the lowest partials lie near to each other."""
    tine = bench.tine(bench.threaded(4.0, 0.7), root=bench.root(added=1.0), split=0.997, axis=-0.4)
    share = np.random.default_rng(2).uniform(0.02, 0.98, (60, 2))
    for grams in (0.7, 20.0, 400.0):
        nuts = [Nut(str(n), grams * 1e-3 / n, 6e-3, 9e-3, 2e-5 * grams * 1e-3, 0.0, "") for n in (1, 3)]
        told = [
            ask(tine, 0.15, nuts, share, pitch=pitch, partials=3)
            for ask in (quick_picture, plain_trimming.picture)
        ]
        for quick, plain in zip(*told, strict=True):
            np.testing.assert_allclose(quick, plain, rtol=1e-11)
