"""Where the stages meet: an instrument, what it is heard through, and what is played on it become sound.

In: an instrument and strokes or a whole performance. Out: a `Rendering`, blocks of pressure in Pa at the listener
and what happened on the way. A contact needs to know how its row rings when the stick comes, so strokes are
followed in the order in which they are played; the bank then sums all modes at once.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final, Literal

import numpy as np
from numpy.typing import NDArray

from synth.design.instrument import Instrument
from synth.errors import InputError, nearest
from synth.playing.contact import EVENT, FULL, Contact, stroke_row
from synth.playing.hold import moments, taken
from synth.playing.report import document
from synth.playing.score import Performance
from synth.playing.stroke import Excitation, Hold, Stroke
from synth.sound.audio import RATE
from synth.sound.bank import blocks
from synth.sound.events import EventBatch
from synth.sound.radiator import Radiator
from synth.sound.radiator.bar import bar_radiator
from synth.sound.radiator.board import board_radiator
from synth.sound.radiator.pickup import pickup_radiator
from synth.sound.ring import Ring
from synth.vibration.assembly import ModalModel
from synth.vibration.cache import kept
from synth.vibration.projection import Projection
from synth.vibration.solution import solve_board_of, solve_model, solve_row
from synth.vibration.tuning import Row

BLOCK: Final = 65_536  # samples between two breaths of a progress bar

Array = NDArray[np.float64]


Fineness = Literal["event", "full"]


@dataclass(frozen=True)
class Manner:
    """How contacts are followed: how finely, whether a tine may be bent for good, what chance draws from."""

    contact: Fineness = "event"
    allow_yield: bool = False
    seed: int = 1


@dataclass(frozen=True)
class Scene:
    """An instrument as it is heard: solved, on its board where there is one, before a listener."""

    instrument: Instrument
    row: Row
    model: ModalModel
    radiator: Radiator
    through: str


@dataclass(frozen=True)
class Rendering:
    """Sound on its way: `blocks` gives pressure (C, n) in Pa once through; reports a stroke, remarks in words."""

    through: str
    blocks: Iterator[NDArray[Any]]
    block_count: int
    reports: tuple[dict[str, Any], ...]
    remarks: tuple[str, ...]

    def sound(self) -> NDArray[Any]:
        """The whole pressure (C, N) in Pa."""
        return np.concatenate(list(self.blocks), axis=1)


def scene(instrument: Instrument, through: str, *, fresh: bool = False) -> Scene:
    """The instrument solved and heard through `bar`, `pickup` or a board of its own. Raises `InputError`."""
    known = ["bar", "pickup", *instrument.boards]
    if through not in known:
        raise InputError(
            f"nothing is heard through '{through}'", remedy=nearest(through, known), file=instrument.file
        )
    row = solve_row(instrument, fresh=fresh)
    board = solve_board_of(instrument, through, fresh=fresh) if through in instrument.boards else None
    model = solve_model(instrument, row, board=board, fresh=fresh)

    def listen() -> Radiator:
        if board is not None:
            return board_radiator(model, instrument, row.trim, board)
        if through == "pickup":
            return pickup_radiator(model, instrument)
        return bar_radiator(model, instrument, row.trim)

    heard = instrument.boards.get(through, through)
    depends_on = (
        instrument.bar,
        instrument.tines,
        row.length,
        row.trim,
        instrument.listener,
        instrument.pickup,
        heard,
    )
    return Scene(instrument, row, model, kept("radiator", depends_on, listen, fresh=fresh), through)


def perform(
    scene: Scene, events: Sequence[Stroke | Hold], *, seconds: float, manner: Manner | None = None
) -> Rendering:
    """Strokes and holds, in the order of their starts, heard for so many seconds."""
    manner = manner or Manner()
    projection = Projection(scene.model)
    ring = Ring(scene.model, projection)
    parts: list[Excitation] = []
    reports: list[dict[str, Any]] = []
    remarks: list[str] = []
    for moment, event in _in_order(events):
        if isinstance(event, Stroke):
            struck = strike(scene, event, ring, manner, seed=manner.seed + len(reports))
            reports.append(document(struck.touches, event, scene.instrument))
            remarks += struck.warnings
            parts.append(struck.excitation)
        else:
            parts.append(held(scene, event, ring, moment))
        ring.add(parts[-1])
    frames = round(seconds * RATE)
    return Rendering(
        through=scene.through,
        blocks=_sound(scene, projection, joined(parts, scene.row), frames),
        block_count=math.ceil(frames / BLOCK),
        reports=tuple(reports),
        remarks=tuple(dict.fromkeys(remarks)),
    )


def play(
    instrument: Instrument, piece: Performance, *, manner: Manner | None = None, fresh: bool = False
) -> Rendering:
    """A performance; what is heard through different things is rendered through each and added."""
    voices = list(dict.fromkeys(each.through for each in piece.played))
    renderings = [
        perform(
            scene(instrument, through, fresh=fresh),
            [each.event for each in piece.played if each.through == through or isinstance(each.event, Hold)],
            seconds=piece.seconds,
            manner=manner,
        )
        for through in voices
    ]
    return Rendering(
        through=", ".join(voices),
        blocks=(sum(each[1:], start=each[0]) for each in zip(*(r.blocks for r in renderings), strict=True)),
        block_count=renderings[0].block_count,
        reports=tuple(report for each in renderings for report in each.reports),
        remarks=tuple(dict.fromkeys(words for each in renderings for words in each.remarks)),
    )


@dataclass(frozen=True)
class Grip:
    """A hold from one of its moments to the next."""

    hold: Hold
    since: float


def _in_order(events: Sequence[Stroke | Hold]) -> list[tuple[float, Stroke | Grip]]:
    """Strokes by their starts and holds by their moments, as they follow each other."""
    actions: list[tuple[float, Stroke | Grip]] = []
    for event in events:
        if isinstance(event, Stroke):
            actions.append((event.start, event))
        else:
            times = moments(event).tolist()
            actions += [(moment, Grip(event, since)) for since, moment in pairwise(times)]
    return sorted(actions, key=lambda each: each[0])


def strike(scene: Scene, stroke: Stroke, ring: Ring, manner: Manner, *, seed: int) -> Contact:
    """The contact of a stroke with the row as it rings by then. Raises `InputError` where it cannot be made."""
    try:
        return stroke_row(
            stroke,
            scene.instrument,
            scene.row.modes,
            seed=seed,
            ringing=ring.ahead(stroke.start),
            fineness=FULL if manner.contact == "full" else EVENT,
            allow_yield=manner.allow_yield,
        )
    except InputError as error:
        raise error.within("", f"{stroke.start:.2f} s, {stroke.origin}" if stroke.origin else "") from None


def held(scene: Scene, grip: Grip, ring: Ring, moment: float) -> Excitation:
    """What a palm or a resting stick takes at a moment from what is still there."""
    tine = np.arange(len(scene.instrument.tines))[scene.instrument.groups[grip.hold.group].tines]
    state = ring.state(moment, tine)
    return taken(grip.hold, scene.row.modes, tine, since=grip.since, moment=moment, state=state)


def joined(parts: Sequence[Excitation], row: Row) -> Excitation:
    """Increments put together, by time."""
    partials = row.modes.frequency.shape[2]
    nothing = Excitation(
        time=np.empty(0),
        tine=np.empty(0, np.int64),
        displacement=np.empty((0, 2, partials)),
        velocity=np.empty((0, 2, partials)),
    )
    names = [field.name for field in dataclasses.fields(Excitation)]
    whole = {name: np.concatenate([getattr(part, name) for part in (nothing, *parts)]) for name in names}
    order = np.argsort(whole["time"], kind="stable")
    return Excitation(**{name: values[order] for name, values in whole.items()})


def _sound(
    scene: Scene, projection: Projection, excitation: Excitation, frames: int
) -> Iterator[NDArray[Any]]:
    """Blocks of pressure (C, n) at the listener."""

    def rows(part: slice) -> NDArray[np.complex64]:
        return projection(excitation.tine[part], excitation.displacement[part], excitation.velocity[part])

    filtered = scene.radiator.stream(RATE)
    events = EventBatch(excitation.time, rows)
    for block in blocks(
        scene.model.pole, scene.radiator.weights, events, rate=RATE, frames=frames, block=BLOCK
    ):
        yield filtered(np.asarray(block, dtype=np.float64))
