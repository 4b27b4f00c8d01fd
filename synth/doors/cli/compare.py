"""`tinewright compare`: one stroke on designs, varied; every combination as sound, as numbers, as a page."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.playing.stroke import ContactModel, Direction, Grip, Hand


@click.command("compare")
@click.argument("designs", nargs=-1, required=True, type=click.Path(path_type=Path), metavar="DESIGN...")
@arguments.group
@click.option(
    "--vary",
    multiple=True,
    metavar="KEY=V,V,...",
    help="What to vary: a key of the design or of the stroke; several make combinations.",
)
@click.option(
    "--keep-lengths",
    is_flag=True,
    help="Keep the free lengths of the first design as written: steel already cut.",
)
@arguments.stroke_options
@arguments.through
@click.option(
    "--seconds", type=arguments.Number(0.01, 60.0), default=5.0, show_default=True, help="How long."
)
@arguments.surroundings
@arguments.contact_options
@arguments.json_flag
@arguments.output
def command(
    designs: tuple[Path, ...],
    group: str,
    vary: tuple[str, ...],
    keep_lengths: bool,
    stick_name: str | None,
    direction: Direction,
    through: str,
    room: str,
    room_noise: bool,
    seconds: float,
    contact: ContactModel,
    hand: Hand,
    grip: Grip,
    allow_yield: bool,
    seed: int,
    without: str | None,
    as_json: bool,
    output: Path,
    **numbers: float,
) -> None:
    """Render a stroke in every combination of designs and of what is varied, into a folder with a page to listen.

    Any key of a design can vary, named as in the file (bar.section.height_mm, group[D3].tine[2].trim[1].at_mm), and
    any stroke option (speed_mm_s, bite_mm, ...), stick, through, direction, grip or hand. What cannot be built is
    told and left out; what changed against the first is told in tables. In comparison.csv, attack_ms is the mean
    time from the first touch to each level from 20 dB below the stroke's loudest moment up to it, and decay_1_s ...
    are those of the group's lowest tine in the model, as it stands there.

    \b
    Example:
      tinewright compare designs/quay-rail.toml --group D3 --vary speed_mm_s=200,600 --vary stick=birch,brass -o d3
      tinewright compare designs/quay-rail.toml --group D3 --vary bar.section.height_mm=20,25,30 -o bars
    """
    from synth.design.instrument import Instrument
    from synth.files import check_folder
    from synth.playing.stroke import Stroke
    from synth.sound.render import ContactSettings
    from synth.table import as_json as as_json_of
    from synth.workshop import comparison, variant_sounds, variants, varied

    check_folder(output)

    def stroke(instrument: Instrument) -> Stroke:
        return arguments.stroke(
            instrument,
            group=instrument.group_index(group),
            stick_name=stick_name,
            direction=direction,
            hand=hand,
            grip=grip,
            numbers=numbers,
        )

    chosen, unbuilt = variants.variants(
        variants.read_designs(designs),
        variants.Plain(stroke, through),
        varied.varied(vary),
        keep_lengths=keep_lengths,
    )
    heard, unheard = variant_sounds.render_variants(
        chosen,
        seconds=seconds,
        settings=ContactSettings(
            contact=contact, allow_yield=allow_yield, seed=seed, stick=without != "stick"
        ),
        surroundings=arguments.surroundings_of(chosen[0].instrument, room, room_noise),
        watch=lambda items, count: arguments.progress(items, total=count, what="rendering"),
    )
    left = [*unbuilt, *unheard]
    members = comparison.write(heard, left, output)
    for each in left:
        click.echo(f"left out: {varied.name_of(each.chosen)}: {each.words}", err=True)
    for words in comparison.too_quiet(members):
        click.echo(words, err=True)
    found = comparison.since_first(heard)
    if as_json:
        click.echo(as_json_of(comparison.data(members, heard, found, left)))
        return
    click.echo(comparison.table(members, heard).text(arguments.width()))
    for words in (*found.lines(arguments.width()), *comparison.remarks(heard)):
        click.echo(words)
    click.echo(f"{output}: index.html to listen; {', '.join(comparison.FILES)}")
