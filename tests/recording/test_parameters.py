"""What can be learnt, from whom, and where the design file keeps it."""

from __future__ import annotations

import tomllib
from typing import Any

import numpy as np
import pytest

from synth.design.decode import decode
from synth.design.edit import edited_design
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.recording.parameters import Unknown, tree_of, unknowns


def of(piece: Any, measured: list[int]) -> dict[str, Unknown]:
    instrument = piece.model()[0]
    return {each.name: each for each in unknowns(tree_of(str(piece.design)), instrument, measured)}


def resolved(piece: Any, unknown: Unknown, value: float) -> Any:
    return resolve(edited_design(tree_of(str(piece.design)), unknown.edits(value)), "")


def test_what_the_measured_tines_have_can_be_learnt(piece: Any) -> None:
    assert list(of(piece, [0, 1])) == [
        "bend-diameter of rod",
        "youngs of A2-70",
        "root-length",
        "clamp-loss",
        "material-loss of A2-70",
    ]
    assert "nut-grip of M3 hex" in of(piece, [3])


def test_each_starts_from_the_design_and_moves_the_instrument(piece: Any) -> None:
    found = of(piece, [0, 3])
    instrument = piece.model()[0]
    tine = instrument.tines[3]
    assert found["bend-diameter of rod"].value == pytest.approx(1e3 * tine.rod.bend_diameter)
    assert found["youngs of A2-70"].value == pytest.approx(193.0)
    changed = resolved(piece, found["bend-diameter of rod"], 2.4).tines[3]
    assert changed.rod.bend_diameter == pytest.approx(2.4e-3)
    assert resolved(piece, found["youngs of A2-70"], 180.0).tines[3].rod.material.youngs == pytest.approx(
        180e9
    )
    assert resolved(piece, found["root-length"], 0.6).tines[3].root.added_length == pytest.approx(
        0.6 * tine.rod.bend_diameter
    )
    assert resolved(piece, found["nut-grip of M3 hex"], 0.7).tines[3].trim[0].nut.grip == 0.7
    assert resolved(piece, found["clamp-loss"], 0.002).tines[3].root.loss_factor == 0.002
    assert resolved(piece, found["material-loss of A2-70"], 0.003).tines[3].rod.material.loss_factor == 0.003


def test_rod_straight_from_the_trade_gets_a_table(piece: Any) -> None:
    piece.design.write_text(piece.design.read_text().replace('stock = "rod"', 'stock = "M3"'))
    found = of(piece, [0])
    assert resolved(piece, found["bend-diameter of M3"], 2.4).tines[0].rod.bend_diameter == pytest.approx(
        2.4e-3
    )


def test_a_material_that_the_bar_shares_is_learnt_for_the_rods_alone(piece: Any) -> None:
    text = piece.design.read_text().replace('thread = "M3"   ', 'thread = "M3"\nmaterial = "bar-steel"   ')
    piece.design.write_text(text)
    found = of(piece, [0])
    changed = resolved(piece, found["youngs of bar-steel"], 190.0)
    assert changed.tines[0].rod.material.youngs == pytest.approx(190e9)
    assert changed.tines[0].rod.material.density == pytest.approx(7850.0)
    assert changed.bar.material.youngs == pytest.approx(203e9)


def test_the_modulus_is_that_of_twenty_degrees(piece: Any) -> None:
    piece.design.write_text(piece.design.read_text() + "\n[tuning]\ntemperature_c = 35.0\n")
    assert of(piece, [0])["youngs of A2-70"].value == pytest.approx(193.0)


def test_what_goes_with_the_length_is_told_of_the_longest_and_of_the_shortest_tine(monkeypatch):
    """6, 2 and 0 cents left of tines of 80, 120 and 160 mm: linear in 1/length, 12 (80 mm / L) - 6."""
    from types import SimpleNamespace

    from synth.recording import apart

    lines = tuple(SimpleNamespace(tine=tine) for tine in (0, 1, 2))
    bench = SimpleNamespace(bench=SimpleNamespace(units="mm"))
    piece = SimpleNamespace(
        instrument=bench, lines=lines, tines=[0, 1, 2], length=np.array([0.08, 0.12, 0.16])
    )
    cent = np.log(2.0) / 1200.0
    monkeypatch.setattr(apart, "measured", lambda _: np.array([6.0, 2.0, 0.0]) * cent)
    (told,) = apart.trend(piece, np.zeros(3))
    assert "+0 cents for the longest tine, +6 for the shortest" in told


MIXED = """
[bar]
section = { shape = "rectangle", width_mm = 25.0, height_mm = 20.0 }
path = [{ straight_mm = 400.0 }]
[recipe.drone]
members = ["1/1", { interval = "3/2", stock = "m5" }, "2/1", "3/1"]
[[group]]
name = "low"
root = "D3"
recipe = "drone"
stock = [{ below = "D4", use = "M4" }, { use = "M3" }]
change = [{ tine = 4, stock = "M2.5" }]
start_mm = 40.0
"""


@pytest.mark.parametrize(("rod", "tine"), [("M4", 0), ("M5", 1), ("M3", 2), ("M2.5", 3)])
def test_a_rod_named_by_a_member_a_change_or_a_pitch_is_corrected_too(rod: str, tine: int) -> None:
    tree = tomllib.loads(MIXED)
    instrument = resolve(decode(tree, Design))
    found = {each.name: each for each in unknowns(tree, instrument, range(4))}[f"bend-diameter of {rod}"]
    after = resolve(edited_design(tree, found.edits(0.98 * found.value)))
    for number, (was, now) in enumerate(zip(instrument.tines, after.tines, strict=True)):
        moved = now.rod.bend_diameter / was.rod.bend_diameter
        assert moved == pytest.approx(0.98 if number == tine else 1.0)


def test_a_nut_that_is_only_wished_for_is_learnt_too_and_a_root_is_in_bending_diameters() -> None:
    """M3 bends as 2.5 mm or so: of its outside the same root would be a fifth less. Plain rods are callipered."""
    tree = tomllib.loads(
        MIXED.replace('stock = [{ below = "D4", use = "M4" }, { use = "M3" }]', 'stock = "M3"')
    )
    tree["group"][0]["change"] = [{"tine": 1, "trim_to": {"partial": 2, "ratio": 6.0, "nut": "M3 hex"}}]
    tree["recipe"]["drone"]["members"] = ["1/1", {"interval": "3/2", "stock": "plain"}]
    tree["stock"] = {"plain": {"kind": "plain", "diameter_mm": 3.0}}
    instrument = resolve(decode(tree, Design))
    found = {each.name: each for each in unknowns(tree, instrument, [0])}
    assert "nut-grip of M3 hex" in found
    assert "nut-grip of M3 hex" not in {each.name for each in unknowns(tree, instrument, [1])}
    first = instrument.tines[0]
    assert first.rod.bend_diameter < 0.9 * first.rod.diameter
    assert found["root-length"].value == pytest.approx(first.root.added_length / first.rod.bend_diameter)
    assert [each.kind for each in unknowns(tree, instrument, [1]) if each.kind == "bend-diameter"] == []
