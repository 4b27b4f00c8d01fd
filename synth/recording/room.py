"""The room between tine and microphone: its own decay, told from what all partials share, and what it spoils.

In: the samples of a tap and the modes found in them. Out: `Indoors`: the modes without the room's own short lines
beside them, with the uncertainty that the room leaves, and the room's decay rate. The decays of a tine's partials
differ and its two planes decay nearly alike; behind every partial the room falls at one rate. Where no two
partials call for a room, everything stays as it was. A recording that ends while such a room would still sound
cannot tell it from a bar that decays in stages of its own: all lines stay, unsure by what a room would make of
them. Knows no instrument.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.frozen import frozen
from synth.recording.damped_sinusoid_fit import FittedModes, bands, no_modes, started
from synth.recording.model_order import CERTAIN
from synth.recording.spectrum import Spectrum, lines, spectrum
from synth.recording.stirred import (
    LONGEST,
    NEAR,
    SHARED,
    USUAL,
    Band,
    StirredFit,
    band,
    fit_dry,
    fit_stirred,
    within,
)
from synth.units import FALL

CYCLES: Final = 24.0  # of a line within the sound: eight of the blocks that its envelope is read in
ASKED: Final = 6  # partials that are asked for the room
MOST_FITTED: Final = 10  # partials that are fitted in it, the strongest
REACH: Final = (
    25.0,
    0.03,
)  # Hz, and share of the frequency: so far from a partial the room's lines are its own
TELLING: Final = 15.0  # of log likelihood, that a room explains of one partial better than lines do
PLANE: Final = 4.0  # of log likelihood, beside ln of the blocks for every figure: a second plane is there
ALIKE: Final = 0.6  # of the room's rate: what decays as fast may be the room's
MOST_LINES: Final = 4  # beside a partial that could stand for a room
HIDDEN: Final = 1.5  # see `_hiding`
OUTLASTED: Final = (
    1.5  # times the room's decay a recording lasts in which the room is told from a bar's own stages
)
TWINS: Final = 2.5  # times as fast at most decays one plane of a tine as the other


@frozen
class Indoors:
    """What rings, and the room: its amplitudes' decay rate in 1/s, nan where none is heard."""

    modes: FittedModes
    rate: float
    doubtful: NDArray[np.bool_]  # (N,) decaying as the room does, or faster
    left_out: int  # lines of the room's own
    perhaps: float = float("nan")  # the rate of a room that may be there as well as not


def outdoors(modes: FittedModes) -> Indoors:
    """These modes where no room is heard."""
    return Indoors(modes, float("nan"), np.zeros(len(modes), bool), 0)


def indoors(samples: Array, rate: float, modes: FittedModes) -> Indoors:
    """The modes of a tap, in the room that they were recorded in, if one is heard; hum is out of both."""
    shortest = 2.0 * np.pi * CYCLES / (len(samples) / rate)  # rad/s: a slower line says nothing of a room
    leaders = [each for each in _leaders(modes) if modes.pole[each].imag > shortest]
    asked = [_asked(samples, rate, modes, leader) for leader in leaders[:ASKED]]
    room = _shared_rate(asked)
    if not np.isfinite(room):
        return outdoors(modes)
    if len(samples) / rate < OUTLASTED * FALL / room:
        return replace(outdoors(_either(modes, asked)), perhaps=room)
    found: list[_Found] = []
    for index, leader in enumerate(leaders[:MOST_FITTED]):
        fitted = asked[index].fitted if index < len(asked) else None
        if fitted is None or abs(np.log(fitted.noise.rate / room)) > SHARED:
            at, poles = _band_of(samples, rate, modes, leader)
            fitted = _planes(at, poles, room)
        found.append(_Found(leader, fitted, float(modes.pole[leader].imag)))
    return _gathered(spectrum(samples, rate), modes, room, found)


def _either(modes: FittedModes, asked: list[_Found]) -> FittedModes:
    """The modes; those near a leader are unsure by half of what a room would make of them: one of the two it is."""
    deviation = modes.standard_uncertainty.copy()
    for each in asked:
        near = np.abs(modes.pole.imag - each.omega) < 2.0 * np.pi * within(REACH, each.omega)
        apart = np.abs(each.fitted.pole[:, None] + 1j * each.omega - modes.pole[near])
        indoors_too = each.fitted.sharp[np.argmin(apart, axis=0)]
        moved = np.hypot(0.5 * np.min(apart, axis=0), indoors_too)
        deviation[near] = np.hypot(modes.standard_uncertainty[near], moved)
    return replace(modes, standard_uncertainty=deviation)


@frozen
class _Found:
    """A leader's index, its fit, and the middle of its band in rad/s."""

    leader: int
    fitted: StirredFit
    omega: float
    gain: float = 0.0  # of log likelihood, by the room


def _gathered(at: Spectrum, modes: FittedModes, room: float, found: list[_Found]) -> Indoors:
    kept = no_modes()
    stirred: list[float] = []
    rates: list[float] = []
    for each in found:
        pole = np.asarray(each.fitted.pole + 1j * each.omega, complex)
        zero = np.zeros(len(pole))
        noise = zero + modes.noise[each.leader]
        kept = kept.with_(
            FittedModes(
                np.zeros(len(pole), np.complex128), pole, each.fitted.standard_uncertainty, zero, noise
            )
        )
        stirred += [each.fitted.stirred] * len(pole)
        rates += [each.fitted.noise.rate] * len(pole)
    order = np.argsort(kept.pole.imag)
    kept = _with_amplitudes(at, kept.pick(order), np.array(stirred)[order])
    doubtful = -kept.pole.real > ALIKE * np.array(rates)[order]
    return Indoors(kept, room, doubtful, len(modes) - len(kept))


def _lasting(modes: FittedModes) -> Array:
    """Amplitude times time: by energy the room's short lines would often come before what rings on."""
    return np.asarray(np.abs(modes.amplitude) / np.maximum(-modes.pole.real, 0.05))


def _leaders(modes: FittedModes) -> list[int]:
    """The modes that ring most, each without what stands within its reach, the first first."""
    left = np.ones(len(modes), bool)
    out: list[int] = []
    for index in np.argsort(-_lasting(modes)):
        if left[index]:
            out.append(int(index))
            reach = 2.0 * np.pi * within(REACH, float(modes.pole[index].imag))
            left &= np.abs(modes.pole.imag - modes.pole[index].imag) > reach
    return out


def _band_of(samples: Array, rate: float, modes: FittedModes, leader: int) -> tuple[Band, Complex]:
    """The band around a leader and the poles of all that stands near it, the leader first, the strongest next."""
    omega, sigma = float(modes.pole[leader].imag), -float(modes.pole[leader].real)
    apart = np.abs(modes.pole.imag - omega)
    near = np.flatnonzero((apart < 2.0 * np.pi * within(NEAR, omega)) & (np.arange(len(modes)) != leader))
    near = near[np.argsort(-_lasting(modes)[near])]
    poles = modes.pole[np.concatenate(([leader], near))] - 1j * omega
    return band(samples, rate, omega, max(sigma, 0.05), max(sigma, 0.05)), poles


def _asked(samples: Array, rate: float, modes: FittedModes, leader: int) -> _Found:
    """What a leader says of the room by itself, against all lines near it in no room."""
    at, poles = _band_of(samples, rate, modes, leader)
    fitted = _planes(at, poles, None)
    dry = fit_dry(at, poles[:MOST_LINES]) - 2.0 * (len(poles[:MOST_LINES]) - 1) * np.log(len(at.values))
    return _Found(leader, fitted, at.omega, fitted.likelihood - dry)


def _shared_rate(asked: list[_Found]) -> float:
    """The decay rate of the room that at least two partials call for, the middle of theirs; nan without."""
    rates = np.array([each.fitted.noise.rate for each in asked if each.gain > TELLING])
    rates = rates[rates > 1.1 * FALL / LONGEST]  # slower is a tine's own unsteadiness
    middle = float(np.median(rates)) if len(rates) else np.nan
    agreed = rates[np.abs(np.log(rates / middle)) < 2.0 * SHARED]
    if len(rates) < 2:
        return np.nan
    return float(np.median(agreed)) if len(agreed) else middle


def _planes(at: Band, poles: Complex, room: float | None) -> StirredFit:
    """One pole, or two of nearly one decay where the sound calls for both."""
    best = fit_stirred(at, poles[:1], room)
    pole = best.pole[0]
    if -pole.real > ALIKE * max(best.noise.rate, FALL / USUAL):
        return _hiding(best, at)
    apart = 1j * max(2.0 / (at.step * len(at.values)), -pole.real)
    slow = [[poles[0], each] for each in poles[1:] if each.real > TWINS * pole.real - 1.0]
    for pair in (*slow[:2], [pole + apart, pole - apart]):
        both = fit_stirred(at, np.array(pair), room)
        if _called(at, best, both):
            return both
    return _hiding(best, at)


def _called(at: Band, one: StirredFit, both: StirredFit) -> bool:
    """Whether the sound calls for both poles, they are known apart, and decay as two planes of one tine do."""
    fast, slow = np.sort(both.pole.real)
    known = abs(both.pole[0] - both.pole[1]) > CERTAIN * np.hypot(*both.sharp)
    likelier = both.likelihood > one.likelihood + PLANE + 2.0 * np.log(len(at.values))
    alike = slow < 0.0 and fast > TWINS * slow and -fast < ALIKE * both.noise.rate
    return bool(likelier and known and alike)


def _hiding(one: StirredFit, at: Band) -> StirredFit:
    """One pole with what a second plane, too near to be told, could do to it.

    A partner half as strong, d rad/s away, moves the pole by up to 0.7 d; by its square in time it shows with a log
    likelihood of about d^4 / (32 s^2 u^2), s the decay rate (or two over the span), u the pole's own deviation.
    """
    lasting = np.maximum(-one.pole.real, 2.0 / (at.step * len(at.values)))
    return replace(
        one, standard_uncertainty=np.hypot(one.standard_uncertainty, HIDDEN * np.sqrt(lasting * one.sharp))
    )


def _with_amplitudes(at: Spectrum, modes: FittedModes, stirred: Array) -> FittedModes:
    """The modes with the amplitudes that fit the whole span best."""
    for _ in range(2):
        for members, bins in bands(at, modes):
            others = modes.pick(np.setdiff1d(np.arange(len(modes)), members))
            values = at.values[bins] - lines(at, bins, others.amplitude, others.pole)
            amplitude = modes.amplitude.copy()
            amplitude[members] = started(at, bins, values, modes.pole[members]).amplitude
            modes = replace(modes, amplitude=amplitude)
    return replace(modes, amplitude_deviation=stirred)
