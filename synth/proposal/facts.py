"""What a proposal tells of an instrument, in numbers: gathered once, so that page and print say the same.

In: a design as written, its instrument. Out: `Facts`. Nothing is judged here and nothing is named that the design
does not name.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Board, Instrument
from synth.design.rooms import Room, ShoeboxRoom
from synth.design.schema import Design
from synth.errors import InputError
from synth.frozen import frozen
from synth.proposal.costs import Costs, costs_of
from synth.proposal.sounds import example_stroke
from synth.sound.carrying import carrying, carrying_words
from synth.sound.render import ContactSettings
from synth.vibration.solve import solve_row
from synth.vibration.tuning import Row
from synth.workshop.cutlist import CutList, cut_list
from synth.workshop.geometry import solids
from synth.workshop.tolerance import Limits, Spread, scattered

MAIN_THINGS = 3  # that it is heard through unless told


@frozen
class Facts:
    """An instrument for a client: what is drawn, heard, sawn and paid for."""

    design: Design
    instrument: Instrument
    row: Row
    cuts: CutList
    costs: Costs
    spread: Spread
    through: tuple[str, ...]
    board: Board | None  # the first of what it is heard through
    room: Room | None
    group: int  # stroked as an example
    size: Array  # (3,) m along, across and up, all that is drawn
    carried: tuple[str, ...]  # from how far a stroke is heard, a sentence for each way

    @property
    def title(self) -> str:
        return self.design.proposal.title or self.instrument.name or "Proposal"

    @property
    def board_mass(self) -> float:
        """Of the sheet alone, kg; a box's sides and bottom are not counted."""
        if self.board is None:
            return 0.0
        sheet = self.board
        return sheet.material.density * sheet.width * sheet.length * sheet.thickness


def facts_of(design: Design, instrument: Instrument, *, room: str = "", fresh: bool = False) -> Facts:
    """All of it. Raises `InputError`."""
    wanted = design.proposal
    row = solve_row(instrument, fresh=fresh)
    cuts = cut_list(instrument, row)
    through = _through(instrument, wanted.through)
    board = next((instrument.boards[each] for each in through if each in instrument.boards), None)
    found = _room(instrument, room or wanted.room or "")
    group = (
        len(instrument.groups) // 2
        if wanted.group is None
        else instrument.group_index(wanted.group, location="proposal.group")
    )
    corners = np.concatenate(
        [np.concatenate([each.start, each.end]) for each in solids(instrument, row.length, row.trim, board)]
    )
    return Facts(
        design=design,
        instrument=instrument,
        row=row,
        cuts=cuts,
        costs=costs_of(design, cuts),
        spread=scattered(instrument, row, Limits()),
        through=through,
        board=board,
        room=found,
        group=group,
        size=corners.max(axis=0) - corners.min(axis=0),
        carried=tuple(_carried(instrument, found, through, group)),
    )


def _through(instrument: Instrument, wanted: Sequence[str] | None) -> tuple[str, ...]:
    if wanted is None:
        return ("bar", "pickup", *list(instrument.boards)[: MAIN_THINGS - 2])
    return tuple(dict.fromkeys(instrument.listening(each, location="proposal.through") for each in wanted))


def _room(instrument: Instrument, wanted: str) -> Room | None:
    if wanted:
        return instrument.room(wanted, location="proposal.room")
    return next(iter(instrument.rooms.values()), None)


def _carried(instrument: Instrument, room: Room | None, through: Sequence[str], group: int) -> list[str]:
    if not isinstance(room, ShoeboxRoom):
        return []
    stroke = example_stroke(instrument, group)
    return [
        f"Through the {each}: {carrying_words(room, carrying(instrument, each, room, stroke, ContactSettings()))}"
        for each in through
        if each != "pickup"  # which is as loud as its amplifier
    ]


def check_scores_apart(names: Sequence[str]) -> None:
    """Refuse two scores of one name: their sounds could not be told apart. Raises `InputError`."""
    twice = next((each for each in names if names.count(each) > 1), "")
    if twice:
        raise InputError(f"two scores are called '{twice}'", remedy="give one of them another name")
