"""`tinewright compare`: one stroke, varied; every combination as sound, as numbers and as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING

import click

from synth.doors.cli import arguments
from synth.doors.cli.table import aligned
from synth.errors import InputError
from synth.playing.stroke import ContactModel, Direction, Grip, Hand

if TYPE_CHECKING:
    from synth.sound.file_sets import SetMember


@click.command("compare")
@arguments.design
@arguments.group
@click.option("--vary", multiple=True, metavar="KEY=V,V,...", help="What to vary; several make combinations.")
@arguments.stroke_options
@arguments.through
@click.option(
    "--seconds", type=arguments.Number(0.01, 60.0), default=5.0, show_default=True, help="How long."
)
@arguments.contact_options
@arguments.output
def command(
    design: Path,
    group: str,
    vary: tuple[str, ...],
    stick_name: str | None,
    direction: Direction,
    through: str,
    seconds: float,
    contact: ContactModel,
    hand: Hand,
    grip: Grip,
    allow_yield: bool,
    seed: int,
    without: str | None,
    output: Path,
    **numbers: float,
) -> None:
    """Render a stroke in every combination of what is varied, into a folder.

    Any stroke option (speed_mm_s, bite_mm, ...), stick, through, direction, grip or hand can vary. In the table,
    attack_ms is the mean time from the first touch to each level from 20 dB below the stroke's loudest moment up to
    it, and decay_1_s ... are those of the group's lowest tine in the model, as it stands there.

    \b
    Example:
      tinewright compare designs/quay-rail.toml --group D3 --vary speed_mm_s=200,600 --vary stick=birch,brass -o d3
    """
    from synth.files import check_folder
    from synth.sound.render import ContactSettings
    from synth.workshop import comparison

    check_folder(output)
    instrument = arguments.instrument(design)
    plain = arguments.stroke(
        instrument,
        group=instrument.group_index(group),
        stick_name=stick_name,
        direction=direction,
        hand=hand,
        grip=grip,
        numbers=numbers,
    )
    chosen = comparison.variants(instrument, plain, through, _varied(vary))
    heard = comparison.render_variants(
        instrument,
        chosen,
        seconds=seconds,
        settings=ContactSettings(
            contact=contact, allow_yield=allow_yield, seed=seed, stick=without != "stick"
        ),
        watch=lambda items, count: arguments.progress(items, total=count, what="rendering"),
    )
    members = comparison.write(chosen, heard, output)
    for words in _gated(members):
        click.echo(words, err=True)
    rows = [
        (
            each.name,
            f"{each.loudness.loudest:.1f}",
            f"{each.true_gain_db:+.0f}",
            f"{each.matched_gain_db:+.1f}",
        )
        for each in members
    ]
    click.echo(aligned(("combination", "dB(A)", "true gain dB", "matched gain dB"), rows))
    for words in dict.fromkeys(words for each in heard for words in each.warnings):
        click.echo(words)
    click.echo(f"{output}: true/ at one gain, matched/ in loudness, comparison.csv, comparison.png")


def _gated(members: Sequence[SetMember]) -> list[str]:
    """What to tell of sounds that are too quiet for the meter at true level."""
    quiet = [each.name for each in members if each.gated]
    if not quiet:
        return []
    return [
        f"too quiet at true level for the loudness meter (-70 LUFS): {', '.join(quiet)}; "
        "loudness_lufs is left empty there, the match holds (each is measured as raised to full scale)"
    ]


def _varied(given: tuple[str, ...]) -> dict[str, list[str]]:
    varied: dict[str, list[str]] = {}
    for words in given:
        key, equals, values = words.partition("=")
        chosen = [each.strip() for each in values.split(",") if each.strip()]
        key = key.strip().removeprefix("--").replace("-", "_")
        if not equals or not chosen:
            raise InputError(f"'{words}' varies nothing", remedy="write KEY=VALUE,VALUE", location="--vary")
        if key in varied:
            raise InputError(f"'{key}' is varied twice", remedy="put all values in one", location="--vary")
        varied[key] = list(dict.fromkeys(chosen))
    if not varied:
        raise InputError("nothing is varied", remedy="add --vary KEY=VALUE,VALUE", location="--vary")
    return varied
