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
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.cache import cached
from synth.cores import one_core
from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.playing.contact.stroke_contact import EVENT, REFERENCE, Contact, stroke_row
from synth.playing.mute import moments, taken
from synth.playing.report import document
from synth.playing.script import Performance
from synth.playing.stroke import ContactModel, ForceTrace, Hold, Stroke
from synth.sound.audio import RATE
from synth.sound.bank import blocks
from synth.sound.modal_state import ModalState
from synth.sound.onsets import EventBatch
from synth.sound.overlay import Overlay
from synth.sound.radiator import EARS, Radiator, ears
from synth.sound.radiator.bar import bar_radiator, nearest_distance
from synth.sound.radiator.board import board_radiator
from synth.sound.radiator.pickup import pickup_radiator
from synth.sound.room_noise import noise_octaves, noise_stream
from synth.sound.room_points import heard_in
from synth.sound.room_response import RoomResponse, room_response
from synth.sound.stroke_sound import Striker, StrokeSound
from synth.sound.surroundings import FREE_AIR, Surroundings
from synth.vibration.board import SolvedBoard
from synth.vibration.modal_model import ModalModel
from synth.vibration.modal_projection import Projection
from synth.vibration.solve import solve_board_of, solve_model, solve_row
from synth.vibration.tuning import Row

BLOCK: Final = 65_536  # samples between two breaths of a progress bar


@dataclass(frozen=True)
class ContactSettings:
    """How contacts are followed: how finely, whether a tine may be bent for good, what chance draws from."""

    contact: ContactModel = "event"
    allow_yield: bool = False
    seed: int = 1
    stick: bool = True  # the stick's own sound is part of a stroke
    pad_damping: float = 1.0  # factor on what the player's fingers swallow


@dataclass(frozen=True)
class Scene:
    """An instrument as it is heard: solved, on its board where there is one, before a listener.

    In a room the radiator has a point for each way to the listener, and `response` brings them to his ears.
    """

    instrument: Instrument
    row: Row
    model: ModalModel
    radiator: Radiator
    through: str
    room: str = ""  # "" for free air
    response: RoomResponse | None = None  # None in free air
    noise: Array | None = None  # (8,) dB SPL of the room's octaves, laid under; None for silence

    def striker(self, settings: ContactSettings) -> Striker:
        """What turns contacts into sound here."""
        return Striker(self.model, self.radiator, self.instrument, rate=RATE, stick=settings.stick)


@dataclass(frozen=True)
class Rendering:
    """Sound on its way: `blocks` gives pressure (C, n) in Pa once through; reports of strokes, remarks in words."""

    through: str
    blocks: Iterator[NDArray[Any]]
    block_count: int
    reports: tuple[dict[str, Any], ...]
    traces: tuple[ForceTrace, ...]  # of the strokes
    warnings: tuple[str, ...]
    rings: tuple[ModalState, ...]  # how it rings, for each thing it is heard through

    def sound(self) -> NDArray[Any]:
        """The whole pressure (C, N) in Pa."""
        return np.concatenate(list(self.blocks), axis=1)


def scene(
    instrument: Instrument, through: str, *, surroundings: Surroundings = FREE_AIR, fresh: bool = False
) -> Scene:
    """The instrument solved and heard through `bar`, `pickup` or a board of its own. Raises `InputError`."""
    through = instrument.listening(through)
    room = instrument.room(surroundings.room) if surroundings.room else None
    heard = heard_in(room, instrument) if room is not None else None
    if heard is not None:
        instrument = dataclasses.replace(instrument, listener=heard.listener)
    row = solve_row(instrument, fresh=fresh)
    board = solve_board_of(instrument, through, fresh=fresh) if through in instrument.boards else None
    model = solve_model(instrument, row, board=board, fresh=fresh)

    def listen() -> Radiator:
        with one_core():
            if board is not None:
                return board_radiator(model, instrument, row.trim, board)
            if through == "pickup":
                return pickup_radiator(model, instrument)
            return bar_radiator(model, instrument, row.trim)

    depends_on = (
        instrument.bar,
        instrument.tines,
        row.length,
        row.trim,
        instrument.listener,
        instrument.pickup,
        instrument.boards.get(through, through),
    )
    found = Scene(instrument, row, model, cached("radiator", depends_on, listen, fresh=fresh), through)
    if room is None or heard is None:
        return found
    response = room_response(room, heard, nearest=_first_way(found, board), rate=RATE)
    return dataclasses.replace(
        found,
        room=room.name,
        response=response,
        noise=noise_octaves(room.noise) if surroundings.noise else None,
    )


def _first_way(scene: Scene, board: SolvedBoard | None) -> float:
    """m, after which the direct sound is timed."""
    if scene.through == "pickup":
        return scene.instrument.listener.distance
    points = ears(scene.instrument)[:EARS]
    return min(nearest_distance(scene.model, points), math.inf if board is None else board.distance(points))


def perform(
    scene: Scene, events: Sequence[Stroke | Hold], *, seconds: float, settings: ContactSettings | None = None
) -> Rendering:
    """Strokes and holds, in the order of their starts, heard for so many seconds."""
    with one_core():
        return _performed(scene, events, seconds, settings or ContactSettings())


def _performed(
    scene: Scene, events: Sequence[Stroke | Hold], seconds: float, settings: ContactSettings
) -> Rendering:
    ring, palms = ModalState(scene.model), Projection(scene.model)
    striker = scene.striker(settings)
    sounding = Sounding(scene.radiator.channels, len(scene.radiator.weights))
    reports: list[dict[str, Any]] = []
    traces: list[ForceTrace] = []
    remarks: list[str] = []
    for time, event in _in_order(events):
        if isinstance(event, Stroke):
            contact = strike(scene, event, ring, settings, seed=settings.seed + len(reports))
            reports.append(document(contact.touches, event, scene.instrument))
            traces.append(contact.trace)
            remarks += contact.warnings
            struck = striker(contact, height=event.height)
            sounding.add(struck)
            times, states = struck.driven.ends / RATE, struck.driven.states
        else:
            times, states = held(scene, event, ring, palms, time)
            sounding.states.append((times, states))
        ring.take(times, states)
    frames = round(seconds * RATE)
    return Rendering(
        through=scene.through,
        blocks=pressure_blocks(scene, sounding, frames),
        block_count=math.ceil(frames / BLOCK),
        reports=tuple(reports),
        traces=tuple(traces),
        warnings=tuple(dict.fromkeys(remarks)),
        rings=(ring,),
    )


def play(
    instrument: Instrument,
    piece: Performance,
    *,
    settings: ContactSettings | None = None,
    surroundings: Surroundings = FREE_AIR,
    fresh: bool = False,
) -> Rendering:
    """A performance; what is heard through different things is rendered through each and added."""
    voices = list(dict.fromkeys(each.through for each in piece.played))
    renderings = [
        perform(
            scene(
                instrument,
                through,
                surroundings=surroundings
                if n == 0
                else Surroundings(surroundings.room),  # a room's noise is there once
                fresh=fresh,
            ),
            [each.event for each in piece.played if each.through == through or isinstance(each.event, Hold)],
            seconds=piece.seconds,
            settings=settings,
        )
        for n, through in enumerate(voices)
    ]
    return Rendering(
        through=", ".join(voices),
        blocks=(sum(each[1:], start=each[0]) for each in zip(*(r.blocks for r in renderings), strict=True)),
        block_count=renderings[0].block_count,
        reports=tuple(report for each in renderings for report in each.reports),
        traces=tuple(trace for each in renderings for trace in each.traces),
        warnings=tuple(dict.fromkeys(words for each in renderings for words in each.warnings)),
        rings=tuple(ring for each in renderings for ring in each.rings),
    )


@dataclass(frozen=True)
class HoldPart:
    """A hold from one of its moments to the next."""

    hold: Hold
    since: float


def _in_order(events: Sequence[Stroke | Hold]) -> list[tuple[float, Stroke | HoldPart]]:
    """Strokes by their starts and holds by their moments, as they follow each other."""
    actions: list[tuple[float, Stroke | HoldPart]] = []
    for event in events:
        if isinstance(event, Stroke):
            actions.append((event.start, event))
        else:
            times = moments(event).tolist()
            actions += [(time, HoldPart(event, since)) for since, time in pairwise(times)]
    return sorted(actions, key=lambda each: each[0])


def strike(
    scene: Scene, stroke: Stroke, ring: ModalState, settings: ContactSettings, *, seed: int
) -> Contact:
    """The contact of a stroke with the row as it rings by then. Raises `InputError` where it cannot be made."""
    try:
        return stroke_row(
            stroke,
            scene.instrument,
            scene.row.modes,
            seed=seed,
            ringing=ring.ahead(stroke.start),
            resolution=REFERENCE if settings.contact == "reference" else EVENT,
            allow_yield=settings.allow_yield,
            pad_damping=settings.pad_damping,
        )
    except InputError as error:
        raise error.within("", f"{stroke.start:.2f} s, {stroke.origin}" if stroke.origin else "") from None


def held(
    scene: Scene, part: HoldPart, ring: ModalState, palms: Projection, time: float
) -> tuple[Array, NDArray[np.complex64]]:
    """What a palm or a resting stick takes at a moment from what is still there: times (1,), states (1, M)."""
    tine = np.arange(len(scene.instrument.tines))[scene.instrument.groups[part.hold.group].tines]
    state = ring.state(time, tine)
    moved, moving = taken(part.hold, scene.row.modes, tine, seconds=time - part.since, state=state)
    return np.array([time]), palms(tine, moved, moving).sum(axis=0, keepdims=True)


class Sounding:
    """What is to be heard: modal states from their times on, and sound on top of what they ring."""

    def __init__(self, channels: int, points: int) -> None:
        self.states: list[tuple[Array, NDArray[np.complex64]]] = []
        self.signals = Overlay(points)
        self.pressure = Overlay(channels)

    def add(self, struck: StrokeSound) -> None:
        """A stroke."""
        self.states.append((struck.driven.ends / RATE, struck.driven.states))
        # kept in single precision: a long piece has many touches, and a file holds no more
        self.signals.add(struck.driven.frame, struck.driven.signals.astype(np.float32))
        self.pressure.add(struck.stick.frame, struck.stick.pressure.astype(np.float32))

    def events(self) -> EventBatch:
        """All states by time."""
        time = np.concatenate([np.empty(0), *(time for time, _ in self.states)])
        rows = [row for _, states in self.states for row in states]
        order = np.argsort(time, kind="stable")
        return EventBatch(time[order], lambda part: np.array([rows[n] for n in order[part]]))


def pressure_blocks(scene: Scene, sounding: Sounding, frames: int) -> Iterator[NDArray[Any]]:
    """Blocks of pressure (C, n) at the listener."""
    filtered = scene.radiator.stream(RATE)
    in_room = scene.response.stream() if scene.response is not None else None
    under = noise_stream(scene.noise, scene.instrument.listener.spacing) if scene.noise is not None else None
    at = 0
    for block in blocks(
        scene.model.pole,
        scene.radiator.weights,
        sounding.events(),
        rate=RATE,
        frames=frames,
        block=BLOCK,
    ):
        signals = block.astype(np.float64)
        sounding.signals.onto(signals, at)
        pressure = filtered(signals)
        sounding.pressure.onto(pressure, at)
        at += block.shape[1]
        if in_room is not None:
            pressure = in_room(pressure)
        if under is not None:
            pressure = pressure + under(pressure.shape[1])
        yield pressure
