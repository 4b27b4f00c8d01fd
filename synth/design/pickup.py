"""The pickup: its kind, its defaults, and what it can hear at all.

In: the design's [pickup] table, the bar and its tines. Out: a `Pickup`, SI. A magnetic pickup before a rod that no
magnet draws is refused here, with the reason.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from synth.design import schema
from synth.design.bar_and_boards import on_bar
from synth.design.instrument import Bar, Pickup, Tine
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import MM

PLACE: Final = 0.2  # of the bar's length: off the ends' clamps and off the nodes of its first modes


@frozen
class Usual:
    """A pickup of a kind as the trade sells it, and the gain a player sets behind it."""

    unit: float  # of `sensitivity_mv`, in V per SI unit of what is sensed
    sensitivity: float  # V per m/s2, N, strain, m/s
    resonance: float  # Hz
    quality: float
    corner: float  # Hz
    playback: float  # Pa/V


# Orders of magnitude; piezo charge 374 pC/N (soft lead zirconate titanate, from memory), the rest derived from it.
# Playback: common practice, no published source: a stroked group comes out near the level of speech.
USUAL: Final = {
    # 5 g of backing x 374 pC/N on 1 nF of ceramic and cable; 10 Mohm makes the corner
    "contact": Usual(1e-3, 1.87e-3, 8000.0, 10.0, 16.0, 1.0),
    # 374 pC/N on 10 nF, 1 Mohm; nothing hangs on it that could resonate below hearing's end
    "pad": Usual(1e-3, 37.4e-3, 18_000.0, 5.0, 16.0, 1000.0),
    # a 10 mm disc glued on: d31 Y A / C = 170 pC/N x 60 GPa x 79 mm2 / 20 nF per strain
    "strain": Usual(1e3, 40e3, 18_000.0, 5.0, 8.0, 3.0),
    # a guitar's coil, about half a volt for 1 m/s; its inductance and cable resonate
    "magnetic": Usual(1.0, 0.5, 5000.0, 2.0, 5.0, 5.0),
}


def make_pickup(design: schema.Design, bar: Bar, tines: Sequence[Tine]) -> Pickup:
    """The pickup, at a fifth of the bar unless the design says where. Raises `InputError`."""
    given, usual = design.pickup, USUAL[design.pickup.kind]
    position = PLACE * bar.length if given.at_mm is None else on_bar(given, "at_mm", bar.length, "pickup")
    if given.kind == "magnetic":
        _check_magnetic(nearest_tine(tines, position))
    return Pickup(
        position=position,
        kind=given.kind,
        sensitivity=usual.sensitivity if given.sensitivity_mv is None else given.sensitivity_mv * usual.unit,
        resonance=given.resonance_hz or usual.resonance,
        quality=given.quality or usual.quality,
        corner=given.corner_hz or usual.corner,
        gap=given.gap_mm * MM,
        faces=given.faces,
        playback=given.playback_pa_v or usual.playback,
    )


def nearest_tine(tines: Sequence[Tine], position: float) -> Tine:
    """The tine that stands nearest to a place on the bar: the one a magnetic pickup faces."""
    return min(tines, key=lambda tine: abs(tine.position - position))


def _check_magnetic(tine: Tine) -> None:
    steel = tine.rod.material
    if steel.magnetic == "yes":
        return
    reason = (
        "is not ferrous: its permeability is that of air (austenitic stainless 1.003 to 1.05), so no flux changes"
        if steel.magnetic == "no"
        else "may be magnetic or not (austenitic stainless becomes so only where it was drawn hard)"
    )
    raise InputError(
        f"the tine before the magnetic pickup is of {steel.name}, which {reason}",
        remedy="take another kind, or ferrous rod; where a magnet does hold it, "
        'write magnetic = "yes" in a [material] of your own',
        location="pickup.kind",
    )
