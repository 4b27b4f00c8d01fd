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

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.cores import halved
from synth.frozen import frozen
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


@frozen
class Zoomed:
    """Middles (R, P) in rad/s that span what is likely, ln of the likeliest decay rates there, logarithms of
    likelihoods, decays integrated, and how likely each direction of the blow is (R, P, K); `again` (R, 2) are
    bounds for another noise that is alike."""

    middle: Array
    log_fall: Array
    value: Array
    share: Array
    again: Array


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

    def zoomed(
        self, reach: Array, bounds: Array, split: Array, differ: Array, log_fall: Array,
        rows: NDArray[np.int_], *, zooms: int, rounds: int,
    ) -> Zoomed:  # fmt: skip
        """The middles that are likely, from `bounds` (R, 2) on and within `reach` (R, 2), rad/s; of splits (R,),
        decays from `log_fall` (R, P) on, as many points as these. Of some `rows` only; the others are nothing.

        As many explanations as there are have a noise each, more of them are of one explanation's noise in turn.
        """
        from synth.recording.plane_likelihood import BLOWS
        from synth.recording.plane_zoom import zoomed

        band = self.step, float(np.log(self.fall)), 1e-2 / max(self.seconds * self.fall, 0.05)
        count = len(split)
        which = np.arange(count) * len(self.noise.white) // count  # each row in its noise, or several in one
        given = [split, np.array(np.broadcast_to(differ, count)), band, which, *self._told(), zooms, rounds]
        span, found, again = np.array(bounds), np.array(log_fall), np.zeros((count, 2))
        value, share = np.zeros(found.shape), np.zeros((*found.shape, BLOWS))
        words: list[Any] = [np.array(reach), span, *given, found, value, share, again]
        halved(lambda some: zoomed(rows[some], *words), len(rows))
        middle = span[:, :1] + (span[:, 1:] - span[:, :1]) * np.linspace(0.0, 1.0, found.shape[1])
        return Zoomed(middle, found, value, share, again)

    def _told(self) -> list[NDArray[Any]]:
        """What compiled functions are told of the noise, zeros behind it."""
        from synth.recording.plane_likelihood import TOGETHER

        noise = self.noise
        rows, count = noise.white.shape
        more = -count % TOGETHER
        whiten = np.zeros((rows, count + more, count + more))
        whiten[:, :count, :count] = noise.whiten.real
        askew = np.zeros((rows, 0, 0))
        if np.iscomplexobj(noise.whiten):
            askew = np.zeros_like(whiten)
            askew[:, :count, :count] = noise.whiten.imag
        white = np.zeros((rows, count + more), complex)
        white[:, :count] = noise.white
        return [whiten, askew, white, noise.offset[:, 0]]

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
    halves = np.stack((wave[:step].real, wave[:step].imag, wave[step:].real, wave[step:].imag), axis=1)
    steps = (
        samples[: (count + 1) * step].reshape(count + 1, step) @ halves
    )  # of each the first half, the second
    whole = steps[:-1, 0] + steps[1:, 2] + 1j * (steps[:-1, 1] + steps[1:, 3])
    values = whole * np.exp(-1j * omega * np.arange(count) * step / rate)
    beside = float(window[step:] @ window[:step] / (window @ window))
    together = np.eye(count) + beside * (np.eye(count, k=1) + np.eye(count, k=-1))
    return Band(values, step / rate, omega), together
