"""`tinewright strength`: what the tines bear under a stick, which go first, and how deep a bite may be."""

from __future__ import annotations

import dataclasses
import json
import math
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import click

from synth.doors.cli import arguments
from synth.doors.cli.table import aligned
from synth.playing.stroke import BITE, SPEED
from synth.units import MM, MPA

if TYPE_CHECKING:
    from synth.design.instrument import Instrument
    from synth.workshop.strength import TineStrength

FIRST: Final = 5  # tines named that go first

METHOD: Final = """\
How: the closed form of a stroke: hand, stick and tine as springs in series give the hold force; the stress at the
root's core, 32 M/(pi d^3), is that of the hold and of a blow at the stick's speed: five of six strokes stay below
it, one in forty exceeds it by more than a quarter. Fitted to the contact model, which no test on steel anchors.
Once: below the yield stress. A million: below the endurance limit (fully reversed, smooth bar) over the notch of
the thread (2.3) and a safety of 1.5. Not counted: rust, fretting at the nut, a nut overtightened, a tine caught by
a sleeve. These are estimates from tabled materials. Bend a spare tine to its bite some thousand times before you
rely on them, and have a licensed engineer look where the public plays: a tine that breaks flies off."""


@click.command("strength")
@arguments.design
@click.option("--group", metavar="GROUP", help="Only this group's tines.")
@click.option(
    "--stick", "stick_names", multiple=True, metavar="STICK", help="Only this stick; may be given again."
)
@click.option(
    "--speed-mm-s",
    type=arguments.Number(10.0, 5000.0),
    default=SPEED / MM,
    show_default=True,
    help="How fast the stick passes.",
)
@click.option(
    "--bite-mm",
    type=arguments.Number(0.01, 20.0),
    default=BITE / MM,
    show_default=True,
    help="How far the stick overlaps the tines.",
)
@arguments.as_json
@arguments.fresh
def command(
    design: Path,
    group: str | None,
    stick_names: tuple[str, ...],
    speed_mm_s: float,
    bite_mm: float,
    as_json: bool,
    fresh: bool,
) -> None:
    """Print the force and the stress at the root of every tine under every stick, against yield and endurance.

    \b
    Example:
      tinewright strength designs/quay-rail.toml --stick birch --bite-mm 3
    """
    from synth.vibration.solve import solve_row
    from synth.workshop.strength import digs_in, strength

    instrument = arguments.instrument(design)
    chosen = None if group is None else instrument.group_index(group)
    names = stick_names or tuple(instrument.sticks)
    sticks = [instrument.stick(name) for name in dict.fromkeys(names)]
    row = solve_row(instrument, fresh=fresh)
    found = [
        each
        for stick in sticks
        if not digs_in(stick)
        for each in strength(instrument, row.modes, stick, speed=speed_mm_s * MM, bite=bite_mm * MM)
        if chosen in (None, instrument.tines[each.tine].group)
    ]
    stuck = [stick.name for stick in sticks if digs_in(stick)]
    if as_json:
        data = {"speed_mm_s": speed_mm_s, "bite_mm": bite_mm, "digs_in": stuck}
        rows = [_data(each, instrument, float(row.length[each.tine])) for each in found]
        click.echo(json.dumps({**data, "tines": rows}, indent=1, ensure_ascii=False))
        return
    click.echo(f"A stroke at {speed_mm_s:g} mm/s with a bite of {bite_mm:g} mm\n")
    for stick in sticks:
        mine = [each for each in found if each.stick == stick.name]
        click.echo(f"{stick.name}\n{_table(mine, instrument, row.length.tolist())}\n")
    for name in stuck:
        click.echo(f"{name} digs in at a tilt of 45 degrees: its friction is too great to slip off")
    click.echo(f"{_first(found, instrument)}\n\n{METHOD}")


def _table(rows: Sequence[TineStrength], instrument: Instrument, length: Sequence[float]) -> str:
    heads = (
        "group",
        "tine",
        "free mm",
        "hold N",
        "bend mm",
        "root MPa",
        "of yield %",
        "of endurance %",
        "once mm",
        "a million mm",
        "how",
    )
    return aligned(heads, [_words(each, instrument, length[each.tine]) for each in rows])


def _words(each: TineStrength, instrument: Instrument, length: float) -> list[str]:
    tine = instrument.tines[each.tine]
    return [
        instrument.groups[tine.group].name,
        str(tine.number),
        f"{length / MM:.1f}",
        f"{each.hold_force:.2f}",
        f"{each.bend / MM:.2f}",
        f"{each.stress / MPA:.0f}",
        f"{100.0 * each.yield_share:.0f}",
        f"{100.0 * each.endurance_share:.0f}",
        _bite(each.bite_once),
        _bite(each.bite_million),
        each.regime,
    ]


def _bite(bite: float) -> str:
    if bite < 0.05 * MM:
        return "none"
    return f"{bite / MM:.1f}" if math.isfinite(bite) else "> 20"


def _first(rows: Sequence[TineStrength], instrument: Instrument) -> str:
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


def _data(each: TineStrength, instrument: Instrument, length: float) -> dict[str, Any]:
    tine = instrument.tines[each.tine]
    rest = dataclasses.asdict(each)
    return {
        "group": instrument.groups[tine.group].name,
        "tine": tine.number,
        "stick": each.stick,
        "free_length_mm": length / MM,
        "hold_force_n": rest["hold_force"],
        "greatest_bend_mm": rest["bend"] / MM,
        "root_stress_mpa": rest["stress"] / MPA,
        "notch_factor": rest["notch"],
        "yield_share": rest["yield_share"],
        "endurance_share": rest["endurance_share"],
        "deepest_bite_once_mm": _finite(each.bite_once),
        "deepest_bite_million_mm": _finite(each.bite_million),
        "regime": each.regime,
    }


def _finite(bite: float) -> float | None:
    return bite / MM if math.isfinite(bite) else None
