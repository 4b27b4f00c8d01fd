"""`tinewright compare`: one stroke, varied; every combination as sound, as numbers and as a picture."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.playing.stroke import ContactModel, Direction, Grip, Hand


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
    chosen = comparison.variants(instrument, plain, through, comparison.varied(vary))
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
    for words in comparison.too_quiet(members):
        click.echo(words, err=True)
    click.echo(comparison.table(members, heard).text(arguments.width()))
    for words in dict.fromkeys(words for each in heard for words in each.warnings):
        click.echo(words)
    click.echo(f"{output}: true/ at one gain, matched/ in loudness, comparison.csv, comparison.png")
