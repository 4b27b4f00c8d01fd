"""Ways of fixing a tine in the bar: what each does to root, hole and tuning.

In: what the design says of a tine, its rod. Out: a `Fixing`, and the length that the root's give adds. Every figure
is common practice without a published source unless it says otherwise; a test piece tells.

A rod in its hole is a beam on an elastic bed (M. Hetenyi, Beams on Elastic Foundation, 1946): its give adds a
length that goes as the bed's stiffness to the power -1/4. Steel on steel has a bed of about E a unit of length, a
layer of glue E_g d/t in series with it, so that

    glued = clamped in steel x (1 + E t / (E_g d))^(1/4),     t the layer, half of what the hole is wider
"""

from __future__ import annotations

from typing import Final

from synth.design.instrument import Rod, Tine
from synth.design.schema import FixingKind, HoleFit
from synth.errors import InputError
from synth.frozen import frozen
from synth.units import GPA, MM

PLAIN_ROOM: Final = {
    "close": 0.0,
    "normal": 0.1 * MM,
    "loose": 0.2 * MM,
}  # common practice, no published source
GLUE: Final = 3.0 * GPA  # an epoxy of the workshop; 2 to 4 GPa, from memory
THINNEST: Final = 0.02 * MM  # of a layer of glue in a reamed hole
# Bodies of collets by the rods they hold: ER8, ER11, ER16 of ISO 15488 (from memory), up to and body, m
COLLETS: Final = ((5.0 * MM, 8.5 * MM, "ER8"), (7.0 * MM, 11.5 * MM, "ER11"), (10.0 * MM, 17.0 * MM, "ER16"))
# Set screws by the rods they hold: about the rod's own diameter, m
SET_SCREWS: Final = ((3.5 * MM, "M3"), (4.5 * MM, "M4"), (6.5 * MM, "M5"), (30.0 * MM, "M6"))


@frozen
class Fixing:
    """Defaults of the root and what can be done at the bench."""

    longer: float  # times what nuts add, before a layer of glue
    loss_factor: float
    slides: bool  # whether the rod can be moved once it is fixed
    threads: bool  # whether it holds threaded rod


# Loss: glue takes its own 0.03 (epoxies, from memory) of the two hundredths of a mode's energy in its layer; a set
# screw bears on one line and rubs, the upper end of what clamps were seen to take; a collet grips like a nut.
FIXINGS: Final[dict[FixingKind, Fixing]] = {
    "nuts": Fixing(1.0, 1.0e-3, slides=True, threads=True),
    "glued": Fixing(1.0, 0.7e-3, slides=False, threads=True),
    "set screw": Fixing(2.0, 2.0e-3, slides=True, threads=False),
    "collet": Fixing(1.0, 1.0e-3, slides=True, threads=False),
}


def check_fixing(kind: FixingKind, rod: Rod, *, base_nut: bool, location: str) -> None:
    """Refuse what does not hold. Raises `InputError`."""
    if rod.thread and not FIXINGS[kind].threads:
        why = "a set screw flattens a thread" if kind == "set screw" else "a collet slips on a thread"
        raise InputError(
            f"'{kind}' on {rod.thread} rod: {why}", remedy="take nuts or glued", location=location
        )
    if kind == "nuts" and not rod.thread and not base_nut:
        raise InputError(
            f"the plain rod '{rod.name}' has no thread for nuts",
            remedy="take glued, set screw or collet, or name the base_nut whose thread is cut on it",
            location=location,
        )
    if kind == "collet":
        collet_for(rod, location)


def hole_beside(rod: Rod, fit: HoleFit) -> float:
    """The hole that a rod is glued or screwed in, or plain rod stands in, m."""
    return rod.diameter + PLAIN_ROOM[fit]


def added_length(kind: FixingKind | None, by_nuts: float, rod: Rod, fit: HoleFit) -> float:
    """What the root's give adds in m, from what a clamp of nuts adds, m, and the fit of the hole."""
    if kind is None:
        return by_nuts
    if kind != "glued":
        return by_nuts * FIXINGS[kind].longer
    layer = max((hole_beside(rod, fit) - rod.mass_diameter) / 2.0, THINNEST)
    return by_nuts * float((1.0 + rod.material.youngs * layer / (GLUE * rod.mass_diameter)) ** 0.25)


def collet_for(rod: Rod, location: str = "") -> tuple[float, str]:
    """The body of the smallest collet that takes a rod, m, and its name. Raises `InputError`."""
    for most, body, name in COLLETS:
        if rod.diameter <= most * (1.0 + 1e-9):
            return body, name
    raise InputError(
        f"no collet takes rod of {rod.diameter / MM:g} mm",
        remedy=f"at most {COLLETS[-1][0] / MM:g} mm, or take another fixing",
        location=location,
    )


def slides(tine: Tine) -> bool:
    """Whether its rod can be moved in the bar; where nothing is said, it can."""
    kind = tine.root.fixing
    return kind is None or FIXINGS[kind].slides


def thread_turned(tine: Tine) -> float:
    """The thread in m a turn by which its base nut moves it; 0 where there is none to turn."""
    return tine.rod.pitch if tine.root.fixing in (None, "nuts") else 0.0


def why_no_turns(tine: Tine) -> str | None:
    """Why no nut is turned to tune it; None where one is."""
    return None if thread_turned(tine) else f"{tine.root.fixing or 'plain rod'}: it has no nut to turn"


def set_screw_for(rod: Rod) -> str:
    """The thread of the screw from the side that holds a rod."""
    return next(name for most, name in SET_SCREWS if rod.diameter <= most * (1.0 + 1e-9))
