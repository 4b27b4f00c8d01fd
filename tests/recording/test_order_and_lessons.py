"""What a session makes of its design: the order of work, the middle of planes, what a lesson leaves alone."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from synth.arrays import Array
from synth.design.file import load
from synth.design.resolve import resolve
from synth.recording import learnt_lengths, tuning_session
from synth.recording.tuning_file import LastTap
from synth.recording.tuning_session import TuningSession, TuningWishes, wished_targets
from synth.vibration.solve import solve_row

from .test_tuning_session import DESIGN, RATE, Shop


@pytest.fixture(scope="module")
def shop(tmp_path_factory: pytest.TempPathFactory) -> Shop:
    return Shop(tmp_path_factory.mktemp("order"))


def test_the_middle_of_the_planes_is_that_of_a_round_rod_and_a_target_is_along_the_row(
    tmp_path: Path,
) -> None:
    """On a flat bar, which parts a tine's planes by itself; rods 14 cents out of round in some direction."""
    flat = DESIGN.replace("width_mm = 60.0, height_mm = 40.0", "width_mm = 60.0, height_mm = 10.0")
    found = {}
    for split in (0.0, 14.0):
        (tmp_path / f"{split}").mkdir()
        shop = Shop(tmp_path / f"{split}", f"{flat}[tines]\nsplit_cents = {split}\nseed = 5\n")
        found[split] = (
            wished_targets(shop.instrument, shop.row, TuningWishes()),
            shop.model.frequency[:, :, 0],
        )
    (round_, planes), (targets, apart) = found[0.0], found[14.0]
    np.testing.assert_allclose(targets.target, [147.0, 220.0, 220.0, 330.0, 494.0, 700.0])
    np.testing.assert_allclose(round_.middle, np.sqrt(np.prod(planes, axis=1)), rtol=1e-6)

    def cents(ratio: Array) -> Array:
        return 1200.0 * np.log2(ratio)

    assert np.max(np.abs(cents(targets.middle / round_.middle))) < 0.3
    assert (
        np.max(np.abs(cents(np.sqrt(np.prod(apart, axis=1)) / targets.target))) > 3.0
    )  # not that of this rod


def test_a_lesson_that_changes_nothing_leaves_every_length_as_it_is_on_its_bar(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Lengths for a vice would be others: the bar moves these pitches by a cent and more."""
    monkeypatch.setattr(learnt_lengths, "_piece", lambda *_: ((), ()))
    monkeypatch.setattr(learnt_lengths, "calibrate", lambda *_: SimpleNamespace(edits=()))
    found = learnt_lengths.lesson(shop.instrument, shop.row, {}, RATE, cut={0, 3})
    assert found.uncut == (1, 2, 4, 5)
    np.testing.assert_allclose(found.after, shop.row.length, rtol=1e-7)
    np.testing.assert_array_equal(found.before, shop.row.length)
    assert np.max(np.abs(np.log2(shop.row.mounted_hz / shop.row.clamped_hz))) > 1.0 / 1200.0


def test_a_lesson_is_of_todays_first_taps_and_leaves_alone_what_was_cut_on_an_earlier_day(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    asked: list[Any] = []
    monkeypatch.setattr(tuning_session, "lesson", lambda *given, cut: asked.append((given, cut)))
    session = shop.session()
    session.progress.last = dict.fromkeys((0, 2, 4), LastTap(0.0, 0.1, "", 20.0))
    session._first = {4: (0.5, np.ones(3, np.float32))}
    session.lesson()
    ((instrument, row, first, rate), cut) = asked[0]
    assert (instrument, row, rate, cut) == (shop.instrument, shop.row, RATE, {0, 2, 4})
    assert (list(first), first[4].dtype) == ([4], np.float64)


def test_of_two_of_one_pitch_the_heavier_rod_is_first_by_its_mass_not_its_thread(tmp_path: Path) -> None:
    """M4 has the mass of a rod of 3.5 mm: a plain one of 3.6 mm, longer at one pitch, weighs more."""
    design = DESIGN.replace('stock = "M3"', 'stock = "M4"').replace(
        "  { pitch_hz = 220.0 },\n", '  { pitch_hz = 220.0 },\n  { pitch_hz = 220.0, stock = "plain" },\n', 1
    )
    path = tmp_path / "a.toml"
    path.write_text(design.replace("M3 hex", "M4 hex") + '[stock.plain]\nkind = "plain"\ndiameter_mm = 3.6\n')
    instrument = resolve(load(str(path)), str(path))
    row = solve_row(instrument)
    thread, plain = instrument.tines[1].rod, instrument.tines[2].rod
    assert plain.diameter < thread.diameter
    assert row.modes.mass[2] > row.modes.mass[1]
    session = TuningSession(instrument, row, TuningWishes(), rate=RATE, path=None)
    order = session.progress.order
    assert order.index(2) < order.index(1)


def test_a_lesson_weighs_lengths_as_set_by_hand_and_what_was_clipped(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rule and eye: 0.3 mm. Tines in their order, each tap of the tine it is kept for."""
    takes: list[Any] = []

    def measured(take: Any) -> Any:
        takes.append(take)
        return SimpleNamespace(taps=(f"tap {len(takes)}", "another"))

    def named(taps: Any, model: Any, tines: Any) -> Any:
        assert model.tine.tolist() == tines == [1, 4]
        return list(zip(taps, tines, strict=True))

    monkeypatch.setattr(learnt_lengths, "measure_taps", measured)
    monkeypatch.setattr(learnt_lengths, "name_tines", named)
    monkeypatch.setattr(
        learnt_lengths,
        "matched_partials",
        lambda claim, model: [SimpleNamespace(tine=claim[1], tap=claim[0])],
    )
    sound = {4: np.array([0.2, -1.0, 0.999, 1.2]), 1: np.array([0.5, -0.5])}
    piece, found = learnt_lengths._piece(shop.instrument, shop.row, sound, RATE)
    assert list(map(vars, piece.lines)) == [{"tine": 1, "tap": "tap 1"}, {"tine": 4, "tap": "tap 2"}]
    assert [take.clipped.tolist() for take in takes] == [[False, False], [False, True, False, True]]
    assert {take.rate for take in takes} == {RATE}
    assert piece.length_deviation == pytest.approx(0.3e-3)
    assert (piece.instrument, piece.file) == (shop.instrument, shop.instrument.file)
    np.testing.assert_array_equal(piece.length, shop.row.length)
    assert piece.trim == shop.row.trim
    assert {each.kind for each in found} >= {"bend-diameter", "youngs", "clamp-loss"}


def test_a_tine_without_a_pitch_is_none_that_a_lesson_is_of_use_to(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    from dataclasses import replace

    monkeypatch.setattr(learnt_lengths, "_piece", lambda *_: ((), ()))
    monkeypatch.setattr(learnt_lengths, "calibrate", lambda *_: SimpleNamespace(edits=()))
    monkeypatch.setattr(learnt_lengths, "tune", lambda *_: shop.row)
    target = shop.row.target_hz.copy()
    target[[2, 3]] = np.nan
    found = learnt_lengths.lesson(shop.instrument, replace(shop.row, target_hz=target), {}, RATE, cut={0, 3})
    assert found.uncut == (1, 4, 5)


def test_tines_whose_fundamental_quarrels_with_the_bar_come_last_those_of_an_overtone_do_not(
    shop: Shop, monkeypatch: pytest.MonkeyPatch
) -> None:
    quarrels = [SimpleNamespace(tine=0, partial=1), SimpleNamespace(tine=1, partial=2)]
    monkeypatch.setattr(tuning_session, "solve_quarrels", lambda *_: quarrels)
    plain = shop.session().progress.order
    assert plain[-1] == 0
    assert set(plain[:2]) == {1, 2}
    assert shop.session(first=4).progress.order[0] == 4
