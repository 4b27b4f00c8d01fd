"""Lists of ways, errors, quarrels and strains made by hand: each cell its own figure, in mm and in inches."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.change import Change
from synth.design.instrument import Nut, PlacedNut
from synth.vibration.advice import Remedy
from synth.workshop import quarrel_list, trim_list
from synth.workshop.quarrel_list import quarrel_data, told
from synth.workshop.strength import TineStrength, first_to_go, strength_table
from synth.workshop.tolerance import Limits, Spread, Trial
from synth.workshop.tolerance_list import tolerance_data, tolerance_table, tolerance_words

INCH = 25.4
M4, M3 = (Nut(name, 7e-4, 3e-3, 7e-3, 3e-9, 0.0, name[:2]) for name in ("M4 hex", "M3 hex"))
GROUPS = tuple(SimpleNamespace(name=name) for name in ("low", "high"))
TINES = tuple(
    SimpleNamespace(group=g, number=n, trim=(), wish=None, rod=SimpleNamespace(name=rod))
    for g, n, rod in ((0, 1, "M4"), (1, 1, "M3"), (1, 2, "rod3"))
)  # fmt: skip


def instrument(units="mm", **more):
    bench = SimpleNamespace(units=units, tuning_allowance=6e-3)
    plain = {
        "name": "Rail",
        "groups": GROUPS,
        "tines": TINES,
        "bench": bench,
        "key": lambda key: f"key {key}",
    }
    return SimpleNamespace(**plain | more)


def way(nuts, length, *, locked=False, unforgiving=3.0, turn=0.7):
    return SimpleNamespace(
        nuts=tuple(PlacedNut(nut, at) for nut, at in nuts), length=length, locked=locked, unforgiving=unforgiving,
        cents_per_metre=(1000.0, -2000.0)[: len(nuts)], cents_per_turn=turn,
    )  # fmt: skip


WAYS = (
    way([(M4, 0.061)], 0.1203, unforgiving=2500.0, turn=1.75),
    way([(M4, 0.045), (M3, 0.049)], 0.1187, locked=True, unforgiving=7500.0, turn=5.25),
)
PLAIN = way([], 0.1274)
FOUND = SimpleNamespace(
    tine=2, wish=SimpleNamespace(partial=2, ratio=6.0, nut=M4), plain=PLAIN, solutions=WAYS,
    reach={1: (5.8, 6.4), 2: (5.5, 6.6)},
)  # fmt: skip
RANKED = SimpleNamespace(found=FOUND, rough=(0.21, 0.32), plain=0.43)
HERTZ = np.array([[200.0, 1250.0, 3500.0], [201.0, 1206.0, 3417.0], [202.0, 1212.0, 3636.0]])
MODES = SimpleNamespace(
    frequency=np.stack([HERTZ, 2.0 * HERTZ], axis=1), decay=np.stack([HERTZ / 1e3, HERTZ], axis=1),
    exists=np.array([[True, True, True], [True, True, False], [True, True, True]]),
)  # fmt: skip


@pytest.mark.parametrize(
    ("units", "unit", "digits", "per"), [("mm", 1.0, 2, 1.0), ("inch", INCH, 4, INCH / 1e3)]
)
def test_a_way_to_trim_is_told_by_nuts_length_answer_and_sound(monkeypatch, units, unit, digits, per):
    """Cents a millimetre, or a thousandth of an inch; without nuts there is no answer."""
    monkeypatch.setattr(trim_list, "solve_tines", lambda *_: MODES)
    monkeypatch.setattr(trim_list, "reach_words", lambda wish, reach, met: f"REACH {met}")
    words = trim_list.trimming_words(instrument(units), RANKED, None)
    assert words.startswith("high, tine 2: partial 2 to 6 times its clamped pitch, 200.00 Hz\n")
    assert words.endswith("REACH True")
    table = [line.split() for line in words.splitlines() if line and line.split()[0] in ("1", "2", "none")]
    none, one, two = table
    word = "mm" if units == "mm" else "in"
    free = [f"{mm / unit:.{2 if units == 'mm' else 3}f}" for mm in (127.4, 120.3, 118.7)]
    assert none == ["none", free[0], "0.430", "6.250", "17.500", "0.20", "1.25", "3.50"]
    assert one == [
        "1", *f"M4 hex at {61.0 / unit:.{digits}f} {word}".split(), free[1], f"{2.5 * per:.2f}", "1.75",
          "0.210", "6.000",
        "0.20", "1.21",
    ]  # fmt: skip
    placed = f"M4 hex at {45.0 / unit:.{digits}f} {word}, M3 hex at {49.0 / unit:.{digits}f} {word} (locked)"
    assert two == [
        "2", *placed.split(), free[2], f"{7.5 * per:.2f}", "5.25", "0.320", "6.000", "18.000", "0.20", "1.21",
          "3.64",
    ]  # fmt: skip


def test_all_ways_are_told_to_other_programs_each_with_its_own_sound(monkeypatch):
    asked = []
    monkeypatch.setattr(trim_list, "solve_tines", lambda *how: asked.append(how) or MODES)
    told_ = trim_list.trimming_data(instrument(), RANKED)
    assert (told_["group"], told_["tine"]) == ("high", 2)
    assert told_["wish"] == {"partial": 2, "ratio": 6.0, "nut": "M4 hex"}
    assert told_["reach"] == {"1": [5.8, 6.4], "2": [5.5, 6.6]}
    first, second = told_["choices"]
    assert first == {
        "nuts": [{"nut": "M4 hex", "at_mm": pytest.approx(61.0)}], "locked": False,
        "free_length_mm": pytest.approx(120.3), "cents_per_mm": [1.0], "unforgiving_cents_per_mm": 2.5,
        "unforgiving_cents_per_turn": 1.75, "frequency_hz": [201.0, 1206.0], "ratios": [1.0, 6.0],
        "group_roughness": 0.21, "decay_s": pytest.approx([0.201, 1.206]),
    }  # fmt: skip
    assert (second["locked"], second["group_roughness"], second["ratios"]) == (True, 0.32, [1.0, 6.0, 18.0])
    assert (told_["without"]["nuts"], told_["without"]["group_roughness"]) == ([], 0.43)
    ((tines, lengths, trim),) = asked
    assert tines == [TINES[2]] * 3
    assert lengths == [0.1274, 0.1203, 0.1187]
    assert trim == [(), WAYS[0].nuts, WAYS[1].nuts]


CAUSES = np.array([[1.0, -2.0, 3.0, -4.0, 5.0], [2.0, 1.0, 0.5, 0.25, 0.1], [-9.0, 8.0, 7.0, 6.0, 5.0]])
STAYS = np.arange(30.0).reshape(3, 5, 2) / 10.0
LIMITS = Limits(cut=0.5e-3, nut=0.2e-3, rod=0.02e-3, modulus=0.03)
SPREAD = Spread(LIMITS, CAUSES, STAYS, np.array([25_000.0, 30_000.0, -7000.0]))
TRIED = Trial(np.array([[1.0, 2.0, 9.0], [3.0, 8.0, 1.0]]), np.arange(12.0).reshape(2, 3, 2) ** 2)


@pytest.mark.parametrize("units", ["mm", "inch"])
def test_what_errors_do_to_a_tine_is_told_cause_by_cause_and_as_tried(units):
    """Standard deviations of what lies anywhere within its limits: a third of the squares' sum, its root."""
    row = SimpleNamespace(mounted_hz=np.array([110.0, 220.0, 330.0]))
    table = tolerance_table(instrument(units), row, SPREAD, TRIED)
    data = table.data()
    for n, (cells, own) in enumerate(zip(table.cells, data, strict=True)):
        assert (own["group"], own["tine"], own["frequency_hz"]) == (
            ("low", 1, 110.0), ("high", 1, 220.0), ("high", 2, 330.0),
        )[n]  # fmt: skip
        names = ("cut", "base nut", "trim nut", "rod", "modulus")
        assert own["cents"] == dict(zip(names, CAUSES[n], strict=True))
        assert own["sd_cents"] == pytest.approx(np.sqrt((CAUSES[n] ** 2).sum() / 3.0))
        assert own["tried_sd_cents"] == pytest.approx((1.0, 3.0, 4.0)[n])
        worst = np.abs(CAUSES[n]).sum()
        assert own["worst_cents"] == pytest.approx(worst)
        assert own["base_nut_cents_per_mm"] == pytest.approx((25.0, 30.0, -7.0)[n])
        travel = worst / (25.0, 30.0, 7.0)[n]
        assert own["base_nut_travel_mm"] == pytest.approx(travel)
        for p, stays in enumerate(own["stays"]):
            own_stays = STAYS[n, :, p]
            assert stays["partial"] == p + 2
            assert stays["cents"] == dict(zip(names, own_stays, strict=True))
            assert stays["sd_cents"] == pytest.approx(np.sqrt((own_stays**2).sum() / 3.0))
            assert stays["tried_sd_cents"] == pytest.approx(np.abs(np.diff(TRIED.stays[:, n, p]))[0] / 2.0)
        shown = dict(zip(table.heads, cells, strict=True))
        assert [shown[name] for name in names] == [f"{abs(each):.1f}" for each in CAUSES[n]]
        assert (shown["sd tried"], shown["worst"]) == (f"{(1.0, 3.0, 4.0)[n]:.1f}", f"{worst:.1f}")
        assert shown["nut mm" if units == "mm" else "nut in"] == (
            f"{travel:.2f}" if units == "mm" else f"{travel / INCH:.3f}"
        )
    whole = tolerance_data(instrument(units), table, SPREAD, TRIED)
    assert (whole["design"], whole["trials"], whole["tines"]) == ("Rail", 2, data)
    assert whole["limits"] == {
        "cut_mm": pytest.approx(0.5), "nut_mm": pytest.approx(0.2), "rod_mm": pytest.approx(0.02),
        "modulus_percent": pytest.approx(3.0),
    }  # fmt: skip


def test_the_furthest_travel_is_held_against_the_allowance_and_what_stays_is_told_of_the_worst_tine():
    """35 cents at 7 a millimetre: 5 mm of the third tine's, while others need less than one."""
    words = tolerance_words(instrument(), SPREAD, 300)
    assert "cut of +-0.5 mm, nuts +-0.2 mm, rod +-0.02 mm, modulus +-3 %" in words
    assert "tried: of 300 seeded builds" in words
    assert "It must travel up to 5 mm either way (nut); the tuning allowance of 6 mm is enough." in words
    worst = np.sqrt((STAYS[2, :, 1] ** 2).sum() / 3.0)
    assert f"most at tine 2 of 'high', {worst:.1f} cents. Without trim nuts that is little." in words
    tight = instrument(bench=SimpleNamespace(units="mm", tuning_allowance=4e-3))
    assert "of 4 mm is too little: raise key bench.tuning_allowance_mm." in tolerance_words(tight, SPREAD, 1)
    trimmed = instrument(tines=(*TINES[:2], SimpleNamespace(**{**vars(TINES[2]), "trim": (1,)})))
    assert "A trim nut sits at another share" in tolerance_words(trimmed, SPREAD, 1)


def test_a_quarrel_and_its_remedies_stand_under_their_own_names(monkeypatch):
    monkeypatch.setattr(quarrel_list, "sentence", lambda _, quarrel: f"quarrel of {quarrel.tine}")
    monkeypatch.setattr(
        quarrel_list, "words", lambda _, change: [f"{n} to {mm:g}" for n, mm in change.starts]
    )
    quarrels = [
        SimpleNamespace(tine=tine, plane=plane, partial=2, partial_hz=201.0, bar_hz=199.0,
          shift=2.0 ** (7.0 / 1200.0),
                        decay_loss=1.5, severity=severity)
        for tine, plane, severity in ((2, 1, 0.9), (0, 0, 0.4))
    ]  # fmt: skip
    remedies = [
        [Remedy(Change(((1, 62.0),), ((0, 31.0), (1, 92.0)), None, None), 0.2, 0.7)], [],
    ]  # fmt: skip
    advice = SimpleNamespace(of=lambda n: remedies[n])
    first, second = quarrel_data(instrument(), quarrels, advice, None)
    assert first == {
        "group": "high", "tine": 2, "plane": "across", "partial": 2, "frequency_hz": 201.0, "bar_hz": 199.0,
        "shift_cents": pytest.approx(7.0), "decay_times_shorter": 1.5, "severity": 0.9, "words": "quarrel of 2",
        "remedies": [{
            "groups": [{"group": "high", "start_mm": 62.0}],
            "supports": [{"support": 1, "at_mm": 31.0}, {"support": 2, "at_mm": 92.0}],
            "severity_left": 0.2, "severity_of_all": 0.7, "words": ["1 to 62"],
        }],
    }  # fmt: skip
    assert (second["group"], second["tine"], second["plane"], second["remedies"]) == ("low", 1, "along", [])
    assert [each["tine"] for each in quarrel_data(instrument(), quarrels, advice, 0)] == [1]
    assert quarrel_data(instrument(), quarrels, advice, 0)[0]["remedies"] == []
    assert told(instrument(), quarrels[0], remedies[0]) == ["quarrel of 2", "  settled by 1 to 62"]


def strain(tine, stick, bends, breaks, once, million):
    return TineStrength(
        tine, stick, 1.25 + tine, 2.5e-3, 300e6 + 1e6 * tine, 2.3, bends, breaks, once, million, "plucked"
    )  # fmt: skip


STRAINS = [
    strain(0, "birch", 0.5, 0.8, 3.1e-3, 1.2e-3), strain(0, "brass", 0.7, 0.6, np.inf, 0.04e-3),
    strain(1, "birch", 1.1, 1.5, 0.9e-3, np.nan), strain(2, "brass", 0.2, 0.9, 5e-3, 4e-3),
]  # fmt: skip


@pytest.mark.parametrize(("units", "unit"), [("mm", 1.0), ("inch", INCH)])
def test_what_a_tine_bears_is_told_in_the_bench_s_unit_and_none_and_beyond_in_words(units, unit):
    row = SimpleNamespace(length=np.array([0.101, 0.092, 0.083]))
    table = strength_table(instrument(units), row, STRAINS)
    data = table.data()
    assert data[0] == {
        "group": "low", "tine": 1, "stick": "birch", "free_length_mm": pytest.approx(101.0), "hold_force_n": 1.25,
        "greatest_bend_mm": pytest.approx(2.5), "root_stress_mpa": pytest.approx(300.0), "notch_factor": 2.3,
        "yield_share": 0.5, "endurance_share": 0.8, "deepest_bite_once_mm": pytest.approx(3.1),
        "deepest_bite_million_mm": pytest.approx(1.2), "regime": "plucked",
    }  # fmt: skip
    assert [(each["group"], each["tine"]) for each in data] == [
        ("low", 1),
        ("low", 1),
        ("high", 1),
        ("high", 2),
    ]
    assert [each["free_length_mm"] for each in data] == pytest.approx([101.0, 101.0, 92.0, 83.0])
    word = "mm" if units == "mm" else "in"
    cells = [dict(zip(table.heads, each, strict=True)) for each in table.cells]
    once, million = f"once {word}", f"a million {word}"
    figure = (lambda mm: f"{mm:.1f}") if units == "mm" else (lambda mm: f"{mm / INCH:.3f}")
    assert [each[once] for each in cells] == [figure(3.1), f"> {20.0 / unit:.3g}", figure(0.9), figure(5.0)]
    assert [each[million] for each in cells][:2] == [figure(1.2), "none"]
    assert (cells[2]["of yield %"], cells[2]["of endurance %"], cells[2]["root MPa"]) == ("110", "150", "301")


def test_who_goes_first_is_told_under_the_worst_of_its_sticks():
    assert first_to_go(instrument(), STRAINS).splitlines() == [
        "First to bend for good: high.1 (110 % under birch), low.1 (70 % under brass), high.2 (20 % under brass)",
        "First to break in the long run: high.1 (150 % under birch), high.2 (90 % under brass), "
        "low.1 (80 % under birch)",
    ]
