"""`tinewright cutlist`: what to saw and buy, and in which order to tune, as pages to print and a CSV file."""

from __future__ import annotations

from pathlib import Path

import click

from synth.doors.cli import arguments
from synth.files import check_folder, whole_set
from synth.many import many
from synth.units import length_said


@click.command("cutlist")
@arguments.design
@arguments.fresh
@arguments.output
def command(design: Path, fresh: bool, output: Path) -> None:
    """Write the cut list and the tuning sheet into a folder: CSV, PDF, HTML.

    \b
    Example:
      tinewright cutlist designs/quay-rail.toml -o workshop
    """
    from synth.vibration.solve import solve_model, solve_row
    from synth.workshop.cut_list_pages import cut_list_document, write_csv
    from synth.workshop.cutlist import cut_list
    from synth.workshop.paper import write_html, write_pages
    from synth.workshop.tuning_sheet import sheet_document

    check_folder(output)
    instrument = arguments.instrument(design)
    row = solve_row(instrument, fresh=fresh)
    cuts = cut_list(instrument, row)
    documents = {
        "cutlist": cut_list_document(instrument, cuts),
        "sheet": sheet_document(instrument, row, solve_model(instrument, row, fresh=fresh)),
    }
    with whole_set(output) as folder:
        write_csv(instrument, cuts, folder / "cutlist.csv")
        for name, document in documents.items():
            write_pages(document, folder / f"{name}.pdf", paper=instrument.bench.paper)
            write_html(document, folder / f"{name}.html")
    waste = sum(bar.left for bar in cuts.bars)
    whole = instrument.bench.stock_length * len(cuts.bars)
    click.echo(
        f"{many(len(cuts.pieces), 'tine')} from {many(len(cuts.bars), 'bar')} "
        f"of {length_said(instrument.bench.stock_length, instrument.bench.units)}, "
        f"{100.0 * waste / whole:.0f} % left over; {cuts.mass:.2f} kg in all"
    )
    click.echo(f"{output}: cutlist.csv, cutlist.pdf, cutlist.html; tuning sheet sheet.pdf, sheet.html")
