"""Lists to print and tick off: one document, written as a web page and as a PDF that say the same.

In: a `Document` of headings, paragraphs and tables, plain words. Out: files. It knows no instrument.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence
from html import escape
from pathlib import Path
from typing import Any, Final

from synth.files import atomic_write, write_text
from synth.frozen import frozen
from synth.table import of_words
from synth.workshop.tiling import PaperName
from synth.workshop.typeface import BOX, typeface

SIZE: Final = 8.0  # points
PAGE_MARGIN: Final = 40.0  # points, a good half inch
_KEPT: Final = 80.0  # points below a heading, else it goes to the next page
_PAD: Final = 8.0  # points left and right of a cell's words
LEAST: Final = 5.0  # points, the smallest letters; only then is a word broken that does not fit
PENCIL: Final = (34.0, 55.0)  # points of a column to write in, at least and with room

_STYLE: Final = """
body { font: 10pt/1.35 sans-serif; margin: 2em auto; padding: 0 1em; }
body { max-width: 60em; color: black; background: white; }
.scroll { overflow-x: auto; }
table { border-collapse: collapse; margin: 0.6em 0 1.2em; width: 100%; }
th, td { border: 1px solid #999; padding: 0.2em 0.5em; text-align: left; vertical-align: top; }
th { background: #eee; }
td.write { min-width: 7em; height: 1.6em; }
thead { display: table-header-group; }
tr { break-inside: avoid; }
input { width: 1.2em; height: 1.2em; }
@media print { body { margin: 0; padding: 0; max-width: none; } .scroll { overflow: visible; } }
"""


@frozen
class Heading:
    words: str


@frozen
class Paragraph:
    words: str


@frozen
class Bullets:
    lines: tuple[str, ...]


@frozen
class PaperTable:
    """`ticks` puts a box before every row; columns named in `to_write` are left wide for a pencil."""

    heads: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    ticks: bool = False
    to_write: tuple[str, ...] = ()


Part = Heading | Paragraph | Bullets | PaperTable


@frozen
class Document:
    title: str
    parts: tuple[Part, ...]


def write_html(document: Document, path: Path) -> None:
    """A page that stands alone and prints with its tables' heads repeated."""
    body = "\n".join(scrolled_html(part) for part in document.parts)
    title = escape(document.title)
    page = (
        f'<!DOCTYPE html>\n<html lang="en">\n<head>\n<meta charset="utf-8">\n'
        f'<meta name="viewport" content="width=device-width, initial-scale=1">\n<title>{title}</title>\n'
        f"<style>{_STYLE}</style>\n</head>\n<body>\n<h1>{title}</h1>\n{body}\n</body>\n</html>\n"
    )
    write_text(path, page)


def write_pages(document: Document, path: Path, *, paper: PaperName) -> None:
    """A PDF of numbered pages."""
    story = [part for each in document.parts for part in flowables(each, width=text_width_of(paper))]
    set_pages(document.title, story, path, paper=paper)


def page_size(paper: PaperName) -> tuple[float, float]:
    """Points."""
    from reportlab.lib import pagesizes

    width, height = {"A4": pagesizes.A4, "Letter": pagesizes.letter}[paper]
    return float(width), float(height)


def text_width_of(paper: PaperName) -> float:
    """Points between the margins."""
    return page_size(paper)[0] - 2.0 * PAGE_MARGIN - 12.0


def set_pages(title: str, story: Sequence[Any], path: Path, *, paper: PaperName) -> None:
    """A PDF of numbered pages of flowables below a title."""
    from reportlab.platypus import Paragraph as Words
    from reportlab.platypus import SimpleDocTemplate

    margins = {f"{side}Margin": PAGE_MARGIN for side in ("left", "right", "top", "bottom")}
    with atomic_write(path) as beside, beside.open("wb") as file:
        pages = SimpleDocTemplate(file, pagesize=page_size(paper), title=title, invariant=1, **margins)
        all_of_it = [Words(escape(title), style("title")), *story]
        pages.build(all_of_it, onFirstPage=_footer(title), onLaterPages=_footer(title))


def part_html(part: Part) -> str:
    """A part as HTML."""
    if isinstance(part, Heading):
        return f"<h2>{escape(part.words)}</h2>"
    if isinstance(part, Paragraph):
        return f"<p>{escape(part.words)}</p>"
    if isinstance(part, Bullets):
        return "<ul>\n" + "\n".join(f"<li>{escape(line)}</li>" for line in part.lines) + "\n</ul>"
    return of_words(part.heads, part.rows, ticks=part.ticks, pencil=part.to_write).html()


def scrolled_html(part: Part) -> str:
    """The same for a screen: a table that is wider scrolls by itself, not the page."""
    html = part_html(part)
    return f'<div class="scroll">\n{html}\n</div>' if isinstance(part, PaperTable) else html


def style(name: str, *, size: float = SIZE) -> Any:
    """`plain`, `lead` (to what stands below), `title` or `head`, in the typeface of printed pages.

    `size` in points is that of plain words.
    """
    from reportlab.lib.styles import ParagraphStyle

    face = typeface()
    plain = ParagraphStyle("plain", fontName=face, fontSize=size, leading=1.3 * size, spaceAfter=0.5 * size)
    title = ParagraphStyle(
        "title", parent=plain, fontName=f"{face}-Bold", fontSize=size + 6.0, leading=size + 10.0, spaceAfter=8
    )
    head = ParagraphStyle(
        "head", parent=title, fontSize=size + 2.0, leading=size + 5.0, spaceBefore=8, spaceAfter=4
    )
    lead = ParagraphStyle("lead", parent=plain, keepWithNext=1)
    return {"plain": plain, "lead": lead, "title": title, "head": head}[name]


def item_style(mark: str, *, size: float = SIZE) -> Any:
    """Of an item whose words begin with its mark: the lines below stand under the first one's words."""
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.pdfbase.pdfmetrics import stringWidth

    hang = stringWidth(f"{mark} ", typeface(), size) if mark else 0.0
    return ParagraphStyle("item", parent=style("plain", size=size), leftIndent=hang, firstLineIndent=-hang)


def flowables(part: Part, *, width: float, size: float = SIZE) -> Iterator[Any]:
    """A part as reportlab sets it on pages."""
    from reportlab.platypus import Paragraph as Words
    from reportlab.platypus import Spacer

    if isinstance(part, Heading):
        yield from headed(escape(part.words), size=size)
    elif isinstance(part, Paragraph):
        kind = "lead" if part.words.endswith(":") else "plain"
        yield Words(escape(_joined(part.words)), style(kind, size=size))
    elif isinstance(part, Bullets):
        look = item_style("\N{BULLET}", size=size)
        yield from (Words(f"\N{BULLET} {escape(_joined(line))}", look) for line in part.lines)
    else:
        yield _table(part, width=width, largest=size)
        yield Spacer(1, 8)


def headed(markup: str, *, size: float = SIZE) -> Iterator[Any]:
    """A heading, which takes the start of what follows along to the next page."""
    from reportlab.platypus import CondPageBreak
    from reportlab.platypus import Paragraph as Words

    yield CondPageBreak(_KEPT)
    yield Words(markup, style("head", size=size))


def _table(part: PaperTable, *, width: float, largest: float) -> Any:
    from reportlab.lib import colors
    from reportlab.lib.styles import ParagraphStyle
    from reportlab.platypus import Paragraph as Words
    from reportlab.platypus import Table as Grid
    from reportlab.platypus import TableStyle

    face = typeface()
    box = (BOX,) if part.ticks else ()
    heads, rows = (*(("",) if part.ticks else ()), *part.heads), [(*box, *row) for row in part.rows]
    size, columns = _fit(part, heads, rows, width=width, size=largest)
    cell = ParagraphStyle(
        "cell", fontName=face, fontSize=size, leading=1.25 * size, splitLongWords=size <= LEAST
    )
    bold = ParagraphStyle("bold", parent=cell, fontName=f"{face}-Bold")
    cells = [[Words(escape(_joined(each)), bold) for each in heads]]
    cells += [[Words(escape(_joined(each)), cell) for each in row] for row in rows]
    look = [
        ("GRID", (0, 0), (-1, -1), 0.4, colors.grey),
        ("BACKGROUND", (0, 0), (-1, 0), colors.whitesmoke),
        ("VALIGN", (0, 0), (-1, -1), "TOP"),
        *((side, (0, 0), (-1, -1), _PAD / 2.0) for side in ("LEFTPADDING", "RIGHTPADDING")),
        *((side, (0, 0), (-1, -1), 2.0) for side in ("TOPPADDING", "BOTTOMPADDING")),
    ]
    return Grid(cells, colWidths=columns, repeatRows=1, style=TableStyle(look), hAlign="LEFT")


def _joined(words: str) -> str:
    """With what must not be parted held together: an inch and its fraction, a number and its unit."""
    return re.sub(r"(?<=\d) (?=\d+/\d|(?:c|m|mm|in|Hz|g|kg)\b)", "\N{NO-BREAK SPACE}", words)


def _fit(
    part: PaperTable, heads: tuple[str, ...], rows: list[tuple[str, ...]], *, width: float, size: float
) -> tuple[float, list[float]]:
    """The largest letters, at most of `size`, and the columns, with which no word is broken."""
    while True:
        least, natural = _widths(part, heads, rows, size=size)
        if sum(least) <= width or size <= LEAST:
            return size, _shared(least, natural, width)
        size -= 0.5


def _widths(
    part: PaperTable, heads: tuple[str, ...], rows: list[tuple[str, ...]], *, size: float
) -> tuple[list[float], list[float]]:
    """How wide each column must be for its longest word, and would be for its longest cell."""
    from reportlab.pdfbase.pdfmetrics import stringWidth

    face = typeface()
    faces = [f"{face}-Bold", *[face] * len(rows)]
    least, natural = [], []
    for column in zip(heads, *rows, strict=True):
        write = column[0] in part.to_write
        words = [
            (word, f) for cell, f in zip(column, faces, strict=True) for word in _joined(cell).split(" ")
        ]
        whole = [stringWidth(cell, f, size) for cell, f in zip(column, faces, strict=True)]
        room = _PAD + 1.0
        least.append(max(PENCIL[0] * write, *(stringWidth(word, f, size) for word, f in words), 0.0) + room)
        natural.append(max(PENCIL[1] * write, *whole) + room)
    return least, natural


def _shared(least: list[float], natural: list[float], width: float) -> list[float]:
    """Each column as wide as its words; where that is too much the widest give way and wrap."""
    if sum(natural) <= width:
        return natural
    low, high = 0.0, max(natural)
    for _ in range(40):  # the widest that a column may be, by bisection
        cap = (low + high) / 2.0
        taken = sum(max(few, min(many, cap)) for few, many in zip(least, natural, strict=True))
        low, high = (low, cap) if taken > width else (cap, high)
    columns = [max(few, min(many, low)) for few, many in zip(least, natural, strict=True)]
    over = sum(columns) / width
    return [each / max(over, 1.0) for each in columns]


def _footer(title: str) -> Any:
    def draw(canvas: Any, pages: Any) -> None:
        canvas.setFont(typeface(), 7.0)
        canvas.drawString(PAGE_MARGIN, PAGE_MARGIN / 2.0, title)
        canvas.drawRightString(
            pages.pagesize[0] - PAGE_MARGIN, PAGE_MARGIN / 2.0, f"page {canvas.getPageNumber()}"
        )

    return draw
