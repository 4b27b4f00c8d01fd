"""The typeface of printed pages: one that knows accents, Greek, Cyrillic and the box to tick.

Out: its name, ready for use in a PDF. DejaVu Sans comes with the library that draws the pictures.
"""

from __future__ import annotations

import functools
from pathlib import Path
from typing import Final

BOX: Final = "\N{BALLOT BOX}"


@functools.cache
def typeface() -> str:
    """The regular face; its bold one is called the same with "-Bold"."""
    import matplotlib
    from reportlab.pdfbase.pdfmetrics import registerFont, registerFontFamily
    from reportlab.pdfbase.ttfonts import TTFont

    folder = Path(matplotlib.get_data_path()) / "fonts" / "ttf"
    for name, file in (("DejaVuSans", "DejaVuSans.ttf"), ("DejaVuSans-Bold", "DejaVuSans-Bold.ttf")):
        registerFont(TTFont(name, str(folder / file)))
    bold = "DejaVuSans-Bold"
    registerFontFamily("DejaVuSans", normal="DejaVuSans", bold=bold, italic=bold, boldItalic=bold)
    return "DejaVuSans"
