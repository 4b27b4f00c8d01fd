"""A count with its noun: "1 group", "3 groups". In: a number and the noun for one. Out: words."""

from __future__ import annotations


def many(count: int, one: str, several: str = "") -> str:
    """So many of them; `several` where the plural is not the noun with an s."""
    return f"{count} {one if count == 1 else several or one + 's'}"
