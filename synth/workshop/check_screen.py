"""`check` on one screen: a line a group, then what must be decided, the most serious first.

In: an instrument, its tuned row, its quarrels with what would settle them. Out: `GroupLine`s, `Decision`s, and both
as tables and words. What a tine bears is asked of the stroke that `stroke` plays unasked, and of the design's own
sticks.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Iterator, Sequence
from typing import Final, Literal

import numpy as np

from synth.cache import cached
from synth.design.instrument import Instrument, Stick
from synth.frozen import frozen
from synth.table import Column, Table
from synth.units import MM, cents, length_said
from synth.vibration.advice import Advice
from synth.vibration.quarrels import Quarrel
from synth.vibration.tuning import Row
from synth.workshop.length_text import length_column
from synth.workshop.quarrel_list import told
from synth.workshop.strength import TineStrength, digs_in, strength

FEW: Final = 12  # tines that are shown one by one unasked
SHOWN: Final = 8  # decisions on the first screen; `--all` has the rest

DecisionKind = Literal["yield", "endurance", "warning", "quarrel"]


@frozen
class GroupLine:
    """A group in one line. Lengths m; `off_cents` the worst from its target, `bar_cents` the most the bar does."""

    group: str
    tines: int
    notes: tuple[str, ...]
    stocks: tuple[str, ...]
    shortest: float
    longest: float
    off_cents: float | None  # None where no pitch is wished
    bar_cents: float
    yield_share: float | None  # the worst of the stroke; None where no stick slips off
    endurance_share: float | None
    quarrels: int


@frozen
class Decision:
    """What a maker has to judge, in words; further lines say what could be done."""

    kind: DecisionKind
    groups: tuple[int, ...]  # which it concerns; empty: the whole
    lines: tuple[str, ...]


def usual_strokes(
    instrument: Instrument, row: Row, own: Iterable[str], *, fresh: bool = False
) -> tuple[TineStrength, ...]:
    """What each tine bears under the stick that `stroke` takes unasked, then under the design's `own`; kept.

    The deepest bites are told of the groups that are past a limit, and nan of others.
    """
    usual = next(iter(instrument.sticks.values()))
    named = {usual.name: usual, **{name: instrument.sticks[name] for name in own}}
    sticks = [stick for stick in named.values() if not digs_in(stick)]

    def solve() -> tuple[TineStrength, ...]:
        return tuple(each for stick in sticks for each in _borne(instrument, row, stick))

    depends_on = (instrument.bar, instrument.groups, instrument.tines, row.length, row.trim, sticks)
    return cached("borne", depends_on, solve, fresh=fresh)


def _borne(instrument: Instrument, row: Row, stick: Stick) -> Iterator[TineStrength]:
    found = strength(instrument, row.modes, stick, deepest=False)
    past = {
        instrument.tines[each.tine].group
        for each in found
        if max(each.yield_share, each.endurance_share) > 1.0
    }
    told = {each.tine: each for each in strength(instrument, row.modes, stick, groups=sorted(past))}
    yield from (told.get(each.tine, each) for each in found)


def strained(instrument: Instrument, borne: Sequence[TineStrength]) -> list[Decision]:
    """The stocks whose tines the usual stroke bends at once, then those it breaks in the long run."""
    return [*_strained(instrument, borne, "yield"), *_strained(instrument, borne, "endurance")]


def group_lines(
    instrument: Instrument, row: Row, quarrels: Sequence[Quarrel], borne: Sequence[TineStrength]
) -> list[GroupLine]:
    """One line a group, in the order they stand."""
    count = Counter(instrument.tines[each.tine].group for each in quarrels)
    return [
        _group_line(instrument, row, group, count[group], [each for each in borne if each.tine in tines])
        for group in range(len(instrument.groups))
        for tines in [_tines_of(instrument, group)]
    ]


def _tines_of(instrument: Instrument, group: int) -> range:
    return range(len(instrument.tines))[instrument.groups[group].tines]


def _group_line(
    instrument: Instrument, row: Row, group: int, quarrels: int, borne: Sequence[TineStrength]
) -> GroupLine:
    tines = list(_tines_of(instrument, group))
    mounted, target = row.mounted_hz[tines], row.target_hz[tines]
    off = [cents(ratio) for ratio in (mounted / target).tolist() if ratio == ratio]
    moved = [cents(ratio) for ratio in (mounted / row.clamped_hz[tines]).tolist()]
    rising = [tines[index] for index in np.argsort(mounted, kind="stable")]
    return GroupLine(
        group=instrument.groups[group].name,
        tines=len(tines),
        notes=tuple(dict.fromkeys(instrument.note(float(row.mounted_hz[index]))[0] for index in rising)),
        stocks=tuple(dict.fromkeys(instrument.tines[index].rod.name for index in rising)),
        shortest=float(row.length[tines].min()),
        longest=float(row.length[tines].max()),
        off_cents=max(off, key=abs, default=None),
        bar_cents=max(moved, key=abs),
        yield_share=max((each.yield_share for each in borne), default=None),
        endurance_share=max((each.endurance_share for each in borne), default=None),
        quarrels=quarrels,
    )


def check_table(instrument: Instrument, lines: Sequence[GroupLine]) -> Table:
    """The lines as `check` shows them; data have all notes and stocks as lists."""
    units = instrument.bench.units
    return Table(
        [
            Column("group", "group"),
            Column("tines", "tines"),
            Column("notes", "notes", " ".join, lambda line: list(line.notes)),
            Column("stocks", "stock", ", ".join, lambda line: list(line.stocks)),
            length_column("shortest_mm", "free", lambda line: line.shortest, units),
            length_column("longest_mm", "to", lambda line: line.longest, units),
            Column("worst_cents", "off cents", "{:+z.1f}", lambda line: line.off_cents),
            Column("bar_cents", "bar cents", "{:+z.1f}"),
            Column("yield_share", "of yield %", lambda share: f"{100.0 * share:.0f}"),
            Column("endurance_share", "of endurance %", lambda share: f"{100.0 * share:.0f}"),
            Column("quarrels", "quarrels"),
        ],
        lines,
    )


def decisions(
    instrument: Instrument,
    row: Row,
    quarrels: Sequence[Quarrel],
    advice: Advice,
    borne: Sequence[TineStrength],
) -> list[Decision]:
    """The most serious first: what bends at once, what breaks in the long run, what is unwise, what quarrels."""
    return [
        *strained(instrument, borne),
        *(Decision("warning", _group_of(words), (words,)) for words in (*instrument.warnings, *row.warnings)),
        *(
            Decision(
                "quarrel",
                (instrument.tines[each.tine].group,),
                tuple(told(instrument, each, advice.of(index))),
            )
            for index, each in enumerate(quarrels)
        ),
    ]


def _group_of(warning: str) -> tuple[int, ...]:
    """The group that a warning names, as they all begin with the key they are about."""
    number = warning.removeprefix("group[").split("]")[0]
    return (int(number) - 1,) if warning.startswith("group[") and number.isdigit() else ()


def _strained(
    instrument: Instrument, borne: Sequence[TineStrength], kind: Literal["yield", "endurance"]
) -> list[Decision]:
    """A decision a stock whose tines are past a limit, the worst first."""
    share = f"{kind}_share"
    worst: dict[int, TineStrength] = {}
    for each in borne:
        if each.tine not in worst or getattr(each, share) > getattr(worst[each.tine], share):
            worst[each.tine] = each
    past: dict[str, list[TineStrength]] = {}
    for each in worst.values():
        bends = each.yield_share > 1.0
        if getattr(each, share) > 1.0 and (kind == "yield") == bends:  # what bends at once is told once
            past.setdefault(instrument.tines[each.tine].rod.name, []).append(each)
    ranked = sorted(past.items(), key=lambda item: -max(getattr(each, share) for each in item[1]))
    return [_strain(instrument, name, found, kind) for name, found in ranked]


def _strain(
    instrument: Instrument, stock: str, found: Sequence[TineStrength], kind: Literal["yield", "endurance"]
) -> Decision:
    shares = sorted(100.0 * getattr(each, f"{kind}_share") for each in found)
    span = f"{shares[0]:.0f} %" if len(shares) == 1 else f"{shares[0]:.0f} to {shares[-1]:.0f} %"
    worst = max(found, key=lambda each: getattr(each, f"{kind}_share"))
    groups = sorted({instrument.tines[each.tine].group for each in found})
    names = ", ".join(instrument.groups[group].name for group in groups)
    once = kind == "yield"
    bite = min(each.bite_once if once else each.bite_million for each in found)
    deepest = (
        "no bite" if bite < 0.05 * MM else f"a bite of {length_said(bite, instrument.bench.units, figures=2)}"
    )
    does = "bends them for good" if once else "breaks them in the long run"
    tines = f"{len(found)} of the tines of {names}"
    return Decision(
        kind,
        tuple(groups),
        (
            f"{stock}, {tines}: the usual stroke {does}: {span} of {kind}, the worst under {worst.stick}",
            f"  {deepest} is borne {'once' if once else 'a million times'}; or take thicker or harder rod; see "
            "tinewright strength",
        ),
    )


def decision_words(found: Sequence[Decision], most: int | None) -> str:
    """What must be decided as text, the first `most` of it."""
    if not found:
        return "Nothing has to be decided: no warning, no quarrel, no tine past its endurance."
    shown = found if most is None else found[:most]
    lines = [line for each in shown for line in each.lines]
    if any(each.kind == "quarrel" for each in shown):
        lines.append("for several changes together, or another bar: tinewright suggest")
    more = len(found) - len(shown)
    rest = f"\n  and {more} more, milder: check --all, or --group GROUP" if more else ""
    return "To decide, the most serious first:\n" + "\n".join(f"  {line}" for line in lines) + rest
