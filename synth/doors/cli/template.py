"""`tinewright template`: the bar at true size, to drill by, as DXF, SVG and PDF."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.files import check_folder, whole_set
from synth.many import many
from synth.units import MM, size_said


@click.command("template")
@arguments.design
@arguments.fresh
@arguments.output
def command(design: Path, fresh: bool, output: Path) -> None:
    """Write the drill template at true size into a folder: DXF, SVG, and PDF tiled over the paper of the bench.

    A bent bar is drawn flat, before bending, and as seen when bent.

    \b
    Example:
      tinewright template designs/lantern-hoop.toml -o workshop
    """
    from synth.vibration.solve import solve_row
    from synth.workshop.bent_template import bent_templates
    from synth.workshop.cautions import CAUTIONS, HEADING
    from synth.workshop.drawing import write_dxf, write_svg
    from synth.workshop.template import flat_template
    from synth.workshop.tiling import write_pdf

    check_folder(output)
    instrument = arguments.instrument(design)
    solve_row(instrument, fresh=fresh)  # nothing is drilled for what cannot be built
    bent = bent_templates(instrument)
    drawings = {"template-flat" if bent else "template": flat_template(instrument)}
    drawings |= {f"template-bent-{name.replace(' ', '-')}": each for name, each in bent.items()}
    said = []
    with whole_set(output) as folder:
        for name, drawing in drawings.items():
            write_dxf(drawing, folder / f"{name}.dxf")
            write_svg(drawing, folder / f"{name}.svg")
            pages = write_pdf(
                drawing, folder / f"{name}.pdf", paper=instrument.bench.paper, notes=(HEADING, *CAUTIONS)
            )
            low, high = drawing.bounds
            size = size_said((high.x - low.x) * MM, (high.y - low.y) * MM, instrument.bench.units)
            said.append(
                f"{output / name}: .dxf, .svg, .pdf ({size}, {many(pages, 'page')} of {instrument.bench.paper})"
            )
    click.echo("\n".join(said))
    click.echo("print at 100 % and measure the check bar before you drill")
