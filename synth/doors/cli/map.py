"""`tinewright map`: a picture of where tines and bar disagree."""

from __future__ import annotations

import sys
from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.many import many


@click.command("map")
@arguments.design
@click.option(
    "-o", "--output", type=click.Path(path_type=Path), required=True, help="The picture: PNG, SVG or PDF."
)
@arguments.fresh
def command(design: Path, output: Path, fresh: bool) -> None:
    """Draw place along the bar against pitch, the bar's modes beneath, and mark where they quarrel.

    \b
    Example:
      tinewright map designs/quay-rail.toml -o map.png
    """
    from synth.files import atomic_write, check_picture
    from synth.vibration.quarrels import loaded_shapes
    from synth.vibration.solve import solve_quarrels, solve_row
    from synth.workshop.map import draw_map

    check_picture(output)
    instrument = arguments.instrument(design)
    row = solve_row(instrument, fresh=fresh)
    quarrels = solve_quarrels(instrument, row, fresh=fresh)
    shapes, _ = loaded_shapes(instrument, row)
    with atomic_write(output) as beside:
        draw_map(instrument, row, quarrels, shapes).savefig(beside, dpi=130)
    click.echo(f"{many(len(quarrels), 'quarrel')}; wrote {output}", file=sys.stderr)
