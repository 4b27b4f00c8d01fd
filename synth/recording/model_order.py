"""Which fitted modes the sound calls for: the doubtful go, hidden pairs part.

In: a spectrum and the modes fitted to it. Out: fewer modes, or more. A mode stays when its amplitude is known; one
mode becomes two when that explains what one leaves over (by the Bayesian information criterion, G. Schwarz, Annals
of Statistics 6 (1978) 461), and when both are known apart. Knows no instrument.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.recording.damped_sinusoid_fit import (
    FittedModes,
    bands,
    closest,
    fit,
    no_modes,
    of_others,
    started,
    with_deviation,
)
from synth.recording.spectrum import Bins, Spectrum
from synth.units import FALL

SHORTEST_DECAY: Final = 0.05  # s to fall 60 dB: what dies faster is a thump, not a partial
DOUBTFUL: Final = 0.15  # relative deviation of an amplitude that is no longer called known
CERTAIN: Final = 6.0  # deviations between two poles that are called two
MISFIT: Final = 0.005  # share of the strongest: what real, not quite exponential decays leave over
MOST_PARTED: Final = 6  # modes of one band that are tried


def settle_order(at: Spectrum, modes: FittedModes) -> FittedModes:
    """The modes that the sound calls for: doubtful ones go, hidden pairs part, and what that made doubtful goes."""
    return _sound(at, fit(at, _parted(at, _sound(at, modes)), sweeps=1))


def _sound(at: Spectrum, modes: FittedModes) -> FittedModes:
    """Without doubtful modes: the worst of each band goes, the rest are fitted again, until none is left."""
    while len(modes):
        doubt = _doubt(at, modes)
        worst = [members[np.argmax(doubt[members])] for members, _ in bands(at, modes)]
        gone = [int(index) for index in worst if doubt[index] > 1.0]
        if not gone:
            break
        modes = fit(at, _without(at, modes, gone), sweeps=1)
    return modes


def _doubt(at: Spectrum, modes: FittedModes) -> Array:
    """(N,) above one where an amplitude is not known or a decay is too short to be one.

    What a loud mode leaves over is more often its own misfit than proof against it, and the amplitudes of two
    close modes trade against each other though both are there: these are allowed more.
    """
    allowed = np.full(len(modes), DOUBTFUL)
    for members, _ in bands(at, modes):
        allowed[members[np.argmax(np.abs(modes.amplitude[members]))]] = 2.0 * DOUBTFUL
    apart = np.abs(modes.pole[:, None] - modes.pole)
    certain = apart > CERTAIN * np.hypot(modes.standard_uncertainty[:, None], modes.standard_uncertainty)
    allowed[np.any(_close(at, modes) & certain, axis=1)] = 2.0 * DOUBTFUL
    doubt: Array = np.maximum(modes.amplitude_deviation / allowed, -modes.pole.real * SHORTEST_DECAY / FALL)
    return doubt


def _close(at: Spectrum, modes: FittedModes) -> NDArray[np.bool_]:
    """(N, N) whether two modes lie within each other's lines."""
    width = np.maximum(2.0 * np.abs(modes.pole.real), 2.0 * at.step)
    near = np.abs(modes.pole.imag[:, None] - modes.pole.imag) < np.maximum(width[:, None], width)
    return near & ~np.eye(len(modes), dtype=bool)


def _without(at: Spectrum, modes: FittedModes, gone: list[int]) -> FittedModes:
    """The modes less these; one that stood beside another leaves its part of the sound to that one."""
    pole, amplitude = modes.pole.copy(), modes.amplitude.copy()
    for index in gone:
        beside = np.flatnonzero(_close(at, modes)[index])
        if len(beside):
            heir = beside[np.argmax(np.abs(modes.amplitude[beside]))]
            share = np.abs(modes.amplitude[[index, heir]]) ** 2 / np.abs(modes.pole.real[[index, heir]])
            pole[heir] = np.average(modes.pole[[index, heir]], weights=share)
            amplitude[heir] += amplitude[index]
    merged = replace(modes, pole=pole, amplitude=amplitude)
    return merged.pick(np.setdiff1d(np.arange(len(modes)), gone))


def _parted(at: Spectrum, modes: FittedModes) -> FittedModes:
    """With two modes in place of one wherever that explains what one leaves over, and the two are known."""
    out = no_modes()
    for members, bins in bands(at, modes):
        values = at.values[bins] - of_others(at, bins, modes.amplitude, modes.pole, members)
        band = modes.pick(members)
        for index in np.argsort(-np.abs(band.amplitude))[:MOST_PARTED]:
            pair = _split(at, bins, values, band, int(index))
            called_for = _called_for(pair, band, bins, float(np.vdot(values, values).real))
            if called_for and _known(with_deviation(at, bins, pair)):
                band = pair
        out = out.with_(band)
    return out


def _split(at: Spectrum, bins: Bins, values: Complex, modes: FittedModes, index: int) -> FittedModes:
    """The best fit with mode `index` split in two: in frequency, or in decay (two stages)."""
    width = max(0.4 * at.step, 0.4 * abs(modes.pole[index].real))
    rest = np.delete(modes.pole, index)
    starts = [(1j * width, -1j * width), (0.5 * width, -0.5 * width)]
    trials = []
    for one, other in starts:
        pole = np.concatenate((rest, modes.pole[index] + np.array([one, other])))
        trials.append(closest(at, bins, values, started(at, bins, values, pole)))
    return min(trials, key=lambda trial: float(trial.noise[0]))


def _called_for(pair: FittedModes, single: FittedModes, bins: Bins, energy: float) -> bool:
    """Whether one mode more is called for, by the Bayesian information criterion."""
    count = 2 * len(bins)
    left, was = pair.noise[0] * (len(bins) - 2 * len(pair)), single.noise[0] * (len(bins) - 2 * len(single))
    return bool(
        left > 0.0
        and count * np.log(was / left) >= 4.0 * np.log(count) + 10.0
        and was - left >= MISFIT**2 * energy
    )


def _known(pair: FittedModes) -> bool:
    """Whether the last two modes are known, and known apart."""
    one, other = pair.pole[-2:]
    apart = abs(one - other) > CERTAIN * np.hypot(*pair.standard_uncertainty[-2:])
    lasting = np.all(-pair.pole.real < FALL / SHORTEST_DECAY)
    return bool(apart and lasting and np.all(pair.amplitude_deviation < 2.0 * DOUBTFUL))
