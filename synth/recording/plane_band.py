"""The band around one partial of a tine, and how likely two planes in it are, whatever their amplitudes.

In: samples (T,) and where a partial was found. Out: a `PlaneBand`, which gives the logarithm of the likelihood of
two poles c + s/2 and c - s/2 of one decay. Their complex amplitudes are nobody's business: under a normal prior as
wide as what is heard they are integrated out in closed form (a linear model: C. Bishop, Pattern Recognition and
Machine Learning, 2006, 3.3), so that two planes that pull one line aside in opposed phases are counted by how
probable that is. What is no partial is noise of the microphone, a knock that dies in the room, and the room's tail
behind the partial: of a room whose response is noise that falls as exp(-r t), the part that is still to come at t
has the covariance exp(-2 r max(t, t')) about the partial. Their powers are the likeliest ones.
"""

from __future__ import annotations

from typing import Final

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
WEAK: Final = (
    0.04  # of the louder plane's power, which a plane that is hardly tapped has; else both have alike
)
DECAY_SD: Final = 0.7  # of ln decay, of the fitted line's
ANYWHERE: Final = 5  # lines that explain whatever planes are there, before any are known
BEFORE_NOTHING: Final = no_modes()
SETTLED: Final = 0.02  # by which its logarithm still moves
SHORTER: Final = 0.25  # of a step that led to less


class PlaneBand:
    """The samples around a pole (1/s, rad/s), as block means; any lines are its partial's until `listen_for`.

    What rang `before` the samples, of amplitudes as they begin, is taken to ring on.
    """

    def __init__(
        self, samples: Array, rate: float, pole: complex, before: FittedModes = BEFORE_NOTHING
    ) -> None:
        self.omega, self.fall = float(pole.imag), max(-float(pole.real), 0.05)
        at, self.together = _blocks(samples, rate, self.omega, self.fall)
        self.time = at.time
        self.step, self.seconds = at.step, float(len(at.values) * at.step)
        self.level = float(np.max(np.abs(at.values) * np.exp(np.minimum(self.fall * at.time, 2.0))) + 1e-300)
        self.values = at.values / self.level
        anywhere = np.linspace(-0.5, 0.5, ANYWHERE) * WIDEST * self.per_cent
        self._known = self._waves_of(before, rate)
        self._noises = NoiseKinds(self.time, self.values, self.together, self.fall)
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
        rate = np.exp(log_fall)
        upper = -rate * np.exp(0.5 * differ) + 1j * (middle + 0.5 * split)
        lower = -rate * np.exp(-0.5 * differ) + 1j * (middle - 0.5 * split)
        own, both, seen = self._white(upper, lower)
        told, mixed = np.abs(seen) ** 2, 2.0 * np.real(np.conj(seen[0]) * both * seen[1])
        each = []
        for one, other in ((1.0, 1.0), (1.0, WEAK), (WEAK, 1.0)):
            first, second = 1.0 + one * own[0], 1.0 + other * own[1]
            det = first * second - one * other * np.abs(both) ** 2
            gain = one * told[0] * second + other * told[1] * first - one * other * mixed
            each.append(gain / det - np.log(det))
        lean = 0.5 * ((log_fall - np.log(self.fall)) / DECAY_SD) ** 2
        return np.asarray(np.logaddexp.reduce(each) - self.noise.offset - lean)

    def _white(self, upper: Complex, lower: Complex) -> tuple[Array, Complex, Complex]:
        """Of two poles' waves (R, P), white in the noise of their row: the powers (2, R, P), what the two have in
        common (R, P), and what each has in common with the values (2, R, P)."""
        wave = self._waves(np.concatenate((upper, lower), axis=1))
        noise = self.noise
        if np.isrealobj(noise.whiten):
            wave = (noise.whiten @ wave.view(float)).view(complex)
        else:
            wave = noise.whiten @ wave
        parts = wave.view(float)
        power = np.sum(np.einsum("rmc,rmc->rc", parts, parts).reshape(len(wave), -1, 2), axis=-1)
        one, other = wave[..., : upper.shape[1]], wave[..., upper.shape[1] :]
        both = (np.conj(one) * other).sum(axis=1)
        seen = np.conj((np.conj(noise.white)[:, None] @ wave)[:, 0])
        return np.array(np.split(power, 2, axis=1)), both, np.array(np.split(seen, 2, axis=1))

    def _waves(self, pole: Complex) -> Complex:
        """(R, M, C) exp(s t) of poles (R, C), by products: the first block's make the second, both the next two."""
        out = np.empty((len(pole), len(self.time), pole.shape[1]), complex)
        out[:, 0] = 1.0
        turn, done = np.exp(pole * self.step), 1
        while done < len(self.time):
            more = min(done, len(self.time) - done)
            np.multiply(out[:, :more], turn[:, None], out=out[:, done : done + more])
            turn, done = turn * turn, done + more
        return out

    def over_decays(
        self, middle: Array, log_fall: Array, split: Array, differ: Array | float, *, rounds: int
    ) -> tuple[Array, Array]:
        """ln of the likeliest decay rate from `log_fall` on, and the likelihood's logarithm, decays integrated.

        A step by Newton's rule that led to less, as beyond the turn of a slope, is tried again shorter.
        """
        step = 1e-2 / max(self.seconds * self.fall, 0.05)
        value = self.likelihood(middle, log_fall, split, differ)
        trust = np.ones(value.shape)
        twice = [np.tile(np.broadcast_to(each, value.shape), 2) for each in (middle, split)]
        for _ in range(rounds):
            beside = np.concatenate((log_fall + step, log_fall - step), axis=1)
            up, down = np.split(self.likelihood(twice[0], beside, twice[1], differ), 2, axis=1)
            slope, bend = (up - down) / (2.0 * step), np.abs(up + down - 2.0 * value) / step**2
            move = trust * np.clip(slope / np.maximum(bend, 1.0), -DECAY_SD, DECAY_SD)
            moved = self.likelihood(middle, log_fall + move, split, differ)
            better = moved > value
            log_fall, value = np.where(better, log_fall + move, log_fall), np.where(better, moved, value)
            trust = np.where(better, 1.0, SHORTER * trust)
            if np.max(np.abs(move)) < SETTLED:
                break
        return log_fall, value - 0.5 * np.log(np.maximum(bend, 1.0))

    def softer(self, pole: Complex, row: int) -> float:
        """Of two poles, the level of the softer over that of the louder, in the noise of that row."""
        wave = self.noise.whiten[row] @ np.exp(pole * self.time[:, None])
        level = np.abs(np.linalg.lstsq(wave, self.noise.white[row], rcond=1e-9)[0])
        return float(np.min(level) / (np.max(level) + 1e-300))


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
