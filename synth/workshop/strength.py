"""What tines bear: force and stress under a stick, and the deepest bite for one stroke and for a million.

In: an instrument, its tines' modes, a stick, how it is played. Out: a `TineStrength` for every tine. The stress at
the root's core is 32 M/(pi d^3), with the moment of the hold and that of a blow,

    M = s (b / 2 mm)^(1/2) (L / 100 mm)^(1/3) (1.71 F L + 2.09 s v (E I mu)^(1/2)),   s = (m_s/(m_s + m_t))^(1/2)

F the hold force (`synth.playing.contact.closed_form`), L the length, b the bite, v the stick's speed, (E I
mu)^(1/2) v what a bending wave carries in a rod whose point is moved at v, m_s and m_t the masses of stick and
tine: a light stick in soft fingers gives way before it holds as hard as it would at rest. Factors and powers are
fitted to 7,669 contacts of the event model (four sticks in usual fingers, 0.1 to 3 m/s, 1 to 4.5 mm, the tines of
the three designs): five of six stay below, one in twenty is above by more than a quarter, half are below three
quarters.

One stroke must stay below yield, where steel gives way as a whole and a notch does not count; a million strokes
below the endurance limit over the fatigue notch factor and a safety of 1.5: every ring bends the root to and fro
some hundred times.
"""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Iterable, Iterator, Sequence
from typing import Final

import numpy as np

from synth.arrays import Array
from synth.design.instrument import Instrument, Stick, Tine
from synth.frozen import frozen
from synth.playing.contact.closed_form import MODES, Pluck, Regime, pluck, regime
from synth.playing.contact.modes import ContactModes, tips_of
from synth.playing.contact.stick_path import StickPath, passage
from synth.playing.stroke import BITE, SPEED, TILT, Stroke
from synth.table import Column, Table
from synth.units import INCH, MM, MPA
from synth.vibration.tine import TineModes
from synth.vibration.tuning import Row
from synth.workshop.length_text import METRES, UNIT, length_column

# Fatigue notch factor of a rolled thread under reversed bending: 1 + q (K_t - 1) with K_t 2.8 and q 0.47 to 0.61
# gives 1.9 to 2.1 (Shigley's tables say 2.2 rolled, 2.8 cut; from memory); notched 304 bars hardly noticed theirs
# (ASME PVP 2018).
ROLLED_THREAD: Final = 2.3
SMOOTH_ROD: Final = 1.0
SAFETY: Final = 1.5  # on endurance: test bars scatter by 10 to 15 %, hands by more
HELD: Final = 1.71  # share of the hold, and
STRUCK: Final = 2.09  # of the blow in the greatest moment: fitted, five of six contacts stay below
DEEP: Final = 2e-3  # m, the bite, and
LONG: Final = 0.1  # m, the length at which they are told
DEEPEST: Final = 20e-3  # m, no deeper bite is looked for
_HALVINGS: Final = 14  # of DEEPEST: to a micrometre


FIRST: Final = 5  # tines named that go first

METHOD: Final = """\
How: the closed form of a stroke: hand, stick and tine as springs in series give the hold force; the stress at the
root's core, 32 M/(pi d^3), is that of the hold and of a blow at the stick's speed: five of six strokes stay below
it, one in forty exceeds it by more than a quarter. Fitted to the contact model, which no test on steel anchors.
Once: below the yield stress. A million: below the endurance limit (fully reversed, smooth bar) over the notch of
the thread (2.3) and a safety of 1.5. Not counted: rust, fretting at the nut, a nut overtightened, a tine caught by
a sleeve. These are estimates from tabled materials. Bend a spare tine to its bite some thousand times before you
rely on them, and have a licensed engineer look where the public plays: a tine that breaks flies off."""


@frozen
class TineStrength:
    """One tine under one stick. SI."""

    tine: int  # index into Instrument.tines
    stick: str
    hold_force: float
    bend: float  # greatest, of the tip
    stress: float  # greatest at the root's core, without the notch; five of six strokes stay below
    notch: float  # fatigue notch factor
    yield_share: float  # stress over yield
    endurance_share: float  # stress times notch and safety over the endurance limit
    bite_once: float  # deepest bite that five of six single strokes survive unbent; inf beyond DEEPEST
    bite_million: float  # deepest for a million strokes
    regime: Regime


def strength(
    instrument: Instrument,
    tines: TineModes,
    stick: Stick,
    *,
    speed: float = SPEED,
    bite: float = BITE,
    tilt: float = TILT,
    groups: Iterable[int] | None = None,
    deepest: bool = True,
) -> tuple[TineStrength, ...]:
    """Every tine of these groups (all) under this stick, in the order of the instrument's tines.

    Without `deepest` the deepest bites, which take most of the time, are left out as nan.
    """
    asked = range(len(instrument.groups)) if groups is None else groups
    strokes = [Stroke(group, stick, speed=speed, bite=bite, tilt=tilt) for group in asked]
    if not strokes:
        return ()
    way = _ways(instrument, tines, strokes)
    found = _borne(instrument, tines, strokes[0], way, deepest=deepest)
    return tuple(sorted(found, key=lambda each: each.tine))


def digs_in(stick: Stick, tilt: float = TILT) -> bool:
    """Whether friction keeps this stick from slipping off at a tilt."""
    return math.tan(tilt) <= stick.friction


def root_stress(force: Array | float, length: Array | float, diameter: Array | float) -> Array:
    """32 F L/(pi d^3), Pa: a rod bent by a force at its tip, at the clamp."""
    return np.asarray(32.0 * force * length / (math.pi * diameter**3))


def notch_factor(tine: Tine) -> float:
    """What a thread takes from the endurance of its core."""
    return ROLLED_THREAD if tine.rod.thread else SMOOTH_ROD


def _ways(instrument: Instrument, tines: TineModes, strokes: Sequence[Stroke]) -> StickPath:
    """The passages of strokes that differ in their group alone as one: what a tine bears hangs on no other."""
    return _joined([passage(stroke, instrument, tines.frequency[:, 0, 0]) for stroke in strokes])


def _joined(ways: Sequence[StickPath]) -> StickPath:
    return dataclasses.replace(
        ways[0],
        tine=np.concatenate([way.tine for way in ways]),
        position=np.concatenate([way.position for way in ways]),
        bite=np.concatenate([way.bite for way in ways]),
        diameter=np.concatenate([way.diameter for way in ways]),
        edge=np.concatenate([way.edge for way in ways]),
    )


def _borne(
    instrument: Instrument, tines: TineModes, stroke: Stroke, way: StickPath, *, deepest: bool
) -> Iterator[TineStrength]:
    tip = tips_of(tines, way.tine.tobytes(), stroke.height, MODES)
    rows = [instrument.tines[index] for index in way.tine]
    roots = _roots(rows)
    closed, stress = _stress(stroke, way, tip, roots)
    notch = np.array([notch_factor(row) for row in rows])
    bears_once = np.array([row.rod.material.yield_stress for row in rows])
    bears_long = np.array([row.rod.material.endurance for row in rows]) / (notch * SAFETY)
    limits = np.stack([bears_once, np.minimum(bears_long, bears_once)])
    once, million = _deepest(stroke, tines, way, roots, limits) if deepest else np.full(limits.shape, np.nan)
    for k, index in enumerate(way.tine):
        yield TineStrength(
            tine=int(index),
            stick=stroke.stick.name,
            hold_force=float(closed.hold_force[k]),
            bend=float(closed.greatest_bend[k]),
            stress=float(stress[k]),
            notch=float(notch[k]),
            yield_share=float(stress[k] / bears_once[k]),
            endurance_share=float(stress[k] / bears_long[k]),
            bite_once=float(once[k]),
            bite_million=float(million[k]),
            regime=regime(float(closed.strike_number[k])),
        )


@frozen
class _Roots:
    """Of each tine (T,): its core's diameter at the root, m, and sqrt(E I mu), N s: the moment in a long rod per
    speed of the point that is moved."""

    core: Array
    wave: Array


def _roots(rows: Sequence[Tine]) -> _Roots:
    rods = [(row.rod, row.rod.material) for row in rows]
    core, bend, mass, youngs, density = np.array(
        [
            (rod.root_diameter, rod.bend_diameter, rod.mass_diameter, steel.youngs, steel.density)
            for rod, steel in rods
        ]
    ).T
    return _Roots(core, np.sqrt(youngs * math.pi * bend**4 / 64.0 * density * math.pi * mass**2 / 4.0))


def _stress(stroke: Stroke, way: StickPath, tip: ContactModes, roots: _Roots) -> tuple[Pluck, Array]:
    """The closed form and the greatest stress at each root (T,), Pa."""
    closed = pluck(stroke, way, tip)
    share = np.sqrt(stroke.stick.mass / (stroke.stick.mass + tip.mass))
    blow = share * _square(stroke, way) * stroke.speed * roots.wave
    grown = share * np.sqrt(way.bite / DEEP) * np.cbrt(tip.length / LONG)
    moment = grown * (HELD * closed.hold_force * tip.length + STRUCK * blow)
    return closed, root_stress(moment / tip.length, tip.length, roots.core)


def _square(stroke: Stroke, way: StickPath) -> Array:
    """How squarely each tine is met (T,): a shallow bite is met by the stick's rounded end, at a glance."""
    rho = stroke.stick.end_radius + way.edge
    rise = np.clip(1.0 - way.bite / rho, 0.0, 1.0)  # sine of the contact's slope at the first touch
    return np.asarray(np.minimum(np.sqrt(1.0 - rise**2) / math.cos(stroke.tilt), 1.0))


def _deepest(stroke: Stroke, tines: TineModes, way: StickPath, roots: _Roots, limits: Array) -> Array:
    """The bite (2, T) at which the stress reaches what each root bears, `limits` (2, T), by halving: stress grows
    with the bite."""
    bears, both = limits.ravel(), _joined([way, way])
    twice = _Roots(np.tile(roots.core, 2), np.tile(roots.wave, 2))
    tip = tips_of(tines, both.tine.tobytes(), stroke.height, MODES)

    def stress(bite: Array) -> Array:
        return _stress(stroke, dataclasses.replace(both, bite=bite), tip, twice)[1]

    low, high = np.zeros(len(bears)), np.full(len(bears), DEEPEST)
    whole = stress(high)
    for _ in range(_HALVINGS):
        middle = 0.5 * (low + high)
        under = stress(middle) < bears
        low, high = np.where(under, middle, low), np.where(under, high, middle)
    return np.where(whole < bears, np.inf, low).reshape(limits.shape)


def strength_table(instrument: Instrument, row: Row, rows: Sequence[TineStrength]) -> Table:
    """Tines under sticks, as `strength` shows them."""

    units = instrument.bench.units

    def bite(bite_mm: float) -> str:
        return (
            "none" if bite_mm < 0.05 else f"{bite_mm:.1f}" if units == "mm" else f"{bite_mm * MM / INCH:.3f}"
        )

    beyond = f"> {DEEPEST / METRES[units]:.3g}"

    def group(each: TineStrength) -> str:
        return instrument.groups[instrument.tines[each.tine].group].name

    return Table(
        [
            Column("group", "group", value=group),
            Column("tine", "tine", value=lambda each: instrument.tines[each.tine].number),
            Column("stick"),
            length_column("free_length_mm", "free", lambda each: row.length[each.tine], units),
            Column("hold_force_n", "hold N", "{:.2f}", lambda each: each.hold_force),
            length_column("greatest_bend_mm", "bend", lambda each: each.bend, units, digits=2),
            Column("root_stress_mpa", "root MPa", "{:.0f}", lambda each: each.stress, MPA),
            Column("notch_factor", value=lambda each: each.notch),
            Column("yield_share", "of yield %", _percent),
            Column("endurance_share", "of endurance %", _percent),
            Column(
                "deepest_bite_once_mm", f"once {UNIT[units]}", bite, lambda each: each.bite_once, MM, beyond
            ),
            Column(
                "deepest_bite_million_mm",
                f"a million {UNIT[units]}",
                bite,
                lambda each: each.bite_million,
                MM,
                beyond,
            ),
            Column("regime", "how"),
        ],
        rows,
    )


def _percent(share: float) -> str:
    return f"{100.0 * share:.0f}"


def first_to_go(instrument: Instrument, rows: Sequence[TineStrength]) -> str:
    """Which tines bend first, and which break first, under the worst of the sticks."""
    lines = []
    for what, share in (("bend for good", "yield_share"), ("break in the long run", "endurance_share")):
        worst: dict[int, TineStrength] = {}
        for each in sorted(rows, key=lambda each: getattr(each, share)):
            worst[each.tine] = each
        ranked = sorted(worst.values(), key=lambda each: -getattr(each, share))[:FIRST]
        named = ", ".join(
            f"{instrument.groups[instrument.tines[each.tine].group].name}.{instrument.tines[each.tine].number} "
            f"({100.0 * getattr(each, share):.0f} % under {each.stick})"
            for each in ranked
        )
        lines.append(f"First to {what}: {named or 'none'}")
    return "\n".join(lines)
