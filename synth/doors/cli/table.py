"""Plain tables for a terminal or a file: columns as wide as what stands in them, two spaces apart.

In: rows of words. Out: one text. Numbers stand right, words left.
"""

from __future__ import annotations

from collections.abc import Sequence


def aligned(heads: Sequence[str], rows: Sequence[Sequence[str]]) -> str:
    """The table as text; a column whose entries all look like numbers stands right."""
    columns = list(zip(heads, *rows, strict=True))
    widths = [max(len(each) for each in column) for column in columns]
    right = [all(_is_number(each) for each in column[1:]) and len(column) > 1 for column in columns]
    return "\n".join(
        "  ".join(
            each.rjust(width) if turned else each.ljust(width)
            for each, width, turned in zip(row, widths, right, strict=True)
        ).rstrip()
        for row in (heads, *rows)
    )


def _is_number(words: str) -> bool:
    try:
        float(words)
    except ValueError:
        return words == ""
    return True
