"""One band of a recording in a room: the poles of a partial that reverberation stirs, and how sure they are.

In: samples (T,) and poles near the truth. Out: `StirredFit`. Behind a partial s that begins with the tap, a room
whose reverberation is noise that decays at a rate r of its own makes the band around the partial obey

    z' = s z + a h(t),    <h(t) h*(t')> = N exp(-2 r t) delta(t - t')

so the recording is an autoregression driven by noise that dies away, in the noise of the microphone and the tail of
the knock. Means over short blocks keep exponentials what they are and noise white; the operator prod (1 - p L),
p = exp(s dt), then leaves a banded covariance, and generalised least squares is a banded solution (the likelihood
of state-space models: A. Harvey, Forecasting, Structural Time Series Models and the Kalman Filter, 1989). Knows no
instrument.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from scipy.linalg.lapack import zpbtrf, zpbtrs
from scipy.optimize import minimize

from synth.arrays import Array, Complex
from synth.frozen import frozen
from synth.units import FALL

BLOCK_RATE: Final = 30.0  # blocks a second, at least
MOST_BLOCKS: Final = 600
LEAST_BLOCKS: Final = 8
SHORTEST, LONGEST = 0.12, 3.0  # s in which a room falls 60 dB: from a padded cupboard to a church
USUAL: Final = 0.5  # s, where the search begins
NEAR: Final = (12.0, 0.009)  # Hz, and share of the frequency: a partial's other plane stands so close
SPREAD: Final = 0.6  # of ln decay: how far rooms are from the usual
SHARED: Final = 0.3  # of ln decay: how far a room's decay in one band is from that in the others
LASTING: Final = 1.2 * FALL  # time constants of a partial that are looked at: 72 dB
BLUR: Final = 0.15  # of a decay rate that is the room's: what a room's noise is not, by scripts/room_table.py
SAFE: Final = 1.4  # times the deviation that the noise as modelled leaves, by the same script
MOST_OPEN: Final = 1.0  # rad/s: further off is another explanation, not this one's uncertainty
TURNS: Final = 3  # between poles and noise
ROUNDS: Final = 6
ROUNDINGS: Final = 10.0 ** np.arange(-15.0, -3.0)  # of the diagonal; no covariance needs the last
APART: Final = 1e-5  # of one, less the square of what two waves have in common: rounding stays below 1e-10
TRIALS: Final = 70  # of drive, tail and rate


@frozen
class Band:
    """The recording around one partial: block means (M,) turned back by `omega`, `step` seconds apart."""

    values: Complex
    step: float
    omega: float

    @property
    def time(self) -> Array:
        return np.asarray(np.arange(len(self.values)) * self.step, float)


@frozen
class Noise:
    """What is not the partial, in powers of a block relative to the microphone's noise."""

    drive: float  # by which the room drives the partial from block to block, in the beginning
    tail: float  # of the knock in the band, in the beginning
    rate: float  # 1/s, at which the amplitudes of both fall


@frozen
class StirredFit:
    """Poles (K,) relative to the band's middle, with what is known of them."""

    pole: Complex
    standard_uncertainty: Array  # (K,) rad/s
    sharp: Array  # (K,) rad/s: the deviation without what a room's noise is not
    noise: Noise
    likelihood: float  # its logarithm
    stirred: float  # by which the room moves the amplitudes, relative


def band(samples: Array, rate: float, omega: float, slowest: float, fastest: float) -> Band:
    """Means, under a Hann window, of blocks that do not overlap: through 72 dB of what decays at `slowest`."""
    blocks = min(max(BLOCK_RATE, 2.5 * within(NEAR, omega), 2.0 * fastest), omega / (6.0 * np.pi))
    size = max(4, round(rate / blocks))
    lasting = int(LASTING / max(slowest, 1e-3) * rate / size)
    count = min(len(samples) // size, MOST_BLOCKS, max(LEAST_BLOCKS, lasting))
    window = np.hanning(size + 2)[1:-1]
    wave = np.exp(-1j * omega * np.arange(size) / rate) * window / np.sum(window)
    values = samples[: count * size].reshape(count, size) @ wave
    return Band(values * np.exp(-1j * omega * np.arange(count) * size / rate), size / rate, omega)


def within(reach: tuple[float, float], omega: float) -> float:
    return max(reach[0], reach[1] * omega / (2.0 * np.pi))


class Operator:
    """prod (1 - p L) for a band and its poles, and what it makes of the noise that drives them."""

    def __init__(self, at: Band, pole: Complex) -> None:
        turn = np.exp(pole * at.step)
        self.poly = np.atleast_1d(np.poly(turn))
        others = [np.atleast_1d(np.poly(np.delete(turn, k))) for k in range(len(turn))]
        self.pairs, self.others = _products(self.poly), [_products(each) for each in others]
        self.moved = self(np.vstack((np.exp(pole[:, None] * at.time), at.values)))

    def __call__(self, columns: Complex) -> Complex:
        """(C, M) columns moved; before the first block there is nothing."""
        out = columns.astype(complex)
        for lag in range(1, len(self.poly)):
            out[:, lag:] += self.poly[lag] * columns[:, :-lag]
        return out

    def covariance(self, at: Band, weight: Array, noise: Noise) -> Complex:
        """(K + 1, M) lower bands of the covariance of what is left, over the microphone's noise."""
        dying = np.exp(-2.0 * noise.rate * at.time)
        out = np.zeros((len(self.poly), len(dying)), complex)
        driven = noise.drive * dying
        driven[0] = 0.0  # the first block begins with the tap
        mixed = [
            sum(s * each for s, each in zip(weight, same, strict=True))
            for same in zip(*self.others, strict=True)
        ]
        _add(out, self.pairs, 1.0 + noise.tail * dying)
        _add(out, mixed, driven)
        return out


def _add(out: Complex, pairs: list[Complex], power: Array) -> None:
    """To lower bands what sources of that power (M,) make: row t + lag and column t meet in the source at t - i."""
    for lag, products in enumerate(pairs):
        for i, product in enumerate(products):
            count = len(power) - lag - i
            out[lag, i : i + count] += product * power[:count]


def _factor(covariance: Complex) -> Complex:
    """Lower bands (K + 1, M) of the Cholesky factor.

    A covariance is positive, but poles on top of each other make its least value M^(-2 K) of the greatest, beyond
    what rounding leaves: then as little is added to the diagonal as makes it positive again.
    """
    whole = float(np.max(covariance[0].real))
    for rounding in (0.0, *ROUNDINGS):
        lifted = covariance.copy()
        lifted[0] += rounding * whole
        factor, failed = zpbtrf(lifted, lower=1)
        if not failed:
            break
    return np.asarray(factor)


def _products(poly: Complex) -> list[Complex]:
    """By lag, c_(i + lag) c_i* (i,) of a polynomial in the delay."""
    return [poly[lag:] * np.conj(poly[: len(poly) - lag]) for lag in range(len(poly))]


class Whitened:
    """A band in which these poles are driven by a room: least squares there are the likeliest."""

    def __init__(self, at: Band, operator: Operator, weight: Array, noise: Noise) -> None:
        self.at, self.operator = at, operator
        self.factor = _factor(operator.covariance(at, weight, noise))
        self.log_det = 2.0 * float(np.sum(np.log(self.factor[0].real)))

    def products(self, columns: Complex) -> Complex:
        """(C + 1, C + 1): every column (C, M), and the band itself behind them, with every other."""
        return self.of_moved(self.operator(np.vstack((columns, self.at.values))))

    def of_moved(self, moved: Complex) -> Complex:
        solved, _ = zpbtrs(self.factor, moved.T, lower=1)
        return np.asarray(np.conj(moved) @ solved)

    def left(self, pole: Complex) -> tuple[float, Complex]:
        """The power that these poles leave, and their amplitudes (K,)."""
        return _projected(self.products(np.exp(pole[:, None] * self.at.time)))

    def likelihood(self) -> float:
        """The logarithm of the likelihood of the operator's own poles."""
        left, amplitude = _projected(self.of_moved(self.operator.moved))
        free = max(1, len(self.at.values) - 2 * len(amplitude))
        return float(-free * np.log(left / free)) - self.log_det

    def normal(self, pole: Complex) -> tuple[Complex, Complex]:
        """Normal matrix and slope (2K,) for changes of amplitudes, then of poles."""
        K = len(pole)
        wave = np.exp(pole[:, None] * self.at.time)
        _, amplitude = self.left(pole)
        whole = self.products(np.concatenate((wave, amplitude[:, None] * self.at.time * wave)))
        return whole[:-1, :-1], whole[:-1, -1] - whole[:-1, :K] @ amplitude

    def fitted(self, pole: Complex) -> Complex:
        """The poles moved to where least is left, the covariance staying as it is."""
        best, _ = self.left(pole)
        stiffness = 1e-9
        for _ in range(ROUNDS):
            matrix, slope = self.normal(pole)
            scale = np.sqrt(np.diag(matrix).real) + 1e-300
            matrix = matrix / np.outer(scale, scale) + stiffness * np.eye(len(scale))
            step = (np.linalg.solve(matrix, slope / scale) / scale)[len(pole) :]
            trial = pole + step * np.minimum(1.0, 4.0 / (np.abs(step) + 1e-300))
            trial = np.asarray(np.clip(trial.real, -FALL / 0.03, 0.05) + 1j * trial.imag)
            after, _ = self.left(trial)
            if after < best:
                gain, pole, best, stiffness = 1.0 - after / best, trial, after, 0.1 * stiffness
                if gain < 1e-7:
                    break
            else:
                stiffness = max(10.0 * stiffness, 1e-4)
        return pole

    def deviation(self, pole: Complex) -> Array:
        matrix, _ = self.normal(pole)
        power = self.left(pole)[0] / max(1, len(self.at.values) - 2 * len(pole))
        scale = np.sqrt(np.diag(matrix).real) + 1e-300
        inverse = np.linalg.pinv(matrix / np.outer(scale, scale), rcond=1e-13, hermitian=True)
        spread = (np.diag(inverse).real / scale**2)[len(pole) :]
        return np.asarray(np.sqrt(0.5 * power * np.maximum(spread, 0.0)))


def _projected(whole: Complex) -> tuple[float, Complex]:
    """Of products with every other: what the columns leave of the last, and their amplitudes."""
    amplitude = _solved(whole[:-1, :-1], whole[:-1, -1])
    return max(float((whole[-1, -1] - np.conj(whole[:-1, -1]) @ amplitude).real), 1e-300), amplitude


def _solved(normal: Complex, seen: Complex) -> Complex:
    """Least squares by normal equations: in closed form for a pole or two that are well apart, as mostly is so."""
    if len(seen) == 1 and normal[0, 0].real > 0.0:
        return np.asarray(seen / normal[0, 0].real)
    if len(seen) == 2:
        (a, _), (c, b) = normal
        det = a.real * b.real - abs(c) ** 2
        if det > APART * a.real * b.real:
            crossed = np.array([b.real * seen[0] - np.conj(c) * seen[1], a.real * seen[1] - c * seen[0]])
            return np.asarray(crossed / det)
    return np.asarray(np.linalg.lstsq(normal, seen, rcond=1e-12)[0], complex)


def fit_stirred(at: Band, pole: Complex, room: float | None = None, trials: int = TRIALS) -> StirredFit:
    """The likeliest poles and noise from these on; the rate that the `room` has in other bands is leant on."""
    weight = _weights(at, pole)
    search = np.array([2.0, 2.0, np.log(room or FALL / USUAL)])
    for turn in range(TURNS):
        operator = Operator(at, pole)
        search = _noise_search(at, operator, weight, search, room, trials if turn == 0 else trials // 2)
        whitened = Whitened(at, operator, weight, _noise(search))
        moved, wanted = _likelier(at, pole, weight, whitened, _noise(search))
        open_ = np.abs(wanted - moved)
        settled = bool(np.all(np.abs(wanted - pole) < 0.3 * whitened.deviation(moved)))
        stuck = bool(np.all(moved == pole))
        pole, weight = moved, _weights(at, moved)
        if settled or stuck:
            break
    noise = _noise(search)
    whitened = Whitened(at, Operator(at, pole), weight, noise)
    left, amplitude = whitened.left(pole)
    power = left / max(1, len(at.values) - 2 * len(pole))
    stirred = np.sqrt(0.5 * noise.drive * power / (noise.rate * at.step)) / np.max(np.abs(amplitude))
    slow = np.maximum(-pole.real, 0.0)
    blur = BLUR * slow * (slow / noise.rate) ** 1.5
    sharp = np.hypot(SAFE * whitened.deviation(pole), np.minimum(open_, MOST_OPEN))
    return StirredFit(
        pole, np.hypot(sharp, blur), sharp, noise, whitened.likelihood(), min(1.0, float(stirred))
    )


def _likelier(
    at: Band, pole: Complex, weight: Array, whitened: Whitened, noise: Noise
) -> tuple[Complex, Complex]:
    """The poles moved as far as that is likelier, for poles elsewhere stir other noise; and where they would go."""
    wanted = whitened.fitted(pole)
    before = whitened.likelihood()
    for share in (1.0, 0.3):
        moved = np.asarray(pole + share * (wanted - pole), complex)
        if Whitened(at, Operator(at, moved), weight, noise).likelihood() >= before:
            return moved, wanted
    return pole, wanted


def fit_dry(at: Band, pole: Complex) -> float:
    """The likelihood's logarithm of these poles, moved to their best, where there is no room."""
    still, shares = Noise(0.0, 0.0, 1.0), np.ones(len(pole))
    moved = Whitened(at, Operator(at, pole), shares, still).fitted(pole)
    return Whitened(at, Operator(at, moved), shares, still).likelihood()


def _weights(at: Band, pole: Complex) -> Array:
    wave = np.exp(pole[:, None] * at.time).T
    power = np.abs(np.linalg.lstsq(wave, at.values, rcond=1e-9)[0]) ** 2
    return np.asarray(power / np.sum(power))


_LOWEST: Final = np.array([-12.0, -12.0, np.log(FALL / LONGEST)])
_HIGHEST: Final = np.array([30.0, 30.0, np.log(FALL / SHORTEST)])


def _noise(search: Array) -> Noise:
    drive, tail, rate = np.exp(np.clip(search, _LOWEST, _HIGHEST)).tolist()
    return Noise(drive, tail, rate)


def _noise_search(
    at: Band, operator: Operator, weight: Array, start: Array, room: float | None, trials: int
) -> Array:
    """ln of drive, tail and rate that make the band likeliest with these poles."""

    def unlikely(x: Array) -> float:
        noise = _noise(x)
        lean = 0.5 * (np.log(noise.rate / (room or FALL / USUAL)) / (SHARED if room else SPREAD)) ** 2
        return float(lean - Whitened(at, operator, weight, noise).likelihood())

    simplex = start + np.array([[0.0, 0.0, 0.0], [6.0, 0.0, 0.0], [0.0, 6.0, 0.0], [0.0, 0.0, 0.5]])
    options = {"maxfev": trials, "xatol": 0.1, "fatol": 0.2, "initial_simplex": simplex}
    found = minimize(unlikely, start, method="Nelder-Mead", options=options)
    return np.asarray(np.clip(found.x, _LOWEST, _HIGHEST), float)
