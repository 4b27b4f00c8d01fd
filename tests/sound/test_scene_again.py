"""What a change does not touch is not solved again: rows, boards, modes and what is radiated, counted."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import FixedLength, Instrument
from synth.design.resolve import resolve
from synth.sound import render
from synth.vibration import bar, board, modal_model, solve

pytestmark = pytest.mark.usefixtures("same_air")
DESIGN = Path(__file__).parents[1] / "data" / "boarded.toml"
SOLVERS = {
    "row": (solve, "tune"),
    "board": (board, "solve_board"),
    "modes": (modal_model, "assemble"),
    "bar": (bar, "_all_modes"),
    "radiator": (render, "bar_radiator"),
    "radiator of the board": (render, "board_radiator"),
    "radiator of the pickup": (render, "pickup_radiator"),
}


def cut(made: Instrument) -> Instrument:
    return dataclasses.replace(
        made, tines=(dataclasses.replace(made.tines[0], goal=FixedLength(0.149)), *made.tines[1:])
    )


def with_part(name: str, **changed: Any) -> Callable[[Instrument], Instrument]:
    return lambda made: dataclasses.replace(
        made, **{name: dataclasses.replace(getattr(made, name), **changed)}
    )


def other_box(made: Instrument) -> Instrument:
    box = dataclasses.replace(made.boards["box"], depth=0.11)
    return dataclasses.replace(made, boards={**made.boards, "box": box})


CHANGES: list[tuple[str, str, Callable[[Instrument], Instrument], set[str]]] = [
    ("nothing", "bar", lambda made: made, set()),
    ("a tine's length", "bar", cut, {"row", "modes", "radiator"}),
    ("a tine's length", "panel", cut, {"row", "modes", "radiator of the board"}),
    ("where one listens", "bar", with_part("listener", distance=1.7), {"radiator"}),
    ("where one listens", "panel", with_part("listener", distance=1.7), {"radiator of the board"}),
    ("the pickup's strength", "bar", with_part("pickup", sensitivity=0.31), set()),
    ("the pickup's strength", "pickup", with_part("pickup", sensitivity=0.31), {"radiator of the pickup"}),
    ("the pickup's place", "bar", with_part("pickup", position=0.33), {"modes", "bar", "radiator"}),
    ("another board", "panel", other_box, set()),
    ("another board", "bar", other_box, set()),
    ("the bench", "bar", lambda made: dataclasses.replace(made, temperature=300.0), set()),
]


@pytest.mark.parametrize(
    ("through", "change", "expected"),
    [each[1:] for each in CHANGES],
    ids=[f"{a} by the {b}" for a, b, *_ in CHANGES],
)
def test_only_what_a_change_touches_is_solved_again(
    through: str,
    change: Callable[[Instrument], Instrument],
    expected: set[str],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(tmp_path / "first"))
    bar._solved.cache_clear()
    made = resolve(load(DESIGN), str(DESIGN))
    render.scene(made, through)
    solved: set[str] = set()
    with monkeypatch.context() as context:
        for what, (module, name) in SOLVERS.items():
            context.setattr(module, name, _noting(getattr(module, name), what, solved))
        again = render.scene(change(made), through)
    assert solved == expected
    monkeypatch.setenv("TINEWRIGHT_CACHE", str(tmp_path / "second"))
    bar._solved.cache_clear()
    fresh = render.scene(change(made), through)
    assert np.array_equal(again.model.pole, fresh.model.pole)
    assert np.array_equal(again.radiator.weights, fresh.radiator.weights)


def _noting(real: Callable[..., Any], what: str, solved: set[str]) -> Callable[..., Any]:
    def noting(*given: Any, **more: Any) -> Any:
        solved.add(what)
        return real(*given, **more)

    return noting
