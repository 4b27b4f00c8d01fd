"""After a change what did not change is not solved again, and what is told is what a fresh start would tell."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from synth.design.file import load
from synth.design.instrument import FixedLength, Instrument, PlacedNut, Tine
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.remembered import forget_all
from synth.sound.radiator import dipoles
from synth.sound.radiator.bar import rod_pressures
from synth.vibration import axial, bar, rod, tine, tuning
from synth.vibration.axial import solve_axial
from synth.vibration.modal_model import assemble
from synth.vibration.mounted_pitch import mounting
from synth.vibration.tine import solve_tines
from synth.vibration.tuning import Row, free_lengths, tune
from tests.everyday import design_tree, instrument_of

RAIL = Path(__file__).parents[2] / "designs" / "quay-rail.toml"
Way = tuple[str | int, ...]


def leaves(value: Any, way: Way = ()) -> Iterator[Way]:
    """The ways to all numbers that a value is made of."""
    if dataclasses.is_dataclass(value):
        for each in dataclasses.fields(value):
            if each.compare:  # not where it is written
                yield from leaves(getattr(value, each.name), (*way, each.name))
    elif isinstance(value, tuple):
        for n, each in enumerate(value):
            yield from leaves(each, (*way, n))
    elif isinstance(value, float):
        yield way


def moved(value: Any, way: Way) -> Any:
    """The value with a little more where the way leads."""
    if not way:
        return 1e7 if np.isinf(value) else value * 1.003 + 1e-9 * (value == 0.0)
    first, rest = way[0], way[1:]
    if isinstance(value, tuple):
        return tuple(moved(each, rest) if n == first else each for n, each in enumerate(value))
    return dataclasses.replace(value, **{str(first): moved(getattr(value, str(first)), rest)})


def numbers(solution: Any) -> list[Any]:
    if dataclasses.is_dataclass(solution):
        return [
            each for field in dataclasses.fields(solution) for each in numbers(getattr(solution, field.name))
        ]
    return [solution]


def same(one: Any, other: Any) -> bool:
    """The same bits."""
    return all(
        np.array_equal(a, b, equal_nan=True) if isinstance(a, np.ndarray) else bool(np.all(a == b))
        for a, b in zip(numbers(one), numbers(other), strict=True)
    )


def tuned(made: Instrument) -> Row:
    return tune(made, mounting(made))


Built = tuple[tuple[Tine, ...], np.ndarray, tuple[tuple[PlacedNut, ...], ...]]
SOLVED: dict[str, Callable[[Built], Any]] = {
    "partials": lambda built: solve_tines(*built),
    "lower partials": lambda built: solve_tines(*built, 5000.0),
    "stretching and twisting": lambda built: solve_axial(*built),
    "clamped lengths": lambda built: free_lengths(built[0], built[2], 2.3 / built[1] ** 2),
}


@pytest.fixture(params=[3, 11, 29])
def built(request: pytest.FixtureRequest) -> Built:
    """Four tines of a random everyday design; the first has a nut, and a root that yields."""
    return _built(request.param)


@functools.cache
def _built(seed: int) -> Built:
    made = instrument_of(design_tree(seed))
    row = tuned(made)
    nut = PlacedNut(next(iter(made.nuts.values())), 0.6 * float(row.length[0]))
    root = dataclasses.replace(made.tines[0].root, rotation_stiffness=300.0, translation_stiffness=4e6)
    first = dataclasses.replace(made.tines[0], root=root)
    some = [0, 1, len(made.tines) // 2, len(made.tines) - 1]
    tines, trim = (first, *made.tines[1:]), ((nut,), *row.trim[1:])
    return tuple(tines[n] for n in some), row.length[some], tuple(trim[n] for n in some)


@pytest.mark.parametrize(
    "built",
    [3, pytest.param(11, marks=pytest.mark.slow), pytest.param(29, marks=pytest.mark.slow)],
    indirect=True,
)
@pytest.mark.parametrize("name", SOLVED)
def test_every_number_of_a_tine_that_is_changed_is_noticed(name: str, built: Built) -> None:
    """Each in turn, against a fresh start: what is missed in a key would be told as it was."""
    solve, (tines, length, trim) = SOLVED[name], built
    before, changed = solve(built), 0
    for which in (0, len(tines) - 1):
        for way in leaves((tines[which], length[which].item(), trim[which])):
            one, long, nuts = moved((tines[which], length[which].item(), trim[which]), way)
            other = (
                (*tines[:which], one, *tines[which + 1 :]),
                np.array([*length[:which], long, *length[which + 1 :]]),
                (*trim[:which], nuts, *trim[which + 1 :]),
            )
            solve(built)
            warm = solve(other)
            forget_all()
            assert same(warm, solve(other)), way
            changed += not same(warm, before)
    assert changed > 10  # numbers that matter were among them


@pytest.mark.parametrize("name", SOLVED)
def test_no_tine_hangs_on_what_others_are(name: str, built: Built) -> None:
    solve, (tines, length, trim) = SOLVED[name], built
    together = solve(built)
    for r in range(len(tines)):
        forget_all()
        alone = solve(((tines[r],), length[r : r + 1], (trim[r],)))
        for one, all_ in zip(numbers(alone), numbers(together), strict=True):
            assert np.array_equal(one[0], all_[r][tuple(slice(0, n) for n in one[0].shape)])


@pytest.mark.parametrize(
    "seed", [*range(40, 45), *(pytest.param(seed, marks=pytest.mark.slow) for seed in range(45, 52))]
)
def test_a_row_tuned_after_others_is_the_row_tuned_alone(seed: int) -> None:
    """One tine otherwise: longer in its root, softer, elsewhere, fixed; the bar higher."""
    made = instrument_of(design_tree(seed))
    tuned(made)
    first = made.tines[0]
    changes = [
        {"root": dataclasses.replace(first.root, added_length=first.root.added_length * 1.01)},
        {"rod": dataclasses.replace(first.rod, bend_diameter=first.rod.bend_diameter * 0.999)},
        {"position": first.position + 1e-4},
        {"goal": FixedLength(0.09)},
    ]
    rows = [dataclasses.replace(first, **change) for change in changes]
    others = [dataclasses.replace(made, tines=(each, *made.tines[1:])) for each in rows]
    material = dataclasses.replace(made.bar.material, youngs=made.bar.material.youngs * 1.01)
    others.append(dataclasses.replace(made, bar=dataclasses.replace(made.bar, material=material)))
    for other in others:
        try:
            warm = tuned(other)
        except InputError:  # two tines too near now
            continue
        forget_all()
        assert same(warm, tuned(other))


def counted(monkeypatch: pytest.MonkeyPatch, module: Any, name: str, size: Callable[..., int]) -> list[int]:
    """How much is solved each time, from now on."""
    seen: list[int] = []
    real = getattr(module, name)

    def counting(*given: Any, **more: Any) -> Any:
        seen.append(size(*given))
        return real(*given, **more)

    monkeypatch.setattr(module, name, counting)
    return seen


def other_length(made: Instrument, row: Row) -> tuple[Instrument, Row]:
    """The fifth tine 2 mm shorter than the row has it, all others as long as they are."""
    fixed = tuple(
        dataclasses.replace(each, goal=FixedLength(float(long)))
        for each, long in zip(made.tines, row.length, strict=True)
    )
    shorter = dataclasses.replace(fixed[4], goal=FixedLength(float(row.length[4]) - 2e-3))
    before = dataclasses.replace(made, tines=fixed)
    tuned(before)
    after = dataclasses.replace(made, tines=(*fixed[:4], shorter, *fixed[5:]))
    return after, tuned(before)


def test_a_tine_cut_shorter_is_the_only_one_that_is_solved(monkeypatch: pytest.MonkeyPatch) -> None:
    made = resolve(load(RAIL), str(RAIL))
    after, before = other_length(made, tuned(made))
    heard = _heard(dataclasses.replace(made, tines=after.tines), before)
    solved = {
        "partials": counted(monkeypatch, tine, "solve_each", lambda rods, _: len(rods.length)),
        "losses": counted(monkeypatch, tine, "_losses", lambda given, *_: len(given)),
        "axial": counted(monkeypatch, axial, "_solved", lambda given, _: len(given)),
        "lengths": counted(monkeypatch, tuning, "_sought", lambda tines, *_: len(tines)),
        "bar": counted(monkeypatch, bar, "_all_modes", lambda _: 1),
        "tables": counted(monkeypatch, dipoles, "_transfer", lambda *_: 1),
    }
    again = _heard(after, tuned(after))
    assert not np.array_equal(again, heard)
    assert set(solved["partials"]) == {1}  # once for the search, once for all of its partials
    assert solved["losses"] == solved["axial"] == [1]
    assert solved["lengths"] == solved["bar"] == []
    assert len(solved["tables"]) == 2 * 2  # both ears, of the tine and of the bar, whose modes moved
    forget_all()
    np.testing.assert_array_equal(_heard(after, tuned(after)), again)


def test_a_group_tuned_otherwise_leaves_most_of_the_others(monkeypatch: pytest.MonkeyPatch) -> None:
    made = resolve(load(RAIL), str(RAIL))
    tuned(made)
    solved = counted(monkeypatch, tine, "solve_each", lambda rods, _: len(rods.length))
    group = made.groups[2].tines
    higher = [
        dataclasses.replace(each, goal=dataclasses.replace(each.goal, frequency=each.goal.frequency * 1.01))
        for each in made.tines[group]
    ]
    tuned(dataclasses.replace(made, tines=(*made.tines[: group.start], *higher, *made.tines[group.stop :])))
    warm = sum(solved)
    forget_all()
    solved.clear()
    tuned(dataclasses.replace(made, tines=(*made.tines[: group.start], *higher, *made.tines[group.stop :])))
    assert warm < 0.45 * sum(solved)


def test_lengths_on_a_grain_are_as_near_as_is_promised() -> None:
    made = resolve(load(RAIL), str(RAIL))
    row = tuned(made)
    off = np.abs(np.log(row.mounted_hz / row.target_hz))
    assert np.all(off < tuning.PITCH_ERROR)
    steps = np.log(row.length) / tuning.GRAIN
    assert np.mean(np.abs(steps - np.rint(steps)) < 1e-6) > 0.9


def _heard(made: Instrument, row: Row) -> np.ndarray:
    model = assemble(made.tines, row.length, row.trim, bar=made.bar, modes=row.modes)
    ears = np.array([[0.4, -0.8, 0.5], [0.6, -0.8, 0.5]])
    return rod_pressures(model, made, row.trim, ears, nearest=1.0)


def test_the_plain_solver_remembers_nothing(built: Built) -> None:
    """What the tests refer to solves whenever it is asked."""
    tines, length, trim = built
    rods = tine.rods_of(tines, length, trim)
    first, second = (rod.solve_rods(rods, 9000.0) for _ in range(2))
    assert same(first, second)
    assert first.shape is not second.shape
