"""What a change of the design does: tine by tine, and to the sound of the group; what stays is not told.

In: `StructureFacts`, what of a solved instrument a maker compares, and measured sounds, the first being what the
others are held against. Out: tables of what differs by more than its step.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Any, Final

import numpy as np

from synth.frozen import frozen
from synth.many import many
from synth.sound.render import Scene
from synth.table import Column, Table
from synth.units import CENT, MM, Units, cents
from synth.vibration.modal_model import ModalModel
from synth.vibration.quarrels import Quarrel, sentence, worst_of_each
from synth.workshop.length_text import length_column
from synth.workshop.measures import MEASURES, Measure

COMPARED_PARTIALS: Final = 3  # whose ratios and decays are told
SHOWN: Final = 10  # quarrels in words
PITCH_STEP: Final = 0.1 * CENT  # what tuning promises
LENGTH_STEP: Final = 0.01 * MM  # what a vernier shows
RATIO_STEP: Final = 1.0 * CENT  # of an overtone against the pitch
RING_STEP: Final = 0.02  # of a decay; five times less than is heard

TineKey = tuple[str, int]  # group, number
QuarrelKey = tuple[str, int, int, int]  # group, tine, plane, partial
Told = tuple[float, str]  # the severity of a quarrel, and its words


@frozen
class TineFacts:
    """A tine as it stands: SI; `ratios` of its second and third partial to the first, nan beyond its highest."""

    pitch: float
    length: float
    ratios: tuple[float, ...]
    ring: float  # s to fall by 60 dB, of the pitch, in what it stands on


@frozen
class StructureFacts:
    """What of a solved instrument a maker compares."""

    tines: dict[TineKey, TineFacts]
    quarrels: dict[QuarrelKey, Told]  # the worst of each partial


@frozen
class TineChange:
    """A tine of a variant that is not as it was; None where it stands in one of them alone."""

    combination: str
    group: str
    number: int
    before: TineFacts | None
    after: TineFacts | None
    settled: tuple[Told, ...]
    new: tuple[Told, ...]

    def changed(self, name: str) -> bool:
        """Whether one figure of the tine (`pitch`, `length`, `ring`, `ratio_2`, `ratio_3`) is another now."""
        before, after = self.value(name, self.before), self.value(name, self.after)
        if math.isnan(before) or math.isnan(after):
            return math.isnan(before) != math.isnan(after)
        off = abs(after - before) if name == "length" else abs(math.log(after / before))
        return off >= _STEPS[name]

    @property
    def counts(self) -> bool:
        return bool(self.settled or self.new) or any(map(self.changed, _STEPS))

    @staticmethod
    def value(name: str, facts: TineFacts | None) -> float:
        """The figure; nan where there is none."""
        if facts is None:
            return math.nan
        return facts.ratios[int(name[-1]) - 2] if name.startswith("ratio_") else float(getattr(facts, name))

    @property
    def state(self) -> str:
        return "new" if self.before is None else "gone" if self.after is None else "changed"


_STEPS: Final = {
    "pitch": PITCH_STEP,
    "length": LENGTH_STEP,
    "ratio_2": RATIO_STEP,
    "ratio_3": RATIO_STEP,
    "ring": RING_STEP,
}


def partial_decays(model: ModalModel, tine: int) -> tuple[float, ...]:
    """Seconds to fall by 60 dB of a tine's first partials, swinging along the row; nan beyond its highest.

    Each is that of the mode of the whole, bar and board and all, in which this partial of this tine moves most.
    """
    rows = model.tine_dof[tine, 0, :COMPARED_PARTIALS]
    return tuple(
        math.nan if row < 0 else float(model.decay[np.argmax(np.abs(model.vectors[row]))]) for row in rows
    )


def structure(scene: Scene, quarrels: Sequence[Quarrel]) -> StructureFacts:
    """What a maker compares of a solved instrument, as it is heard."""
    instrument, row = scene.instrument, scene.row
    keys = [(instrument.groups[tine.group].name, tine.number) for tine in instrument.tines]
    facts = {}
    for r, key in enumerate(keys):
        hertz = np.where(row.modes.exists[r], row.modes.frequency[r, 0], np.nan)
        ratios = [*(hertz[1:COMPARED_PARTIALS] / hertz[0]).tolist(), math.nan, math.nan][
            : COMPARED_PARTIALS - 1
        ]
        ring = partial_decays(scene.model, r)[0]
        facts[key] = TineFacts(float(row.mounted_hz[r]), float(row.length[r]), tuple(ratios), ring)
    worst = worst_of_each(quarrels)
    return StructureFacts(
        facts,
        {
            (*keys[tine], plane, partial): (quarrel.severity, sentence(instrument, quarrel))
            for (tine, plane, partial), quarrel in worst.items()
        },
    )


def tine_changes(combination: str, first: StructureFacts, other: StructureFacts) -> list[TineChange]:
    """Every tine that is not as it was."""
    found = []
    for key in dict.fromkeys([*first.tines, *other.tines]):
        found.append(
            TineChange(
                combination=combination,
                group=key[0],
                number=key[1],
                before=first.tines.get(key),
                after=other.tines.get(key),
                settled=_only(key, first, other),
                new=_only(key, other, first),
            )
        )
    return [each for each in found if each.counts]


def _only(key: TineKey, one: StructureFacts, other: StructureFacts) -> tuple[Told, ...]:
    """The quarrels of a tine that stand in one and not in the other."""
    return tuple(told for of, told in one.quarrels.items() if of[:2] == key and of not in other.quarrels)


def tine_change_table(changes: Sequence[TineChange], units: Units = "mm") -> Table:
    """A row a tine of a variant: before and after of what changed; a column that changed nowhere is left out.

    Lengths stand in mm in data, in this unit for people.
    """
    columns = [
        Column("combination", "combination"),
        Column("group", "group"),
        Column("number", "tine"),
        Column("state"),
        *_pair("pitch", Column("pitch_hz", "Hz", "{:.2f}")),
        Column("pitch_cents", "cents", "{:+z.1f}", _pitch_cents),
        *_pair("length", length_column("free_length_mm", "free", None, units, digits=2)),
        *_pair("ratio_2", Column("ratio_2", "2nd", "{:.3f}")),
        *_pair("ratio_3", Column("ratio_3", "3rd", "{:.3f}")),
        *_pair("ring", Column("ring_s", "ring s", "{:.2f}")),
        Column("quarrels_settled", value=lambda row: _words(row.settled)),
        Column("quarrels_new", value=lambda row: _words(row.new)),
        Column("", "settled", value=lambda row: len(row.settled) or None),
        Column("", "new quarrels", value=lambda row: len(row.new) or None),
    ]
    there = [each for each in columns if any(each.of(row) is not None for row in changes)]
    return Table(there, changes)


def _pitch_cents(row: TineChange) -> float | None:
    if row.before is None or row.after is None or not row.changed("pitch"):
        return None
    return cents(row.after.pitch / row.before.pitch)


def _pair(name: str, shown: Column) -> list[Column]:
    """Of a figure two columns in data, before and after; one for people, "before > after"."""

    def of(row: TineChange, facts: TineFacts | None) -> float | None:
        return row.value(name, facts) if row.changed(name) else None

    def both(row: TineChange) -> str | None:
        figures = [row.value(name, each) / shown.unit for each in (row.before, row.after)]
        told = ["-" if math.isnan(each) else shown.formatted(each) for each in figures]
        return " > ".join(told) if row.changed(name) else None

    return [
        Column(f"{shown.key}_before", value=lambda row: of(row, row.before), unit=shown.unit),
        Column(shown.key, value=lambda row: of(row, row.after), unit=shown.unit),
        Column("", shown.heading, value=both),
    ]


def _words(several: Sequence[Told]) -> str | None:
    return "; ".join(words for _, words in several) or None


def _quarrel_lines(changes: Sequence[TineChange]) -> list[str]:
    """The worst of what was settled and of what is new, in words; a line each."""
    found = [
        (severity, f"{each.combination}: {word}: {words}")
        for each in changes
        for word, several in (("settled", each.settled), ("new", each.new))
        for severity, words in several
    ]
    worst = [line for _, line in sorted(found, key=lambda each: -each[0])[:SHOWN]]
    more = (
        [f"and {many(len(found) - SHOWN, 'quarrel')} more, milder: changes.csv"] if len(found) > SHOWN else []
    )
    return worst + more


@frozen
class GroupChange:
    """The measured sound of the group in a variant, and in the first."""

    combination: str
    before: Mapping[str, float]
    after: Mapping[str, float]
    words: tuple[str, ...] = ()  # what an ear would say

    def changed(self, key: str) -> bool:
        measure = next(each for each in MEASURES if each.key == key)
        return measure.changed(self.before[key], self.after[key])

    @property
    def counts(self) -> bool:
        return any(self.changed(each.key) for each in MEASURES)


def group_table(changes: Sequence[GroupChange]) -> Table:
    """A row a variant that sounds otherwise: before and after of each measure that changed, and by how much."""
    rows = [each for each in changes if each.counts]
    columns = [Column("combination", "combination")]
    for measure in MEASURES:
        if any(each.changed(measure.key) for each in rows):
            columns += _measured(measure)
    return Table(columns, rows)


def _measured(measure: Measure) -> list[Column]:
    key, shown = measure.key, f"{{:+z.{measure.digits}f}}"

    def of(row: GroupChange, value: Any) -> Any:
        return value if row.changed(key) else None

    return [
        Column(f"{key}_before", value=lambda row: of(row, row.before[key])),
        Column(key, value=lambda row: of(row, row.after[key])),
        Column("", measure.heading, shown, lambda row: of(row, row.after[key] - row.before[key])),
    ]


@frozen
class Changes:
    """What is not as in the first."""

    against: str
    stroked: str  # the group
    tines: Sequence[TineChange]
    group: Sequence[GroupChange]
    units: Units = "mm"  # in which lengths are told

    def lines(self, width: int | None = None) -> list[str]:
        """For people: the sound of the group, its tines, their quarrels; of other groups how many tines changed."""
        own = [each for each in self.tines if each.group == self.stroked]
        if not any(each.counts for each in self.group) and not self.tines:
            return []
        told = [f"\nWhat changed, against {self.against}:"]
        if any(each.counts for each in self.group):
            told += [f"sound of {self.stroked}", group_table(self.group).text(width)]
            told += [
                f"{each.combination}: {' '.join(each.words)}"
                for each in self.group
                if each.counts and each.words
            ]
        if own:
            told += [
                f"tines of {self.stroked}",
                tine_change_table(own, self.units).text(width),
                *_quarrel_lines(own),
            ]
        if others := len(self.tines) - len(own):
            told.append(f"and {many(others, 'tine')} of other groups: changes.csv")
        return told

    def data(self) -> dict[str, Any]:
        return {
            "against": self.against,
            "group": group_table(self.group).data(),
            "words": {each.combination: list(each.words) for each in self.group if each.counts},
            "tines": tine_change_table(self.tines).data(),
        }
