"""The band around one partial of a tine, and how likely two planes in it are, whatever their amplitudes.

In: samples (T,) and where a partial was found. Out: a `PlaneBand`, which gives the logarithm of the likelihood of
two poles c + s/2 and c - s/2 of one decay. Their complex amplitudes are nobody's business: under a normal prior as
wide as what is heard they are integrated out in closed form (a linear model: C. Bishop, Pattern Recognition and
Machine Learning, 2006, 3.3), so that two planes that pull one line aside in opposed phases are counted by how
probable that is. A blow at an angle a to the upper plane drives it by cos a and the lower one by sin a; a diffuse
room hands either on with a gain that is complex normal (M. Schroeder, Acustica 4 (1954) 594, from memory), so given
a the amplitudes are normal, of powers cos² a and sin² a, and a is as likely anywhere. What is no partial is the
noise of the microphone, a knock that dies in the room, and the room's tail behind the partial: of a room whose
response is noise that falls as exp(-r t), the part that is still to come at t has the covariance
exp(-2 r max(t, t')) about the partial. Their powers are the likeliest ones.
"""

from __future__ import annotations

import functools
from concurrent.futures import ThreadPoolExecutor
from typing import Any, Final

import numpy as np

from synth.arrays import Array, Complex
from synth.recording.band_noise import NoiseKinds
from synth.recording.damped_sinusoid_fit import FittedModes, no_modes
from synth.recording.stirred import Band
from synth.units import CENT, FALL

WIDEST: Final = 24.0  # cents between planes that are looked for
MOST_BLOCKS: Final = 48
BLOCK_RATE: Final = 30.0  # 1/s, at least: a tine's neighbours are further off
LEAST_BLOCKS: Final = 10
LASTING: Final = 1.2 * FALL  # time constants that are looked at
ANYWHERE: Final = 5  # lines that explain whatever planes are there, before any are known
BEFORE_NOTHING: Final = no_modes()


class PlaneBand:
    """The samples around a pole (1/s, rad/s), as block means; any lines are its partial's until `listen_for`.

    What rang `before` the samples, of amplitudes as they begin, is taken to ring on.
    """

    def __init__(
        self,
        samples: Array,
        rate: float,
        pole: complex,
        before: FittedModes = BEFORE_NOTHING,
        *,
        beside: PlaneBand | None = None,
    ) -> None:
        """`beside` is a band close by, whose noises are these where its blocks and decay are."""
        self.omega, self.fall = float(pole.imag), max(-float(pole.real), 0.05)
        at, self.together = _blocks(samples, rate, self.omega, self.fall)
        self.time = at.time
        self.step, self.seconds = at.step, float(len(at.values) * at.step)
        self.level = float(np.max(np.abs(at.values) * np.exp(np.minimum(self.fall * at.time, 2.0))) + 1e-300)
        self.values = at.values / self.level
        anywhere = np.linspace(-0.5, 0.5, ANYWHERE) * WIDEST * self.per_cent
        self._known = self._waves_of(before, rate)
        blocks = len(self.time), self.step, self.fall
        alike = beside is not None and blocks == (len(beside.time), beside.step, beside.fall)
        self._noises: NoiseKinds = (
            beside._noises.of(self.values)
            if beside is not None and alike
            else NoiseKinds(self.time, self.values, self.together, self.fall)
        )
        self.listen_for(np.asarray((-self.fall + 1j * anywhere)[None], complex))

    @property
    def per_cent(self) -> float:
        """rad/s of a cent."""
        return CENT * self.omega

    def listen_for(self, poles: Complex) -> None:
        """Take the noise that is likeliest with each row of these poles (R, K), relative to the band's middle."""
        waves = np.exp(poles[..., None] * self.time)
        self.noise = self._noises.expected(waves, self._known)

    def _waves_of(self, before: FittedModes, rate: float) -> Complex:
        """(Q, M) what rang before and rings on in the band, where it is, and where it might be instead."""
        off = before.pole.imag - self.omega
        heard = before.pick(np.abs(off) < 1.5 * np.pi / self.step)
        if not len(heard):
            return np.zeros((0, len(self.time)), complex)
        level = np.abs(heard.amplitude) / self.level * _passed(heard.pole.imag - self.omega, self.step, rate)
        pole = np.minimum(heard.pole.real, 0.0) + 1j * (heard.pole.imag - self.omega)
        waves = level[:, None] * np.exp(pole[:, None] * self.time)
        return np.concatenate((waves, heard.standard_uncertainty[:, None] * self.time * waves))

    def likelihood(self, middle: Array, log_fall: Array, split: Array, differ: Array | float) -> Array:
        """Its logarithm, (R, P), of middles and splits in rad/s and logarithms of decay rates, each row in
        its noise.

        `differ` is the logarithm of the upper plane's decay rate over the lower's.
        """
        from synth.recording.plane_likelihood import likelihoods

        return likelihoods(*self._asked(middle, log_fall, split, differ))

    def directions(self, middle: Array, log_fall: Array, split: Array, differ: Array | float) -> Array:
        """(R, P, K) how likely each direction of the blow is at points (R, P)."""
        from synth.recording.plane_likelihood import directions

        *points, step, _, whiten, askew, white, _ = self._asked(middle, log_fall, split, differ)
        words: list[Any] = [*points, step, whiten, askew, white]
        return directions(*words)

    def over_decays(
        self, middle: Array, log_fall: Array, split: Array, differ: Array | float, *, rounds: int
    ) -> tuple[Array, Array]:
        """ln of the likeliest decay rate from `log_fall` on, and the likelihood's logarithm, decays integrated."""
        from synth.recording.plane_likelihood import over_decays

        beside = 1e-2 / max(self.seconds * self.fall, 0.05)
        *each_row, rates, step, usual, whiten, askew, white, offset = self._asked(
            middle, log_fall, split, differ
        )
        half = len(log_fall) // 2

        def asked(rows: slice) -> tuple[Array, Array]:
            own = [each[rows] for each in (*each_row, rates)]
            noise = [each[rows] for each in (whiten, askew, white, offset)]
            words: list[Any] = [*own, step, usual, *noise, beside, rounds]
            return over_decays(*words)

        # what is compiled gives Python's lock away: each core takes half of the rows, which know nothing of others
        others = _other_core().submit(asked, slice(half, None))
        (found, value), (more, of_more) = asked(slice(half)), others.result()
        return np.concatenate([found, more]), np.concatenate([value, of_more])

    def _asked(self, middle: Array, log_fall: Array, split: Array, differ: Array | float) -> tuple[Any, ...]:
        """What the compiled likelihood is told of points (R, P) and of the noise of each row, or of all."""
        points = [np.array(np.broadcast_to(each, log_fall.shape)) for each in (middle, log_fall, split)]
        noise, rows = self.noise, len(log_fall)
        askew = noise.whiten.imag if np.iscomplexobj(noise.whiten) else np.zeros((len(noise.whiten), 0, 0))
        each_row = [noise.whiten.real, askew, noise.white, noise.offset[:, 0]]
        if len(noise.white) < rows:
            each_row = [np.repeat(each, rows, axis=0) for each in each_row]
        rates = np.array(np.broadcast_to(np.ravel(differ), rows), float)
        usual = float(np.log(self.fall))
        return (*points, rates, self.step, usual, *(np.ascontiguousarray(each) for each in each_row))

    def softer(self, pole: Complex, row: int) -> float:
        """Of two poles, the level of the softer over that of the louder, in the noise of that row."""
        wave = self.noise.whiten[row] @ np.exp(pole * self.time[:, None])
        level = np.abs(np.linalg.lstsq(wave, self.noise.white[row], rcond=1e-9)[0])
        return float(np.min(level) / (np.max(level) + 1e-300))


@functools.cache
def _other_core() -> ThreadPoolExecutor:
    """Made once: a thread is slower to begin than half of the rows are to work out."""
    return ThreadPoolExecutor(1, "planes")


def _passed(off: Array, step: float, rate: float) -> Array:
    """(Q,) of the level of a line so many rad/s beside the partial, what is left in the means."""
    count = 2 * round(step * rate)
    window = np.hanning(count + 2)[1:-1]
    turns = np.exp(1j * np.outer(off, np.arange(count)) / rate)
    return np.asarray(np.abs(turns @ window) / np.sum(window))


def _blocks(samples: Array, rate: float, omega: float, fall: float) -> tuple[Band, Array]:
    """Means under Hann windows of two steps, and (M, M) how white noise in them goes together.

    Steps are short enough for planes `WIDEST` apart, no more than `MOST_BLOCKS`. A window of one step would let in,
    hardly weaker, what rings one turn of the steps beside the partial (hum, a room's mode), and it would look
    like a plane; that of two has its first zero there.
    """
    seconds = min(len(samples) / rate, max(LASTING / fall, LEAST_BLOCKS / BLOCK_RATE))
    split = 1.5 * WIDEST * CENT * omega / (2.0 * np.pi)
    per_second = max(split, min(BLOCK_RATE, MOST_BLOCKS / seconds))
    step = max(4, round(rate / min(per_second, omega / (6.0 * np.pi))))
    count = min(int(seconds * rate) // step, MOST_BLOCKS) - 1
    window = np.hanning(2 * step + 2)[1:-1]
    wave = np.exp(-1j * omega * np.arange(2 * step) / rate) * 2.0 * window / np.sum(window)
    windows = np.lib.stride_tricks.sliding_window_view(samples, 2 * step)[::step][:count]
    values = windows @ wave * np.exp(-1j * omega * np.arange(count) * step / rate)
    beside = float(window[step:] @ window[:step] / (window @ window))
    together = np.eye(count) + beside * (np.eye(count, k=1) + np.eye(count, k=-1))
    return Band(values, step / rate, omega), together
