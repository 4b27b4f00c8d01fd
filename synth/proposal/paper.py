"""The proposal as a print: A4 or Letter, the drawing on a page of its own, sounds as where they are found.

In: `Section`s. Out: a PDF.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Any, Final

from synth.proposal.contents import Drawn, PlayedHere, Players, ProposalPart, Section, Words
from synth.proposal.markdown import paper_of
from synth.workshop.paper import (
    PAGE_MARGIN,
    Heading,
    Paragraph,
    flowables,
    headed,
    item_style,
    page_size,
    set_pages,
    text_width_of,
)
from synth.workshop.picture import Sheet, paint
from synth.workshop.tiling import PaperName

SIZE: Final = 9.0  # points: read at a table, not at a bench
ROOM: Final = (
    78.0  # points of a drawing's page for its heading, the line below, the foot and the library's padding
)


def write_print(title: str, found: Sequence[Section], path: Path, *, paper: PaperName, foot: str) -> None:
    """`proposal.pdf`; `foot` is its last line."""
    story = [part for section in found for part in _section(section, paper)]
    story += flowables(Paragraph(foot), width=text_width_of(paper), size=SIZE)
    set_pages(title, story, path, paper=paper)


def _section(section: Section, paper: PaperName) -> Iterator[Any]:
    from reportlab.platypus import PageBreak

    drawn = any(isinstance(each, Drawn) for each in section.parts)
    if drawn:
        yield PageBreak()
    if section.title:
        yield from flowables(Heading(section.title), width=text_width_of(paper), size=SIZE)
    for part in section.parts:
        yield from _part(part, paper)
    if drawn:
        yield PageBreak()


def _part(part: ProposalPart, paper: PaperName) -> Iterator[Any]:
    from reportlab.platypus import Paragraph as Set

    width = text_width_of(paper)
    if isinstance(part, Words):
        for block in part.blocks:
            if block.kind == "heading":
                yield from headed(paper_of(block), size=SIZE)
            else:
                yield Set(paper_of(block), item_style(block.mark, size=SIZE))
    elif isinstance(part, Drawn):
        yield _turned(part.sheet, width, page_size(paper)[1] - 2.0 * PAGE_MARGIN - ROOM)
        yield from flowables(
            Paragraph("Made to fit here; to scale: drawings/drawing.pdf"), width=width, size=SIZE
        )
    elif isinstance(part, Players):
        told = (
            f"The {len(part.files)} sounds stand in the folder audio, each named by what is played, through what "
            "and where: FLAC, and a small copy beside it. How loud each will be stands below."
        )
        yield from flowables(Paragraph(told), width=width, size=SIZE)
    elif isinstance(part, PlayedHere):
        yield from flowables(
            Paragraph(
                "index.html in the same folder opens in a browser without any network: there the tines are stroked "
                "with a mouse, a pen or a finger, and sound as computed."
            ),
            width=width,
            size=SIZE,
        )
    else:
        yield from flowables(part, width=width, size=SIZE)


def _turned(sheet: Sheet, width: float, height: float) -> Any:
    """The sheet on its side, as large as the page lets it be."""
    from reportlab.platypus import Flowable

    scale = min(width / sheet.height, height / sheet.width)

    class Drawing(Flowable):  # type: ignore[misc]
        def __init__(self) -> None:
            super().__init__()
            self.width, self.height = sheet.height * scale, sheet.width * scale

        def draw(self) -> None:
            self.canv.saveState()
            self.canv.translate(self.width, 0.0)
            self.canv.rotate(90.0)
            self.canv.scale(scale, scale)
            paint(self.canv, sheet)
            self.canv.restoreState()

    return Drawing()
