"""What sounds like a partial but is none: pickup distortion, harmonic or processed sound.

In: partials of one tap. Out: the same, with notes (`hum` comes before). The facts used: a nonlinear pickup turns
a exp(-sigma t) cos(w t) into its n-th power, whose frequency is exactly n times as high and whose decay is n times
as fast; a bar or rod is never harmonic, because bending is dispersive; an envelope laid over a sound in steps gives
it sidebands at equal distances.
"""

from __future__ import annotations

import itertools
from typing import Final

import numpy as np

from synth.recording.measurement import Partial
from synth.units import cents

EXACT: Final = 1.0  # cents within which a multiple is called exact
STRONG: Final = 10.0 ** (-30.0 / 20.0)  # of the loudest: what counts as part of the sound's body
HIGHEST: Final = 8  # multiple looked for; above it chance hits too often
COMBINING: Final = 5.0  # times louder must both be whose sum or difference is looked for
LOUDEST: Final = 8  # partials whose products are looked for
COMBINED_DECAY: Final = (0.6, 4.0)  # times the sum of both rates; what pairs in both make of it
PRODUCT: Final = 2.0  # Hz around the distance at which distortion puts its sums and differences
STEPS: Final = (5.0, 200.0)  # Hz; between rough beats and what no envelope follows
POWER_DECAY: Final = 0.15  # relative difference allowed to T60 / n


def with_suspects(partials: list[Partial]) -> tuple[list[Partial], list[str]]:
    """The partials with what is suspect about them noted, and the doubts about the sound as a whole."""
    out = _combined(_distortion(partials))
    out, harmonic = _harmonic(out)
    out, processed = _sidebands(out)
    return out, harmonic + processed


def _distortion(partials: list[Partial]) -> list[Partial]:
    """Powers of a louder partial: exactly n times its frequency and its decay rate, n counted up from 2 or 3."""
    out = list(partials)
    for base in sorted(partials, key=lambda each: -each.level):
        seen = {1}
        for multiple in range(2, HIGHEST + 1):
            if multiple > 3 and not {multiple - 1, multiple - 2} & seen:
                break
            for index, each in enumerate(out):
                if each.kind == "partial" and _is_power(each, base, multiple):
                    seen.add(multiple)
                    note = f"exactly {multiple} x {base.frequency:.2f} Hz, decaying {multiple} times as fast"
                    out[index] = each.noted(note + ": distortion of the pickup, not a partial", "distortion")
    return out


def _is_power(each: Partial, base: Partial, multiple: int) -> bool:
    if each.level > 0.5 * base.level or not _exact(each, base, multiple):
        return False
    rate, deviation = multiple * base.decay_rate, each.decay_deviation / each.decay * each.decay_rate
    return bool(rate > 0.0 and abs(each.decay_rate - rate) < max(POWER_DECAY * rate, 3.0 * deviation))


def _combined(partials: list[Partial]) -> list[Partial]:
    """Sums and differences of two much louder partials, or of one and another's octave: the other products."""
    out = list(partials)
    loudest = sorted((one for one in partials if one.kind == "partial"), key=lambda one: -one.level)[:LOUDEST]
    for index, each in enumerate(partials):
        louder = [one for one in loudest if one.level > COMBINING * each.level]
        for one, two in itertools.permutations(louder, 2):
            for n, sign in itertools.product((1, 2), (1.0, -1.0)):
                frequency = abs(n * two.frequency + sign * one.frequency)
                if _is_product(out[index], frequency, one.decay_rate + n * two.decay_rate):
                    word = "and" if sign > 0.0 else "less"
                    what = (
                        f"{n} x {two.frequency:.2f} {word} {one.frequency:.2f} Hz: distortion of the pickup"
                    )
                    out[index] = each.noted(what + ", not a partial", "distortion")
    return out


def _is_product(each: Partial, frequency: float, rate: float) -> bool:
    near = each.kind == "partial" and abs(each.frequency - frequency) < 0.3 + 3.0 * each.frequency_deviation
    slow, fast = COMBINED_DECAY
    return bool(near and slow * rate < each.decay_rate < fast * rate)


def _exact(each: Partial, base: Partial, multiple: int) -> bool:
    """Whether the frequency is that multiple within `EXACT`, and known well enough to say so."""
    off = abs(cents(each.frequency / (multiple * base.frequency)))
    known = 1731.0 * (each.frequency_deviation / each.frequency + base.frequency_deviation / base.frequency)
    return bool(off < EXACT and known < EXACT)


def _harmonic(partials: list[Partial]) -> tuple[list[Partial], list[str]]:
    """Whether the loud part of the sound is a harmonic series, as no free bar or rod has it."""
    loudest = max((each.level for each in partials), default=0.0)
    out = partials
    best: dict[int, int] = {}
    base: Partial | None = None
    for each in partials:
        if each.kind != "partial" or each.level < STRONG * loudest:
            continue
        series = _series(partials, each)
        if len(series) > len(best) and any(
            partials[index].level > STRONG * loudest for index in series.values()
        ):
            best, base = series, each
    if base is None or len(best) < 2:
        return out, []
    out = list(partials)
    for multiple, index in best.items():
        out[index] = out[index].noted(f"exactly {multiple} x {base.frequency:.2f} Hz", "harmonic")
    ratios = " : ".join(str(multiple) for multiple in (1, *best))
    return out, [
        f"partials at exactly {ratios} times {base.frequency:.2f} Hz: this looks like a harmonic or processed "
        "sound, not the free decay of a bar or tine"
    ]


def _series(partials: list[Partial], base: Partial) -> dict[int, int]:
    """Multiples of base that are there: multiple -> index."""
    return {
        multiple: index
        for multiple in range(2, HIGHEST + 1)
        for index, each in enumerate(partials)
        if each.kind == "partial" and _exact(each, base, multiple)
    }


def _sidebands(partials: list[Partial]) -> tuple[list[Partial], list[str]]:
    """Pairs at equal distances and levels on both sides of a louder partial: an envelope made in steps."""
    out, doubts = list(partials), []
    for base in partials:
        for low, one in enumerate(partials):
            distance = base.frequency - one.frequency
            if any(abs(distance - each.frequency) < PRODUCT for each in partials):
                continue  # the sum and the difference with a partial that low: distortion again
            for high in range(low + 1, len(partials)):
                if _mirrored(one, base, partials[high]):
                    out[low] = out[low].noted(f"sideband of {base.frequency:.2f} Hz", "sideband")
                    out[high] = out[high].noted(f"sideband of {base.frequency:.2f} Hz", "sideband")
                    doubts.append(
                        f"sidebands on both sides of {base.frequency:.2f} Hz: the level moves in steps of "
                        f"{1e3 / distance:.1f} ms, which looks like a processed sound"
                    )
    return out, doubts


def _mirrored(one: Partial, base: Partial, other: Partial) -> bool:
    below, above = base.frequency - one.frequency, other.frequency - base.frequency
    if not STEPS[0] < below < STEPS[1] or max(one.level, other.level) > 0.1 * base.level:
        return False
    known = one.frequency_deviation + other.frequency_deviation + 2.0 * base.frequency_deviation
    alike = abs(np.log(one.level / other.level)) < 0.35 and abs(np.log(one.decay / other.decay)) < 0.35
    return bool(abs(below - above) < 3.0 * known and known < 0.2 and alike)
