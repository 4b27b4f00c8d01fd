"""What is kept of a solved instrument is kept under all that it says, names in its words included."""

from __future__ import annotations

import dataclasses
from pathlib import Path
from typing import Any

import msgspec
import pytest

from synth.cache import fingerprint
from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.vibration import solve
from synth.vibration.quarrels import Quarrel

TWO_TINES = Path(__file__).parents[1] / "data" / "two-tines.toml"


def key_of(monkeypatch: pytest.MonkeyPatch, ask: Any) -> str:
    asked: dict[str, Any] = {}

    def cached(name: str, depends_on: object, made: Any, *, fresh: bool = False) -> None:
        asked.update(name=name, key=fingerprint(depends_on))

    monkeypatch.setattr(solve, "cached", cached)
    ask()
    return str(asked["key"])


def test_a_row_whose_group_goes_by_another_name_speaks_of_it_by_that(monkeypatch: pytest.MonkeyPatch) -> None:
    """Warnings and refusals name the group; a row kept from before would tell the old name."""
    made: Instrument = resolve(load(TWO_TINES))
    other = dataclasses.replace(
        made, groups=(dataclasses.replace(made.groups[0], name="renamed"), *made.groups[1:])
    )
    one, two = (key_of(monkeypatch, lambda each=each: solve.solve_row(each)) for each in (made, other))
    assert one != two
    assert one == key_of(monkeypatch, lambda: solve.solve_row(made))


def test_advice_is_kept_for_these_quarrels_of_this_design(monkeypatch: pytest.MonkeyPatch) -> None:
    design = load(TWO_TINES)
    made = resolve(design)
    one = Quarrel(
        tine=0, plane=1, partial=2, partial_hz=300.0, bar_mode=4, bar_hz=301.0,
        shift=1.01, decay_loss=2.0, severity=7.0,
    )  # fmt: skip
    other = dataclasses.replace(one, plane=0)
    row: Any = None
    renamed = msgspec.structs.replace(design, name="another")
    keys = [
        key_of(monkeypatch, lambda each=each, own=own: solve.solve_advice(own, made, row, each))
        for own, each in ((design, (one,)), (design, (other,)), (design, (one, other)), (renamed, (one,)))
    ]
    assert len(set(keys)) == 4
    assert keys[0] == key_of(monkeypatch, lambda: solve.solve_advice(design, made, row, [one]))
