"""`tinewright suggest`: what to change so that tines and bar quarrel less; the file stays as it is."""

from __future__ import annotations

import math
import re
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, get_args

import click

from synth.cores import one_core
from synth.design.schema import SupportKind
from synth.doors.cli import arguments
from synth.errors import InputError
from synth.many import many
from synth.table import as_json as data
from synth.units import INCH, MM, cents

if TYPE_CHECKING:
    from synth.design.instrument import Instrument, Section
    from synth.vibration.quarrels import Quarrel
    from synth.workshop.suggest import Allowed, Candidate, Ground, Plan, Suggestion

_MM = arguments.Number(0.0, 1000.0)
_TOLD = 3  # quarrels named as the reason
_SIZE = re.compile(r"(\d*\.?\d+)(?:\s*[xX]\s*(\d*\.?\d+))?\s*(mm|in)?")


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
    help="A section to try besides those sold near its size: 30, 30x20, 1.25x1in; tube 30x2. Repeat for more.",
)
@click.option(
    "--support-kind",
    "kinds",
    multiple=True,
    type=click.Choice(get_args(SupportKind)),
    help="A kind of support to try. Repeat for more.",
)
@click.option(
    "--tries",
    type=arguments.Whole(10, 100_000),
    default=150,
    show_default=True,
    help="For each way to go about it.",
)
@click.option("--best", type=arguments.Whole(1, 50), default=3, show_default=True, help="How many to print.")
@arguments.json_flag
@arguments.fresh
def command(
    design: Path,
    move_mm: float,
    supports_mm: float,
    sizes: tuple[str, ...],
    kinds: tuple[SupportKind, ...],
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
    from synth.vibration.solve import solve_quarrels, solve_row
    from synth.workshop.suggest import Allowed, Ground

    written, instrument = arguments.design_and_instrument(design)
    allowed = Allowed(
        move_mm * MM, supports_mm * MM, tuple(_section(instrument, each) for each in sizes), kinds
    )
    with one_core(with_scipy=False):
        row = solve_row(instrument, fresh=fresh)
        quarrels = solve_quarrels(instrument, row, fresh=fresh)
        ground = Ground(written, instrument, row)
        found = _better(ground, allowed, quarrels, tries=tries, best=best) if quarrels else []
    if as_json:
        click.echo(data(_data(instrument, quarrels, found, ground.tries)))
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
            f"'{words}' is no size of this bar",
            remedy=f"write {wanted} in mm, or inches as 1.25in",
            location="--bar-size",
        )
    unit = INCH if match[3] == "in" or (not match[3] and instrument.bench.units == "inch") else MM
    first, second = float(match[1]) * unit, float(match[2] or match[1]) * unit
    if not 2.0 * MM <= first <= 500.0 * MM or not 0.1 * MM <= second <= 500.0 * MM:
        raise InputError(
            f"'{words}' cannot be a bar", remedy="2 to 500 mm (0.08 to 19 in) can", location="--bar-size"
        )
    if shape == "rectangle":
        return dataclasses.replace(instrument.bar.section, width=first, height=second)
    if shape == "tube" and second >= first / 2.0:
        raise InputError(
            f"'{words}': the wall leaves no bore", remedy="take a thinner wall", location="--bar-size"
        )
    wall = second if shape == "tube" else 0.0
    return dataclasses.replace(instrument.bar.section, width=first, height=first, wall=wall)


def _better(
    ground: Ground, allowed: Allowed, quarrels: Sequence[Quarrel], *, tries: int, best: int
) -> list[Suggestion]:
    """What is better than now, solved, the best first."""
    from synth.workshop.suggest import plans, shortlist, sold_sections, verdict

    now = math.fsum(each.severity for each in quarrels)
    ways = plans(ground.instrument, allowed, sold_sections(ground, besides=allowed.sections))
    steps = arguments.progress(
        _steps(ground, allowed, ways, tries), total=tries * len(ways), what="searching"
    )
    candidates = shortlist([each for each in steps if each is not None], ground, best)
    solved = (verdict(ground, each) for each in candidates)
    better = [each for each in solved if each is not None and each.severity < now]
    return sorted(better, key=lambda each: each.severity)


def _steps(ground: Ground, allowed: Allowed, ways: Sequence[Plan], tries: int) -> Iterator[Candidate | None]:
    """One item a try, so that a bar of progress moves; None but where a way ends with a candidate."""
    from synth.workshop.suggest import search

    for plan in ways:
        done = 0
        for step in search(ground, allowed, plan, tries=tries):
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
    return (
        f"now: {many(len(quarrels), 'quarrel')}, severity {total:.1f} (steps that are just noticed, added up)"
    )


def _words(instrument: Instrument, quarrels: Sequence[Quarrel], each: Suggestion) -> str:
    from synth.design.change import words
    from synth.vibration.quarrels import sentence
    from synth.workshop.suggest import gone_and_left

    gone, fresh = gone_and_left(quarrels, each.quarrels)
    lines = [f"severity {each.severity:.1f}, {many(len(each.quarrels), 'quarrel')}"]
    lines += [f"   {line}" for line in words(instrument, each.change)]
    lines += [f"   settles: {sentence(instrument, one)}" for one in gone[:_TOLD]]
    if len(gone) > _TOLD:
        lines.append(f"   and {len(gone) - _TOLD} more")
    lines += [f"   new or worse: {sentence(each.instrument, one)}" for one in fresh[:_TOLD]]
    lines.append(f"   {_growth(each.instrument, quarrels, each.quarrels)}")
    return "\n".join(lines)


def _growth(instrument: Instrument, before: Sequence[Quarrel], after: Sequence[Quarrel]) -> str:
    """Which single shift grows most."""
    from synth.vibration.quarrels import partial_words
    from synth.workshop.suggest import most_grown

    found = most_grown(before, after)
    if found is None:
        return "no shift grows"
    quarrel, was = found
    old = "under 5" if was == 1.0 else f"{cents(was):+z.0f}"
    return (
        f"grows most: {partial_words(instrument, quarrel)}, from {old} to {cents(quarrel.shift):+z.0f} cents"
    )


def _data(
    instrument: Instrument, quarrels: Sequence[Quarrel], found: Sequence[Suggestion], tries: int
) -> dict[str, Any]:
    return {
        "design": instrument.name,
        "now": {"severity": math.fsum(each.severity for each in quarrels), "quarrels": len(quarrels)},
        "tries": tries,
        "suggestions": [_suggestion(instrument, quarrels, each) for each in found],
    }


def _suggestion(instrument: Instrument, quarrels: Sequence[Quarrel], each: Suggestion) -> dict[str, Any]:
    from synth.design.change import start_mm, words
    from synth.vibration.quarrels import sentence
    from synth.workshop.suggest import gone_and_left

    gone, fresh = gone_and_left(quarrels, each.quarrels)
    section = each.instrument.bar.section
    return {
        "severity": each.severity,
        "quarrels": len(each.quarrels),
        "changes": words(instrument, each.change),
        "groups": [
            {"group": group.name, "start_mm": start_mm(each.instrument, index)}
            for index, group in enumerate(each.instrument.groups)
        ],
        "supports": [
            {"at_mm": support.position / MM, "kind": support.kind} for support in each.instrument.bar.supports
        ],
        "section": {
            "shape": section.shape,
            "width_mm": section.width / MM,
            "height_mm": section.height / MM,
            "wall_mm": section.wall / MM,
        },
        "settles": [sentence(instrument, one) for one in gone],
        "new_or_worse": [sentence(each.instrument, one) for one in fresh],
        "grows_most": _growth(each.instrument, quarrels, each.quarrels),
    }
