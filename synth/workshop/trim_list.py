"""Every way of trimming a tine as `trim` shows it: a table of ways, the most forgiving first, and data.

In: a `RankedTrimming`. Out: words with a `Table`, data with units in the keys.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any, Final

from synth.design.instrument import Instrument
from synth.table import Column, Table
from synth.units import MM, Units
from synth.vibration.tine import TineModes, solve_tines
from synth.vibration.trimming.answers import Trimming, reach_words, shown_nuts
from synth.vibration.trimming.settle import TrimSolution
from synth.workshop.length_text import CALLIPER, length_column
from synth.workshop.trim_roughness import RankedTrimming

LISTED: Final = 10  # ways in the table; all are in the data
SHOWN: Final = 6  # partials


def _sounding(instrument: Instrument, found: Trimming, solutions: Sequence[TrimSolution]) -> TineModes:
    """All partials of the tine without the nuts, then of each solution."""
    tine, ways = instrument.tines[found.tine], (found.plain, *solutions)
    trim = [(*each.nuts, *tine.trim) for each in ways]
    return solve_tines([tine] * len(ways), [each.length for each in ways], trim)


def trimming_words(instrument: Instrument, ways: RankedTrimming, width: int | None) -> str:
    """The ways of one tine that stand in the table, with what is within reach."""
    found, rough = ways.found, (ways.plain, *ways.rough)
    tine, wish = instrument.tines[found.tine], found.wish
    listed = found.solutions[:LISTED]
    modes = _sounding(instrument, found, listed)
    title = (
        f"{instrument.groups[tine.group].name}, tine {tine.number}: partial {wish.partial} to {wish.ratio:g} times "
        f"its clamped pitch, {modes.frequency[0, 0, 0]:.2f} Hz"
    )
    reach = reach_words(wish, found.reach, met=bool(listed))
    if not listed:
        return f"{title}\nno place of the nuts at hand does it; {reach}"
    count = min(SHOWN, int(modes.exists.sum(axis=1).max()))  # a nut may bring one more into hearing
    grates = Column("", "roughness", "{:.3f}", lambda row: rough[row[0]])
    table = Table(
        [*_answers(instrument.bench.units), grates, *_partials(modes, count)],
        list(enumerate((found.plain, *listed))),
    )
    more = len(found.solutions) - LISTED
    rest = f"\nand {more} less forgiving ways (--json lists all)" if more > 0 else ""
    said = "roughness: of the whole group's ring at 0.3 to 1 s; what is as forgiving goes by it"
    return f"{title}\n{table.text(width)}{rest}\n{said}\n{reach}"


def _answers(units: Units) -> list[Column]:
    """Of a way and its number: nuts, length, how much a millimetre or thousandth of an inch or a turn does."""

    step_name, step = CALLIPER[units]

    def nuts(row: tuple[int, TrimSolution]) -> str:
        return shown_nuts(row[1].nuts, units) + (" (locked)" if row[1].locked else "")

    return [
        Column("", "", value=lambda row: row[0] or None),
        Column("", "nuts", value=nuts),
        length_column("", "free", lambda row: row[1].length, units, digits=2),
        Column(
            "",
            f"c/{step_name}",
            "{:.2f}",
            lambda row: row[1].unforgiving if row[1].nuts else None,
            1.0 / step,
        ),
        Column("", "c/turn", "{:.2f}", lambda row: row[1].cents_per_turn if row[1].nuts else None),
    ]


def _partials(modes: TineModes, count: int) -> list[Column]:
    """Ratios of the partials from the second to `count`, then three decays; empty where there is no partial."""
    hertz, decay = modes.frequency[:, 0], modes.decay[:, 0]

    def there(row: tuple[int, TrimSolution], n: int) -> bool:
        return n < modes.exists.shape[1] and bool(modes.exists[row[0], n])

    def ratio(n: int) -> Column:
        return Column(
            "",
            f"{n + 1}.",
            "{:.3f}",
            lambda row: hertz[row[0], n] / hertz[row[0], 0] if there(row, n) else None,
        )

    def ring(n: int, name: str) -> Column:
        return Column("", name, "{:.2f}", lambda row: decay[row[0], n] if there(row, n) else None)

    rings = enumerate(("1st s", "2nd s", "3rd s"))
    return [*(ratio(n) for n in range(1, count)), *(ring(n, name) for n, name in rings)]


def trimming_data(instrument: Instrument, ways: RankedTrimming) -> dict[str, Any]:
    """All ways of one tine as data."""
    found = ways.found
    tine, wish = instrument.tines[found.tine], found.wish
    modes = _sounding(instrument, found, found.solutions)
    return {
        "group": instrument.groups[tine.group].name,
        "tine": tine.number,
        "wish": {"partial": wish.partial, "ratio": wish.ratio, "nut": wish.nut.name},
        "reach": {str(count): list(span) for count, span in found.reach.items()},
        "without": _way(found.plain, modes, 0, ways.plain),
        "choices": [
            _way(each, modes, n, ways.rough[n - 1]) for n, each in enumerate(found.solutions, start=1)
        ],
    }


def _way(way: TrimSolution, modes: TineModes, row: int, rough: float) -> dict[str, Any]:
    hertz = modes.frequency[row, 0, modes.exists[row]][:SHOWN]
    return {
        "nuts": [{"nut": each.nut.name, "at_mm": each.position / MM} for each in way.nuts],
        "locked": way.locked,
        "free_length_mm": way.length / MM,
        "cents_per_mm": [each * MM for each in way.cents_per_metre],
        "unforgiving_cents_per_mm": way.unforgiving * MM,
        "unforgiving_cents_per_turn": way.cents_per_turn,
        "frequency_hz": hertz.tolist(),
        "ratios": (hertz / hertz[0]).tolist(),
        "group_roughness": rough,
        "decay_s": modes.decay[row, 0, modes.exists[row]][:SHOWN].tolist(),
    }
