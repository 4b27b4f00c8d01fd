"""What is no partial in a band: the microphone's noise, a knock that dies in the room, the room's tail.

In: a band's values (M,), and the waves of the poles that are taken for the partial. Out: a `BandNoise`, the mean
over a grid of powers, and of rates at which a room dies, by their probability: a few values do not tell the power
of their noise, and the likeliest is less than the mean. Each row of waves has a noise of its own: what one
explanation of a band leaves over is not what another leaves, and under the noise that the better one needs the
other looks worse than it is.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, Final

import numpy as np
import scipy.linalg
from numpy.typing import NDArray

from synth.arrays import Array, Complex

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


@dataclass(frozen=True)
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


def expected_noise(
    time: Array, values: Complex, together: Array, fall: float, waves: Complex, known: Complex
) -> BandNoise:
    """The noise to be expected beside waves (R, K, M) of unknown amplitudes, as loud as the values or softer.

    `together` (M, M) is the covariance of white noise in the values, `fall` the partial's decay rate in 1/s;
    `known` (Q, M) are waves of known level that are no partial, and of unknown phase.
    """
    both = np.concatenate((waves, np.broadcast_to(known, (len(waves), *known.shape))), axis=1)
    shapes = [(rate, _shape(time, together, fall, rate, kind)) for rate in ROOMS for kind in KINDS]
    value = np.array([_likely(shape, together, values, both, rate) for rate, shape in shapes])  # (S, R, H)
    weight = np.exp(value - np.max(value, axis=(0, 2), keepdims=True))
    weight /= np.sum(weight, axis=(0, 2), keepdims=True)
    covariance = np.einsum("srh,h->r", weight, POWERS[1])[:, None, None] * together
    covariance = covariance + np.einsum(
        "srh,h,smn->rmn", weight, POWERS[0], np.array([s for _, s in shapes]), optimize=True
    )
    free = len(time) / max(len(time) - FITTED, 1.0)
    factor = np.linalg.cholesky(free * covariance + known.T @ np.conj(known))
    whiten = np.asarray(np.linalg.inv(factor))
    white = np.asarray(whiten @ values, complex)
    log_det = 2.0 * np.sum(np.log(np.diagonal(factor, axis1=1, axis2=2).real), axis=1)
    offset = log_det + np.sum(np.abs(white) ** 2, axis=1)
    left = np.array([np.mean(np.diag(each)) for each in covariance])
    return BandNoise(whiten, white, offset[:, None], left)


def _shape(time: Array, together: Array, fall: float, rate: float, kind: tuple[float, float]) -> Array:
    """(M, M) covariance of the noise of a room that dies at that rate."""
    dies = np.exp(-rate * time)
    return np.asarray(kind[0] * _tail(time, fall, rate - fall) + kind[1] * together * dies[:, None] * dies)


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


def _likely(shape: Array, together: Array, values: Complex, waves: Complex, rate: float) -> Array:
    """(R, H) likelihood's logarithm of the `POWERS`, with a room's noise of that shape."""
    strength, turn = scipy.linalg.eigh(shape, together)
    values, columns = turn.T @ values, waves @ turn
    tail, noise = POWERS
    inverse = 1.0 / (tail[:, None] * np.maximum(strength, 0.0) + noise[:, None])  # (H, M)
    pairs = np.conj(columns)[:, :, None] * columns[:, None]  # (R, K, K, M)
    gram = np.moveaxis(pairs @ inverse.T, -1, 1) + np.eye(waves.shape[1])  # (R, H, K, K)
    seen = np.moveaxis((np.conj(columns) * values) @ inverse.T, -1, 1)  # (R, H, K)
    told = np.sum(np.conj(seen) * np.linalg.solve(gram, seen[..., None])[..., 0], axis=-1).real
    value = np.sum(np.log(inverse), axis=1) - inverse @ np.abs(values) ** 2  # (H,)
    return np.asarray(value + told - np.linalg.slogdet(gram)[1] - 0.5 * (np.log(rate / USUAL) / SPREAD) ** 2)
