"""One test for every command that prints a table: each row of its data has these keys and no others.

Each holds the value of the object that it came from, in the unit that the key says. Units
are put in by hand; what a table's own code makes of an object is not asked. Whoever adds a column adds it here.
"""

from __future__ import annotations

import csv
import json
import math
from fractions import Fraction
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile

from synth.design import catalogue
from synth.doors.cli import run
from synth.playing.stroke import Stroke
from synth.recording.match import MatchedPartial
from synth.sound import ear, features, loudness
from synth.sound.audio import FULL_SCALE, RATE
from synth.sound.bands import NOMINAL_HZ
from synth.sound.board_forecast import foretell
from synth.sound.boardsheet import solve_sheet
from synth.sound.render import perform, scene
from synth.sound.ringing import heard_roughness
from synth.vibration.solve import solve_board_of, solve_model, solve_quarrels
from synth.vibration.tine import solve_tines

Rows = list[dict[str, Any]]
Pair = tuple[Rows, Rows]  # as told, as it should be
GROUPS = (("low", slice(0, 3)), ("aside", slice(3, 5)))
FALL_60 = math.log(1000.0)


def near(value: Any, rel: float = 1e-6, abs: float = 1e-9) -> Any:
    return pytest.approx(value, rel=rel, abs=abs)


def read(path: Path) -> Rows:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def numbered(rows: Rows) -> Rows:
    """Cells of a CSV file as numbers where they are numbers; None where nothing stands."""

    def cell(words: str) -> Any:
        try:
            return float(words) if words else None
        except ValueError:
            return words

    return [{key: cell(words) for key, words in row.items()} for row in rows]


def check_groups(slat, tmp_path) -> Pair:
    from synth.workshop.strength import strength

    row, tines = slat.row, slat.instrument.tines
    birch = next(iter(slat.instrument.sticks.values()))
    borne = strength(slat.instrument, row.modes, birch, deepest=False)
    moved = [slat.cents(ratio) for ratio in row.mounted_hz / row.clamped_hz]
    off = [slat.cents(ratio) if ratio == ratio else 0.0 for ratio in row.mounted_hz / row.target_hz]
    wanted = [
        {
            "group": name,
            "tines": own.stop - own.start,
            "notes": list(
                dict.fromkeys(slat.instrument.note(hz)[0] for hz in sorted(row.mounted_hz[own].tolist()))
            ),
            "stocks": [tines[own.start].rod.name],
            "shortest_mm": near(1e3 * row.length[own].min()),
            "longest_mm": near(1e3 * row.length[own].max()),
            "worst_cents": near(max(off[own], key=abs), abs=1e-6),
            "bar_cents": near(max(moved[own], key=abs), abs=1e-6),
            "yield_share": near(max(each.yield_share for each in borne[own])),
            "endurance_share": near(max(each.endurance_share for each in borne[own])),
            "quarrels": sum(
                tines[each.tine].group == n for each in solve_quarrels(slat.instrument, row)
            ),
        }
        for n, (name, own) in enumerate(GROUPS)
    ]  # fmt: skip
    return slat.data("check")["groups"], wanted


def check_tines(slat, tmp_path) -> Pair:
    row, partial = slat.row, slat.row.modes.frequency[:, 0]
    wanted = []
    for n, (group, number) in enumerate(slat.names):
        ratios = [float(partial[n, k] / partial[n, 0]) for k in (1, 2)]
        note, off = slat.instrument.note(float(row.mounted_hz[n]))
        wanted.append({
            "group": group, "number": number, "stock": slat.instrument.tines[n].rod.name,
            "target_hz": None if math.isnan(row.target_hz[n]) else near(row.target_hz[n]),
            "clamped_hz": near(row.clamped_hz[n]), "mounted_hz": near(row.mounted_hz[n]),
            "note": note, "note_cents": near(off), "free_length_mm": near(1e3 * row.length[n]),
            "ratios": [near(each) for each in ratios], "harmonics": [round(each) for each in ratios],
            "harmonic_cents": [near(slat.cents(each / round(each)), abs=1e-6) for each in ratios],
            "trim": [f"{nut.nut.name} at {1e3 * nut.position:.1f} mm" for nut in row.trim[n]],
            "mass_g": near(1e3 * row.modes.mass[n]),
            "mount_cents": near(slat.cents(row.mounted_hz[n] / row.clamped_hz[n]), abs=1e-6),
        })  # fmt: skip
    return slat.data("check")["tines"], wanted


def check_ear(slat, tmp_path) -> Pair:
    told, wanted = slat.data("check", "--ear")["ear"], []
    listening, stick = scene(slat.instrument, "bar"), next(iter(slat.instrument.sticks.values()))
    for group, (name, _) in enumerate(GROUPS):
        rendering = perform(listening, [Stroke(group=group, stick=stick)], seconds=2.0)
        tines, sound = rendering.reports[0]["tines"], rendering.sound()
        since, until = min(t["first_touch_s"] for t in tines), max(t["last_release_s"] for t in tines)
        said, heard = ear.describe(sound, RATE, since=since), loudness.measure(sound, RATE)
        wanted.append({
            "group": name, "loudest_sone": near(said.loudest_sone, 1e-3), "at_1s_sone": near(said.at_1s_sone, 1e-3),
            "sharpness_acum": near(said.sharpness_acum, 1e-3), "loudest_dba": near(heard.loudest, abs=0.01),
            **{f"body_{hz}_db": near(level, abs=0.05)
               for hz, level in zip(NOMINAL_HZ, said.body.octaves_db, strict=True)},
            "roughness": near(heard_roughness(listening, rendering.rings[0], since=until), 1e-3),
            "refused": None,
        })  # fmt: skip
    return told, wanted


def modes_tines(slat, tmp_path) -> Pair:
    row, modes = slat.row, slat.row.modes
    wanted = [
        {
            "group": group, "tine": number, "free_length_mm": near(1e3 * row.length[n]),
            "target_hz": None if math.isnan(row.target_hz[n]) else near(row.target_hz[n]),
            "mounted_hz": near(row.mounted_hz[n]),
            "clamped": [
                {"plane": plane, "partial": k + 1, "frequency_hz": near(modes.frequency[n, p, k]),
                 "decay_s": near(FALL_60 / (math.pi * modes.loss_factor[n, p, k] * modes.frequency[n, p, k]))}
                for p, plane in enumerate(("along", "across"))
                for k in np.flatnonzero(modes.exists[n]).tolist()
            ],
        }
        for n, (group, number) in enumerate(slat.names)
    ]  # fmt: skip
    told = slat.data("modes")["tines"]
    for each in told:
        each["clamped"].sort(key=lambda part: (part["plane"] == "across", part["partial"]))
    return told, wanted


def modes_bar(slat, tmp_path) -> Pair:
    bar = solve_model(slat.instrument, slat.row).bar
    wanted = [
        {"frequency_hz": near(hz), "decay_s": near(FALL_60 / (math.pi * loss * hz))}
        for hz, loss in zip(bar.frequency, bar.loss_factor, strict=True)
        if 0.0 < hz <= 10e3
    ]
    return slat.data("modes")["bar"], wanted


def strength(slat, tmp_path) -> Pair:
    from synth.workshop import strength as room

    stick = slat.instrument.sticks["brass"]
    found = room.strength(slat.instrument, slat.row.modes, stick, speed=0.7, bite=1.5e-3)
    wanted = [
        {
            "group": group, "tine": number, "stick": "brass", "free_length_mm": near(1e3 * slat.row.length[n]),
            "hold_force_n": near(one.hold_force), "greatest_bend_mm": near(1e3 * one.bend),
            "root_stress_mpa": near(1e-6 * one.stress), "notch_factor": 2.3 if group == "low" else 1.0,
            "yield_share": near(one.stress / slat.instrument.tines[n].rod.material.yield_stress),
            "endurance_share": near(
                one.stress * one.notch * 1.5 / slat.instrument.tines[n].rod.material.endurance
            ),
            "deepest_bite_once_mm": None if math.isinf(one.bite_once) else near(1e3 * one.bite_once),
            "deepest_bite_million_mm": None if math.isinf(one.bite_million) else near(1e3 * one.bite_million),
            "regime": one.regime,
        }
        for n, ((group, number), one) in enumerate(zip(slat.names, found, strict=True))
    ]  # fmt: skip
    words = ("--stick", "brass", "--speed-mm-s", 700, "--bite-mm", 1.5)
    return slat.data("strength", *words)["tines"], wanted


def tolerance(slat, tmp_path) -> Pair:
    from synth.workshop.tolerance import Limits, scattered

    told = slat.data("tolerance", "--cut-mm", 0.8, "--nut-mm", 0.3, "--trials", 12)["tines"]
    found = scattered(slat.instrument, slat.row, Limits(0.8e-3, 0.3e-3, 0.02e-3, 0.03))
    causes = ("cut", "base nut", "trim nut", "rod", "modulus")
    for each in told:  # by chance: held to the rest elsewhere
        assert each.pop("tried_sd_cents") > 0.0
        for stays in each["stays"]:
            assert stays.pop("tried_sd_cents") >= 0.0
    wanted = []
    for n, (group, number) in enumerate(slat.names):
        pitch, stays = found.pitch[n], found.stays[n]
        a_mm = abs(pitch[1]) / 0.3  # the base nut's limit, mm
        wanted.append({
            "group": group, "tine": number, "frequency_hz": near(slat.row.mounted_hz[n]),
            "cents": {cause: near(pitch[k]) for k, cause in enumerate(causes)},
            "sd_cents": near(math.sqrt(sum(pitch**2) / 3.0)), "worst_cents": near(np.abs(pitch).sum()),
            "base_nut_cents_per_mm": near(a_mm), "base_nut_travel_mm": near(np.abs(pitch).sum() / a_mm),
            "stays": [
                {"partial": p + 2, "cents": {cause: near(stays[k, p]) for k, cause in enumerate(causes)},
                 "sd_cents": near(math.sqrt(sum(stays[:, p] ** 2) / 3.0))}
                for p in range(stays.shape[1])
            ],
        })  # fmt: skip
    return told, wanted


def board_groups(slat, tmp_path) -> Pair:
    bar, board = (
        foretell(slat.instrument, slat.row, solved)
        for solved in (None, solve_board_of(slat.instrument, "panel"))
    )
    wanted = [
        {
            "group": name, "hz": near(board.frequency[own].min()), "level_db": near(board.level[own].mean()),
            "gain_db": near((board.level[own] - bar.level[own]).mean()),
            "decay_s": near(np.exp(np.log(board.decay[own]).mean())),
            "ring_ratio": near(np.exp(np.log(board.decay[own] / bar.decay[own]).mean())),
        }
        for name, own in GROUPS
    ]  # fmt: skip
    return json.loads(slat.said("board", "panel", "--json"))["groups"], wanted


def board_curves(slat, tmp_path) -> Pair:
    sheet, told = solve_sheet(slat.instrument, "panel"), json.loads(slat.said("board", "panel", "--json"))
    wanted = [
        {
            "foot": n + 1, "mobility_mm_s_n": near(1e3 * np.abs(sheet.mobility[n]), abs=1e-6),
            "conductance_mm_s_n": near(1e3 * sheet.mobility[n].real, abs=1e-6),
            "level_db_n": near(sheet.level[n], abs=0.01),
        }
        for n in range(2)
    ]  # fmt: skip
    pairs = zip(sheet.modes_hz, sheet.modes_decay, strict=True)
    return told["feet"] + told["modes"], wanted + [
        {"frequency_hz": near(hz), "decay_s": near(decay)} for hz, decay in pairs
    ]


def compared(slat, tmp_path) -> Pair:
    """`comparison.csv` of a slow and a quick stroke, against the sounds beside it and the strokes made anew."""
    out = tmp_path / "x"
    slat.said("compare", "--group", "aside", "--seconds", 1.2, "--vary", "speed_mm_s=300,800", "-o", out)
    listening, stick = scene(slat.instrument, "bar"), next(iter(slat.instrument.sticks.values()))
    lowest = 3 if slat.row.mounted_hz[3] < slat.row.mounted_hz[4] else 4
    pole, told, wanted = listening.model.pole, numbered(read(out / "comparison.csv")), []
    for row, speed in zip(told, (300, 800), strict=True):
        rendering = perform(listening, [Stroke(group=1, stick=stick, speed=1e-3 * speed)], seconds=1.2)
        sound, tines = rendering.sound(), rendering.reports[0]["tines"]
        since, until = min(t["first_touch_s"] for t in tines), max(t["last_release_s"] for t in tines)
        said, heard = ear.describe(sound, RATE, since=since), loudness.measure(sound, RATE)
        name = f"speed_mm_s={speed}"
        files = [soundfile.read(out / kind / f"{name}.wav")[0].T for kind in ("true", "matched")]
        gains = [20.0 * math.log10(np.abs(each).max() / (np.abs(sound).max() / FULL_SCALE)) for each in files]
        bodies = {
            f"body_{hz}_db": near(max(level, floor), abs=0.1)
            for hz, level, floor in zip(NOMINAL_HZ, said.body.octaves_db, ear.THRESHOLD_DB, strict=True)
        }
        decays = []
        for partial in range(3):
            motion = np.abs(listening.model.vectors[listening.model.tine_dof[lowest, 0, partial]])
            decays.append(FALL_60 / -pole[np.argmax(motion)].real)
        wanted.append({
            "combination": name, "file": f"{name}.wav", "loudest_dba": near(heard.loudest, abs=0.01),
            "average_dba": near(heard.average, abs=0.01),
            "loudness_lufs": row["loudness_lufs"] and near(loudness.integrated(sound / FULL_SCALE, RATE), abs=0.01),
            "true_gain_db": near(gains[0], abs=0.01), "matched_gain_db": near(gains[1], abs=0.01),
            "attack_ms": near(
                1e3 * features.attack_time(sound, RATE, since=since, until=until + features.SMOOTH), 0.01
            ),
            "loudest_sone": near(said.loudest_sone, 0.01), "at_1s_sone": near(said.at_1s_sone, 0.01),
            **{key: bodies[key] if row[key] is not None else None for key in bodies},
            "sharpness_acum": near(said.sharpness_acum, 0.01),
            "centroid_hz": near(features.centroid(sound, RATE), 0.01),
            "roughness": near(heard_roughness(listening, rendering.rings[0], since=until), 0.01),
            **{f"decay_{k + 1}_s": near(decays[k], 2e-3) for k in range(3)},
            "energy_mj": near(1e3 * sum(each["energy_j"] for each in tines), 1e-3),
            "greatest_stress_mpa": near(max(each["root_stress_mpa"] for each in tines), 1e-3),
        })  # fmt: skip
    return told, wanted


def trim(slat, tmp_path) -> Pair:
    """Every way solved outright; its answer to the nuts, and how rough its group is, are held elsewhere."""
    import dataclasses

    from synth.design.instrument import PlacedNut

    (one,) = slat.data("trim")
    own = slat.instrument.tines[2]
    nuts = {nut.name: nut for nut in (*slat.instrument.nuts.values(), own.wish.nut)}
    tine = dataclasses.replace(own, wish=None)
    told, wanted = [one["without"], *one["choices"]], []

    def at_places(each: dict[str, Any]) -> tuple[PlacedNut, ...]:
        return tuple(PlacedNut(nuts[nut["nut"]], 1e-3 * nut["at_mm"]) for nut in each["nuts"])

    pair = next(each for each in map(at_places, told) if len(each) == 2)
    for each in told:
        placed = at_places(each)
        # beside a pair, as the command solves them: rods solved together are cut into as many pieces
        modes = solve_tines([tine] * 2, [1e-3 * each["free_length_mm"]] * 2, [placed, pair])
        count = len(each["frequency_hz"])
        hz, answer = modes.frequency[0, 0, :count], each["cents_per_mm"]
        together = abs(sum(answer)) if each["locked"] else math.hypot(*answer)
        touching = len(placed) == 2 and abs(placed[0].position - placed[1].position) < 1e-6 + 0.5 * sum(
            nut.nut.height for nut in placed
        )
        assert each.pop("group_roughness") >= 0.0
        wanted.append({
            "nuts": each["nuts"], "locked": touching, "free_length_mm": each["free_length_mm"],
            "cents_per_mm": answer, "unforgiving_cents_per_mm": near(together),
            "unforgiving_cents_per_turn": near(0.7 * together), "frequency_hz": near(hz, 1e-5),
            "ratios": near(hz / hz[0], 1e-5), "decay_s": near(modes.decay[0, 0, :count], 1e-4),
        })  # fmt: skip
        assert hz[0] == near(slat.row.clamped_hz[2], 2e-4) or not placed
    return told, wanted


def cutlist(slat, tmp_path) -> Pair:
    """M4 is held by two nuts of 3.05, two washers of 0.8, 12 of bar and two pitches; plain rod goes 40 through."""
    slat.said("cutlist", "-o", tmp_path / "out")
    told, wanted = numbered(read(tmp_path / "out" / "cutlist.csv")), []
    for n, (group, number) in enumerate(slat.names):
        threaded, free = group == "low", 1e3 * slat.row.length[n]
        held = 2 * 3.05 + 2 * 0.8 + 12.0 + 2 * 0.7 if threaded else 40.0
        cut, rod = free + held + 1.0 + 4.0, slat.instrument.tines[n].rod
        inches = float(sum(map(Fraction, str(told[n]["cut_in"]).split())))
        assert inches == near(cut / 25.4, abs=0.5 / 64 + 1e-3)
        line = math.pi / 4.0 * rod.mass_diameter**2 * rod.material.density  # kg/m
        mass = 1e3 * line * 1e-3 * (free + held + 4.0)  # the rod, and what is filed off in tuning
        wanted.append({
            "number": n + 1, "group": group, "tine": number, "pitch_hz": near(slat.row.mounted_hz[n], abs=5e-4),
            "stock": "M4, A2-70" if threaded else "rod3: 3 mm rod, 304 spring wire",
            "cut_mm": near(cut, abs=0.006), "cut_in": told[n]["cut_in"],
            "free_mm": near(free, abs=0.006),
            "clamped_mm": near(held, abs=0.006), "bar": told[n]["bar"],
            "base_nut": "M4 hex" if threaded else None, "base_nuts": 2 if threaded else 0,
            "washers": 2 if threaded else 0,
            "trim_nuts": "; ".join(f"{each.nut.name} at {1e3 * each.position:.2f} mm" for each in slat.row.trim[n])
            or None,
            "hole_mm": near(4.5 if threaded else 3.0, abs=0.21),  # ISO 273 medium; plain rod a press fit
            "mass_g": near(mass, abs=0.006),
        })  # fmt: skip
    return told, wanted


def calibrated(slat, tmp_path) -> Pair:
    """Lines of two tines, of one plane and of both, and what was fitted: put in by hand."""
    from synth.recording.calibration_list import calibration_data

    def model(factor: float) -> Any:
        hz = factor * np.array([[[100.0, 620.0], [101.0, 640.0]], [[200.0, 1240.0], [204.0, 1250.0]]])
        tines = {1: 0, 3: 1}
        return SimpleNamespace(frequency=hz, decay_rate=0.01 * hz, row=lambda tine: tines[tine])

    learnt = SimpleNamespace(
        unknown=SimpleNamespace(name="root-length", key="tines.root_length_per_diameter", value=0.3),
        value=0.45, standard_uncertainty=0.02,
    )  # fmt: skip
    lines = (
        MatchedPartial(1, 1, 1, 630.0, 1e-4, 2.5, 0.1),
        MatchedPartial(3, 0, None, 203.0, 1e-4, math.nan, math.nan),
    )
    withheld = SimpleNamespace(
        unknown=SimpleNamespace(name="youngs of rod"), reason="alike", remedy="a long tine"
    )
    calibration = SimpleNamespace(
        fitted=(learnt,), correlation=np.eye(1), rejected=(withheld,), lines=lines, before=model(1.0),
        after=model(1.01), warnings=("mind",),
    )  # fmt: skip
    claims = [SimpleNamespace(tap=SimpleNamespace(time=0.4), tine=3, found=True)]
    told = calibration_data(slat.instrument, claims, calibration)
    assert sorted(told) == ["correlation", "fitted", "partials", "rejected", "taps", "warnings"]
    both = math.sqrt(200.0 * 204.0)
    wanted = [
        {"tine": "low.2", "partial": 2, "plane": "across", "frequency_hz": 630.0,
         "before_cents": near(slat.cents(640.0 / 630.0)), "after_cents": near(slat.cents(646.4 / 630.0)),
         "decay_s": near(FALL_60 / 2.5), "before_s": near(FALL_60 / 6.4), "after_s": near(FALL_60 / 6.464)},
        {"tine": "aside.1", "partial": 1, "plane": "both", "frequency_hz": 203.0,
         "before_cents": near(slat.cents(both / 203.0)), "after_cents": near(slat.cents(1.01 * both / 203.0)),
         "decay_s": None, "before_s": near(FALL_60 / (0.01 * both)), "after_s": near(FALL_60 / (0.0101 * both))},
        {"name": "root-length", "key": "tines.root_length_per_diameter", "before": 0.3, "after": 0.45, "sd": 0.02},
        {"time_s": 0.4, "tine": "aside.1", "found": True},
        {"name": "youngs of rod", "reason": "alike", "would_tell": "a long tine"},
    ]  # fmt: skip
    return [*told["partials"], *told["fitted"], *told["taps"], *told["rejected"]], wanted


def keys(slat, tmp_path) -> Pair:
    """The rows of one table as the file of explanations has them; ranges by hand."""
    path = Path(catalogue.__file__).parent / "data" / "keys.csv"
    ranges = (
        "0.2 to 100",
        "`angle_deg` 0 to 120; `azimuth_deg` -360 to 360",
        "0 to 2000",
    )
    mine = [row for row in read(path) if row["table"] == "listener"]
    wanted = [{**row, "range": its} for row, its in zip(mine, ranges, strict=True)]
    return json.loads(said("keys", "listener", "--json")), wanted


def stock(slat, tmp_path) -> Pair:
    """The thread of M4 by ISO 261, ISO 724 and ISO 68-1: pitch 0.7, core 3.141; other rows as shipped."""
    told = json.loads(said("stock", "threads", "--json"))
    wanted = [{key: getattr(row, key) for key in told[0]} for row in catalogue.threads()]
    m4 = next(each for each in told if each["name"] == "M4")
    assert m4["pitch_mm"] == 0.7
    return told, wanted


def said(*words: str) -> str:
    import contextlib
    import io

    with contextlib.redirect_stdout(io.StringIO()) as out:
        assert run(list(words)) == 0
    return out.getvalue()


TABLES = (
    check_groups, check_tines, check_ear, modes_tines, modes_bar, strength, tolerance, board_groups, board_curves,
    compared, trim, cutlist, calibrated, keys, stock,
)  # fmt: skip


@pytest.mark.parametrize("table", TABLES, ids=lambda table: table.__name__)
def test_every_column_of_a_table_is_that_of_its_object_in_its_unit(slat, tmp_path, table):
    told, wanted = table(slat, tmp_path)
    assert len(told) == len(wanted) > 0
    for row, expected in zip(told, wanted, strict=True):
        assert sorted(row) == sorted(expected)
        for key, value in expected.items():
            assert row[key] == value, key
