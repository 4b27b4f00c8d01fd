"""Modes as they are listed, from a model made by hand: every figure of its own tine, plane and mode."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.workshop import mode_list, tuning_sheet
from synth.workshop.mode_list import assembly_data, bar_data, mode_words, tine_data

# two groups, the second of two tines; of the last tine two partials
GROUPS = (SimpleNamespace(name="low"), SimpleNamespace(name="high"))
TINES = tuple(SimpleNamespace(group=g, number=n) for g, n in ((0, 4), (1, 1), (1, 2)))
INSTRUMENT = SimpleNamespace(groups=GROUPS, tines=TINES)
EXISTS = np.array([[True, True, True], [True, True, True], [True, True, False]])
HERTZ = np.arange(1.0, 19.0).reshape(3, 2, 3) * 10.0
ROW = SimpleNamespace(
    modes=SimpleNamespace(frequency=HERTZ, decay=HERTZ / 1000.0, exists=EXISTS),
    length=np.array([0.101, 0.092, 0.083]),
    target_hz=np.array([71.0, 72.0, 73.0]),
    mounted_hz=np.array([61.0, 62.0, 63.0]),
)


def test_a_tine_is_told_plane_by_plane_and_partial_by_partial():
    told = tine_data(INSTRUMENT, ROW, None)
    assert [(each["group"], each["tine"]) for each in told] == [("low", 4), ("high", 1), ("high", 2)]
    last = told[2]
    figures = (last["free_length_mm"], last["target_hz"], last["mounted_hz"])
    assert figures == (pytest.approx(83.0), 73.0, 63.0)
    assert [tuple(each.values()) for each in last["clamped"]] == [
        ("along", 1, 130.0, 0.13), ("along", 2, 140.0, 0.14),
        ("across", 1, 160.0, 0.16), ("across", 2, 170.0, 0.17),
    ]  # fmt: skip
    assert [each["tine"] for each in tine_data(INSTRUMENT, ROW, 1)] == [1, 2]


def test_of_the_bar_the_modes_that_sound_are_told_with_their_ring():
    """60 dB at a loss factor eta: ln 1000 / (pi f eta) seconds."""
    bar = SimpleNamespace(
        frequency=np.array([0.0, 100.0, 9_999.0, 10_001.0]), loss_factor=np.array([0.1, 0.002, 0.001, 0.001])
    )
    told = bar_data(SimpleNamespace(bar=bar))
    assert [each["frequency_hz"] for each in told] == [100.0, 9_999.0]
    assert told[0]["decay_s"] == pytest.approx(np.log(1000.0) / (np.pi * 100.0 * 0.002), rel=1e-3)


@pytest.mark.parametrize(("chosen", "modes"), [(None, [0, 1, 2, 3]), (0, [0, 1]), (1, [1, 2, 3])])
def test_a_mode_of_the_whole_is_that_of_what_moves_most_and_shown_with_its_group(monkeypatch, chosen, modes):
    """The bar's modes are shown with every group."""
    share = np.zeros((4, 3, 2))
    share[0, 0, 1], share[1, 2, 0], share[2, 2, 1], share[3, 1, 0] = 0.7, 0.3, 0.8, 0.9
    bar = np.array([0.3, 0.7, 0.2, 0.1])
    monkeypatch.setattr(mode_list, "energy_share", lambda _: (share, bar))
    model = SimpleNamespace(
        frequency=np.array([50.0, 60.0, 70.0, 80.0]), decay=np.array([5.0, 6.0, 7.0, 8.0])
    )
    told = assembly_data(INSTRUMENT, model, chosen)
    strongest = [
        {"group": "low", "tine": 4, "plane": "across"}, "bar",
        {"group": "high", "tine": 2, "plane": "across"}, {"group": "high", "tine": 1, "plane": "along"},
    ]  # fmt: skip
    assert told == [
        {"frequency_hz": 50.0 + 10.0 * m, "decay_s": 5.0 + m, "strongest": strongest[m]} for m in modes
    ]


def test_in_words_each_stands_in_its_own_table():
    data = {
        "tines": tine_data(INSTRUMENT, ROW, 0),
        "bar": [{"frequency_hz": 321.04, "decay_s": 1.5}],
        "assembly": [
            {"frequency_hz": 50.0, "decay_s": 5.0, "strongest": "bar"},
            {"frequency_hz": 60.0, "decay_s": 6.0, "strongest": {"group": "high", "tine": 2, "plane": "across"}},
        ],
        "quarrels": [{"words": "they meet", "remedies": [{"words": ["move one", "turn two"]}]}],
    }  # fmt: skip
    tines, bar, whole, quarrels = mode_words(data, "mm", None).split("\n\n")
    assert "low" in tines
    assert all(each in tines for each in ("101.00", "61.00", "across", "50.00", "0.05"))
    assert "321.0" in bar
    assert "60.00" in whole
    assert "high 2, across" in whole
    assert quarrels.endswith("they meet\n  settled by move one, turn two")
    inch = mode_words(data, "inch", None)
    assert f"{101.0 / 25.4:.3f}" in inch


def test_tines_are_tuned_by_their_pitch_on_the_bar_not_in_a_vice(monkeypatch):
    """On the bar the third is lowest, then the first two together, then the fourth; in a vice not so."""
    row = SimpleNamespace(
        mounted_hz=np.array([220.0, 221.0, 110.0, 330.0]), clamped_hz=np.array([330.0, 331.0, 440.0, 110.0])
    )
    instrument = SimpleNamespace(tines=(None,) * 4)
    monkeypatch.setattr(tuning_sheet, "together", lambda *_: [(0, 1)])
    monkeypatch.setattr(tuning_sheet, "pulled_apart", lambda *_: 7.5)
    monkeypatch.setattr(tuning_sheet, "scattered", lambda *_: SimpleNamespace(base_slope=10.0 * np.arange(4)))
    monkeypatch.setattr(tuning_sheet, "_line", lambda _, __, n, slope, position: (n, slope, position))
    assert tuning_sheet.sheet_lines(instrument, row, None) == [
        (2, 20.0, (1, 0, 0.0)), (0, 0.0, (2, 1, 7.5)), (1, 10.0, (3, 1, 7.5)), (3, 30.0, (4, 0, 0.0)),
    ]  # fmt: skip
