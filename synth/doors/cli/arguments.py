"""The arguments that several commands share, made from the tables of the rooms they belong to.

In: words of a command line. Out: an `Instrument`, a group, a `Stroke`, a progress bar on standard error.
"""

from __future__ import annotations

import math
import shutil
import sys
from collections.abc import Callable, Iterable, Iterator, Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar, get_args

import click

from synth.design import catalogue
from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.doors.cli.inches import given_in_inches
from synth.errors import InputError
from synth.playing.stroke import (
    CHOICES,
    CONTROLS,
    ContactModel,
    Direction,
    Grip,
    Hand,
    Stroke,
    default_of,
    shaped,
)
from synth.units import INCH, MM

if TYPE_CHECKING:
    from synth.sound.surroundings import Surroundings

Decorated = TypeVar("Decorated", bound=Callable[..., Any])
Item = TypeVar("Item")


class Number(click.FloatRange):
    """A number in a range; "nan" is in none, though no comparison says so, and "inf" is no number here."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        number, named = _number(self, value, param, ctx), given_in_inches(param, ctx)
        if named and self.min is not None and self.max is not None and not self.min <= number <= self.max:
            low, high = (f"{length * MM / INCH:.3g}" for length in (self.min, self.max))
            raise InputError(
                f"{number * MM / INCH:.6g} is out of range",
                remedy=f"{low} to {high} is possible",
                location=named,
            )
        number = float(super().convert(value, param, ctx))
        if not math.isfinite(number):
            self.fail(f"{value} is not a number that can be used.", param, ctx)
        return number


class Whole(click.IntRange):
    """A whole number in a range."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> int:
        try:
            int(value)
        except ValueError:
            self.fail(f"'{value}' is not a whole number; {_possible(self)} is possible.", param, ctx)
        return int(super().convert(value, param, ctx))


class ControlValue(Number):
    """The number of a control of the stroke, whose own range refuses it in the words of every door."""

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> float:
        if given_in_inches(param, ctx):
            return super().convert(value, param, ctx)
        return _number(self, value, param, ctx)


def _number(
    of: click.FloatRange, value: Any, param: click.Parameter | None, ctx: click.Context | None
) -> float:
    try:
        return float(value)
    except ValueError:
        named = given_in_inches(param, ctx)
        if named:
            raise InputError(
                f"'{value}' is not a number", remedy="write a length in inches", location=named
            ) from None
        of.fail(f"'{value}' is not a number; {_possible(of)} is possible.", param, ctx)


def _possible(of: click.FloatRange | click.IntRange) -> str:
    """From where to where numbers may go, in words."""
    if of.min is not None and of.max is not None:
        return f"{of.min:g} to {of.max:g}"
    return f"{of.min:g} or more" if of.min is not None else "any"


design = click.argument("design", type=click.Path(path_type=Path))
fresh = click.option("--fresh", is_flag=True, help="Solve again instead of taking the kept solution.")
json_flag = click.option("--json", "as_json", is_flag=True, help="Print data instead of a table.")
gain_db = click.option(
    "--gain-db",
    type=Number(-200.0, 200.0),
    default=0.0,
    show_default=True,
    help="The only gain; 0 dBFS is 100 dB SPL.",
)
output = click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="Where to write."
)
group = click.option("--group", required=True, metavar="GROUP", help="The group, by its name.")
through = click.option(
    "--through", default="bar", show_default=True, help="bar, pickup, or a board of the design."
)
seed = click.option("--seed", type=Whole(0), default=1, show_default=True, help="Of what varies.")


without_option = click.option(
    "--without", type=click.Choice(["stick"]), help="Leave out the stick's own sound, to hear the rest apart."
)


def surroundings(command: Decorated) -> Decorated:
    """The options that say in which room it is heard; `surroundings_of` takes them."""
    command = click.option(
        "--room-noise", is_flag=True, help="Lay the room's noise under, as the design tells it."
    )(command)
    return click.option(
        "--room", default="", metavar="ROOM", help="A room of the design; free air unless told."
    )(command)


def surroundings_of(instrument: Instrument, room: str, noise: bool) -> Surroundings:
    """Where it stands. Raises `InputError`."""
    from synth.sound.room_noise import noise_octaves
    from synth.sound.surroundings import Surroundings

    if noise and not room:
        raise InputError("there is no room to be noisy", remedy="add --room ROOM", location="--room-noise")
    found = instrument.room(room, location="--room") if room else None
    if noise and found is not None:
        noise_octaves(found.noise)
    return Surroundings(found.name if found else "", noise)


def instrument(path: Path) -> Instrument:
    """The instrument of a design file. Raises `InputError`."""
    return design_and_instrument(path)[1]


def design_and_instrument(path: Path) -> tuple[Design, Instrument]:
    """What a design file says, and the instrument it describes. Raises `InputError`."""
    written = load(path)
    return written, resolve(written, str(path))


def contact_options(command: Decorated) -> Decorated:
    """The options that say how the contact of stick and tine is followed."""
    for option in (
        click.option(
            "--contact",
            type=click.Choice(get_args(ContactModel)),
            default="event",
            show_default=True,
            help="How finely the contact is followed; reference is the slow, finely stepped one.",
        ),
        _choice("hand"),
        click.option("--allow-yield", is_flag=True, help="Render a stroke that would bend a tine for good."),
        seed,
        without_option,
    ):
        command = option(command)
    return command


def stroke_options(command: Decorated) -> Decorated:
    """The options that make a stroke: every control, the direction and the stick."""
    for control in reversed(CONTROLS):
        option = click.option(
            f"--{control.key.replace('_', '-')}",
            type=ControlValue(control.lowest, control.highest),
            default=float(default_of(control.field)) / control.unit,
            show_default=True,
            help=control.meaning[0].upper() + control.meaning[1:] + ".",
        )
        command = option(command)
    command = _choice("grip")(_choice("direction")(command))
    return click.option(
        "--stick",
        "stick_name",
        metavar="STICK",
        help=f"A stick of the design, or {', '.join(catalogue.sticks().names)}.",
    )(command)


def _choice(key: str) -> Callable[[Decorated], Decorated]:
    """The option for one of the player's choices of a word."""
    choice = CHOICES[key]
    return click.option(
        f"--{key}",
        type=click.Choice(choice.words),
        default=default_of(key),
        show_default=True,
        help=choice.meaning[0].upper() + choice.meaning[1:] + ".",
    )


def stroke(
    instrument: Instrument,
    *,
    group: int,
    stick_name: str | None,
    direction: Direction,
    hand: Hand,
    grip: Grip,
    numbers: Mapping[str, float],
) -> Stroke:
    """A stroke from numbers by their outside names (`speed_mm_s` ...). Raises `InputError`."""
    chosen = next(iter(instrument.sticks.values())) if stick_name is None else instrument.stick(stick_name)
    return shaped(Stroke(group=group, stick=chosen, direction=direction, hand=hand, grip=grip), numbers)


def width() -> int | None:
    """How many letters a line may have on the terminal that shows the tables; None where they go elsewhere."""
    return shutil.get_terminal_size().columns if sys.stdout is not None and sys.stdout.isatty() else None


def progress(items: Iterable[Item], *, total: int, what: str) -> Iterator[Item]:
    """The same items, with a bar on standard error while a person watches it."""
    if not sys.stderr.isatty():
        yield from items
        return
    from rich.console import Console
    from rich.progress import track

    yield from track(items, description=what, total=total, console=Console(stderr=True), transient=True)
