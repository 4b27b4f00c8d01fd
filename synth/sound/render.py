"""Where the stages meet: an instrument, what it is heard through, and what is played on it become sound.

In: an instrument and strokes or a whole performance. Out: a `Rendering`, blocks of pressure in Pa at the listener
and what happened on the way. A contact needs to know how its row rings when the stick comes, so strokes are
followed in the order in which they are played; the bank then sums all modes at once.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from itertools import pairwise
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array
from synth.cache import cached
from synth.cores import one_core
from synth.design.instrument import Instrument
from synth.errors import InputError
from synth.frozen import frozen
from synth.playing.contact.stroke_contact import EVENT, REFERENCE, Contact, FollowedStroke, stroke_row
from synth.playing.mute import moments, taken
from synth.playing.report import document
from synth.playing.script import Performance
from synth.playing.stroke import ContactModel, ForceTrace, Hold, Stroke
from synth.sound.audio import RATE
from synth.sound.bandlimit import REACH
from synth.sound.bank import blocks
from synth.sound.beside import Beside
from synth.sound.compiled_ahead import compiled_beside
from synth.sound.drive import CHUNK
from synth.sound.modal_state import ModalState
from synth.sound.radiator import EARS, Radiator, ears
from synth.sound.radiator.bar import bar_radiator, nearest_distance
from synth.sound.radiator.board import board_radiator
from synth.sound.radiator.pickup import pickup_radiator
from synth.sound.room_noise import noise_octaves, noise_stream
from synth.sound.room_points import heard_in
from synth.sound.room_response import RoomResponse, room_response
from synth.sound.sounding import Sounded, Sounding
from synth.sound.stroke_sound import Striker
from synth.sound.surroundings import FREE_AIR, Surroundings
from synth.vibration.board import SolvedBoard
from synth.vibration.modal_model import ModalModel
from synth.vibration.modal_projection import Projection
from synth.vibration.solve import solve_board_of, solve_model, solve_row
from synth.vibration.tuning import Row

BLOCK: Final = 65_536  # samples between two breaths of a progress bar
SEVERAL: Final = 4  # strokes, from which on their sound is made while the next ones are followed
MEETS: Final = 0.3  # m: no tine swings so far to meet a stick; what did would be heard from then on only
MADE_READY: Final = CHUNK + 2 * REACH  # samples before a force's first impulse in which its sound may begin


@frozen
class ContactSettings:
    """How contacts are followed: how finely, whether a tine may be bent for good, what chance draws from."""

    contact: ContactModel = "event"
    allow_yield: bool = False
    seed: int = 1
    stick: bool = True  # the stick's own sound is part of a stroke
    traces: bool = True  # forces are kept to be read afterwards: 1 MB a stroke
    pad_damping: float = 1.0  # factor on what the player's fingers swallow


@frozen
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


@frozen
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
        with one_core(with_scipy=False):
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
        instrument.pickup if through == "pickup" else instrument.pickup.position,
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
    scene: Scene,
    events: Sequence[Stroke | Hold],
    *,
    seconds: float,
    settings: ContactSettings | None = None,
    hear: Callable[[NDArray[Any]], None] | None = None,
) -> Rendering:
    """Strokes and holds, in the order of their starts, heard for so many seconds.

    `hear` is told every block (C, n) in Pa as soon as it is made, of many strokes in a thread of its own.
    """
    with one_core(with_scipy=False):
        return _performed(scene, events, seconds, settings or ContactSettings(), hear)


def _performed(
    scene: Scene,
    events: Sequence[Stroke | Hold],
    seconds: float,
    settings: ContactSettings,
    hear: Callable[[NDArray[Any]], None] | None,
) -> Rendering:
    player, frames = _Player(scene, settings), round(seconds * RATE)

    def heard(made: Iterable[Sounded]) -> Iterator[NDArray[Any]]:
        return _told(pressure_blocks(scene, player.striker, made, frames), hear)

    if sum(isinstance(event, Stroke) for event in events) < SEVERAL:
        blocks = heard(list(player.play(events)))
    else:
        # in single precision while they wait for their taker: a long piece has many
        beside: Beside[Sounded, NDArray[np.float32]] = Beside(
            lambda made: (block.astype(np.float32) for block in heard(made))
        )
        with beside:
            for made in player.play(events):
                beside.give(made)
        blocks = (block.astype(np.float64) for block in beside.results())
    return Rendering(
        through=scene.through,
        blocks=blocks,
        block_count=math.ceil(frames / BLOCK),
        reports=tuple(player.reports),
        traces=tuple(player.traces),
        warnings=tuple(dict.fromkeys(player.remarks)),
        rings=(player.ring,),
    )


def _told(
    blocks: Iterable[NDArray[Any]], hear: Callable[[NDArray[Any]], None] | None
) -> Iterator[NDArray[Any]]:
    """The blocks, of each of which it is told before it is given."""
    for block in blocks:
        if hear is not None:
            hear(block)
        yield block


class _Player:
    """Follows strokes and holds in their order: each meets the row as those before have left it."""

    def __init__(self, scene: Scene, settings: ContactSettings) -> None:
        self.scene, self.settings, self.striker = scene, settings, scene.striker(settings)
        self.ring = ModalState(scene.model)
        self.reports: list[dict[str, Any]] = []
        self.traces: list[ForceTrace] = []
        self.remarks: list[str] = []
        self._palms = Projection(scene.model)

    def play(self, events: Sequence[Stroke | Hold]) -> Iterator[Sounded]:
        """What each leaves."""
        actions = _in_order(events)
        earliest = [_earliest(time, event) for time, event in actions]
        known = [*np.minimum.accumulate([math.inf, *earliest[:0:-1]])[::-1].tolist()]
        for (time, event), later in zip(actions, known, strict=True):
            made = self._strike(event, later) if isinstance(event, Stroke) else self._hold(event, time, later)
            self.ring.take(made.time, made.states)
            yield made

    def _strike(self, stroke: Stroke, known: float) -> Sounded:
        seed = self.settings.seed + len(self.reports)
        contact = strike(self.scene, stroke, self.ring, self.settings, seed=seed)
        self.reports.append(document(contact.touches, stroke, self.scene.instrument))
        if self.settings.traces:
            self.traces.append(contact.trace)
        self.remarks += contact.warnings
        struck = self.striker.left(contact, height=stroke.height)
        return Sounded(struck.left.ends / RATE, struck.left.states, struck, known)

    def _hold(self, part: HoldPart, time: float, known: float) -> Sounded:
        return Sounded(*held(self.scene, part, self.ring, self._palms, time), known=known)


def _earliest(time: float, event: Stroke | HoldPart) -> float:
    """s, before which an action is not heard. A ringing tine may come to meet the stick."""
    if isinstance(event, HoldPart):
        return time
    return time - MEETS / event.speed - MADE_READY / RATE


def play(
    instrument: Instrument,
    piece: Performance,
    *,
    settings: ContactSettings | None = None,
    surroundings: Surroundings = FREE_AIR,
    fresh: bool = False,
    hear: Callable[[NDArray[Any]], None] | None = None,
) -> Rendering:
    """A performance; what is heard through different things is rendered through each and added.

    `hear` is told every block of the whole, as in `perform`.
    """
    voices = list(dict.fromkeys(each.through for each in piece.played))

    def of_voice(n: int, through: str) -> tuple[Scene, list[Stroke | Hold]]:
        # a room's noise is there once
        around = surroundings if n == 0 else Surroundings(surroundings.room)
        events = [
            each.event for each in piece.played if each.through == through or isinstance(each.event, Hold)
        ]
        return scene(instrument, through, surroundings=around, fresh=fresh), events

    if len(voices) == 1:
        return perform(*of_voice(0, voices[0]), seconds=piece.seconds, settings=settings, hear=hear)
    renderings = [
        perform(*of_voice(n, through), seconds=piece.seconds, settings=settings)
        for n, through in enumerate(voices)
    ]
    blocks = (sum(each[1:], start=each[0]) for each in zip(*(r.blocks for r in renderings), strict=True))
    return Rendering(
        through=", ".join(voices),
        blocks=_told(blocks, hear),
        block_count=renderings[0].block_count,
        reports=tuple(report for each in renderings for report in each.reports),
        traces=tuple(trace for each in renderings for trace in each.traces),
        warnings=tuple(dict.fromkeys(words for each in renderings for words in each.warnings)),
        rings=tuple(ring for each in renderings for ring in each.rings),
    )


@frozen
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
    with _named(stroke), compiled_beside():
        asked = _asked(stroke, ring, settings, seed)
        return stroke_row(stroke, scene.instrument, scene.row.modes, **asked)


def followed(
    scene: Scene, stroke: Stroke, ring: ModalState, settings: ContactSettings, *, seed: int
) -> FollowedStroke:
    """The same, stage by stage. Raises `InputError` where it is known before that it cannot be made."""
    with _named(stroke):
        asked = _asked(stroke, ring, settings, seed)
        return FollowedStroke(stroke, scene.instrument, scene.row.modes, **asked)


def _asked(stroke: Stroke, ring: ModalState, settings: ContactSettings, seed: int) -> dict[str, Any]:
    return {
        "seed": seed,
        "ringing": ring.ahead(stroke.start),
        "resolution": REFERENCE if settings.contact == "reference" else EVENT,
        "allow_yield": settings.allow_yield,
        "pad_damping": settings.pad_damping,
    }


@contextmanager
def _named(stroke: Stroke) -> Iterator[None]:
    """What is refused says which stroke of a performance it was."""
    try:
        yield
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


def pressure_blocks(
    scene: Scene, striker: Striker, made: Iterable[Sounded], frames: int
) -> Iterator[NDArray[Any]]:
    """Blocks of pressure (C, n) at the listener, of what is made while they are taken."""
    points = len(scene.radiator.weights)
    sounding = Sounding(scene.model.pole, striker.heard, channels=scene.radiator.channels, points=points)
    filtered = scene.radiator.stream(RATE)
    in_room = scene.response.stream() if scene.response is not None else None
    under = noise_stream(scene.noise, scene.instrument.listener.spacing) if scene.noise is not None else None
    at = 0
    for block in blocks(
        scene.model.pole,
        scene.radiator.weights,
        sounding.events(made),
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
