"""A design opened for Python: asked, stroked, played, changed.

In: a design file. Out: an `OpenDesign`, whose every answer is new and leaves it as it was. The idea: the same rooms
that the command line calls, one call each, with its words and its ranges.
"""

from __future__ import annotations

import math
import numbers
from collections.abc import Mapping
from dataclasses import field
from functools import cached_property
from os import PathLike
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal, get_args

from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError, nearest
from synth.frozen import frozen
from synth.interface.changed import changed
from synth.many import many
from synth.playing.stroke import CHOICES, CONTROLS, ContactModel, Direction, Grip, Hand, Stroke, shaped

if TYPE_CHECKING:  # what solves and sounds is imported when it is asked for
    from synth.interface.answers import Check, Modes
    from synth.interface.board import HeardBoard
    from synth.interface.sound import Sound
    from synth.playing.script import Script
    from synth.sound.render import ContactSettings, Scene

LONGEST_S = 600.0  # s, of one stroke, as on the command line


def open(path: str | PathLike[str]) -> OpenDesign:
    """The design in a TOML file, checked and with every name looked up. Raises `InputError` as the commands do."""
    return OpenDesign(load(Path(path)), str(path))


@frozen(repr=False, eq=False)
class OpenDesign:
    """A design to ask and to hear; made by `open`, or by `with_` from another.

    `design` is what the file says (mm, grams, note names; `synth.design.schema`), `file` its name in messages,
    `instrument` what it resolves to, complete and SI (`synth.design.instrument`).
    """

    design: Design
    file: str = ""
    _scenes: dict[str, Scene] = field(default_factory=dict)

    def __post_init__(self) -> None:
        _ = self.instrument  # what is wrong shows here, not at the first stroke

    @cached_property
    def instrument(self) -> Instrument:
        """What the design resolves to: tines, bar, boards, sticks, SI."""
        return resolve(self.design, self.file)

    @property
    def name(self) -> str:
        """The design's title."""
        return self.instrument.name

    @property
    def groups(self) -> tuple[str, ...]:
        """The groups' names in the order of the file."""
        return tuple(each.name for each in self.instrument.groups)

    @property
    def sticks(self) -> tuple[str, ...]:
        """The sticks there are; the first is taken where none is named."""
        return tuple(self.instrument.sticks)

    @property
    def through(self) -> tuple[str, ...]:
        """What it can be heard through: the bar, the pickup, and its boards."""
        return ("bar", "pickup", *self.instrument.boards)

    def check(self) -> Check:
        """What will be built, tine by tine, warnings, quarrels, totals. Raises `InputError` for what cannot be."""
        from synth.interface.answers import check

        return check(self.instrument)

    def modes(self, *, through: str = "bar") -> Modes:
        """How the whole rings, in Hz and s: M coupled modes, and every tine's partials on an immovable bar.

        `through` a board: standing on it. Raises `InputError` for an unknown name.
        """
        from synth.interface.answers import modes

        return modes(self._scene(through))

    def board(self, name: str) -> HeardBoard:
        """A board of the design by itself, its response and admittance. Raises `InputError` for an unknown name."""
        from synth.interface.board import HeardBoard

        return HeardBoard(self.instrument, name)

    def stroke(
        self,
        group: str,
        *,
        through: str = "bar",
        stick: str | None = None,
        direction: Direction = "forward",
        grip: Grip = "usual",
        hand: Hand = "exact",
        seconds: float = 8.0,
        contact: ContactModel = "event",
        seed: int = 1,
        allow_yield: bool = False,
        without: Literal["stick"] | None = None,
        **controls: float,
    ) -> Sound:
        """One stroke of a group, heard for `seconds` s, as `tinewright stroke` with the same words makes it.

        `controls` are what a player sets (`synth.playing.stroke.CONTROLS`), each with its unit in its name:
        `speed_mm_s`, `bite_mm`, `lean`, `height_mm`, `tilt_deg`, `skew_deg`, `pressure_n`. `contact="reference"` is
        the slow truth; a `hand` other than exact varies by the `seed`; `without="stick"` leaves the stick's own
        sound out. Raises `InputError` for an unknown name, a number out of range, or a stroke that would bend a
        tine for good unless `allow_yield`.
        """
        from synth.interface.sound import Sound
        from synth.sound.render import perform

        chosen = stick if stick is not None else self.sticks[0]
        plain = Stroke(
            group=self.instrument.group_index(group),
            stick=self.instrument.stick(chosen),
            direction=_choice("direction", direction),
            grip=_choice("grip", grip),
            hand=_choice("hand", hand),
        )
        settings = _settings(contact=contact, seed=seed, allow_yield=allow_yield, without=without)
        length = _number("seconds", seconds, lowest=0.01, highest=LONGEST_S)
        made = shaped(plain, _numbers(controls))
        heard = perform(self._scene(through), [made], seconds=length, settings=settings)
        return Sound.of(heard, f"{self.groups[made.group]}, {chosen}", self.instrument)

    def play(
        self,
        script: str | PathLike[str] | Mapping[str, object] | Script,
        *,
        through: str | None = None,
        hand: Hand = "exact",
        contact: ContactModel = "event",
        seed: int = 1,
        allow_yield: bool = False,
        skip_unplayable: bool = False,
        without: Literal["stick"] | None = None,
    ) -> Sound:
        """A stroke script or a MIDI file as `tinewright play` makes it.

        `script` is a path (.toml, or .mid), a script's text (of several lines), or the same as a dict. `through` is
        for what does not say otherwise. Notes without a group are refused unless `skip_unplayable`. Raises
        `InputError` with line, key and value.
        """
        from synth.interface.sound import Sound
        from synth.playing.score import performance
        from synth.playing.script import held_by
        from synth.sound.render import play

        settings = _settings(contact=contact, seed=seed, allow_yield=allow_yield, without=without)
        piece, left_out = performance(
            script, self.instrument, through=through, skip_unplayable=skip_unplayable
        )
        heard = play(self.instrument, held_by(piece, _choice("hand", hand)), settings=settings)
        return Sound.of(heard, piece.name or self.name, self.instrument, warnings=left_out)

    def with_(self, changes: Mapping[str, object] | None = None, /, **keys: object) -> OpenDesign:
        """A changed design, checked as its file would be; this one stays as it is.

        Keys are the file's: `with_({"bar.section.height_mm": 25, "group[D3].spacing_mm": 12})`, the same with `**`,
        or nested: `with_(bar={"section": {"height_mm": 25}})`. A group goes by its name or its number from 1, a
        length `..._mm` may be given `..._in`, None takes a key away. Raises `InputError` for what is unknown, out
        of range, or cannot be built.
        """
        return OpenDesign(changed(self.design, {**(changes or {}), **keys}, file=self.file), self.file)

    def _scene(self, through: str) -> Scene:
        from synth.sound.render import scene

        if through not in self._scenes:
            self._scenes[through] = scene(self.instrument, through)
        return self._scenes[through]

    def __repr__(self) -> str:
        one = self.instrument
        return (
            f"<OpenDesign {one.name!r} ({self.file}): {many(len(one.tines), 'tine')} in "
            f"{many(len(one.groups), 'group')}, heard through {', '.join(self.through)}>"
        )


def _settings(*, contact: str, seed: int, allow_yield: bool, without: str | None) -> ContactSettings:
    if without not in (None, "stick"):
        raise InputError(f"'{without}' cannot be left out", remedy="have stick", location="without")
    from synth.sound.render import ContactSettings

    if contact not in get_args(ContactModel):
        raise InputError(
            f"'{contact}' is not possible",
            remedy=nearest(contact, get_args(ContactModel)),
            location="contact",
        )
    if not isinstance(seed, numbers.Integral) or seed < 0:
        raise InputError(f"{seed!r} is no seed", remedy="give a whole number from 0 on", location="seed")
    return ContactSettings(contact=contact, allow_yield=allow_yield, seed=int(seed), stick=without != "stick")


def _choice(name: str, given: Any) -> Any:
    """One of the words that the table of choices has for a name. Raises `InputError`."""
    if given not in CHOICES[name].words:
        raise InputError(
            f"'{given}' is not possible", remedy=nearest(str(given), CHOICES[name].words), location=name
        )
    return given


def _numbers(controls: Mapping[str, object]) -> dict[str, float]:
    """What a player sets, by the table of controls. Raises `InputError` for a name that is not in it."""
    known = [each.key for each in CONTROLS]
    for name in controls:
        if name not in known:
            raise InputError(f"there is no control '{name}'", remedy=nearest(name, known))
    return {name: _number(name, value) for name, value in controls.items()}


def _number(name: str, given: object, *, lowest: float = -math.inf, highest: float = math.inf) -> float:
    if isinstance(given, bool) or not isinstance(given, numbers.Real):
        raise InputError(f"{given!r} stands where a number is wanted", location=name)
    if not lowest <= float(given) <= highest:
        raise InputError(
            f"{float(given):g} is out of range",
            remedy=f"{lowest:g} to {highest:g} is possible",
            location=name,
        )
    return float(given)
