"""Where in a stroke script an entry stands.

In: its text and the place that a message names. Out: the line, counted from 1.
"""

from __future__ import annotations

import re
import uuid
from collections.abc import Mapping
from typing import Any

from synth.design.keys_as_written import place_of


def line_of(text: str, location: str) -> int | None:
    """The line on which an entry of a script stands, by its place such as `phrase.rise.stroke[2].lean`.

    None where it cannot be found: looking for the line never replaces the error.
    """
    try:
        return _line_in(text, location)
    except (ValueError, LookupError, AttributeError, TypeError, RecursionError):
        return None


def _line_in(text: str, location: str) -> int | None:
    """The entry is marked, the text written again, and the mark looked for: entries may be alike."""
    import tomlkit

    document = tomlkit.parse(text)
    tree: Mapping[str, Any] = document
    phrases = document.get("phrase", {})
    for name in phrases:
        if location.startswith(f"{place_of('phrase', name)}."):
            tree, location = phrases[name], location.removeprefix(f"{place_of('phrase', name)}.")
            break
    match = re.match(r"(?:(?:stroke|tempo)\[(\d+)\]|defaults)(?:\.(\w+))?", location)
    if match is None:
        return None
    name, mark = match[0].partition("[")[0].partition(".")[0], uuid.uuid4().hex
    entry = tree[name][int(match[1]) - 1] if match[1] else tree[name]
    if isinstance(entry, tomlkit.items.InlineTable) or not entry:
        entry[mark] = mark
    else:
        of_key = not match[1] and bool(match[2]) and match[2] in entry
        entry[match[2] if of_key else next(iter(entry))].comment(mark)
    before, found, _ = tomlkit.dumps(document).partition(mark)
    return before.count("\n") + 1 if found else None
