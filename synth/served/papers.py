"""The workshop's papers of a model, as the commands write them: cut list, tuning sheet, template, drawing, map.

In: a model and a paper's name. Out: a file's bytes and kind. Each is written into a folder that is gone afterwards.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Final

from synth.errors import InputError, nearest
from synth.frozen import frozen
from synth.served.model import SolvedDesign

KINDS: Final = {
    ".html": "text/html; charset=utf-8",
    ".pdf": "application/pdf",
    ".svg": "image/svg+xml",
    ".csv": "text/csv; charset=utf-8",
}


@frozen
class PaperFile:
    """One that can be opened: its file's name, and what it is."""

    file: str
    words: str
    write: Callable[[SolvedDesign, Path], None]


def paper_file(model: SolvedDesign, file: str) -> tuple[bytes, str]:
    """The bytes and their kind. Raises `InputError` for a paper that there is not, or that cannot be made."""
    found = PAPERS.get(file)
    if found is None:
        raise InputError(f"there is no paper '{file}'", remedy=nearest(file, PAPERS))
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / file
        found.write(model, place)
        return place.read_bytes(), KINDS[place.suffix]


def _cut_list(model: SolvedDesign, place: Path) -> None:
    from synth.workshop.cut_list_pages import cut_list_document, write_csv
    from synth.workshop.cutlist import cut_list
    from synth.workshop.paper import write_html, write_pages

    cuts = cut_list(model.instrument, model.row)
    if place.suffix == ".csv":
        write_csv(model.instrument, cuts, place)
    elif place.suffix == ".html":
        write_html(cut_list_document(model.instrument, cuts), place)
    else:
        write_pages(cut_list_document(model.instrument, cuts), place, paper=model.instrument.bench.paper)


def _sheet(model: SolvedDesign, place: Path) -> None:
    from synth.vibration.solve import solve_model
    from synth.workshop.paper import write_html
    from synth.workshop.tuning_sheet import sheet_document

    instrument, row = model.instrument, model.row
    write_html(sheet_document(instrument, row, solve_model(instrument, row)), place)


def _template(model: SolvedDesign, place: Path) -> None:
    from synth.workshop.cautions import CAUTIONS, HEADING
    from synth.workshop.template import flat_template
    from synth.workshop.tiling import write_pdf

    write_pdf(
        flat_template(model.instrument),
        place,
        paper=model.instrument.bench.paper,
        notes=(HEADING, *CAUTIONS),
    )


def _drawing(model: SolvedDesign, place: Path) -> None:
    from synth.workshop.drawing_sheet import drawing_sheet
    from synth.workshop.picture import write_pdf_sheet, write_svg_sheet

    board = next(iter(model.instrument.boards.values()), None)
    sheet = drawing_sheet(model.instrument, model.row.length, model.row.trim, board)
    (write_svg_sheet if place.suffix == ".svg" else write_pdf_sheet)(sheet, place)


def _map(model: SolvedDesign, place: Path) -> None:
    from synth.vibration.quarrels import loaded_shapes
    from synth.workshop.map import draw_map

    shapes, _ = loaded_shapes(model.instrument, model.row)
    draw_map(model.instrument, model.row, model.quarrels, shapes).savefig(place)


PAPERS: Final = {
    each.file: each
    for each in (
        PaperFile("cutlist.html", "Cut list", _cut_list),
        PaperFile("cutlist.pdf", "Cut list to print", _cut_list),
        PaperFile("cutlist.csv", "Cut list as a table", _cut_list),
        PaperFile("sheet.html", "Tuning sheet", _sheet),
        PaperFile("template.pdf", "Drill template to print", _template),
        PaperFile("drawing.svg", "Drawing", _drawing),
        PaperFile("drawing.pdf", "Drawing to print", _drawing),
        PaperFile("map.svg", "Map of quarrels", _map),
    )
}
