"""`tinewright suggest`: what to change so that tines and bar quarrel less; the file stays as it is."""

from __future__ import annotations

import json
import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from synth.doors.cli import arguments
from synth.errors import InputError
from synth.units import MM

if TYPE_CHECKING:
    from synth.design.instrument import Instrument, Section
    from synth.vibration.quarrels import Quarrel
    from synth.vibration.tuning import Row
    from synth.workshop.suggest import Allowed, Kind, Plan, Suggestion

_MM = arguments.Number(0.0, 1000.0)
_TOLD = 3  # quarrels named as the reason
_SIZE = re.compile(r"(\d+(?:\.\d+)?)(?:\s*[xX]\s*(\d+(?:\.\d+)?))?")


@click.command("suggest")
@arguments.design
@click.option(
    "--move-mm", type=_MM, default=20.0, show_default=True, help="How far groups may move along the bar."
)
@click.option("--supports-mm", type=_MM, default=40.0, show_default=True, help="How far supports may move.")
@click.option(
    "--bar-size",
    "sizes",
    multiple=True,
    metavar="SIZE",
    help="A section to try: 30, 30x20; tube 30x2. Repeat for more.",
)
@click.option(
    "--support-kind",
    "kinds",
    multiple=True,
    type=click.Choice(["cord", "rubber", "clamp", "foot"]),
    help="A kind of support to try. Repeat for more.",
)
@click.option(
    "--tries",
    type=click.IntRange(10, 100_000),
    default=150,
    show_default=True,
    help="For each way to go about it.",
)
@click.option("--best", type=click.IntRange(1, 50), default=3, show_default=True, help="How many to print.")
@arguments.as_json
@arguments.fresh
def command(
    design: Path,
    move_mm: float,
    supports_mm: float,
    sizes: tuple[str, ...],
    kinds: tuple[Kind, ...],
    tries: int,
    best: int,
    as_json: bool,
    fresh: bool,
) -> None:
    """Look for other places, supports or bars with which tines and bar quarrel less. The file is not changed.

    \b
    Example:
      tinewright suggest designs/lantern-hoop.toml --move-mm 10 --bar-size 30 --bar-size 36
    """
    from synth.vibration.solution import solve_quarrels, solve_row
    from synth.workshop.suggest import Allowed

    instrument = arguments.instrument(design)
    allowed = Allowed(
        move_mm * MM, supports_mm * MM, tuple(_section(instrument, each) for each in sizes), kinds
    )
    row = solve_row(instrument, fresh=fresh)
    quarrels = solve_quarrels(instrument, row, fresh=fresh)
    found = _better(instrument, row, allowed, quarrels, tries=tries)[:best] if quarrels else []
    if as_json:
        click.echo(json.dumps(_data(instrument, quarrels, found), indent=1, ensure_ascii=False))
        return
    click.echo(_now(quarrels))
    click.echo(
        "".join(f"\n{number}. {_words(instrument, quarrels, each)}" for number, each in enumerate(found, 1))
    )
    if quarrels and not found:
        click.echo("nothing within these ranges is better; allow more, or other bars with --bar-size")


def _section(instrument: Instrument, words: str) -> Section:
    """A section of the bar's own shape. Raises `InputError`."""
    import dataclasses

    shape = instrument.bar.section.shape
    match = _SIZE.fullmatch(words.strip())
    if match is None or (shape == "round" and match[2]) or (shape == "tube" and not match[2]):
        wanted = {"rectangle": "30 or 30x20", "round": "20", "tube": "30x2 (diameter and wall)"}[shape]
        raise InputError(
            f"'{words}' is no size of this bar", remedy=f"write {wanted}, in mm", place="--bar-size"
        )
    first, second = float(match[1]) * MM, float(match[2] or match[1]) * MM
    if not 2.0 * MM <= first <= 500.0 * MM or not 0.1 * MM <= second <= 500.0 * MM:
        raise InputError(f"'{words}' mm cannot be a bar", remedy="2 to 500 mm can", place="--bar-size")
    if shape == "rectangle":
        return dataclasses.replace(instrument.bar.section, width=first, height=second)
    if shape == "tube" and second >= first / 2.0:
        raise InputError(
            f"'{words}': the wall leaves no bore", remedy="take a thinner wall", place="--bar-size"
        )
    wall = second if shape == "tube" else 0.0
    return dataclasses.replace(instrument.bar.section, width=first, height=first, wall=wall)


def _better(
    instrument: Instrument, row: Row, allowed: Allowed, quarrels: Sequence[Quarrel], *, tries: int
) -> list[Suggestion]:
    """What is better than now, the best first; of changes much alike one."""
    from synth.workshop.suggest import alike, plans

    now = math.fsum(each.severity for each in quarrels)
    ways = plans(instrument, allowed)
    steps = arguments.progress(
        _steps(instrument, row, allowed, ways, tries), total=tries * len(ways), what="searching"
    )
    found = [each for each in steps if each is not None]
    better = sorted((each for each in found if each.severity < now), key=lambda each: each.severity)
    distinct: list[Suggestion] = []
    for each in better:
        if not any(alike(each, other) for other in distinct):
            distinct.append(each)
    return distinct


def _steps(
    instrument: Instrument, row: Row, allowed: Allowed, ways: Sequence[Plan], tries: int
) -> Iterator[Suggestion | None]:
    """One item a try, so that a bar of progress moves; None but where a way ends with a suggestion."""
    from synth.workshop.suggest import suggest

    for plan in ways:
        done = 0
        for step in suggest(instrument, row, allowed, plan, tries=tries):
            if not isinstance(step, int):
                yield step
                continue
            for _ in range(step - done):
                yield None
            done = step
        yield from [None] * max(tries - done, 0)


def _now(quarrels: Sequence[Quarrel]) -> str:
    if not quarrels:
        return "no tine quarrels with the bar: there is nothing to suggest"
    total = math.fsum(each.severity for each in quarrels)
    return f"now: {len(quarrels)} quarrels, severity {total:.1f} (steps that are just noticed, added up)"


def _words(instrument: Instrument, quarrels: Sequence[Quarrel], each: Suggestion) -> str:
    from synth.vibration.quarrels import sentence
    from synth.workshop.suggest import changes_in_words, gone_and_left

    gone, fresh = gone_and_left(quarrels, each.quarrels)
    lines = [f"severity {each.severity:.1f}, {len(each.quarrels)} quarrels"]
    lines += [f"   {words}" for words in changes_in_words(instrument, each)]
    lines += [f"   ends or halves: {_meeting(sentence(instrument, one))}" for one in gone[:_TOLD]]
    if len(gone) > _TOLD:
        lines.append(f"   and {len(gone) - _TOLD} more")
    lines += [f"   new or worse: {_meeting(sentence(each.instrument, one))}" for one in fresh[:_TOLD]]
    return "\n".join(lines)


def _meeting(words: str) -> str:
    """What meets what, without the remedies."""
    return words.split(";")[0]


def _data(instrument: Instrument, quarrels: Sequence[Quarrel], found: Sequence[Suggestion]) -> dict[str, Any]:
    return {
        "design": instrument.name,
        "now": {"severity": math.fsum(each.severity for each in quarrels), "quarrels": len(quarrels)},
        "suggestions": [_suggestion(instrument, quarrels, each) for each in found],
    }


def _suggestion(instrument: Instrument, quarrels: Sequence[Quarrel], each: Suggestion) -> dict[str, Any]:
    from synth.vibration.quarrels import sentence
    from synth.workshop.suggest import changes_in_words, gone_and_left

    gone, fresh = gone_and_left(quarrels, each.quarrels)
    section = each.instrument.bar.section
    return {
        "severity": each.severity,
        "quarrels": len(each.quarrels),
        "changes": changes_in_words(instrument, each),
        "groups": [
            {"group": group.name, "start_mm": each.instrument.tines[group.first].place / MM}
            for group in each.instrument.groups
        ],
        "supports": [
            {"at_mm": support.place / MM, "kind": support.kind} for support in each.instrument.bar.supports
        ],
        "section": {
            "shape": section.shape,
            "width_mm": section.width / MM,
            "height_mm": section.height / MM,
            "wall_mm": section.wall / MM,
        },
        "ends_or_halves": [_meeting(sentence(instrument, one)) for one in gone],
        "new_or_worse": [_meeting(sentence(each.instrument, one)) for one in fresh],
    }
