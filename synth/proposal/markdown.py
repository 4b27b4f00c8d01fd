"""The maker's own words: Markdown's plain subset, as blocks that a page and a print can set alike.

In: text. Out: `Block`s of `Run`s. Headings, paragraphs, lists, *slanted* and **strong** are known; HTML, links and
pictures are not, and stay the characters that they are, so that no text can bring anything else into the page.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from html import escape
from typing import Any, Literal

from synth.frozen import frozen

BlockKind = Literal["heading", "paragraph", "item"]


@frozen
class Run:
    """Words set in one manner."""

    words: str
    strong: bool = False
    slanted: bool = False


@frozen
class Block:
    """A heading, a paragraph, or an item of a list with its mark."""

    kind: BlockKind
    runs: tuple[Run, ...]
    mark: str = ""

    @property
    def words(self) -> str:
        return "".join(each.words for each in self.runs)


def parsed_blocks(text: str) -> list[Block]:
    """What a text says, block by block."""
    from markdown_it import MarkdownIt

    known = MarkdownIt("zero", {"html": False}).enable(["heading", "list", "newline", "emphasis", "escape"])
    return list(_blocks(known.parse(text)))


def _blocks(tokens: Sequence[Any]) -> Iterator[Block]:
    lists: list[int | None] = []  # the next number of an ordered one
    kind: BlockKind = "paragraph"
    mark = ""
    for token in tokens:
        if token.type in ("bullet_list_open", "ordered_list_open"):
            first = int(token.attrs.get("start", 1)) if token.type.startswith("ordered") else None
            lists.append(first)
        elif token.type.endswith("list_close"):
            lists.pop()
        elif token.type == "list_item_open":
            number = lists[-1]
            mark = "\N{BULLET}" if number is None else f"{number}."
            lists[-1] = None if number is None else number + 1
        elif token.type == "heading_open":
            kind = "heading"
        elif token.type == "inline":
            here: BlockKind = "item" if lists and kind != "heading" else kind
            yield Block(here, tuple(_runs(token.children or [])), mark if here == "item" else "")
            mark = ""  # a second paragraph of an item has none
        elif token.type == "heading_close":
            kind = "paragraph"


def _runs(children: Sequence[Any]) -> Iterator[Run]:
    strong = slanted = 0
    for child in children:
        strong += {"strong_open": 1, "strong_close": -1}.get(child.type, 0)
        slanted += {"em_open": 1, "em_close": -1}.get(child.type, 0)
        words = " " if child.type in ("softbreak", "hardbreak") else child.content
        if words and child.type in ("text", "softbreak", "hardbreak", "text_special"):
            yield Run(words, strong > 0, slanted > 0)


def html_of(found: Sequence[Block], *, level: int) -> str:
    """The blocks as HTML, a heading as h`level`."""
    out, inside = [], False
    for block in found:
        if (block.kind == "item") != inside:
            inside = not inside
            out.append('<ul class="own">' if inside else "</ul>")
        words = "".join(_set(each, strong="strong", slanted="em") for each in block.runs)
        if block.kind == "item":
            out.append(f"<li>{escape(block.mark)} {words}</li>")
        else:
            tag = f"h{level}" if block.kind == "heading" else "p"
            out.append(f"<{tag}>{words}</{tag}>")
    return "\n".join([*out, *(["</ul>"] if inside else [])])


def _set(run: Run, *, strong: str, slanted: str) -> str:
    """The run's words within the tags of these names."""
    words = escape(run.words)
    words = f"<{slanted}>{words}</{slanted}>" if run.slanted else words
    return f"<{strong}>{words}</{strong}>" if run.strong else words


def paper_of(block: Block) -> str:
    """The block in the words of the library that sets the print."""
    runs = "".join(_set(each, strong="b", slanted="i") for each in block.runs)
    return f"{escape(block.mark)} {runs}" if block.mark else runs
