"""Which tines belong together, and which way of trimming comes first, of shares and ways that are written down."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.instrument import PlacedNut
from synth.workshop import trim_roughness, tuning_sheet


def test_tines_belong_together_where_a_mode_near_their_own_pitch_swings_in_both(monkeypatch):
    """Shares of tines (mode, tine, plane). Modes at 220 and 221 Hz swing in 0 and 1, one at 400 in 0 and 2."""
    share = np.zeros((4, 3, 2))
    share[0, :2, 0], share[1, :2, 0], share[2, [0, 2], 0], share[3, 2, 1] = 0.5, 0.45, 0.4, 0.9
    monkeypatch.setattr(tuning_sheet, "energy_share", lambda _: (share, None))
    row = SimpleNamespace(mounted_hz=np.array([220.0, 220.05, 300.0]))
    model = SimpleNamespace(frequency=np.array([220.0, 221.0, 400.0, 300.0]))
    assert tuning_sheet.together(row, model) == [(0, 1)]
    wide = 1200.0 * np.log2(221.0 / 220.0)
    assert tuning_sheet.pulled_apart(row, model, (0, 1)) == pytest.approx(wide)
    across = np.zeros_like(share)
    across[0, :2, 1], across[1, :2, 1] = 0.5, 0.5
    monkeypatch.setattr(tuning_sheet, "energy_share", lambda _: (across, None))
    assert tuning_sheet.pulled_apart(row, model, (0, 1)) == 0.0  # that is no pitch along the row


def solution(unforgiving, name):
    return SimpleNamespace(unforgiving=unforgiving, name=name)


def test_ways_within_a_tenth_of_the_most_forgiving_go_by_roughness_and_so_on():
    judged = [
        (solution(each, each), rough)
        for each, rough in ((2.0, 0.1), (1.0, 0.9), (1.09, 0.5), (1.12, 0.2), (2.15, 0.05))
    ]
    order = [each.name for each, _ in trim_roughness._in_order(judged)]
    assert order == [1.09, 1.0, 1.12, 2.15, 2.0]


def test_every_way_is_looked_for_at_the_pitch_that_the_tine_has_in_its_clamp_with_all_nuts_that_fit(
    monkeypatch,
):
    wished, other, wide = (SimpleNamespace(name=name) for name in ("wished", "other", "wide"))
    own = SimpleNamespace(group=0)
    instrument = SimpleNamespace(tines=(None, own), nuts={"w": wished, "o": other, "x": wide})
    asked = []
    room = trim_roughness
    monkeypatch.setattr(room, "wish_of", lambda _: SimpleNamespace(nut=wished))
    monkeypatch.setattr(room, "fitting_nuts", lambda tine, nuts: [each for each in nuts if each is not wide])
    monkeypatch.setattr(room, "every_answer", lambda *how, **more: asked.append((how, more)) or "ways")
    monkeypatch.setattr(room, "ranked", lambda instrument, row, ways: ways)
    for target, pitch in ((221.0, 219.0), (np.nan, None)):
        row = SimpleNamespace(
            target_hz=np.array([1.0, target]), clamped_hz=np.array([2.0, 219.0]), length=np.array([0.2, 0.1])
        )
        assert room.every_way(instrument, row, 1, also=(3, 17.0)) == "ways"
        assert asked.pop() == (
            (1, own), {"length": 0.1, "pitch": pitch, "nuts": (wished, other), "also": (3, 17.0)},
        )  # fmt: skip


def test_ways_are_as_rough_as_the_ring_of_the_whole_group_is_with_them(monkeypatch):
    """The other tines of the group and this one as it is with the way; those of other groups are not heard."""
    room = trim_roughness
    group = SimpleNamespace(tines=slice(1, 4))
    tines = tuple(SimpleNamespace(group=g, trim=(PlacedNut("own", 0.01),)) for g in (1, 0, 0, 0))
    instrument = SimpleNamespace(tines=tines, groups=(group, None))
    plain = SimpleNamespace(nuts=(), length=0.1, unforgiving=0.0)
    ways = [SimpleNamespace(nuts=(PlacedNut(n, 0.02),), length=0.1 + n, unforgiving=1.0) for n in (1.0, 2.0)]
    found = room.Trimming(2, None, plain, 6.0, tuple(ways), (), {})
    asked = []
    monkeypatch.setattr(room, "solve_tines", lambda *how: asked.append(how) or "solved")
    monkeypatch.setattr(room, "_partials", lambda modes, n: (modes, n))
    heard = {0: 0.5, 1: 0.4, 2: 0.3}
    grated = []

    def grates(partials):
        grated.append(partials)
        return heard[partials[-1][1]]

    monkeypatch.setattr(room, "_grates", grates)
    ranked = room.ranked(instrument, SimpleNamespace(modes="row"), found)
    assert grated == [[("row", 1), ("row", 3), ("solved", n)] for n in range(3)]
    assert (ranked.plain, ranked.rough) == (0.5, (0.3, 0.4))
    assert ranked.found.solutions == (ways[1], ways[0])
    ((solved, lengths, trim),) = asked
    assert solved == [tines[2]] * 3
    assert lengths == [0.1, 1.1, 2.1]
    assert trim == [tines[2].trim, (*ways[0].nuts, *tines[2].trim), (*ways[1].nuts, *tines[2].trim)]
