"""Shared by the tests of this room: a bar with two tines, alone and on its boards."""

from __future__ import annotations

import dataclasses
import functools
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import pytest

from synth.arrays import Array
from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.vibration import board
from synth.vibration.board import SolvedBoard, solve_board
from synth.vibration.modal_model import ModalModel, assemble
from synth.vibration.plate import PlateModes
from synth.vibration.plate_air import Faces, Radiation, radiation
from synth.vibration.tuning import Row, tune

DESIGN = Path(__file__).parents[1] / "data" / "boarded.toml"


@dataclass(frozen=True, eq=False)
class Boarded:
    instrument: Instrument
    row: Row

    @functools.lru_cache(maxsize=8)  # noqa: B019 (one object a session)
    def board(self, name: str) -> SolvedBoard:
        return solve_board(self.instrument.boards[name], self.instrument.bar)

    @functools.lru_cache(maxsize=8)  # noqa: B019
    def model(self, name: str | None = None, *, only: int | None = None) -> ModalModel:
        tines = self.instrument.tines if only is None else self.instrument.tines[only : only + 1]
        length = self.row.length if only is None else self.row.length[only : only + 1]
        standing = None if name is None else self.board(name).standing
        return assemble(tines, length, [()] * len(tines), bar=self.instrument.bar, board=standing)

    def with_listener(self, **changes: float) -> Instrument:
        return dataclasses.replace(
            self.instrument, listener=dataclasses.replace(self.instrument.listener, **changes)
        )


@pytest.fixture(scope="module")
def same_air() -> Iterator[None]:
    """The air about a board is worked out once, for tests that count what is solved, and not what comes out."""
    known: dict[object, Radiation] = {}

    def once(modes: PlateModes, frequency: Array, *, faces: Faces) -> Radiation:
        key = (modes.plate, modes.coefficients.tobytes(), frequency.tobytes(), faces)
        if key not in known:
            known[key] = radiation(modes, frequency, faces=faces)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(board, "radiation", once)
        yield


@pytest.fixture(scope="session")
def boarded() -> Boarded:
    instrument = resolve(load(DESIGN), str(DESIGN))
    return Boarded(instrument, tune(instrument))
