"""Damped sinusoids in noise: found, told apart, and fitted with the uncertainty that the noise leaves.

In: samples (T,) and a rate. Out: `Modes`, complex amplitudes a (N,), poles s (N,) and their deviations, for

    x(t) = Re sum_n a_n exp(s_n t) + noise,        s = -sigma + j omega,   t = 0 at the first sample.

(1) Peaks of the spectra of the first whole, half, quarter ... tell where to look and for how long. (2) Around each,
a band filter that leaves exponentials exponentials, decimation, and ESPRIT (Roy & Kailath, IEEE Trans. ASSP 37
(1989) 984) tell close partials apart, far below one over the length. (3) Gauss-Newton on the undecimated spectrum
makes the estimate efficient; noise times the inverse normal matrix is its covariance, which for white noise is the
Cramer-Rao bound. The model is analytic in a and s, so the steps are complex and real and imaginary part of
s have the same deviation. Knows no instrument.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.recording.spectrum import Bins, Complex, Real, Spectrum, line, line_slope, lines, peaks, spectrum

SHORTEST_SPAN: Final = 0.04  # s, the shortest spectrum looked at
FALL: Final = float(np.log(1e3))  # sigma times the time to fall 60 dB
SHORTEST_DECAY: Final = 0.05  # s to fall 60 dB: what dies faster is a thump, not a partial
BAND: Final = 160  # decimated samples handed to ESPRIT, and bins they come from
FILTER: Final = 8  # decimated samples that the band filter spans
KAISER: Final = 12.0  # its window: 88 dB down at the edge of the band
MOST_POLES: Final = 6  # in one band
MISFIT: Final = 0.005  # share of the strongest: what real, not quite exponential decays leave over
EDGE: Final = 4.0  # half-width of a fitted band in half-power half-widths of its line
MOST_EDGE: Final = 80.0  # Hz, so that no thump draws half the spectrum into one band
LEAST_BINS: Final = 12  # half-width of a fitted band in bins, at least
DOUBTFUL: Final = 0.15  # relative deviation of an amplitude that is no longer called known
CERTAIN: Final = 6.0  # deviations between two poles that are called two
ROUNDS: Final = 12  # of Gauss-Newton at most


@dataclass(frozen=True)
class Modes:
    """What was fitted. All arrays (N,): `deviation` is that of omega and of sigma alike, in rad/s,
    `amplitude_deviation` is relative, `noise` the power left per bin around each mode."""

    amplitude: Complex
    pole: Complex
    deviation: Real
    amplitude_deviation: Real
    noise: Real

    def __len__(self) -> int:
        return len(self.pole)

    def pick(self, which: NDArray[np.bool_] | NDArray[np.int_] | list[int]) -> Modes:
        """These modes only."""
        index = np.asarray(which, dtype=bool if len(which) and isinstance(which[0], np.bool_) else int)
        return Modes(*(getattr(self, field.name)[index] for field in fields(self)))

    def with_(self, other: Modes) -> Modes:
        """These modes and the other's behind them."""
        names = [field.name for field in fields(self)]
        return Modes(*(np.concatenate((getattr(self, name), getattr(other, name))) for name in names))


def no_modes() -> Modes:
    """Nothing found."""
    return _unsure(np.zeros(0, complex), np.zeros(0, complex))


def _unsure(amplitude: Complex, pole: Complex) -> Modes:
    """Modes whose deviations nobody has asked for yet."""
    unknown = np.zeros(len(pole))
    return Modes(amplitude, pole, unknown, unknown, unknown)


def _started(at: Spectrum, bins: Bins, values: Complex, pole: Complex) -> Modes:
    """Modes with these poles and the amplitudes that fit best."""
    amplitude = np.asarray(np.linalg.lstsq(0.5 * line(at, bins, pole).T, values, rcond=None)[0], complex)
    return _unsure(amplitude, pole)


def find(samples: Real, rate: float) -> Modes:
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
    return settle(spectra[0], fit(spectra[0], found))


def _apart(at: Spectrum, omega: float, reach: float, noise: float, known: Modes) -> Modes:
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
    start = _started(at, bins, values, pole)
    near &= -pole.real < FALL / SHORTEST_DECAY
    strongest = np.argsort(-np.abs(start.amplitude) * near / np.sqrt(np.abs(pole.real)))[
        : min(2, np.sum(near))
    ]
    return start.pick(strongest)


def _response() -> Complex:
    """The band filter at the band's bins: a Kaiser window in time, looking ahead, so that nothing rings before."""
    u = np.arange(-BAND // 2, BAND // 2) / BAND * FILTER
    inner = np.sqrt((KAISER**2 - (np.pi * u) ** 2).astype(complex))
    shape = np.real(np.sinh(inner) / inner) * KAISER / np.sinh(KAISER)
    return np.asarray(shape * np.exp(-1j * np.pi * u))


def esprit(samples: Complex, spread: float) -> Complex:
    """exp(s dt) of the damped exponentials in complex samples with noise of standard deviation `spread`."""
    rows = len(samples) // 3
    hankel = np.lib.stride_tricks.sliding_window_view(samples, rows).T
    left, strength, _ = np.linalg.svd(hankel, full_matrices=False)
    bound = max(1.5 * spread * (np.sqrt(rows) + np.sqrt(hankel.shape[1])), MISFIT * strength[0])
    order = int(np.clip(np.count_nonzero(strength > bound), 1, MOST_POLES))
    signal = left[:, :order]
    return np.asarray(np.linalg.eigvals(np.linalg.lstsq(signal[:-1], signal[1:], rcond=None)[0]))


def fit(at: Spectrum, modes: Modes, sweeps: int = 3) -> Modes:
    """All modes fitted to one spectrum, band after band, each without what the others put there."""
    for _ in range(sweeps):
        for members, bins in bands(at, modes):
            rest = np.setdiff1d(np.arange(len(modes)), members)
            others = modes.pick(rest)
            values = at.values[bins] - lines(at, bins, others.amplitude, others.pole)
            fitted = fit_band(at, bins, values, modes.pick(members))
            modes = others.with_(fitted).pick(np.argsort(np.concatenate((rest, members))))
    return modes.pick(np.argsort(modes.pole.imag))


def bands(at: Spectrum, modes: Modes) -> list[tuple[Bins, Bins]]:
    """Modes whose bands overlap, together: (indices into modes, bins)."""
    half = np.minimum(EDGE * np.abs(modes.pole.real) / at.step, MOST_EDGE * at.seconds)
    half = np.maximum(half, LEAST_BINS)
    middle = modes.pole.imag / at.step
    groups: list[list[int]] = []
    reach = -np.inf
    for index in np.argsort(middle - half):
        if middle[index] - half[index] < reach:
            groups[-1].append(int(index))
        else:
            groups.append([int(index)])
        reach = max(reach, float(middle[index] + half[index]))
    edges = [(np.min((middle - half)[each]), np.max((middle + half)[each])) for each in groups]
    top = at.length // 2
    return [
        (np.array(each), np.arange(max(1, int(low)), max(4, min(top, int(high) + 2))))
        for each, (low, high) in zip(groups, edges, strict=True)
    ]


def fit_band(at: Spectrum, bins: Bins, values: Complex, modes: Modes) -> Modes:
    """Gauss-Newton, damped where a step does not help; every other mode is already out of `values`."""
    misfit = values - lines(at, bins, modes.amplitude, modes.pole)
    error, stiffness = float(np.vdot(misfit, misfit).real), 0.0
    for _ in range(ROUNDS):
        matrix, scale = _jacobian(at, bins, modes)
        trial = _moved(modes, _step(matrix, misfit, stiffness) / scale, at)
        after = values - lines(at, bins, trial.amplitude, trial.pole)
        smaller = float(np.vdot(after, after).real)
        if smaller >= error:
            if error - smaller > -1e-9 * error or stiffness > 1e3:
                break
            stiffness = max(10.0 * stiffness, 1e-3)
            continue
        gain = 1.0 - smaller / error
        modes, misfit, error, stiffness = trial, after, smaller, 0.1 * stiffness
        if gain < 1e-6:
            break
    return _with_deviation(at, bins, modes, error)


def _jacobian(at: Spectrum, bins: Bins, modes: Modes) -> tuple[Complex, Real]:
    """(B, 2N) columns for a change of each a, then of each s, of length one, and their true lengths (2N,)."""
    by_amplitude = 0.5 * line(at, bins, modes.pole)
    by_pole = 0.5 * modes.amplitude[:, None] * line_slope(at, bins, modes.pole)
    matrix = np.concatenate((by_amplitude, by_pole)).T
    scale = np.linalg.norm(matrix, axis=0) + 1e-300
    return matrix / scale, scale


def _step(matrix: Complex, misfit: Complex, stiffness: float) -> Complex:
    normal = np.conj(matrix.T) @ matrix
    slope = np.conj(matrix.T) @ misfit
    return np.asarray(np.linalg.solve(normal + (stiffness + 1e-12) * np.eye(len(normal)), slope))


def _moved(modes: Modes, step: Complex, at: Spectrum) -> Modes:
    """One step on, no pole by more than a bin or half its width, none into a steep growth."""
    shift = step[len(modes) :]
    most = at.step + 0.5 * np.abs(modes.pole.real)
    pole = modes.pole + shift * np.minimum(1.0, most / (np.abs(shift) + 1e-300))
    pole = np.minimum(pole.real, 1.0 / at.seconds) + 1j * pole.imag
    return replace(modes, amplitude=modes.amplitude + step[: len(modes)], pole=pole)


def _with_deviation(at: Spectrum, bins: Bins, modes: Modes, error: float) -> Modes:
    matrix, scale = _jacobian(at, bins, modes)
    noise = error / max(1, len(bins) - 2 * len(modes))
    normal = np.conj(matrix.T) @ matrix
    spread = np.diag(np.linalg.pinv(normal, rcond=1e-13, hermitian=True)).real / scale**2
    deviation = np.sqrt(0.5 * noise * np.maximum(spread, 0.0))
    relative = deviation[: len(modes)] / (np.abs(modes.amplitude) + 1e-300)
    return replace(
        modes,
        deviation=deviation[len(modes) :],
        amplitude_deviation=relative,
        noise=np.full(len(modes), noise),
    )


def settle(at: Spectrum, modes: Modes) -> Modes:
    """The modes that the sound calls for: doubtful ones go, hidden pairs part, and what that made doubtful goes."""
    return _sound(at, fit(at, _parted(at, _sound(at, modes)), sweeps=1))


def _sound(at: Spectrum, modes: Modes) -> Modes:
    """Without doubtful modes: the worst of each band goes, the rest are fitted again, until none is left."""
    while len(modes):
        doubt = _doubt(at, modes)
        worst = [members[np.argmax(doubt[members])] for members, _ in bands(at, modes)]
        gone = [int(index) for index in worst if doubt[index] > 1.0]
        if not gone:
            break
        modes = fit(at, _without(at, modes, gone), sweeps=1)
    return modes


def _doubt(at: Spectrum, modes: Modes) -> Real:
    """(N,) above one where an amplitude is not known or a decay is too short to be one.

    What a loud mode leaves over is more often its own misfit than proof against it, and the amplitudes of two
    close modes trade against each other though both are there: these are allowed more.
    """
    allowed = np.full(len(modes), DOUBTFUL)
    for members, _ in bands(at, modes):
        allowed[members[np.argmax(np.abs(modes.amplitude[members]))]] = 2.0 * DOUBTFUL
    apart = np.abs(modes.pole[:, None] - modes.pole)
    certain = apart > CERTAIN * np.hypot(modes.deviation[:, None], modes.deviation)
    allowed[np.any(_close(at, modes) & certain, axis=1)] = 2.0 * DOUBTFUL
    doubt: Real = np.maximum(modes.amplitude_deviation / allowed, -modes.pole.real * SHORTEST_DECAY / FALL)
    return doubt


def _close(at: Spectrum, modes: Modes) -> NDArray[np.bool_]:
    """(N, N) whether two modes lie within each other's lines."""
    width = np.maximum(2.0 * np.abs(modes.pole.real), 2.0 * at.step)
    near = np.abs(modes.pole.imag[:, None] - modes.pole.imag) < np.maximum(width[:, None], width)
    return near & ~np.eye(len(modes), dtype=bool)


def _without(at: Spectrum, modes: Modes, gone: list[int]) -> Modes:
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


def _parted(at: Spectrum, modes: Modes) -> Modes:
    """With two modes in place of one wherever that explains what one leaves over, and the two are known."""
    out = no_modes()
    for members, bins in bands(at, modes):
        others = modes.pick(np.setdiff1d(np.arange(len(modes)), members))
        values = at.values[bins] - lines(at, bins, others.amplitude, others.pole)
        band = modes.pick(members)
        for index in np.argsort(-np.abs(band.amplitude))[:MOST_POLES]:
            pair = _split(at, bins, values, band, int(index))
            if _better(pair, band, bins, float(np.vdot(values, values).real)):
                band = pair
        out = out.with_(band)
    return out


def _split(at: Spectrum, bins: Bins, values: Complex, modes: Modes, index: int) -> Modes:
    """The best fit with mode `index` split in two: in frequency, or in decay (two stages)."""
    width = max(0.4 * at.step, 0.4 * abs(modes.pole[index].real))
    rest = np.delete(modes.pole, index)
    starts = [(1j * width, -1j * width), (0.5 * width, -0.5 * width)]
    trials = []
    for one, other in starts:
        pole = np.concatenate((rest, modes.pole[index] + np.array([one, other])))
        trials.append(fit_band(at, bins, values, _started(at, bins, values, pole)))
    return min(trials, key=lambda trial: float(trial.noise[0]))


def _better(pair: Modes, single: Modes, bins: Bins, energy: float) -> bool:
    """Whether one mode more is called for (Bayesian information criterion) and its parts are known."""
    count = 2 * len(bins)
    left, was = pair.noise[0] * (len(bins) - 2 * len(pair)), single.noise[0] * (len(bins) - 2 * len(single))
    if (
        left <= 0.0
        or count * np.log(was / left) < 4.0 * np.log(count) + 10.0
        or was - left < MISFIT**2 * energy
    ):
        return False
    one, other = pair.pole[-2:]
    apart = abs(one - other) > CERTAIN * np.hypot(*pair.deviation[-2:])
    lasting = np.all(-pair.pole.real < FALL / SHORTEST_DECAY)
    return bool(apart and lasting and np.all(pair.amplitude_deviation < 2.0 * DOUBTFUL))
