"""`tinewright strength`: what the tines bear under a stick, which go first, and how deep a bite may be."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.playing.stroke import BITE, SPEED
from synth.units import MM, length_said


@click.command("strength")
@arguments.design
@click.option("--group", metavar="GROUP", help="Only this group's tines.")
@click.option(
    "--stick", "stick_names", multiple=True, metavar="STICK", help="Only this stick; may be given again."
)
@click.option(
    "--speed-mm-s",
    type=arguments.Number(10.0, 5000.0),
    default=SPEED / MM,
    show_default=True,
    help="How fast the stick passes.",
)
@click.option(
    "--bite-mm",
    type=arguments.Number(0.01, 20.0),
    default=BITE / MM,
    show_default=True,
    help="How far the stick overlaps the tines.",
)
@arguments.json_flag
@arguments.fresh
def command(
    design: Path,
    group: str | None,
    stick_names: tuple[str, ...],
    speed_mm_s: float,
    bite_mm: float,
    as_json: bool,
    fresh: bool,
) -> None:
    """Print the force and the stress at the root of every tine under every stick, against yield and endurance.

    \b
    Example:
      tinewright strength designs/quay-rail.toml --stick birch --bite-mm 3
    """
    from synth.table import as_json as data
    from synth.vibration.solve import solve_row
    from synth.workshop.strength import METHOD, digs_in, first_to_go, strength, strength_table

    instrument = arguments.instrument(design)
    chosen = None if group is None else instrument.group_index(group)
    names = stick_names or tuple(instrument.sticks)
    sticks = [instrument.stick(name) for name in dict.fromkeys(names)]
    row = solve_row(instrument, fresh=fresh)
    found = [
        each
        for stick in sticks
        if not digs_in(stick)
        for each in strength(instrument, row.modes, stick, speed=speed_mm_s * MM, bite=bite_mm * MM)
        if chosen in (None, instrument.tines[each.tine].group)
    ]
    stuck = [stick.name for stick in sticks if digs_in(stick)]
    if as_json:
        told = {"speed_mm_s": speed_mm_s, "bite_mm": bite_mm, "digs_in": stuck}
        click.echo(data({**told, "tines": strength_table(instrument, row, found).data()}))
        return
    units = instrument.bench.units
    speed, bite = (length_said(each * MM, units) for each in (speed_mm_s, bite_mm))
    click.echo(f"A stroke at {speed}/s with a bite of {bite}\n")
    for stick in sticks:
        table = strength_table(instrument, row, [each for each in found if each.stick == stick.name])
        click.echo(f"{stick.name}\n{table.text(arguments.width())}\n")
    for name in stuck:
        click.echo(f"{name} digs in at a tilt of 45 degrees: its friction is too great to slip off")
    click.echo(f"{first_to_go(instrument, found)}\n\n{METHOD}")
