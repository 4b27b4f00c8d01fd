"""Pickups on the bar: what they sense, the circuit behind them, and how loud a monitor plays their volts.

In: a contact signal per kind (acceleration, force, curvature, or a tine's motion over a magnet). Out: volts, and
pressure in Pa as played by a monitor of stated gain, the same in every channel.

A piezo ceramic gives the charge d33 F. A contact disc feels the inertia of its own backing, F = m_s a, below its
resonance; a force pad under the bar feels the force between bar and support; a strain disc glued on feels the
bar's curvature and no rigid motion. Charge over capacitance is voltage; the input's resistance makes a one-pole
high-pass, the disc's mounting a resonance of second order. A magnetic pickup feels the flux that a ferrous tine
changes, e = -N dPhi/dt, which is the tine's speed, weighted by its distance: it distorts, as magnets do.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.sound.radiator import Complex, Radiator, Signals, Stream

MONITOR: Final = (
    100.0  # Pa/V at 1 m: a bar's few millivolts play at the level of speech; a stage's usual gain staging
)
CHANNELS: Final = 2  # both ears hear the one monitor
PIEZO_CHARGE: Final = (
    374e-12  # C/N, d33 of soft lead zirconate titanate; makers' sheets give 370 to 590 (from memory)
)

Array = NDArray[np.float64]


@dataclass(frozen=True)
class Circuit:
    """A second-order low-pass (the mounting) and a one-pole high-pass (the input)."""

    resonance: float  # Hz
    quality: float
    corner: float  # Hz

    def response(self, frequency: Array) -> Complex:
        """The transfer (F,) at `frequency` (F,) Hz, 1 between corner and resonance."""
        s = 2j * math.pi * frequency
        w, low = 2.0 * math.pi * self.resonance, 2.0 * math.pi * self.corner
        return np.asarray(w**2 / (s**2 + s * w / self.quality + w**2) * s / (s + low), dtype=np.complex128)

    def sections(self, rate: float) -> Array:
        """Second-order sections for `scipy.signal.sosfilt`, by the bilinear rule warped to the resonance.

        Above 0.4 of the rate the resonance is out of reach and left out.
        """
        from scipy.signal import bilinear_zpk, zpk2sos

        low = 2.0 * math.pi * self.corner
        zeros, poles, gain = [0.0 + 0.0j], [-low + 0.0j], 1.0
        warped = rate
        if self.resonance < 0.4 * rate:
            w = 2.0 * math.pi * self.resonance
            damped = w * np.emath.sqrt(1.0 / (4.0 * self.quality**2) - 1.0)
            poles += [-w / (2.0 * self.quality) + damped, -w / (2.0 * self.quality) - damped]
            gain = w**2
            warped = w / (2.0 * math.tan(w / (2.0 * rate)))
        digital = bilinear_zpk(zeros, poles, gain, warped)
        return np.asarray(zpk2sos(*digital), dtype=np.float64)


@dataclass(frozen=True)
class Piezo(Radiator):
    """A disc or a pad: one contact signal, a circuit, and a monitor."""

    contact: Complex  # (1, M) acceleration, force or curvature per unit of modal amplitude
    sensitivity: float  # V per unit of the contact signal
    circuit: Circuit
    monitor: float = MONITOR  # Pa/V

    @property
    def weights(self) -> Complex:
        return self.contact

    @property
    def channels(self) -> int:
        return CHANNELS

    def volts(self, signals: Signals, rate: float) -> Signals:
        """The pickup's output (N,) in volts."""
        return np.asarray(self.stream(rate)(signals)[0] / self.monitor)

    def stream(self, rate: float) -> Stream:
        from scipy.signal import sosfilt

        sections = self.circuit.sections(rate)
        state = np.zeros((len(sections), 2))

        def step(signals: Signals) -> Signals:
            nonlocal state
            out, state = sosfilt(sections, self.sensitivity * signals[0], zi=state)
            return np.repeat(self.monitor * out[None], CHANNELS, axis=0)

        return step

    def response(self, frequency: Array) -> Complex:
        one = self.monitor * self.sensitivity * self.circuit.response(frequency)
        return np.repeat(one[None, None], CHANNELS, axis=0)


@dataclass(frozen=True)
class Magnetic(Radiator):
    """A coil before one ferrous tine: contact signals are its distance from rest and its speed at the pole (2, M).

    Flux falls as (gap + x)^-2, so e = sensitivity v (1 + x/gap)^-3: the second harmonic is 1.5 X/gap of the
    fundamental for a swing X. The magnet's pull on the tine is ignored, which holds beyond a 3 mm gap.
    """

    contact: Complex  # (2, M) m and m/s per unit of modal amplitude, towards the coil negative
    sensitivity: float  # V s/m at rest
    gap: float  # m
    circuit: Circuit  # the coil with its cable, and the input
    monitor: float = MONITOR

    @property
    def weights(self) -> Complex:
        return self.contact

    @property
    def channels(self) -> int:
        return CHANNELS

    def stream(self, rate: float) -> Stream:
        coil = Piezo(self.contact[1:], self.sensitivity, self.circuit, self.monitor).stream(rate)

        def step(signals: Signals) -> Signals:
            near = np.maximum(1.0 + signals[0] / self.gap, 0.1)  # a tine cannot pass through its magnet
            return coil((signals[1] * near**-3)[None])

        return step

    def response(self, frequency: Array) -> Complex:
        """For small swings: the speed is heard, the distance only steers it."""
        one = self.monitor * self.sensitivity * self.circuit.response(frequency)
        return np.repeat(np.stack([0.0 * one, one])[None], CHANNELS, axis=0)
