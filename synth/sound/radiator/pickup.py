"""Pickups on the bar: what they sense, the circuit behind them, and how loud a monitor plays their volts.

In: the coupled model and the design's pickup. Out: a radiator that gives volts, and as pressure what a monitor of
stated gain makes of them, the same at both ears. In a room the monitor stands where the instrument does and sounds
alike on all sides.

A piezo ceramic gives the charge d33 F. A contact disc feels the inertia of its own backing, F = m_s a, below its
resonance; a force pad under the bar feels the force between bar and support; a strain disc glued on feels the
bar's curvature and no rigid motion. Charge over capacitance is voltage; the input's resistance makes a one-pole
high-pass, the disc's mounting a resonance of second order. A magnetic pickup feels the flux that a ferrous tine
changes, e = -N dPhi/dt, which is the tine's speed, weighted by its distance: it distorts, as magnets do.
"""

from __future__ import annotations

import math
from dataclasses import field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.design.instrument import Instrument, Pickup, Support
from synth.design.pickup import nearest_tine
from synth.errors import InputError
from synth.frozen import frozen
from synth.sound.radiator import EARS, Radiator, Stream, bar_middle, ears
from synth.vibration.modal_model import ModalModel, bar_shape, tip_shape

NEAREST: Final = 0.1  # of the gap: a tine cannot pass through its magnet
REACHED: Final = 0.4  # of the sampling rate, the highest resonance that a filter renders
DISC: Final = 5e-3  # m, radius of a strain disc, over which curvature is averaged


def pickup_radiator(model: ModalModel, instrument: Instrument) -> Radiator:
    """The design's pickup, listening to this model. Raises `InputError` for a pad with nothing to press on."""
    pickup = instrument.pickup
    circuit, spread = Circuit(pickup.resonance, pickup.quality, pickup.corner), monitor_spread(instrument)
    if pickup.kind == "magnetic":
        which = instrument.tines.index(nearest_tine(instrument.tines, pickup.position))
        swing = tip_shape(model, tine=[which])[0, 0 if pickup.faces == "along" else 1]
        contact = np.stack([swing, swing * model.pole])
        return MagneticPickup(contact, pickup.sensitivity, pickup.gap, circuit, pickup.playback, spread)
    if pickup.kind == "contact":
        sensed = _upwards(model, pickup.position) * model.pole**2
    elif pickup.kind == "strain":
        sensed = _strain(model, instrument, pickup)
    else:
        support = _pressed(instrument)
        spring = support.stiffness * (1.0 + 1j * support.loss_factor)
        sensed = spring * _upwards(model, support.position)
    return Piezo(
        sensed[None],
        pickup.sensitivity,
        circuit,
        pickup.playback,
        spread,
        accelerates=pickup.kind == "contact",
    )


def monitor_spread(instrument: Instrument) -> Array:
    """What the points (C,) hear of the monitor's pressure at 1 m: all of it, in a room by the way from the bar."""
    if not instrument.listener.also:
        return np.ones(EARS)
    return np.asarray(1.0 / np.linalg.norm(ears(instrument) - bar_middle(instrument), axis=1))


def _upwards(model: ModalModel, position: float) -> Complex:
    """The bar's motion (M,) towards its own up at a place."""
    _, axes = model.bar.frame_at(position)
    return np.asarray(axes[2] @ bar_shape(model, position)[:3])


def _strain(model: ModalModel, instrument: Instrument, pickup: Pickup) -> Complex:
    """The strain (M,) of the bar's upper face, averaged over the disc: half the height times the curvature."""
    length = instrument.bar.length
    position = min(max(pickup.position, DISC), length - DISC)
    _, axes = model.bar.frame_at(position)
    turn = [axes[1] @ bar_shape(model, position + side * DISC)[3:] for side in (-1.0, 1.0)]
    return np.asarray(instrument.bar.section.height / 2.0 * (turn[1] - turn[0]) / (2.0 * DISC))


def _pressed(instrument: Instrument) -> Support:
    """The support that stands on the pad."""
    holding = [each for each in instrument.bar.supports if "up" in each.directions]
    if not holding:
        raise InputError(
            "a pad pickup lies under a support that holds the bar up, and the bar has none",
            remedy="write one among bar.supports, or take a contact pickup",
            location="pickup.kind",
            file=instrument.file,
        )
    return min(holding, key=lambda each: abs(each.position - instrument.pickup.position))


@frozen
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
        """Second-order sections for `scipy.signal.sosfilt`: the bilinear rule, the resonance warped to its place.

        Above 0.4 of the rate the resonance is out of reach and left out.
        """
        from scipy.signal import bilinear

        low = 2.0 * math.pi * self.corner
        parts = [bilinear([1.0, 0.0], [1.0, low], rate)]
        if self.resonance < REACHED * rate:
            w = 2.0 * math.pi * self.resonance
            warped = w / (2.0 * math.tan(w / (2.0 * rate)))
            parts.append(bilinear([w**2], [1.0, w / self.quality, w**2], warped))
        return np.array(
            [[*np.resize(np.append(b, 0.0), 3), *np.resize(np.append(a, 0.0), 3)] for b, a in parts]
        )


@frozen
class Piezo(Radiator):
    """A disc or a pad: one contact signal, a circuit, and a monitor; divide by the monitor's gain to get volts."""

    contact: Complex  # (1, M) acceleration, force or curvature per unit of modal amplitude
    sensitivity: float  # V per unit of the contact signal
    circuit: Circuit
    monitor: float  # Pa/V at 1 m
    spread: Array = field(default_factory=lambda: np.ones(EARS))  # (C,) what of that each point hears
    accelerates: bool = True  # as a contact disc does; a force pad and a strain disc follow displacement

    @property
    def immediate(self) -> NDArray[np.bool_]:
        return np.array([self.accelerates])

    @property
    def weights(self) -> Complex:
        return self.contact

    @property
    def channels(self) -> int:
        return len(self.spread)

    def stream(self, rate: float) -> Stream:
        from scipy.signal import sosfilt

        sections = self.circuit.sections(rate)
        state = np.zeros((len(sections), 2))

        def step(signals: Array) -> Array:
            nonlocal state
            out, state = sosfilt(sections, self.sensitivity * signals[0], zi=state)
            return np.asarray(self.monitor * self.spread[:, None] * out)

        return step

    def response(self, frequency: Array) -> Complex:
        one = self.monitor * self.sensitivity * self.circuit.response(frequency)
        return np.asarray(self.spread[:, None, None] * one)


@frozen
class MagneticPickup(Radiator):
    """A coil before one ferrous tine: contact signals are its distance from rest and its speed at the pole (2, M).

    Flux falls as (gap + x)^-2, so e = sensitivity v (1 + x/gap)^-3: the second harmonic is 1.5 X/gap of the
    fundamental for a swing X. The magnet's pull on the tine is ignored, which holds beyond a 3 mm gap.
    """

    contact: Complex  # (2, M) m and m/s per unit of modal amplitude, towards the coil negative
    sensitivity: float  # V s/m at rest
    gap: float  # m
    circuit: Circuit  # the coil with its cable, and the input
    monitor: float
    spread: Array = field(default_factory=lambda: np.ones(EARS))  # (C,)

    @property
    def immediate(self) -> NDArray[np.bool_]:
        return np.zeros(2, dtype=np.bool_)

    @property
    def weights(self) -> Complex:
        return self.contact

    @property
    def channels(self) -> int:
        return len(self.spread)

    def stream(self, rate: float) -> Stream:
        speed = self.contact[1:]
        coil = Piezo(
            speed, self.sensitivity, self.circuit, self.monitor, self.spread, accelerates=False
        ).stream(rate)

        def step(signals: Array) -> Array:
            near = np.maximum(1.0 + signals[0] / self.gap, NEAREST)
            return coil((signals[1] * near**-3)[None])

        return step

    def response(self, frequency: Array) -> Complex:
        """For small swings: the speed is heard, the distance only steers it."""
        one = self.monitor * self.sensitivity * self.circuit.response(frequency)
        return np.asarray(self.spread[:, None, None] * np.stack([0.0 * one, one]))
