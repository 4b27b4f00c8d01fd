"""How a tine is brought to its pitch by the way it is fixed: a nut is turned, a rod slid, a tip filed or weighted.

In: a tine, how much free length has to go. Out: what to do in words; what a weight at the tip does.
"""

from __future__ import annotations

import math
from typing import Final

from synth.design.fixings import slides, thread_turned
from synth.design.instrument import Instrument, Tine
from synth.units import CENT, GRAM, length_said
from synth.vibration.tine import TineModes
from synth.workshop.length_text import CALLIPER

EIGHTH: Final = 0.125  # of a turn, what a hand tells on a hexagon


def tip_weight(modes: TineModes, index: int, cents: float) -> float:
    """The mass in kg at the tip of a clamped tine that lowers its fundamental by so many cents.

    By one mode (Rayleigh): m = (exp(2 d) - 1) / psi^2, psi the mass-normalised motion of the tip, d of ln f.
    """
    psi = float(modes.at(0.0)[index, 0])
    return math.expm1(2.0 * cents * CENT) / psi**2


def retuning_words(instrument: Instrument, modes: TineModes, index: int, shorten: float, off: float) -> str:
    """What to do with a tine that sounds `off` cents above its pitch and has to lose `shorten` m of length."""
    tine, units = instrument.tines[index], instrument.bench.units
    distance = length_said(abs(shorten), units, figures=3)
    what = f"{'Shorten' if shorten > 0.0 else 'Lengthen'} the free length by {distance}: "
    if not slides(tine):
        return _tip_words(tine, modes, index, off, distance)
    kind = tine.root.fixing
    way = "into the bar" if shorten > 0.0 else "out of the bar"
    if kind in ("set screw", "collet"):
        return f"{what}loosen the {kind}, slide the rod {way}, tighten, then tap again."
    if not thread_turned(tine):
        return f"{what}plain rod, so slide it in its collar."
    return what + _turns_words(instrument, tine, shorten, off)


def _tip_words(tine: Tine, modes: TineModes, index: int, off: float, distance: str) -> str:
    if off < 0.0:
        return (
            f"It is {tine.root.fixing} and cannot be moved: file {distance} off its tip, a little at a time, "
            "square, and round the edge again; let it cool before you listen."
        )
    grams = tip_weight(modes, index, off) / GRAM
    return (
        f"It is {tine.root.fixing} and cannot be lengthened: a weight of {grams:.2g} g at its tip (solder, or a "
        "collar with a screw) lowers it so far; overtones come lower by other amounts."
    )


def _turns_words(instrument: Instrument, tine: Tine, shorten: float, off: float) -> str:
    turns = abs(shorten) / tine.rod.pitch
    way = "up, towards the tip" if shorten > 0.0 else "down, towards the bar"
    clock = "against the clock" if shorten > 0.0 else "with the clock"
    turned = length_said(tine.rod.pitch, instrument.bench.units)
    return (
        f"turn the base nut {turns:.2f} turns ({turns / EIGHTH:.1f} eighths) {way}; {clock} as seen from the tip, "
        f"on right-hand thread.\n{tine.rod.thread} has {turned} a turn: {abs(off) / turns:.1f} cents a turn here. "
        "Tighten, then tap again."
    )


def fixing_notes(instrument: Instrument, modes: TineModes) -> list[str]:
    """What a tuning sheet says of the tines that no nut holds, a sentence a way of fixing."""
    notes = []
    for kind in ("glued", "set screw", "collet"):
        own = [index for index, tine in enumerate(instrument.tines) if tine.root.fixing == kind]
        if not own:
            continue
        names = ", ".join(dict.fromkeys(instrument.groups[instrument.tines[n].group].name for n in own))
        if kind == "glued":
            each = [0.1 * GRAM / tip_weight(modes, n, 1.0) for n in own]
            notes.append(
                f"Glued: {names}. No nut to turn: they stand longer by the allowance for tuning; file the tip "
                "until it sounds, a little at a time. Filed too far, a tenth of a gram at the tip lowers by "
                f"{min(each):.0f} to {max(each):.0f} cents."
            )
        else:
            notes.append(
                f"{kind.capitalize()}: {names}. Loosen the {kind}, slide the rod, tighten, listen: "
                f"c/{CALLIPER[instrument.bench.units][0]} says how far."
            )
    return notes
