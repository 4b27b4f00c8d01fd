"""One HTML file that opens from disk, asks nothing of a network, and plays the instrument.

In: scenes of one instrument. Out: the page's text. Templates are the plain files of `web/`; the compiled functions,
the instrument's numbers and the scripts are written into them, and nothing else is loaded.
"""

from __future__ import annotations

import html
import importlib.resources
import json
from collections.abc import Mapping, Sequence
from typing import Any, Final

from synth.frozen import frozen
from synth.page import functions, wasm
from synth.page.blob import packed
from synth.page.pack import Packed, pack
from synth.sound.render import Scene

# without a browser, in the order of use
ENGINE: Final = ("memory.js", "bank.js", "stick.js", "stroke.js", "meter.js", "engine.js", "script.js")
FACE: Final = (
    "door.js",
    "view.js",
    "draw.js",
    "hand.js",
    "record.js",
    "keys.js",
    "tine.js",
    "face.js",
)


@frozen
class Page:
    """The file, and what it leaves out in words."""

    text: str
    words: tuple[str, ...]


@frozen
class Served:
    """What a page has besides where a server stands behind it: where its bytes are fetched from, and its bench."""

    data_from: str
    code_from: str
    style: str
    markup: str
    scripts: str


def page(scenes: Sequence[Scene], *, quality: str = "usual") -> Page:
    """The page of scenes of one instrument, the first heard first. Raises `InputError` where none can be made."""
    content = pack(scenes, quality=quality)
    letters = {"DATA": content.blob.text(), "CODE": packed(functions.compiled())}
    return Page(_filled(header(content), letters), left_out(content))


def served_page(head: Mapping[str, Any], besides: Served) -> str:
    """The same page, its numbers and functions not in it but behind addresses of its own server."""
    return _filled(
        head,
        {
            "POLICY": "; connect-src 'self'; base-uri 'none'; form-action 'none'",
            "DATA_FROM": f' data-from="{html.escape(besides.data_from)}"',
            "CODE_FROM": f' data-from="{html.escape(besides.code_from)}"',
            "STYLE": _file("style.css") + besides.style,
            "BENCH": besides.markup,
            "FACE": "\n".join([*map(_file, FACE), besides.scripts]),
        },
    )


def header(content: Packed) -> dict[str, Any]:
    """The header with what the scripts want besides."""
    return {**content.head, "functions": signatures(), "left_out": list(left_out(content))}


def _filled(head: Mapping[str, Any], own: Mapping[str, str]) -> str:
    parts = {
        **dict.fromkeys(("POLICY", "BENCH", "DATA_FROM", "DATA", "CODE_FROM", "CODE"), ""),
        "TITLE": html.escape(head["name"]),
        "STYLE": _file("style.css"),
        "HEAD": _json(head),
        "ENGINE": "\n".join(map(_file, ENGINE)),
        "WORKLET": _file("worklet.js"),
        "FACE": "\n".join(map(_file, FACE)),
        **own,
    }
    text = _file("page.html")
    for name, part in parts.items():
        text = text.replace(f"@{name}@", part)
    return text


def signatures() -> dict[str, Any]:
    """What each compiled function takes."""
    return {each.name: wasm.export(each).arguments for each in functions.sources()}


def left_out(content: Packed) -> tuple[str, ...]:
    """In words, with the figures measured."""
    worst = ", ".join(
        f"{each['name']} {each['rounding_db']:.0f}"
        for each in content.head["radiators"]
        if "rounding_db" in each
    )
    rounding = "Shapes of the modes are rounded: at the worst tine the sound is off by so many dB of itself"
    return (
        *([f"{rounding}: {worst}."] if worst else []),
        "A stroke that would bend a tine for good is played here, not refused; an unsteady hand and phrases"
        " are for the command line; brightness goes in nine steps.",
        "Below the tips shapes are read from a table: a stroke at a height of its own agrees less closely.",
    )


def _file(name: str) -> str:
    return (importlib.resources.files("synth.page") / "web" / name).read_text(encoding="utf-8")


def _json(value: Any) -> str:
    """For inside a script element, which ends at the first `</script`."""
    return json.dumps(value, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c")
