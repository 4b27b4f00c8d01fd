"""What rings after each tap of a recording: partials with frequency, decay, level and how sure each is.

In: a `Take`. Out: a `Measurement`. What cannot be told is nan, and the note says so; what is not a partial of
the struck thing (hum, a distorting pickup, a processed sound) is named as such. Knows no instrument.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from synth.arrays import Array
from synth.cores import one_core
from synth.errors import InputError
from synth.frozen import frozen
from synth.recording import artefacts
from synth.recording.audio_input import Recording
from synth.recording.damped_sinusoid_fit import FittedModes, no_modes
from synth.recording.hum import NO_HUM, Hum, grown, hum_words, without_hum
from synth.recording.measurement import Measurement, Partial, TapPartials
from synth.recording.model_order import CERTAIN
from synth.recording.onsets import Strike, taps
from synth.recording.room import Indoors, indoors, outdoors
from synth.recording.sinusoids import find
from synth.recording.spectrum import LOWEST, MOST_PEAKS
from synth.units import FALL, ratio

MOST_RING: Final = 60.0  # s of one tap that are looked at: six time constants of a very good tine
MOST_SAMPLES: Final = 4_000_000  # of one tap: 21 s at 192 kHz, in 400 MB
LEAST_RING: Final = 0.08  # s; between closer taps nothing can be told
LEAST_CYCLES: Final = (
    60.0  # while a partial falls 60 dB (Q 27): a knock of the bench has fewer, a rod many more
)
MOST_CARRIED: Final = float(np.log(10.0 ** (12.0 / 20.0)))  # 12 dB: further back a level is a guess
UNSURE: Final = 0.4  # relative deviation from which a decay is called unknown
PAIR: Final = 30.0  # cents: partials this close are two planes of one, or two tines in unison
FASTEST_BEAT: Final = 12.0  # Hz; above it the ear hears roughness, not a beat
WANTED_SPLIT: Final = 0.3  # Hz: where even this could hide, the note says so
SCHROEDER: Final = (
    400.0  # Hz; below, the modes of a room of 12 m3 stand alone (M. Schroeder, 1954: 2000 sqrt(T60 / V))
)
_SPLITS: Final = np.geomspace(0.02, 20.0, 31)  # Hz


def measure_taps(take: Recording) -> Measurement:
    """The partials of every tap of the take. Raises `InputError` where nothing in it rings."""
    from synth.compiled import told_when_compiling

    with told_when_compiling("the fit of partials"), one_core():
        return _measured(take)


def _measured(take: Recording) -> Measurement:
    found, warnings = _find_taps(take)
    heard = [_tap(take, tap) for tap in found]
    quiet = take.samples[: max(0, round((found[0].time - 0.01) * take.rate))]
    struck: list[TapPartials] = []
    for tap, each in zip(found, heard, strict=True):
        partials = _partials(each.inside, each.span, take.rate, each.span[0] - tap.time)
        partials, doubts = artefacts.with_suspects(partials)
        doubts += [
            f"the hum at {n * each.hum.mains:.0f} Hz is louder after the tap: a partial may hide in it, cannot tell"
            for n in grown(quiet, take.rate, each.hum)
        ]
        warnings += [f"tap at {take.start + tap.time:.2f} s: {doubt}" for doubt in doubts]
        struck.append(TapPartials(take.start + tap.time, *each.span, tuple(_paired(partials))))
    warnings += hum_words([each.hum for each in heard]) + _roomy(heard) + _silent(struck)
    if np.any(take.clipped):
        warnings.append("of each tap what follows its last clipped sample is used")
    if any(each.crowded for each in heard):
        warnings.append(f"more than {MOST_PEAKS} partials: only the clearest are given")
    ringing = tuple(each for each in struck if each.partials)
    if not ringing:
        raise InputError(
            "nothing in it rings: no decaying partial stands clear of the noise",
            remedy="record at a lower level, it is clipped"
            if np.any(take.clipped)
            else "tap harder, nearer to the microphone, in a quieter place",
            file=take.file,
        )
    return Measurement(take.file, ringing, (*take.warnings, *warnings))


@frozen
class _Heard:
    """A tap's span, what rings in it in which room, and the hum."""

    span: tuple[float, float]
    inside: Indoors
    hum: Hum
    crowded: bool


def _tap(take: Recording, tap: Strike) -> _Heard:
    samples, span = _free(take, tap)
    if len(samples) < LEAST_RING * take.rate:
        return _Heard(span, outdoors(no_modes()), NO_HUM, crowded=False)
    modes = find(samples, take.rate)
    cycles = modes.pole.imag / (2.0 * np.pi) * FALL / np.maximum(-modes.pole.real, 1e-9)
    modes = modes.pick((modes.pole.imag > 2.0 * np.pi * LOWEST) & (cycles > LEAST_CYCLES))
    samples, kept, hum = without_hum(samples, take.rate, modes)
    inside = indoors(samples, take.rate, kept)
    if np.isfinite([inside.rate, inside.perhaps]).any() and _laid_over(
        outdoors(kept), inside, span, take.rate
    ):
        inside = outdoors(kept)
    return _Heard(span, inside, hum, crowded=len(modes) >= MOST_PEAKS)


def _laid_over(dry: Indoors, inside: Indoors, span: tuple[float, float], rate: float) -> bool:
    """Whether an envelope in steps, or a processed sound, is what looks like a room: it falls everywhere alike."""
    named, doubts = artefacts.with_suspects(_partials(dry, span, rate, 0.0))
    stepped = sum(each.kind == "sideband" for each in named) > 2
    return stepped or bool(doubts and np.isfinite(inside.perhaps))


def _roomy(heard: list[_Heard]) -> list[str]:
    rates = [each.inside.rate for each in heard if np.isfinite(each.inside.rate)]
    perhaps = [each.inside.perhaps for each in heard if np.isfinite(each.inside.perhaps)]
    if not rates and not perhaps:
        return []
    if not rates:
        return [
            f"a room that decays in {FALL / float(np.median(perhaps)):.2g} s, or stages of the partials' own: the "
            "recording ends too early to tell, let it ring on"
        ]
    count = sum(each.inside.left_out for each in heard)
    return [
        f"the room itself decays in {FALL / float(np.median(rates)):.2g} s: {max(0, count)} lines of its own are "
        "left out, and what it leaves unsure is in the deviations"
    ]


def _find_taps(take: Recording) -> tuple[tuple[Strike, ...], list[str]]:
    found = taps(take.samples, take.rate)
    if found:
        return found, []
    return (Strike(0.0, 0.0, take.seconds),), ["no tap was found: the whole recording is taken as one decay"]


def _silent(struck: list[TapPartials]) -> list[str]:
    times = [f"{each.time:.2f}" for each in struck if not each.partials]
    if not times:
        return []
    named = ", ".join(times[:6]) + (f" and {len(times) - 6} more" if len(times) > 6 else "")
    return [f"nothing rings clear of the noise after the knock at {named} s: cannot tell"]


def _free(take: Recording, tap: Strike) -> tuple[Array, tuple[float, float]]:
    """The samples after a tap, begun after the last clipped one, without their mean, and their span in seconds."""
    end = min(tap.free_to, tap.free_from + min(MOST_RING, MOST_SAMPLES / take.rate))
    first, last = round(tap.free_from * take.rate), round(end * take.rate)
    cut = np.flatnonzero(take.clipped[first:last])
    first += int(cut[-1]) + 1 if len(cut) else 0
    samples = take.samples[first:last]
    return samples - (np.mean(samples) if len(samples) else 0.0), (first / take.rate, last / take.rate)


def _partials(inside: Indoors, span: tuple[float, float], rate: float, late: float) -> list[Partial]:
    modes = inside.modes
    splits = _splits(modes, span[1] - span[0], rate)
    found = [
        _partial(modes, index, float(splits[index]), late, roomy=bool(np.isfinite(inside.rate)))
        for index in range(len(modes))
    ]
    return [
        _as_the_room(partial) if doubtful else partial
        for partial, doubtful in zip(found, inside.doubtful, strict=True)
    ]


def _as_the_room(partial: Partial) -> Partial:
    """One that decays as the room does; in the bass a room has modes that stand alone and are no partial."""
    if partial.frequency < SCHROEDER:
        return partial.noted("decays as the room does: a mode of the room, or cannot tell", "room")
    return partial.noted("decays as the room does: cannot tell them apart")


def _partial(modes: FittedModes, index: int, splits: float, late: float, *, roomy: bool) -> Partial:
    """A mode as a partial; its level is carried back by `late` seconds, from the free span to the tap."""
    sigma, deviation = -float(modes.pole[index].real), float(modes.standard_uncertainty[index])
    known = sigma > 0.0 and deviation < UNSURE * sigma
    partial = Partial(
        frequency=float(modes.pole[index].imag) / (2.0 * np.pi),
        frequency_deviation=deviation / (2.0 * np.pi),
        decay=FALL / sigma if known else float("nan"),
        decay_deviation=FALL * deviation / sigma**2 if known else float("nan"),
        level=float(np.abs(modes.amplitude[index]) * np.exp(min(max(0.0, sigma) * late, MOST_CARRIED))),
        level_deviation=float(modes.amplitude_deviation[index]),
        amplitude=complex(modes.amplitude[index]),
        splits=splits,
    )
    if not known:
        partial = partial.noted(
            f"decay: cannot tell, {'in this room' if roomy else 'the recording is too short for it'}"
        )
    if splits > WANTED_SPLIT:
        partial = partial.noted(f"one, or more within {splits:.2g} Hz: cannot tell")
    return partial


def _splits(modes: FittedModes, seconds: float, rate: float) -> Array:
    """(N,) the distance in Hz at which two equal halves of each mode would be told apart for certain."""
    out = np.full(len(modes), float(_SPLITS[-1]))
    density = modes.noise / (seconds * rate**2)  # a bin of T samples holds T times the noise of one
    for index in range(len(modes)):
        known = _split_deviations(modes.pick([index]), float(density[index]), seconds, _SPLITS)
        told = np.flatnonzero(known < _SPLITS / CERTAIN)
        out[index] = _SPLITS[told[0]] if len(told) else out[index]
    return out


def _split_deviations(mode: FittedModes, density: float, seconds: float, splits: Array) -> Array:
    """(S,) the Cramer-Rao deviation, in Hz, of the distance between the halves of a mode that many Hz apart."""
    sigma = max(-float(mode.pole[0].real), 0.1 / seconds)
    time = np.linspace(0.0, min(seconds, 6.0 / sigma), 120)
    pole = -sigma + 1j * np.pi * splits[:, None, None] * np.array([[-1.0], [1.0]])
    half = 0.25 * np.abs(mode.amplitude[0])  # of the half amplitude that the positive frequency has
    wave = np.exp(pole * time)
    rows = np.concatenate((wave, half * time * wave), axis=1)  # (S, 4, T)
    noise = density / (time[1] - time[0])  # the points stand for all samples of their span
    normal = np.conj(rows) @ np.swapaxes(rows, 1, 2)
    covariance = np.linalg.pinv(normal, rcond=1e-14, hermitian=True) * noise
    contrast = np.array([0.0, 0.0, 1.0, -1.0])
    variance = 0.5 * (contrast @ covariance @ contrast).real
    return np.asarray(np.sqrt(np.maximum(variance, 0.0)) / (2.0 * np.pi))


def _paired(partials: list[Partial]) -> list[Partial]:
    """Neighbours within `PAIR` cents told of each other: how they beat, or fall in two stages."""
    out = list(partials)
    for low in range(len(out) - 1):
        one, two = out[low], out[low + 1]
        beat = two.frequency - one.frequency
        if beat > min(FASTEST_BEAT, (ratio(PAIR) - 1.0) * one.frequency):
            continue
        if 2.0 * np.pi * beat > 0.5 * (one.decay_rate + two.decay_rate):
            out[low] = one.noted(f"beats {beat:.3g} times a second with the next")
            out[low + 1] = two.noted("beats with the one before")
        elif np.isfinite(one.decay + two.decay):
            fast, slow = sorted((one.decay, two.decay))
            out[low] = one.noted(f"decays in two stages with the next: {fast:.2g} s, then {slow:.2g} s")
            out[low + 1] = two.noted("second of two stages")
    return out
