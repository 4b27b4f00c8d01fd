"""The typeface of printed pages: one that knows accents, Greek, Cyrillic and the box to tick.

Out: its name, ready for use in a PDF; words shortened or broken to fit. DejaVu Sans comes with the library that
draws the pictures.
"""

from __future__ import annotations

import functools
import textwrap
from collections.abc import Callable
from pathlib import Path
from typing import Final

BOX: Final = "\N{BALLOT BOX}"
NAME: Final = "DejaVuSans"


@functools.cache
def typeface() -> str:
    """The regular face; its bold one is called the same with "-Bold", the slanted ones with "-Oblique" as well."""
    import matplotlib
    from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    faces = [f"{NAME}{cut}" for cut in ("", "-Bold", "-Oblique", "-BoldOblique")]
    for face in faces:
        registerFont(TTFont(face, str(folder / f"{face}.ttf")))
    registerFontFamily(NAME, *faces)
    return NAME


def shortened(words: str, room: float, width: Callable[[str], float]) -> str:
    """The words, with less of their end where they are wider than the room."""
    if width(words) <= room:
        return words
    while words and width(words + "\N{HORIZONTAL ELLIPSIS}") > room:
        words = words[:-1]
    return words + "\N{HORIZONTAL ELLIPSIS}"


def over_picture(words: str) -> str:
    """The title of a picture ten inches wide, on two lines at most."""
    return textwrap.fill(words, 80, max_lines=2, placeholder=" \N{HORIZONTAL ELLIPSIS}")
