"""Damped sinusoids fitted to a spectrum by least squares, with the uncertainty that the noise leaves.

In: a spectrum and modes near the truth. Out: `FittedModes`, complex amplitudes a (N,) and poles s (N,) of

    x(t) = Re sum_n a_n exp(s_n t) + noise,        s = -sigma + j omega,   t = 0 at the first sample,

and their deviations. On a spectrum without a window a damped sinusoid has a closed form and white noise stays
white, so Gauss-Newton there is efficient: noise times the inverse normal matrix is the covariance, which for
white noise is the Cramer-Rao bound. The model is analytic in a and s, so the steps are complex, and real and
imaginary part of s have the same deviation. Knows no instrument.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.frozen import frozen
from synth.recording.spectrum import Bins, Spectrum, line, lines

EDGE: Final = 4.0  # half-width of a fitted band in half-power half-widths of its line
MOST_EDGE: Final = 80.0  # Hz, so that no thump draws half the spectrum into one band
LEAST_BINS: Final = 12  # half-width of a fitted band in bins, at least
RUN: Final = 256
FIRM: Final = 1e5  # in the inverse of a matrix with ones on its diagonal: up to there rounding is below 1e-10


@frozen
class FittedModes:
    """What was fitted. All arrays (N,): `deviation` is that of omega and of sigma alike, in rad/s,
    `amplitude_deviation` is relative, `noise` the power left per bin around each mode."""

    amplitude: Complex
    pole: Complex
    standard_uncertainty: Array
    amplitude_deviation: Array
    noise: Array

    def __len__(self) -> int:
        return len(self.pole)

    def pick(self, which: NDArray[np.bool_] | NDArray[np.int_] | list[int]) -> FittedModes:
        """These modes only."""
        index = np.asarray(which, dtype=bool if len(which) and isinstance(which[0], np.bool_) else int)
        return FittedModes(*(each[index] for each in self._arrays()))

    def with_(self, other: FittedModes) -> FittedModes:
        """These modes and the other's behind them."""
        pairs = zip(self._arrays(), other._arrays(), strict=True)
        return FittedModes(*(np.concatenate(each) for each in pairs))

    def _arrays(self) -> tuple[NDArray[Any], ...]:
        """In the order in which they are told."""
        return (
            self.amplitude,
            self.pole,
            self.standard_uncertainty,
            self.amplitude_deviation,
            self.noise,
        )


def no_modes() -> FittedModes:
    """Nothing found."""
    return _unsure(np.zeros(0, complex), np.zeros(0, complex))


def _unsure(amplitude: Complex, pole: Complex) -> FittedModes:
    """Modes whose deviations nobody has asked for yet."""
    unknown = np.zeros(len(pole))
    return FittedModes(amplitude, pole, unknown, unknown, unknown)


def sounding(amplitude: Complex, pole: Complex, count: int, rate: float) -> Array:
    """(T,) samples of Re sum_n a_n exp(s_n t): each wave is that of the first `RUN` samples, run after run."""
    run = np.exp(pole[:, None] * (np.arange(RUN) / rate))
    begin = amplitude[:, None] * np.exp(pole[:, None] * (np.arange(0, count, RUN) / rate))
    return np.asarray((begin.real.T @ run.real - begin.imag.T @ run.imag).ravel()[:count])


def started(at: Spectrum, bins: Bins, values: Complex, pole: Complex) -> FittedModes:
    """Modes with these poles and the amplitudes that fit best."""
    from synth.recording.beside_line import orthogonal_parts

    return _unsure(orthogonal_parts(0.5 * line(at, bins, pole), values.copy()), pole)


def fit(at: Spectrum, modes: FittedModes, sweeps: int = 3) -> FittedModes:
    """All modes fitted to one spectrum, band after band, each without what the others put there."""
    for sweep in range(sweeps):
        last = sweep == sweeps - 1
        whole = [each.copy() for each in modes._arrays()]
        for members, bins in bands(at, modes):
            values = at.values[bins] - of_others(at, bins, whole[0], whole[1], members)
            fitted = closest(at, bins, values, FittedModes(*(each[members] for each in whole)))
            fitted = with_deviation(at, bins, fitted) if last else fitted
            for each, one in zip(whole, fitted._arrays(), strict=True):
                each[members] = one
        modes = FittedModes(*whole)
    return modes.pick(np.argsort(modes.pole.imag))


def of_others(at: Spectrum, bins: Bins, amplitude: Complex, pole: Complex, members: Bins) -> Complex:
    """(B,): the spectrum of all modes but these members."""
    rest = np.ones(len(pole), bool)
    rest[members] = False
    return lines(at, bins, amplitude[rest], pole[rest])


def bands(at: Spectrum, modes: FittedModes) -> list[tuple[Bins, Bins]]:
    """Modes whose bands overlap, together: (indices into modes, bins)."""
    half = np.minimum(EDGE * np.abs(modes.pole.real) / at.step, MOST_EDGE * at.seconds)
    half = np.maximum(half, LEAST_BINS)
    middle = modes.pole.imag / at.step
    low, high = middle - half, middle + half
    order = np.argsort(low)
    groups: list[tuple[list[int], float, float]] = []  # with their edges
    for index, start, stop in zip(order.tolist(), low[order].tolist(), high[order].tolist(), strict=True):
        if groups and start < groups[-1][2]:
            members, first, last = groups[-1]
            groups[-1] = [*members, index], first, max(last, stop)
        else:
            groups.append(([index], start, stop))
    top = at.length // 2
    return [
        (np.array(each), np.arange(max(1, int(start)), max(4, min(top, int(stop) + 2))))
        for each, start, stop in groups
    ]


def closest(at: Spectrum, bins: Bins, values: Complex, modes: FittedModes) -> FittedModes:
    """Gauss-Newton, damped where a step does not help; every other mode is already out of `values`.

    Deviations are not asked for: see `with_deviation`.
    """
    from synth.recording.line_fit import nearest

    amplitude, pole, error = nearest(values, bins, at.length, float(at.rate), modes.amplitude, modes.pole)
    noise = np.full(len(modes), error / max(1, len(bins) - 2 * len(modes)))
    return FittedModes(amplitude, pole, modes.standard_uncertainty, modes.amplitude_deviation, noise)


def with_deviation(at: Spectrum, bins: Bins, modes: FittedModes) -> FittedModes:
    """The modes of one band, as `closest` left them, with what noise makes of them."""
    from synth.recording.line_fit import tangent

    normal, scale = tangent(bins, at.length, float(at.rate), modes.amplitude, modes.pole)
    deviation = np.sqrt(0.5 * modes.noise[0] * inverse_diagonal(normal)) / scale
    own, relative = deviation[len(modes) :], deviation[: len(modes)] / (np.abs(modes.amplitude) + 1e-300)
    return FittedModes(modes.amplitude, modes.pole, own, relative, modes.noise)


def inverse_diagonal(normal: Complex) -> Array:
    """(N,) of the inverse of a Hermitian matrix whose diagonal is ones; where modes cannot be told apart its
    pseudo-inverse is meant, which takes five times as long."""
    from synth.recording.line_fit import inverse

    try:
        inverted: NDArray[Any] = inverse(normal)
        firm = np.abs(inverted).max() < FIRM
    except ZeroDivisionError:
        firm = False
    if not firm:
        inverted = np.linalg.pinv(normal, rcond=1e-13, hermitian=True)
    return np.asarray(np.maximum(np.diag(inverted).real, 0.0))
