"""The proposal as one HTML file that opens from disk and asks nothing of a network.

In: `Section`s, the playable page, the page of the blind comparison where it is asked for. Out: the file's text. All
words are escaped; the pages it holds stand in it as text until they are opened.
"""

from __future__ import annotations

import base64
import importlib.resources
import json
import re
from collections.abc import Iterator, Mapping, Sequence
from html import escape
from itertools import groupby
from typing import Final

from synth.proposal.contents import Drawn, PlayedHere, Players, ProposalPart, Section, Words
from synth.proposal.markdown import html_of
from synth.proposal.sounds import SoundFiles
from synth.workshop.paper import scrolled_html
from synth.workshop.picture import svg_of

PLAYED: Final = "the-instrument"
BLIND: Final = "blind"
OWN: Final = "In the maker's words"
OPENS: Final = {PLAYED: "Open the instrument, to stroke it", BLIND: "Open the comparison, to listen blind"}


def proposal_page(title: str, found: Sequence[Section], held: Mapping[str, str], *, foot: str) -> str:
    """The text of `index.html`; `held` are whole pages by `PLAYED` and `BLIND`."""
    parts = {
        "TITLE": escape(title),
        "STYLE": _file("proposal.css"),
        "NAV": "\n".join(
            f'<li><a href="#{each.name}">{escape(each.title)}</a></li>' for each in found if each.title
        ),
        "BODY": "\n".join(map(_section, found)),
        "FOOT": escape(foot),
        "HELD": "\n".join(
            f'<script type="application/json" id="{n}">{_json(t)}</script>' for n, t in held.items()
        ),
        "SCRIPT": _file("proposal.js"),
    }
    # in one pass, so that no word of a client's is taken for a place to fill
    return re.sub("@([A-Z]+)@", lambda place: parts.get(place[1], place[0]), _file("proposal.html"))


def _section(section: Section) -> str:
    head = f"<h2>{escape(section.title)}</h2>\n" if section.title else ""
    label = f' aria-label="{escape(section.title or OWN)}"'
    body = "\n".join(_part(each) for each in section.parts)
    return f'<section id="{section.name}"{label}>\n{head}{body}\n</section>'


def _part(part: ProposalPart) -> str:
    if isinstance(part, Words):
        return html_of(part.blocks, level=2)
    if isinstance(part, Drawn):
        label = escape(part.sheet.title)
        svg = svg_of(part.sheet).replace("<svg ", f'<svg role="img" aria-label="{label}" ', 1)
        return (
            f'<figure>\n{svg}\n<figcaption>To scale: <a href="drawings/drawing.pdf">drawings/drawing.pdf</a>'
            "</figcaption>\n</figure>"
        )
    if isinstance(part, Players):
        return "\n".join(_players(part))
    if isinstance(part, PlayedHere):
        names = [PLAYED, *([BLIND] if part.blind else [])]
        return (
            "<p>The tines are stroked with a mouse, a pen or a finger, and sound as computed. Sound starts "
            "when you ask for it; begin with the volume low.</p>\n"
            + "\n".join(f'<p><button type="button" data-opens="{n}">{OPENS[n]}</button></p>' for n in names)
        )
    return scrolled_html(part)


def _players(part: Players) -> Iterator[str]:
    for title, group in groupby(part.files, key=lambda each: each.sound.title):
        yield f"<h3>{escape(title)}</h3>"
        rows = "\n".join(_row(each) for each in group)
        yield (
            '<div class="scroll"><table class="players">\n<thead><tr><th>through</th><th>where</th>'
            "<th>loudest, at true level</th><th>listen</th><th>files</th></tr></thead>\n"
            f"<tbody>\n{rows}\n</tbody>\n</table></div>"
        )


def _row(each: SoundFiles) -> str:
    sound = each.sound
    name = f"{sound.title} through {sound.through}, {sound.where}"
    data = base64.b64encode(each.content).decode("ascii")
    source = f"data:{each.kind};base64,{data}"
    player = f'<audio controls preload="none" aria-label="{escape(name)}" src="{source}"></audio>'
    links = " ".join(
        f'<a href="{escape(_href(path))}">{escape(path.rsplit(".", 1)[-1].upper())}<span hidden> of {escape(name)}'
        "</span></a>"
        for path in (each.whole, each.small)
    )
    cells = {
        "through": escape(sound.through),
        "where": escape(sound.where),
        "level": f"{sound.loudness.loudest:.0f} dB(A)",
        "listen": player,
        "files": links,
    }
    return "<tr>" + "".join(f'<td class="{name}">{cell}</td>' for name, cell in cells.items()) + "</tr>"


def _href(path: str) -> str:
    from urllib.parse import quote

    return quote(path)


def _file(name: str) -> str:
    return (importlib.resources.files("synth.proposal") / "web" / name).read_text(encoding="utf-8").rstrip()


def _json(value: str) -> str:
    """For inside a script element, which ends at the first `</script`."""
    return json.dumps(value, ensure_ascii=False).replace("<", "\\u003c")
