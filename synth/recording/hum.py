"""Mains hum as what it is, one comb of steady lines, and the partials that hide in it.

In: the samples of a tap and the modes found in them. Out: both without the hum. Hum does not decay, and all of it
sits on multiples of one frequency near 50 or 60 Hz: once that is known, a line of it has no freedom but its
amplitude, so that a partial a fraction of a hertz beside it is told by a fit of both. Where a multiple is louder
after the tap than before and nothing is told beside it, that is said. Knows no instrument.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.frozen import frozen
from synth.recording.damped_sinusoid_fit import FittedModes, sounding
from synth.recording.stirred import Band, band
from synth.units import FALL

MAINS: Final = (50.0, 60.0)  # Hz
STRAYS: Final = 0.004  # relative; grids stay within 0.2 Hz
LOWEST: Final = 4  # multiple, up to which one must be there
HIGHEST: Final = 40  # multiple
HIDING: Final = 500.0  # Hz, up to which a fundamental is looked for beside the lines
BESIDE: Final = 3.0  # Hz on either side
STARTS: Final = (0.15, 0.4, 1.0, 2.0)  # Hz off a line
LASTING: Final = 1.2  # s to fall 60 dB, at least: faster is the room
CALLED: Final = 25.0  # of log likelihood, that a partial beside a line must explain
KNOWN: Final = 0.25  # relative deviation of its amplitude, at most
GREW: Final = 1.6  # times louder after the tap than before: 4 dB
STRONG: Final = 6  # low modes that are out of the way when the lines are looked beside
QUIET: Final = 0.2  # s before the first tap, at least


@frozen
class Hum:
    """The comb: frequency of its first line in Hz, the multiples heard and their amplitudes; none where empty."""

    base: float
    multiple: tuple[int, ...]
    amplitude: tuple[complex, ...]

    @property
    def mains(self) -> float:
        return min(MAINS, key=lambda each: abs(each - self.base))


NO_HUM: Final = Hum(0.0, (), ())


def without_hum(samples: Array, rate: float, modes: FittedModes) -> tuple[Array, FittedModes, Hum]:
    """Samples and modes without hum, partials beside its lines added, and the hum."""
    base, hum = _comb(modes)
    if base == 0.0:
        return samples, modes, NO_HUM
    multiple = np.round(modes.pole.imag[hum] / (2.0 * np.pi * base)).astype(int)
    lines = {n: modes.pick(hum).pick(multiple == n) for n in dict.fromkeys(multiple.tolist())}
    # a fit may have two lines where there is one, each many times as loud as their sum
    amplitude = {n: complex(np.sum(each.amplitude)) for n, each in lines.items()}
    wave = {n: sounding(each.amplitude, each.pole, len(samples), rate) for n, each in lines.items()}
    kept = modes.pick(~hum)
    clean = samples - sum(wave.values())
    strong = kept.pick(np.argsort(-np.abs(kept.amplitude) * (kept.pole.imag < 4.0 * np.pi * HIDING))[:STRONG])
    known = sounding(strong.amplitude, strong.pole, len(samples), rate)
    for n in [n for n in sorted(amplitude) if n * base < HIDING]:
        beside, louder = _beside(clean - known + wave[n], rate, 2.0 * np.pi * base * n, kept)
        if beside is not None:
            kept = kept.with_(beside)
            clean = clean + wave[n] - _wave(2j * np.pi * base * n, louder, len(samples), rate)
            amplitude[n] = louder
    return (
        clean,
        kept.pick(np.argsort(kept.pole.imag)),
        Hum(base, tuple(amplitude), tuple(amplitude.values())),
    )


def _comb(modes: FittedModes) -> tuple[float, NDArray[np.bool_]]:
    """The frequency in Hz that steady modes are multiples of, zero if none, and which are (N,)."""
    steady = (np.abs(modes.pole.real) < 4.0 * modes.standard_uncertainty) | (-modes.pole.real < 0.05)
    steady &= modes.standard_uncertainty < 1.0  # else the recording is too short to call it steady
    frequency = modes.pole.imag / (2.0 * np.pi)
    for mains in MAINS:
        multiple = np.maximum(1.0, np.round(frequency / mains))
        base = frequency / multiple
        near = steady & (np.abs(base / mains - 1.0) < STRAYS) & (multiple <= HIGHEST)
        near &= bool(np.any(near & (multiple <= LOWEST)))  # never a tenth harmonic alone
        if not np.any(near):
            continue
        # one line may be a partial's: the base is that which most of the sound's steady lines share
        votes = np.abs(base[near][:, None] - base[near]) * multiple[near] < 0.05 + 3e-4 * frequency[near]
        weight = votes @ np.minimum(np.abs(modes.amplitude[near]), np.median(np.abs(modes.amplitude[near])))
        shared = float(base[near][np.argmax(weight)])
        return shared, near & (np.abs(frequency - multiple * shared) < 0.05 + 3e-4 * frequency)
    return 0.0, np.zeros(len(modes), bool)


def _wave(pole: complex, amplitude: complex, count: int, rate: float) -> Array:
    return sounding(np.array([amplitude]), np.array([pole]), count, rate)


def _beside(
    samples: Array, rate: float, omega: float, kept: FittedModes
) -> tuple[FittedModes | None, complex]:
    """The partial, not known yet, that the sound calls for beside a line at omega, and the line's amplitude."""
    if np.any(np.abs(kept.pole.imag - omega) < 2.0 * np.pi * BESIDE):
        return None, 0j
    at = band(samples, rate, omega, FALL / 20.0, 1.0)
    alone = _left(at, np.zeros(1, complex))[0]
    starts = [2j * np.pi * sign * off - 0.3 for off in STARTS for sign in (1.0, -1.0)]
    left, pole = min((_moved(at, start) for start in starts), key=lambda each: each[0])
    free = len(at.values) - 4
    called = len(at.values) * np.log(alone / left) > CALLED
    if not called or -pole.real > FALL / LASTING or abs(pole.imag) > 2.0 * np.pi * BESIDE or free < 8:
        return None, 0j
    matrix, amplitude = _jacobian(at, pole)
    spread = np.linalg.pinv(np.conj(matrix.T) @ matrix, rcond=1e-13, hermitian=True) * left / free
    deviation, unsure = np.sqrt(0.5 * np.diag(spread).real)[[2, 1]]
    unsure /= np.abs(amplitude[1])
    if unsure > KNOWN or -pole.real < 3.0 * deviation:  # a second steady line is no partial
        return None, 0j
    through, noise = _through(at, rate, pole), left / free * _per_bin(at, rate, len(samples))
    one = (
        np.array([each])
        for each in (2.0 * amplitude[1] / through, pole + 1j * omega, deviation, unsure, noise)
    )
    return FittedModes(*one), complex(2.0 * amplitude[0])


def _through(at: Band, rate: float, pole: complex) -> complex:
    """What the mean over a block does to this pole's amplitude."""
    window = _window(at, rate)
    return complex(np.sum(window * np.exp(pole * np.arange(len(window)) / rate)) / np.sum(window))


def _per_bin(at: Band, rate: float, count: int) -> float:
    """The power of white noise in a bin of the spectrum of so many samples, over that in a block's mean."""
    window = _window(at, rate)
    return float(count * np.sum(window) ** 2 / np.sum(window**2))


def _window(at: Band, rate: float) -> Array:
    return np.asarray(np.hanning(round(at.step * rate) + 2)[1:-1])


def _left(at: Band, poles: Complex) -> tuple[float, Complex]:
    """The power that lines at these poles leave of the band, and their amplitudes."""
    waves = np.exp(poles[:, None] * at.time).T
    amplitude = np.asarray(np.linalg.lstsq(waves, at.values, rcond=None)[0])
    return float(np.sum(np.abs(at.values - waves @ amplitude) ** 2)), amplitude


def _jacobian(at: Band, pole: complex) -> tuple[Complex, Complex]:
    _, amplitude = _left(at, np.array([0.0, pole]))
    wave = np.exp(pole * at.time)
    return np.array([np.ones(len(wave)), wave, amplitude[1] * at.time * wave]).T, amplitude


def _moved(at: Band, pole: complex) -> tuple[float, complex]:
    """What is left, and the pole, when it has moved to where least is; the line at zero stays."""
    from synth.recording.beside_line import nearest_beside

    return nearest_beside(at.values, at.step, pole)


def grown(quiet: Array, rate: float, hum: Hum) -> list[int]:
    """The multiples that are louder after the tap than in the `quiet` before it: something may hide there."""
    low = [(n, a) for n, a in zip(hum.multiple, hum.amplitude, strict=True) if n * hum.base < HIDING]
    if len(quiet) < QUIET * rate or not low:
        return []
    now = np.arange(len(quiet)) / rate
    turn = np.exp(2j * np.pi * hum.base * np.outer(now, np.arange(1, HIGHEST + 1)))
    before = np.linalg.lstsq(np.concatenate((turn.real, turn.imag), axis=1), quiet, rcond=None)[0]
    rest = quiet - np.concatenate((turn.real, turn.imag), axis=1) @ before
    level = np.hypot(before[:HIGHEST], before[HIGHEST:])
    noise = float(np.std(rest)) * np.sqrt(2.0 / len(quiet))
    return [n for n, a in low if abs(a) > GREW * level[n - 1] + 4.0 * noise]


def hum_words(hums: list[Hum]) -> list[str]:
    """What was left out as hum, in words."""
    out = []
    for mains in MAINS:
        multiples = sorted({n for hum in hums for n in hum.multiple if hum.multiple and hum.mains == mains})
        if multiples:
            listed = ", ".join(map(str, multiples))
            out.append(f"{mains:.0f} Hz hum, multiples {listed}: left out")
    return out
