"""How loud it is, in numbers and in words a maker uses.

In: pressure (C, N) in Pa at the listener. Out: A-weighted levels (dB(A) re 20 uPa, both ears averaged), loudness
by ITU-R BS.1770 for matching files, sentences against a quiet room and speech, and the gain that would help.

The A curve is that of IEC 61672-1, Annex E. At 100 Hz it takes off 19.1 dB where BS.1770's K curve takes 1.8: at
the low levels of a bar alone the ear is nearer to A, so levels are told in dB(A) and BS.1770 only matches files.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

import numpy as np

from synth.arrays import AnyReal, Array
from synth.frozen import frozen
from synth.sound.audio import REFERENCE_PRESSURE, headroom_db
from synth.sound.fast_length import fast_length
from synth.units import decibels

QUIET_ROOM: Final = (
    30.0  # dB(A), a bedroom at night (WHO Guidelines for Community Noise, 1999: 30 dB LAeq indoors)
)
SPEECH: Final = 60.0  # dB(A) at 1 m, normal vocal effort (ISO 9921, table of vocal effort; from memory)
HEADPHONE_WARNING: Final = 85.0  # dB(A), NIOSH recommended limit for 8 hours (CDC-NIOSH)
COMFORT: Final = 65.0  # dB(A), where a gain brings what is too quiet: a little above speech; common practice,
# no published source
STEP: Final = 1e-3  # s between two values of that weighting: a hundredth of its time, 0.02 dB
ROOM: Final = 1.0  # dB left below full scale, for players that resample
FAST: Final = 0.125  # s, IEC 61672-1 time weighting F
TAIL: Final = 0.1  # s, in which the A curve's slowest tail, of 20.6 Hz, has died
PORTION: Final = 1 << 17  # samples weighed at once
MASK: Final = 10.0  # dB below the room's noise a tone is lost in it; common practice, no published source


A_POLES: Final = (20.598997, 107.65265, 737.86223, 12194.217)  # Hz, IEC 61672-1:2013 Annex E


@frozen
class Loudness:
    """What a listener gets: A-weighted levels in dB(A), and the peak in Pa."""

    loudest: float  # the highest level with time weighting F
    average: float  # over the whole file, equivalent continuous
    peak: float  # Pa


def a_weighting(frequency: Array) -> Array:
    """The A curve as an amplitude factor at `frequency` (F,) Hz, 1 at 1 kHz."""
    return _a_curve(np.asarray(frequency, dtype=np.float64)) / _a_curve(np.array(1000.0))


def _a_curve(frequency: Array) -> Array:
    a, b, c, d = (pole**2 for pole in A_POLES)
    f2 = frequency**2
    return np.asarray(d * f2**2 / ((f2 + a) * np.sqrt((f2 + b) * (f2 + c)) * (f2 + d)))


def measure(pressure: Array, rate: float) -> Loudness:
    """The loudness of pressure (C, N) in Pa."""
    meter = LoudnessMeter(rate)
    for first in range(0, pressure.shape[-1], PORTION):  # a long piece is large
        meter.hear(pressure[:, first : first + PORTION])
    return meter.told()


class LoudnessMeter:
    """The loudness of a sound that comes block by block, nothing of which is kept."""

    def __init__(self, rate: float) -> None:
        self._rate, self._tail = rate, round(TAIL * rate)
        self._width = max(1, round(STEP * rate))
        self._late = np.zeros((0, 0))  # (C, 2 tail) what blocks before still have to say
        self._square = np.zeros(0)  # less than a step
        self._means: list[float] = []
        self._ahead = 0  # samples before the first, of which nothing counts
        self._peak = 0.0

    def hear(self, pressure: AnyReal) -> None:
        """The next samples (C, n) in Pa."""
        if not pressure.size:
            return
        if not self._late.size:
            self._late, self._ahead = np.zeros((len(pressure), 2 * self._tail)), self._tail
        self._peak = max(self._peak, float(np.max(np.abs(pressure))))
        weighed = weigh(pressure, self._rate, around=self._tail)
        weighed[:, : 2 * self._tail] += self._late
        self._late = weighed[:, pressure.shape[1] :]
        self._add(weighed[:, : pressure.shape[1]])

    def told(self) -> Loudness:
        """Of all that was heard; nothing may come after."""
        self._add(self._late[:, : self._tail])
        rest = self._square
        whole = [*self._means, *([float(rest.sum()) / self._width] if len(rest) else [])]
        count = len(self._means) * self._width + len(rest)
        return Loudness(
            loudest=level(float(np.max(_fast(whole, self._width / self._rate), initial=0.0))),
            average=level(math.fsum(whole) * self._width / count if count else 0.0),
            peak=self._peak,
        )

    def _add(self, weighed: Array) -> None:
        """Weighed samples (C, n), those before the sound's first left out."""
        first = min(self._ahead, weighed.shape[1])
        self._ahead -= first
        square = np.concatenate(
            [self._square, np.mean(weighed[:, first:] ** 2, axis=0)] if weighed.size else [self._square]
        )
        full = len(square) // self._width * self._width
        self._means += square[:full].reshape(-1, self._width).mean(axis=1).tolist()
        self._square = square[full:]


def weigh(pressure: AnyReal, rate: float, *, around: int = 0) -> Array:
    """A-weighted pressure (..., N), by the curve itself on the spectrum of the zero-padded signal.

    The curve turns no phase, so a sound is heard before it and after; `around` samples of both are given besides.
    """
    count, tail = pressure.shape[-1], round(TAIL * rate)
    size = fast_length(count + max(tail, 2 * around))
    spectrum = np.fft.rfft(pressure, size) * a_weighting(
        np.asarray(np.fft.rfftfreq(size, 1.0 / rate), dtype=float)
    )
    weighed = np.fft.irfft(spectrum, size)
    return np.concatenate([weighed[..., size - around :], weighed[..., : count + around]], axis=-1)


def level(mean_square: float) -> float:
    """The level in dB of a mean-square pressure in Pa2."""
    return decibels(math.sqrt(mean_square) / REFERENCE_PRESSURE)


def integrated(samples: Array, rate: float) -> float:
    """BS.1770 integrated loudness in LUFS of samples (C, N) at full scale 1; shorter than 0.4 s is padded."""
    import warnings

    import pyloudnorm

    block = 0.4  # s, BS.1770's gating block
    short = max(0, math.ceil(block * rate) + 1 - samples.shape[-1])
    padded = np.pad(samples, [(0, 0), (0, short)])
    with np.errstate(divide="ignore", invalid="ignore"), warnings.catch_warnings():
        warnings.simplefilter("ignore")
        value = float(pyloudnorm.Meter(rate, block_size=block).integrated_loudness(padded.T))
    return value if math.isfinite(value) else -math.inf


def helpful_gain(loudness: Loudness) -> float:
    """The gain in whole dB at which one hears it: at a comfortable level, as far as full scale allows."""
    if not math.isfinite(loudness.loudest):
        return 0.0
    return float(math.floor(min(max(0.0, COMFORT - loudness.loudest), headroom_db(loudness.peak))))


def shared_gain(heard: Sequence[Loudness]) -> float:
    """The one gain in whole dB at which the loudest of several sounds still fits."""
    return float(math.floor(min((headroom_db(each.peak) for each in heard), default=0.0) - ROOM))


def matched_gains(integrated: Sequence[float], heard: Sequence[Loudness]) -> list[float]:
    """Gains in dB that give sounds of such BS.1770 loudness the same one, as loud as all fit; 0 for silence."""
    sounding = [(each, sound) for each, sound in zip(integrated, heard, strict=True) if math.isfinite(each)]
    target = min((each + headroom_db(sound.peak) - ROOM for each, sound in sounding), default=0.0)
    return [target - each if math.isfinite(each) else 0.0 for each in integrated]


def words(loudness: Loudness, *, gain_db: float = 0.0) -> list[str]:
    """Sentences for the maker: how loud it is at the listener, and what to mind on playback."""
    if not math.isfinite(loudness.loudest):
        return ["Nothing is heard: the sound is silent."]
    said = [f"At the listener {loudness.loudest:.0f} dB(A) at its loudest, {_against(loudness.loudest)}."]
    played, better = loudness.loudest + gain_db, helpful_gain(loudness)
    if played < QUIET_ROOM and better > gain_db:
        said.append(
            f"Played at true level it is quieter than a quiet room: --gain-db {better:.0f} lets you hear it."
        )
    if played > HEADPHONE_WARNING:
        said.append(
            f"Mind your ears: headphones at true level give {played:.0f} dB(A). "
            f"Above {HEADPHONE_WARNING:.0f} dB(A) a working day harms hearing (NIOSH): turn down first."
        )
    return said


def _against(heard: float) -> str:
    if heard < QUIET_ROOM - MASK:
        return "lost in the noise of a quiet room"
    if heard < QUIET_ROOM:
        return "quieter than a quiet room"
    if heard < SPEECH - 20.0:
        return "heard in a quiet room, well below speech"
    if heard < SPEECH - 5.0:
        return "quieter than speech at 1 m"
    if heard <= SPEECH + 5.0:
        return "as loud as speech at 1 m"
    if heard <= HEADPHONE_WARNING:
        return "louder than speech at 1 m"
    return "as loud as a workshop machine"


def _fast(means: list[float], width: float) -> Array:
    """Exponential average, time weighting F, of the means of a squared signal over `width` s each."""
    keep = math.exp(-width / FAST)
    state, out = 0.0, []
    for mean in means:
        state = keep * state + (1.0 - keep) * mean
        out.append(state)
    return np.array(out)
