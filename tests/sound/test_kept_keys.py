"""What is kept is found again only by all that it was made of: every field that a solution reads stands in its key.

The instrument is read through objects that note each field that is looked at while a solution is made. Each noted
field is then changed in turn, and the key must be another one: else an old solution would answer a new question.
"""

from __future__ import annotations

import dataclasses
import pickle
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from typing import Any

import pytest

from synth import cache as room
from synth.design.file import load
from synth.design.instrument import Instrument, PlacedNut
from synth.design.resolve import resolve
from synth.sound import board_forecast, boardsheet, render
from synth.vibration import solve
from synth.workshop import check_screen

pytestmark = pytest.mark.usefixtures("same_air")
DESIGN = Path(__file__).parents[1] / "data" / "boarded.toml"
Key = tuple[Any, ...]  # the way to a field: names, and indices or keys into tuples and tables
LOG: set[Key] = set()


@cache
def _noting(kind: type) -> type:
    """A type that is `kind`, and notes the plain fields that are read of it, but not as it is copied."""
    names = {each.name for each in dataclasses.fields(kind)}

    def read(self: Any, name: str) -> Any:
        value = object.__getattribute__(self, name)
        if name in names and not _holds_more(value) and not _copying():
            LOG.add((*object.__getattribute__(self, "_way"), name))
        return value

    return type(kind.__name__, (kind,), {"__getattribute__": read, "_way": ()})


def _copying() -> bool:
    return any(sys._getframe(depth).f_code.co_filename == dataclasses.__file__ for depth in (2, 3))


def _holds_more(value: Any) -> bool:
    if isinstance(value, dict):
        return any(_holds_more(each) for each in value.values())
    return dataclasses.is_dataclass(value) or (isinstance(value, tuple) and any(map(_holds_more, value)))


def noting(value: Any, way: Key = ()) -> Any:
    """The same value, its fields noted as they are read."""
    if dataclasses.is_dataclass(value):
        noted = object.__new__(_noting(type(value)))
        for each in dataclasses.fields(value):
            object.__setattr__(noted, each.name, noting(getattr(value, each.name), (*way, each.name)))
        object.__setattr__(noted, "_way", way)
        return noted
    if isinstance(value, tuple):
        return tuple(noting(each, (*way, n)) for n, each in enumerate(value))
    if isinstance(value, dict):
        return {key: noting(each, (*way, key)) for key, each in value.items()}
    return value


def changed(value: Any, way: Key) -> Any:
    """The value with another one where the way leads."""
    if not way:
        return _other(value)
    first, rest = way[0], way[1:]
    if isinstance(value, tuple):
        return tuple(changed(each, rest) if n == first else each for n, each in enumerate(value))
    if isinstance(value, dict):
        return {key: changed(each, rest) if key == first else each for key, each in value.items()}
    return dataclasses.replace(value, **{first: changed(getattr(value, first), rest)})


def _other(value: Any) -> Any:
    if value is None or isinstance(value, bool):
        return not value
    if isinstance(value, int | float):
        return 1.0 if value in (float("inf"), 0) else value * 1.01
    if isinstance(value, str):
        return value + "x"
    return (*value, "x") if isinstance(value, tuple) else {**value, "x": 1.0}


class Keeper:
    """Stands for `kept`: notes what was read up to the wanted solution, and answers from memory ever after.

    What boards and modes on the way read counts as well, since the wanted one is made of them. What a row reads
    does not: rows enter all keys by their lengths and nuts.
    """

    def __init__(self, wanted: str) -> None:
        self.wanted, self.memory, self.reads = wanted, {}, set()
        self.key = ""
        self.fresh: list[bool] = []
        LOG.clear()

    def __call__(self, name: str, depends_on: object, solve: Any, *, fresh: bool = False) -> Any:
        self.fresh.append(fresh)
        before = set(LOG)  # a fingerprint reads every field it is given: that is no reading of the solution
        if name == self.wanted:
            self.key = room.fingerprint(depends_on)
        if name not in self.memory:
            LOG.clear()
            LOG.update(before)
            self.memory[name] = solve()
            if name == self.wanted:
                self.reads = set(LOG)
            elif name == "row":
                LOG.clear()
        return self.memory[name]


def _row(instrument: Instrument) -> Any:
    return solve.solve_row(instrument)


CASES = {
    "row": _row,
    "quarrels": lambda each: solve.solve_quarrels(each, _row(each)),
    "borne": lambda each: check_screen.usual_strokes(each, _row(each), list(each.sticks)),
    "losses": lambda each: solve.solve_loss_shares(each, _row(each)),
    "modes": lambda each: solve.solve_model(each, _row(each)),
    "board": lambda each: solve.solve_board_of(each, "box"),
    "sheet": lambda each: boardsheet.solve_sheet(each, "box"),
    "foretold": lambda each: board_forecast.solve_foretold(each, _row(each), "panel"),
    **{
        f"radiator through {name}": lambda each, name=name: render.scene(each, name)
        for name in ("bar", "panel")
    },
    **{
        f"radiator of a {kind}": lambda each, kind=kind: render.scene(_with(each, kind), "pickup")
        for kind in ("contact", "pad", "strain", "magnetic")
    },
}


def _with(instrument: Instrument, kind: str) -> Instrument:
    """With a pickup of another kind, unless it is the kind that was just changed."""
    if instrument.pickup.kind != "contact":
        return instrument
    pickup = instrument.pickup
    object.__setattr__(pickup, "kind", kind)  # noting objects go on noting
    return instrument


@pytest.fixture
def keeper(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> Keeper:
    made = Keeper(request.node.callspec.params["name"].split()[0])
    for each in (solve, render, boardsheet, board_forecast, check_screen):
        monkeypatch.setattr(each, "cached", made)
    return made


READ = {  # some of what must be seen: all would hold of nothing if nothing were noted
    "radiator through bar": (
        "listener.distance",
        "listener.spacing",
        "bar.section.width",
        "tines.1.rod.mass_diameter",
    ),
    "radiator through panel": ("listener.azimuth", "boards.panel.length", "bar.section.height"),
    "radiator of a strain": (
        "pickup.position",
        "pickup.sensitivity",
        "pickup.playback",
        "bar.section.height",
    ),
    "radiator of a magnetic": ("pickup.gap", "pickup.faces", "pickup.position"),
    "board": ("boards.box.depth", "boards.box.feet.0.sideways", "bar.section.height"),
    "borne": ("sticks.brass.diameter", "tines.0.rod.material.yield_stress", "groups.0.count"),
    "row": ("tines.0.root.added_length", "bar.material.youngs"),
}


@pytest.mark.parametrize("name", CASES)
def test_every_field_that_a_solution_reads_stands_in_its_key(name: str, keeper: Keeper) -> None:
    plain, ask = pickle.dumps(resolve(load(DESIGN), str(DESIGN))), CASES[name]
    ask(noting(pickle.loads(plain)))
    ask(pickle.loads(plain))
    before, missing = keeper.key, []
    for way in sorted(keeper.reads, key=str):
        ask(changed(pickle.loads(plain), way))
        if keeper.key == before:
            missing.append(".".join(map(str, way)))
    seen = {".".join(map(str, way)) for way in keeper.reads}
    assert len(seen) > 5
    assert set(READ.get(name, ())) <= seen
    assert missing == []


OF_A_ROW: dict[str, Callable[..., Any]] = {
    "quarrels": solve.solve_quarrels,
    "losses": solve.solve_loss_shares,
    "modes": solve.solve_model,
    "foretold": lambda each, row: board_forecast.solve_foretold(each, row, None),
}


@pytest.mark.parametrize("name", OF_A_ROW)
def test_rows_that_were_cut_or_trimmed_otherwise_have_keys_of_their_own(name: str, keeper: Keeper) -> None:
    """A row may come from elsewhere than the design: from a build, or from a recording."""
    instrument = resolve(load(DESIGN), str(DESIGN))
    row = _row(instrument)
    longer = dataclasses.replace(row, length=row.length * (1.0, 1.001))
    nut = PlacedNut(instrument.nuts["M3 hex"], 0.06)
    nutted, moved = (
        dataclasses.replace(row, trim=((), (each,)))
        for each in (nut, dataclasses.replace(nut, position=0.061))
    )
    keys = []
    for each in (row, longer, nutted, moved):
        OF_A_ROW[name](instrument, each)
        keys.append(keeper.key)
    assert len(set(keys)) == 4


@pytest.mark.parametrize("name", ["radiator"])
def test_a_row_trimmed_otherwise_is_heard_anew(
    name: str, keeper: Keeper, monkeypatch: pytest.MonkeyPatch
) -> None:
    instrument = resolve(load(DESIGN), str(DESIGN))
    row = _row(instrument)
    nut = PlacedNut(instrument.nuts["M3 hex"], 0.06)
    keys = []
    for each in (row, dataclasses.replace(row, trim=((), (nut,)))):
        monkeypatch.setattr(render, "solve_row", lambda *_, each=each, **__: each)
        render.scene(instrument, "bar")
        keys.append(keeper.key)
    assert keys[0] != keys[1]


FRESH: dict[str, Callable[..., Any]] = {
    "radiator": lambda each, **how: render.scene(each, "panel", **how),
    "radiator alone": lambda each, **how: render.scene(each, "bar", **how),
    "sheet": lambda each, **how: boardsheet.solve_sheet(each, "box", **how),
    "foretold": lambda each, **how: board_forecast.effect_warnings(each, _row(each), **how),
}


@pytest.mark.parametrize("name", FRESH)
def test_who_asks_for_all_afresh_is_answered_nothing_that_was_kept(name: str, keeper: Keeper) -> None:
    """Of every step on the way; and who does not ask is answered from what is kept."""
    instrument = resolve(load(DESIGN), str(DESIGN))
    row = solve.solve_row(instrument)
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(sys.modules[__name__], "_row", lambda _: row)
        for fresh in (True, False):
            keeper.fresh.clear()
            FRESH[name](instrument, fresh=fresh)
            assert len(keeper.fresh) > int(fresh)  # boards and modes on the way are asked for, too
            assert set(keeper.fresh) == {fresh}
