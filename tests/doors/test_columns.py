"""Every figure that a command gives is that of the object it came from, in the unit that its name says.

Units are put in by hand here: what a column is called and what it holds are compared, not the code that fills it.
"""

import json
import math

import numpy as np
import pytest

from synth.design.change import Change
from synth.sound import board_forecast
from synth.sound.boardsheet import solve_sheet
from synth.vibration.solve import solve_model, solve_quarrels

PLANES = ("along", "across")


def test_check_gives_each_tine_as_it_is_solved(slat):
    told = slat.data("check")
    partial = slat.row.modes.frequency[:, 0]
    assert [(each["group"], each["number"]) for each in told["tines"]] == slat.names
    for n, each in enumerate(told["tines"]):
        ratios = [partial[n, 1] / partial[n, 0], partial[n, 2] / partial[n, 0]]
        assert each["stock"] == slat.instrument.tines[n].rod.name
        assert each["clamped_hz"] == pytest.approx(slat.row.clamped_hz[n])
        assert each["clamped_hz"] == pytest.approx(partial[n, 0])
        assert each["mounted_hz"] == pytest.approx(slat.row.mounted_hz[n])
        assert each["mount_cents"] == pytest.approx(
            slat.cents(slat.row.mounted_hz[n] / slat.row.clamped_hz[n]), abs=1e-6
        )
        assert each["free_length_mm"] == pytest.approx(1e3 * slat.row.length[n])
        assert each["mass_g"] == pytest.approx(1e3 * slat.row.modes.mass[n])
        assert each["ratios"] == pytest.approx(ratios)
        assert each["harmonics"] == [round(ratio) for ratio in ratios]
        assert each["harmonic_cents"] == pytest.approx([slat.cents(ratio / round(ratio)) for ratio in ratios])
        assert each["trim"] == [f"{nut.nut.name} at {1e3 * nut.position:.1f} mm" for nut in slat.row.trim[n]]
    assert [each["target_hz"] for each in told["tines"]] == [
        None, None, pytest.approx(220.0), pytest.approx(293.6648, abs=1e-3), None,
    ]  # fmt: skip
    a3, d4 = told["tines"][2], told["tines"][3]
    assert (a3["note"], d4["note"]) == ("A3", "D4")
    assert a3["note_cents"] == pytest.approx(0.0, abs=0.02)
    assert sum(len(each["trim"]) for each in told["tines"]) == 2


def test_check_adds_up_rod_nuts_and_masses(slat):
    sums = slat.data("check")["totals"]
    # M4: two nuts of 3.05, two washers of 0.8 (test_joint), bar 12, two pitches of 0.7; plain rod goes through 40
    held = [2 * 3.05 + 2 * 0.8 + 12.0 + 1.4] * 3 + [40.0] * 2
    length = 1e3 * slat.row.length + held
    assert list(sums["rod_m"].values()) == pytest.approx(
        [length[:3].sum() / 1e3, length[3:].sum() / 1e3], abs=1e-4
    )
    assert sums["nuts"] == {"M4 hex": 3 * 2 + 2}
    assert sums["tines"] == 5
    assert sums["tine_mass_g"] == pytest.approx(1e3 * slat.row.modes.mass.sum())
    assert sums["bar_length_m"] == pytest.approx(0.32)
    assert sums["bar_mass_kg"] == pytest.approx(7850.0 * 0.04 * 0.012 * 0.32, rel=2e-3)


def test_check_prints_each_figure_under_its_own_head(slat):
    told = slat.data("check")
    heads, rows = slat.table("check")
    assert heads == ("group tine pitch Hz clamped Hz bar cents free mm 2nd cents 3rd cents g trim nuts")
    for line, each in zip(rows, told["tines"], strict=True):
        expected = [
            each["group"], str(each["number"]), each["note"], f"{each['note_cents']:+.1f}".replace("-0.0", "+0.0"),
            f"{each['mounted_hz']:.2f}", f"{each['clamped_hz']:.2f}", f"{each['mount_cents']:+.1f}",
            f"{each['free_length_mm']:.2f}",
            f"{each['ratios'][0]:.3f}", f"{each['harmonic_cents'][0]:+.0f}", "from", str(each["harmonics"][0]),
            f"{each['ratios'][1]:.3f}", f"{each['harmonic_cents'][1]:+.0f}", "from", str(each["harmonics"][1]),
            f"{each['mass_g']:.2f}",
        ]  # fmt: skip
        assert line[: len(expected)] == expected
    words = slat.said("check")
    assert f"5 tines, {told['totals']['tine_mass_g']:.0f} g" in words
    assert f"nuts: {told['totals']['nuts']['M4 hex']} M4 hex" in words
    assert f"bar: 0.320 m, {told['totals']['bar_mass_kg']:.2f} kg" in words


def test_modes_gives_both_planes_of_every_tine_and_the_modes_of_bar_and_whole(slat):
    told = slat.data("modes")
    modes, model = slat.row.modes, solve_model(slat.instrument, slat.row)
    assert [(each["group"], each["tine"]) for each in told["tines"]] == slat.names
    for n, each in enumerate(told["tines"]):
        assert each["free_length_mm"] == pytest.approx(1e3 * slat.row.length[n])
        assert each["mounted_hz"] == pytest.approx(slat.row.mounted_hz[n])
        found = {(part["plane"], part["partial"]): part for part in each["clamped"]}
        assert len(found) == len(each["clamped"]) == 2 * modes.exists[n].sum()
        for p, plane in enumerate(PLANES):
            for partial in np.flatnonzero(modes.exists[n]):
                part = found[plane, partial + 1]
                hz = modes.frequency[n, p, partial]
                assert part["frequency_hz"] == pytest.approx(hz)
                # to fall by 60 dB: ln(1000) 2/(w eta)
                rate = 0.5 * modes.loss_factor[n, p, partial] * 2.0 * math.pi * hz
                assert part["decay_s"] == pytest.approx(math.log(1000.0) / rate)
    along, across = (
        [part["frequency_hz"] for part in told["tines"][0]["clamped"] if part["plane"] == plane]
        for plane in PLANES
    )
    assert (
        max(np.abs(np.log2(np.divide(along, across)))) * 1200.0 > 1.0
    )  # the planes differ, so a swap is seen
    own = model.bar.frequency[(model.bar.frequency > 0.0) & (model.bar.frequency <= 10e3)]
    assert [each["frequency_hz"] for each in told["bar"]] == pytest.approx(own)
    rate = math.pi * own * model.bar.loss_factor[(model.bar.frequency > 0.0) & (model.bar.frequency <= 10e3)]
    assert [each["decay_s"] for each in told["bar"]] == pytest.approx(math.log(1000.0) / rate)
    assert [each["frequency_hz"] for each in told["assembly"]] == pytest.approx(
        model.pole.imag / (2.0 * math.pi)
    )
    assert [each["decay_s"] for each in told["assembly"]] == pytest.approx(
        -math.log(1000.0) / model.pole.real
    )


def test_modes_name_what_swings_most(slat):
    """By strain energy, put together here from the vectors: omega^2 |v|^2 over tines, planes and bar."""
    model, told = solve_model(slat.instrument, slat.row), slat.data("modes")["assembly"]
    bar = ((2.0 * math.pi * model.bar.frequency) ** 2) @ np.abs(model.vectors[: model.bar_count]) ** 2
    for m, each in enumerate(told):
        best, who = bar[m], "bar"
        for r, (group, number) in enumerate(slat.names):
            for p, plane in enumerate(PLANES):
                dof = model.tine_dof[r, p]
                squared = (2.0 * math.pi * model.tines.frequency[r, p, dof >= 0]) ** 2
                energy = squared @ np.abs(model.vectors[dof[dof >= 0], m]) ** 2
                if energy > best:
                    best, who = energy, {"group": group, "tine": number, "plane": plane}
        assert each["strongest"] == who


def test_modes_prints_each_figure_under_its_own_head(slat):
    told = slat.data("modes")
    heads, rows = slat.table("modes")
    assert heads == "group tine free mm mounted Hz plane partial Hz decay s"
    parts = [(tine, part) for tine in told["tines"] for part in tine["clamped"]]
    for line, (tine, part) in zip(rows, parts, strict=True):
        assert line == [
            tine["group"], str(tine["tine"]), f"{tine['free_length_mm']:.2f}", f"{tine['mounted_hz']:.2f}",
            part["plane"], str(part["partial"]), f"{part['frequency_hz']:.2f}", f"{part['decay_s']:.3g}",
        ]  # fmt: skip


def test_modes_of_one_group_are_those_of_its_own_tines(slat):
    whole, own = slat.data("modes"), slat.data("modes", "--group", "aside")
    assert own["tines"] == whole["tines"][3:]
    kept = [
        each
        for each in whole["assembly"]
        if each["strongest"] == "bar" or each["strongest"]["group"] == "aside"
    ]
    assert own["assembly"] == kept
    assert own["quarrels"] == [each for each in whole["quarrels"] if each["group"] == "aside"]


def test_a_quarrel_is_told_field_by_field(slat):
    found, told = solve_quarrels(slat.instrument, slat.row), slat.data("modes")["quarrels"]
    assert len(told) == len(found) > 2
    assert slat.data("check")["quarrels"] == told

    for each, quarrel in zip(told, found, strict=True):
        assert {key: value for key, value in each.items() if key not in ("words", "remedies")} == {
            "group": slat.names[quarrel.tine][0],
            "tine": slat.names[quarrel.tine][1],
            "plane": PLANES[quarrel.plane],
            "partial": quarrel.partial,
            "frequency_hz": quarrel.partial_hz,
            "bar_hz": quarrel.bar_hz,
            "shift_cents": pytest.approx(slat.cents(quarrel.shift)),
            "decay_times_shorter": quarrel.decay_loss,
            "severity": quarrel.severity,
        }


def test_a_remedy_holds_when_its_places_are_written_into_the_design(slat):
    """Each is made, resolved and solved anew: places in mm, supports counted from one, what is left of what."""
    found, told = solve_quarrels(slat.instrument, slat.row), slat.data("modes")["quarrels"]
    groups, remedied = [group.name for group in slat.instrument.groups], 0
    for each, quarrel in zip(told, found, strict=True):
        for remedy in each["remedies"]:
            starts = tuple((groups.index(one["group"]), one["start_mm"]) for one in remedy["groups"])
            supports = tuple((one["support"] - 1, one["at_mm"]) for one in remedy["supports"])
            assert bool(starts) != bool(supports)
            after = slat.quarrels_after(Change(starts=starts, supports=supports))
            left = max((one.severity for one in after if one.of == quarrel.of), default=0.0)
            assert remedy["severity_left"] == pytest.approx(left, rel=1e-6, abs=1e-9)
            assert remedy["severity_of_all"] == pytest.approx(sum(one.severity for one in after), rel=1e-6)
            assert left <= quarrel.severity / 2.0
            assert len(remedy["words"]) == len(starts + supports)
            for words, (_, mm) in zip(remedy["words"], supports + starts, strict=True):
                assert words.endswith(f"-> {mm:g}")
            remedied += 1
    assert remedied > 2


STRENGTH = {  # key: field of TineStrength and its unit
    "hold_force_n": ("hold_force", 1.0),
    "greatest_bend_mm": ("bend", 1e-3),
    "root_stress_mpa": ("stress", 1e6),
    "notch_factor": ("notch", 1.0),
    "yield_share": ("yield_share", 1.0),
    "endurance_share": ("endurance_share", 1.0),
    "deepest_bite_once_mm": ("bite_once", 1e-3),
    "deepest_bite_million_mm": ("bite_million", 1e-3),
}


def test_strength_gives_every_figure_in_data_and_in_words(slat):
    from synth.workshop.strength import strength

    words = ("strength", "--stick", "brass", "--speed-mm-s", "700", "--bite-mm", "1.5")
    told = slat.data(*words)
    assert (told["speed_mm_s"], told["bite_mm"], told["digs_in"]) == (700.0, 1.5, [])
    found = strength(slat.instrument, slat.row.modes, slat.instrument.sticks["brass"], speed=0.7, bite=1.5e-3)
    assert [(each["group"], each["tine"]) for each in told["tines"]] == slat.names
    for n, (each, expected) in enumerate(zip(told["tines"], found, strict=True)):
        assert (each["stick"], each["regime"]) == ("brass", expected.regime)
        assert each["free_length_mm"] == pytest.approx(1e3 * slat.row.length[n])
        for key, (field, unit) in STRENGTH.items():
            value = getattr(expected, field) / unit
            assert each[key] == (pytest.approx(value) if math.isfinite(value) else None), key
    heads, rows = slat.table(*words)
    assert heads == (
        "group tine free mm hold N bend mm root MPa of yield % of endurance % once mm a million mm how"
    )

    def bite(mm):
        return "> 20" if mm is None else "none" if mm < 0.05 else f"{mm:.1f}"

    for line, each in zip(rows, told["tines"], strict=True):
        wanted = [
            each["group"], each["tine"], f"{each['free_length_mm']:.1f}", f"{each['hold_force_n']:.2f}",
            f"{each['greatest_bend_mm']:.2f}", f"{each['root_stress_mpa']:.0f}",
            f"{100.0 * each['yield_share']:.0f}", f"{100.0 * each['endurance_share']:.0f}",
            bite(each["deepest_bite_once_mm"]), bite(each["deepest_bite_million_mm"]), each["regime"],
        ]  # fmt: skip
        assert line == " ".join(str(cell) for cell in wanted).split()
    text = slat.said(*words)
    for share, what in (("yield_share", "bend for good"), ("endurance_share", "break in the long run")):
        worst = max(told["tines"], key=lambda each: each[share])
        assert (
            f"First to {what}: {worst['group']}.{worst['tine']} ({100.0 * worst[share]:.0f} % under brass)"
            in text
        )


def test_board_gives_the_sheet_and_what_it_changes(slat):
    told = json.loads(slat.said("board", "panel", "--json"))
    sheet = solve_sheet(slat.instrument, "panel")
    assert told["endless_sheet_n_s_m"] == pytest.approx(sheet.impedance)
    assert told["critical_hz"] == pytest.approx(sheet.critical_hz)
    assert told["statistical_above_hz"] == pytest.approx(sheet.reach_hz)
    assert [each["frequency_hz"] for each in told["modes"]] == pytest.approx(sheet.modes_hz)
    assert [each["decay_s"] for each in told["modes"]] == pytest.approx(sheet.modes_decay)
    assert told["frequency_hz"] == pytest.approx(sheet.frequency, abs=1e-3)
    for n, foot in enumerate(told["feet"]):
        assert foot["foot"] == n + 1
        assert foot["mobility_mm_s_n"] == pytest.approx(1e3 * np.abs(sheet.mobility[n]), abs=1e-6)
        assert foot["conductance_mm_s_n"] == pytest.approx(1e3 * sheet.mobility[n].real, abs=1e-6)
        assert foot["level_db_n"] == pytest.approx(sheet.level[n], abs=0.01)
    bar, board = (
        board_forecast.foretell(slat.instrument, slat.row, solved)
        for solved in (None, _panel(slat.instrument))
    )
    for each, own in zip(told["groups"], (slice(0, 3), slice(3, 5)), strict=True):
        assert each["hz"] == pytest.approx(board.frequency[own].min())
        assert each["level_db"] == pytest.approx(board.level[own].mean())
        assert each["gain_db"] == pytest.approx((board.level[own] - bar.level[own]).mean())
        assert each["decay_s"] == pytest.approx(np.exp(np.log(board.decay[own]).mean()))
        assert each["ring_ratio"] == pytest.approx(np.exp(np.log(board.decay[own] / bar.decay[own]).mean()))
    _, rows = slat.table("board", "panel")
    for line, each in zip(rows, told["groups"], strict=True):
        assert line == [
            each["group"], f"{each['hz']:.1f}", f"{each['level_db']:.0f}", f"{each['gain_db']:+.0f}",
            f"{each['decay_s']:.1f}", f"{each['ring_ratio']:.2f}",
        ]  # fmt: skip


def _panel(instrument):
    from synth.vibration.solve import solve_board_of

    return solve_board_of(instrument, "panel")
