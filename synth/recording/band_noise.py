"""What is no partial in a band: the microphone's noise, a knock that dies in the room, the room's tail.

In: a band's values (M,), and the waves of the poles that are taken for the partial. Out: a `BandNoise`, the mean
over a grid of powers, and of rates at which a room dies, by their probability: a few values do not tell the power
of their noise, and the likeliest is less than the mean. Each row of waves has a noise of its own: what one
explanation of a band leaves over is not what another leaves, and under the noise that the better one needs the
other looks worse than it is.
"""

from __future__ import annotations

import copy
from typing import Any, Final

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.cores import halved
from synth.frozen import frozen

ROOMS: Final = (9.0, 14.0, 23.0)  # 1/s: T60 of 0.77, 0.49, 0.30 s
LEAST_SOONER: Final = 0.3  # 1/s
USUAL: Final = 13.0  # 1/s
SPREAD: Final = 0.5  # of its logarithm
KINDS: Final = ((1.0, 0.0), (0.0, 1.0), (1.0, 0.1), (1.0, 1.0))  # powers of the partial's tail, of the knock
TAILS: Final = np.array([1e-2, 0.03, 0.1, 0.3, 1.0])  # of the partial's power
FITTED: Final = (
    2.0  # of M values, taken up by poles fitted to the same (two pitches, two decays; half a value each)
)
NOISES: Final = 10.0 ** np.arange(-5.5, 0.1, 0.5)  # of the partial's power
POWERS: Final = np.array(
    [each.ravel() for each in np.meshgrid(TAILS, NOISES)]
)  # (2, H): a room's, a microphone's


@frozen
class BandNoise:
    """Noise of a band, of R explanations: `whiten` (R, M, M) makes it white, `white` (R, M) are the values then.

    `offset` (R, 1) is what the logarithm of the likelihood loses to it, `left` (R,) its mean power.
    """

    whiten: NDArray[Any]
    white: Complex
    offset: Array
    left: Array

    def rows(self, which: NDArray[np.int_]) -> BandNoise:
        """Of these explanations."""
        return BandNoise(self.whiten[which], self.white[which], self.offset[which], self.left[which])


class NoiseKinds:
    """The noises that a band's values (M,) may be in, whatever its partial's poles: asked again and again.

    `together` (M, M) is the covariance of white noise in the values, `fall` the partial's decay rate in 1/s.
    """

    def __init__(self, time: Array, values: Complex, together: Array, fall: float) -> None:
        self._values, self._together = values, together
        self._shapes = np.concatenate([_shapes(time, together, fall, rate) for rate in ROOMS])
        self._lean = 0.5 * (np.log(np.repeat(ROOMS, len(KINDS)) / USUAL) / SPREAD) ** 2
        strength, self._turn = _turned(self._shapes, together)
        tail, noise = POWERS
        self._inverse = 1.0 / (tail * np.maximum(strength, 0.0)[..., None] + noise)  # (S, M, H)
        self._log_det = np.sum(np.log(self._inverse), axis=1)

    def of(self, values: Complex) -> NoiseKinds:
        """The same noises around other values (M,)."""
        other = copy.copy(self)
        other._values = values
        return other

    def expected(self, waves: Complex, known: Complex) -> BandNoise:
        """The noise beside waves (R, K, M) of unknown amplitudes, as loud as the values or softer.

        `known` (Q, M) are waves of known level that are no partial, and of unknown phase.
        """
        also = np.concatenate((known, self._values[None]))
        columns = np.concatenate((waves, np.broadcast_to(also, (len(waves), *also.shape))), axis=1)
        value = self.likelihoods(columns) - self._lean[:, None, None]
        weight = np.exp(value - np.max(value, axis=(0, 2), keepdims=True))
        weight /= np.sum(weight, axis=(0, 2), keepdims=True)
        tail, noise = (weight @ each for each in POWERS)  # (S, R)
        covariance = np.sum(noise, axis=0)[:, None, None] * self._together
        covariance = covariance + np.tensordot(tail.T, self._shapes, axes=1)
        return self._white(covariance, known)

    def likelihoods(self, columns: Complex) -> Array:
        """(S, R, H) logarithms of the likelihoods of the `POWERS` in each kind of noise.

        Of `columns` (R, C, M) the last are the values, the others waves whose amplitudes, of unit deviation, are
        integrated out.
        """
        from synth.recording.noise_likelihood import noise_likelihoods

        flat = columns.reshape(-1, columns.shape[-1])
        x, y = ((each @ self._turn).reshape(-1, *columns.shape) for each in (flat.real, flat.imag))
        out = np.empty((len(x), len(columns), self._inverse.shape[2]))
        halved(lambda rows: noise_likelihoods(rows, x, y, self._inverse, self._log_det, out), len(columns))
        return out

    def _white(self, covariance: Array, known: Complex) -> BandNoise:
        free = len(self._values) / max(len(self._values) - FITTED, 1.0)
        whole = free * covariance + (known.T @ np.conj(known) if len(known) else 0.0)
        factor = np.linalg.cholesky(whole)
        log_det = 2.0 * np.sum(np.log(np.diagonal(factor, axis1=1, axis2=2).real), axis=1)
        whiten = _inverse(factor)
        x, y = (whiten @ each for each in (self._values.real, self._values.imag))
        white = x + 1j * y
        offset = log_det + np.sum(np.abs(white) ** 2, axis=1)
        left = np.mean(np.diagonal(covariance, axis1=1, axis2=2), axis=1)
        return BandNoise(whiten, white, offset[:, None], left)


def _turned(shapes: Array, together: Array) -> tuple[Array, Array]:
    """(S, M), (S, M, M): strengths of noises of these shapes over that of white noise, which goes `together`, and
    the frames in which both are white: generalised eigenvalues."""
    whiten = _inverse(np.linalg.cholesky(together)[None])[0]
    white = whiten @ shapes @ whiten.T
    strength, turn = np.empty(white.shape[:2]), np.empty(white.shape)

    def solve(some: NDArray[np.int_]) -> None:
        strength[some], turn[some] = np.linalg.eigh(white[some])

    halved(solve, len(white))
    return strength, np.asarray(whiten.T @ turn)


def _inverse(factor: NDArray[Any]) -> NDArray[Any]:
    """(R, M, M) of lower triangles, which are spoiled."""
    (invert,) = scipy.linalg.get_lapack_funcs(("trtri",), (factor,))
    for each in factor:
        invert(each.T, lower=0, overwrite_c=1)  # in place: LAPACK reads by columns
    return factor


def _shapes(time: Array, together: Array, fall: float, rate: float) -> Array:
    """(K, M, M) covariances of the noises of a room that dies at that rate, of each of the `KINDS`."""
    dies, tail = np.exp(-rate * time), _tail(time, fall, rate - fall)
    return np.array([by * tail + knock * together * dies[:, None] * dies for by, knock in KINDS])


def _tail(time: Array, fall: float, sooner: float) -> Array:
    """(M, M) covariance of what the room adds to the partial, which it outlives where `sooner`, 1/s, is below 0.

    Of a response of noise of the power exp(-2 r t), the partial exp(-f t) has been given by t all but what is
    still to come, of the covariance exp(-2 (r - f) max(t, t')) exp(-f (t + t')), which is not the partial's own.
    """
    falls = np.exp(-fall * time)
    if sooner > LEAST_SOONER:
        shape = np.exp(-2.0 * sooner * np.maximum(time[:, None], time))
    else:
        sooner = min(sooner, -LEAST_SOONER)
        shape = np.expm1(-2.0 * sooner * np.minimum(time[:, None], time) + 1e-6)
    whole = shape * falls[:, None] * falls
    return np.asarray(whole / np.max(whole))
