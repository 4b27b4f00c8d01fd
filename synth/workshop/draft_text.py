"""A draft as the file that the maker goes on with: the tables, and beside each what it is for and why it is so.

In: a `Draft`. Out: TOML text. Lengths are written in the wished unit, `_mm` or `_in`.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from typing import Any

from synth.units import MM, Units
from synth.workshop.draft import Draft
from synth.workshop.draft_groups import SENSIBLE_MM, GroupPlan
from synth.workshop.length_text import length_words
from synth.workshop.wishes import MM_PER_INCH

TOLD: int = 5  # quarrels in the file; `check` lists them all

WHY = (
    (
        "in a bend",
        "drill after rolling: mark the places on the finished ring, clamp it well, use a drill press",
    ),
    ("is under twice", "bend it hot, or wish for a wider radius or a thinner bar"),
    (
        "wider than the bar",
        "the nuts stand over its edges; they seat on what is left, or wish for a wider bar",
    ),
    ("whatever its length", "no layout that was tried avoids it; another --section moves the bar's modes"),
    ("and meets", "press gently there, or widen spacing by hand"),
    ("feet", "feet stand where the supports do, on whole marks of the ruler"),
)


def draft_text(draft: Draft) -> str:
    """The file. It says of itself that it is a draft and what `check` will warn of."""
    return "\n".join(_lines(draft)) + "\n"


def _lines(draft: Draft) -> Iterator[str]:
    tree, units = draft.tree, draft.wishes.units
    write = _Writer(units)
    yield "# A draft from a few wishes: a start to listen to and to change, then `tinewright check` this file."
    yield from _said("# ", _verdict(draft))
    yield f"name = {_quoted(tree['name'])}"
    yield ""
    yield from _bar(draft, write)
    for name, table in tree["stock"].items():
        yield from ("", f"[stock.{_key(name)}]", *write.pairs(table))
    yield ""
    yield "# What a group is made of, from its note up. Twins beat gently; lower tines are doubled first."
    for name, table in tree["recipe"].items():
        yield from (f"[recipe.{_key(name)}]", *write.pairs(table), "")
    for plan, table in zip(draft.plans, tree["group"], strict=True):
        yield from _group(draft, plan, table, write)
    yield "# Between the bar's end and the first tine: the end of a bar moves in every one of its modes."
    yield from ("[pickup]", *write.pairs(tree["pickup"]))
    for name, table in tree.get("board", {}).items():
        yield ""
        yield "# A foot under each support; as large as the bar needs in plan. `check --boards` tells which notes"
        yield "# it kills, drowns or boosts. To hear it:"
        yield f"#   tinewright stroke FILE --group {draft.plans[0].note} --through {name} -o first.wav"
        yield from (f"[board.{_key(name)}]", *write.pairs(table))
    if "bench" in tree:
        yield from ("", "[bench]", *write.pairs(tree["bench"]))


def _bar(draft: Draft, write: _Writer) -> Iterator[str]:
    units = draft.wishes.units
    nodes = ", ".join(_length(each, units) for each in draft.nodes_mm)
    yield f"# With all tines on it the bar's first mode up and down is at {draft.mode_hz:.1f} Hz."
    yield f"# It stands still at {nodes} {_unit(units)}."
    yield "# The supports are there, moved only as far as the nuts beside them ask."
    yield "[bar]"
    yield from write.pairs(draft.tree["bar"])


def _group(draft: Draft, plan: GroupPlan, table: Mapping[str, Any], write: _Writer) -> Iterator[str]:
    units = draft.wishes.units
    longest, swing = _length(plan.longest_mm, units), _length(plan.swing_mm, units)
    yield f"# {plan.stock.name}: the longest tine is about {longest} {_unit(units)} and swings {swing} under a"
    nut = (
        "" if plan.stock.plain_mm else f", and a spanner turn (nut corners {_length(plan.corners_mm, units)})"
    )
    yield f"# stick; the spacing lets it, and a stick pass{nut}."
    if plan.octaves < draft.wishes.octaves:
        least = _length(SENSIBLE_MM[0], units)
        yield f"# Higher octaves are left out: they would be shorter than {least} {_unit(units)} or too long below."
    yield from ("[[group]]", *write.pairs(table), "")


def _verdict(draft: Draft) -> Iterator[str]:
    for warning in draft.warnings:
        why = next((words for part, words in WHY if part in warning), "judge it yourself")
        yield f"`check` warns: {warning}"
        yield f"  Why it is so: {why}."
    for strain in draft.strained:
        yield f"`check` warns: {strain}"
        yield "  Why it is so: short thin tines hold the stick hardest. Press less, take a thinner stick, or wish"
        yield "  for thicker rod for the high notes."
    if not draft.warnings and not draft.strained:
        yield "`check` warns of nothing."
    if draft.quarrels:
        count = len(draft.quarrels)
        left = f"{count} quarrel{'s are' if count > 1 else ' is'} left"
        yield "Of the layouts that were tried this one quarrels least by estimate;"
        yield f"{left}, the worst first (`check` says what would settle them):"
        yield from (f"  {each}" for each in draft.quarrels[:TOLD])
    else:
        yield "No tine quarrels with the bar."


def _said(mark: str, lines: Iterator[str]) -> Iterator[str]:
    yield from (f"{mark}{each}" for each in lines)


class _Writer:
    """Tables as TOML, lengths in the wished unit."""

    def __init__(self, units: Units) -> None:
        self.units = units

    def pairs(self, table: Mapping[str, Any]) -> Iterator[str]:
        for key, value in table.items():
            if isinstance(value, list) and value and isinstance(value[0], dict):
                yield f"{key} = ["
                yield from (f"    {self._inline(each)}," for each in value)
                yield "]"
            else:
                yield self._pair(key, value)

    def _pair(self, key: str, value: Any) -> str:
        if key.endswith("_mm") and self.units == "inch":
            return f"{key.removesuffix('_mm')}_in = {_number(value / MM_PER_INCH)}"
        return f"{key} = {self._value(value)}"

    def _value(self, value: Any) -> str:
        if isinstance(value, dict):
            return self._inline(value)
        if isinstance(value, list):
            return f"[{', '.join(self._value(each) for each in value)}]"
        return _quoted(value) if isinstance(value, str) else _number(value)

    def _inline(self, table: Mapping[str, Any]) -> str:
        return f"{{ {', '.join(self._pair(key, value) for key, value in table.items())} }}"


def _number(value: float) -> str:
    words = f"{value:.6f}".rstrip("0")
    return f"{words}0" if words.endswith(".") else words


def _length(mm: float, units: Units) -> str:
    return length_words(mm * MM, units)


def _unit(units: Units) -> str:
    return "mm" if units == "mm" else "in"


def _quoted(words: str) -> str:
    return json.dumps(words, ensure_ascii=False)


def _key(name: str) -> str:
    return name if re.fullmatch(r"[A-Za-z0-9_-]+", name) else _quoted(name)
