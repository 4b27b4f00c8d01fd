"""Damped sinusoids in noise: found, told apart, fitted.

In: samples (T,) and a rate. Out: `FittedModes`, by rising frequency. (1) Peaks of the spectra of the first whole,
half, quarter ... tell where to look and for how long. (2) Around each, a band filter that leaves exponentials
what they are, decimation, and ESPRIT (Roy & Kailath, IEEE Trans. ASSP 37 (1989) 984) tell close partials
apart, far below one over the length. (3) `fitting` makes the estimate efficient and `settling` decides what
stays. Knows no instrument.
"""

from __future__ import annotations

import functools
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.linalg.blas import zherk
from scipy.linalg.lapack import zheevr

from synth.arrays import Array, Complex
from synth.recording.damped_sinusoid_fit import FittedModes, fit, no_modes, started
from synth.recording.model_order import MISFIT, SHORTEST_DECAY, settle_order
from synth.recording.spectrum import Spectrum, lines, peaks, spectrum
from synth.units import FALL

SHORTEST_SPAN: Final = 0.04  # s, the shortest spectrum looked at
BAND: Final = 160  # decimated samples handed to ESPRIT, and bins they come from
FILTER: Final = 8  # decimated samples that the band filter spans
KAISER: Final = 12.0  # its window: 88 dB down at the edge of the band
MOST_POLES: Final = 6  # in one band


def find(samples: Array, rate: float) -> FittedModes:
    """All damped sinusoids that stand clear of the noise, by rising frequency."""
    spectra = [spectrum(samples, rate)]
    while spectra[-1].seconds > 2.0 * SHORTEST_SPAN and spectra[-1].length >= 4 * BAND:
        spectra.append(spectrum(samples[: spectra[-1].length // 2], rate))
    found = no_modes()
    # Four times the clearest span holds the decay down to the noise. Long ones first: short ones cannot part them.
    for peak, level in sorted(peaks(spectra), key=lambda pair: pair[1]):
        at = spectra[max(0, level - 2)]
        reach = 2.0 * spectra[level].step
        if not np.any(np.abs(found.pole.imag - peak.omega) < 0.5 * reach):
            noise = peak.noise * at.length / spectra[level].length
            found = found.with_(_apart(at, peak.omega, reach, noise, found))
    return settle_order(spectra[0], fit(spectra[0], found))


def _apart(at: Spectrum, omega: float, reach: float, noise: float, known: FittedModes) -> FittedModes:
    """The modes within `reach` of omega, once the known ones are taken out."""
    middle = round(omega / at.step)
    bins = middle + np.arange(-BAND // 2, BAND // 2)
    values = np.asarray(at.at(bins) - lines(at, bins, known.amplitude, known.pole), complex)
    response = _response()
    band = np.fft.ifft(np.fft.ifftshift(values * np.conj(response)))[: BAND - FILTER]
    turn = esprit(band, float(np.sqrt(noise / BAND) * np.max(np.abs(response))))
    pole = np.asarray(np.log(turn) * BAND / at.seconds + 1j * middle * at.step, complex)
    pole = np.asarray(np.clip(pole.real, -200.0 / at.seconds, -0.01 / at.seconds) + 1j * pole.imag, complex)
    near: NDArray[np.bool_] = np.abs(pole.imag - omega) < np.maximum(reach, 0.5 * np.abs(pole.real))
    if not np.any(near):
        pole = np.array([1j * omega - 4.0 / at.seconds])
        near = np.array([True])
    start = started(at, bins, values, pole)
    near &= -pole.real < FALL / SHORTEST_DECAY
    strongest = np.argsort(-np.abs(start.amplitude) * near / np.sqrt(np.abs(pole.real)))[
        : min(2, np.sum(near))
    ]
    return start.pick(strongest)


@functools.cache
def _response() -> Complex:
    """The band filter at the band's bins: a Kaiser window in time, looking ahead, so that nothing rings before."""
    u = np.arange(-BAND // 2, BAND // 2) / BAND * FILTER
    inner = np.sqrt((KAISER**2 - (np.pi * u) ** 2).astype(complex))
    shape = np.real(np.sinh(inner) / inner) * KAISER / np.sinh(KAISER)
    return np.asarray(shape * np.exp(-1j * np.pi * u))


def esprit(samples: Complex, spread: float) -> Complex:
    """exp(s dt) of the damped exponentials in complex samples with noise of standard deviation `spread`."""
    rows = len(samples) // 3
    hankel = np.ascontiguousarray(np.lib.stride_tricks.sliding_window_view(samples, rows))
    # by the square: what is less than MISFIT of the strongest is not asked for, its square is far above rounding
    greatest = {"il": max(1, rows - MOST_POLES + 1), "iu": rows}
    square, left, _, _, _ = zheevr(zherk(1.0, hankel.T), range="I", **greatest, overwrite_a=1)
    strength, left = np.sqrt(np.maximum(square[: min(rows, MOST_POLES)][::-1], 0.0)), left[:, ::-1]
    bound = max(1.5 * spread * (np.sqrt(rows) + np.sqrt(len(hankel))), MISFIT * strength[0])
    order = int(np.clip(np.count_nonzero(strength > bound), 1, MOST_POLES))
    signal = left[:, :order]
    # columns of length one at right angles are so without their last row but for what that row has (J. Sherman &
    # W. Morrison, Ann. Math. Statist. 21 (1950) 124, from memory)
    last = np.conj(signal[-1])
    moved = np.conj(signal[:-1].T) @ signal[1:]
    return np.asarray(
        np.linalg.eigvals(moved + np.outer(last, np.conj(last) @ moved) / (1.0 - np.vdot(last, last).real))
    )
