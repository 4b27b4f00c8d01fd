"""The middle of a tine's two planes against the least deviation that anyone could have.

Source: H. Van Trees, "Detection, Estimation, and Modulation Theory", part I, 1968, 2.4: of parameters theta, with
information J from what is heard and P from what is known before, no estimate has a covariance below the inverse of
E[J] + P; with P = 0, and at one theta, that is the Cramér-Rao bound. From memory; `information` derives J anew from
samples in white noise of known power. A tap here is two partials of two planes each, and everything is unknown but
the noise: middles, common split and how far the upper partial's is off it, decays, what parts them, amplitudes and
phases, 16 numbers.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import pytest

from synth.arrays import Array
from synth.recording.plane_pitch import plane_pitch
from synth.units import CENT

RATE = 24_000
SEEDS = 16
CHANCE = 1.0 + 3.0 / np.sqrt(2.0 * SEEDS)  # three deviations of a deviation measured on so many
MULTIPLE = 5.0  # times the bound with what is known before, at most, in the middle of the taps
STEADIEST = 0.05  # cents, that the tuner adds: no tine is steadier
FIRST, SECOND = 330.0, 6.27 * 330.0
SPLIT, SPREAD = 3.0, 1.0  # cents
UNLIKE = 0.2  # of the logarithm, by which the splits of two partials differ
FALLS, FALLS_SD = np.log([2.0, 6.0]), 0.3
DIFFER = 0.1  # of ln decay, between planes
LEVEL = 0.5  # of the real and of the imaginary part of each plane's amplitude
PRIOR = np.array([0, 0, SPREAD, UNLIKE, FALLS_SD, FALLS_SD, DIFFER, DIFFER, *[LEVEL] * 8])
"""Deviations of middles (0: nothing is known of them), split, unlikeness, decays, their differences, amplitudes."""


@dataclass(frozen=True)
class Tap:
    """A sound and what it was: `theta` (16,) in the order of `PRIOR`, `noise` the deviation of a sample."""

    theta: Array
    seconds: float
    noise: float

    def sound(self, theta: Array) -> Array:
        """(T,) without noise."""
        time = np.arange(round(self.seconds * RATE)) / RATE
        whole = np.zeros(len(time))
        for n, hertz in enumerate((FIRST, SECOND)):
            split = theta[2] * np.exp(theta[3] * n)
            for plane, sign in enumerate((1.0, -1.0)):
                omega = 2.0 * np.pi * hertz * np.exp((theta[n] + 0.5 * sign * split) * CENT)
                fall = np.exp(theta[4 + n] + 0.5 * sign * theta[6 + n])
                real, imaginary = theta[8 + 4 * n + 2 * plane :][:2]
                wave = np.exp((-fall + 1j * omega) * time)
                whole += real * wave.real - imaginary * wave.imag
        return whole

    def information(self) -> Array:
        """(16, 16), by differences of the sound."""
        step = 1e-4
        slopes = [
            (self.sound(self.theta + each) - self.sound(self.theta - each)) / (2.0 * step)
            for each in step * np.eye(16)
        ]
        return np.asarray(np.array(slopes) @ np.array(slopes).T / self.noise**2)

    def heard(self, dice: Any) -> tuple[float, float]:
        """Cents that the tuner is off, and the deviation that it states."""
        sound = self.sound(self.theta)
        poles = [
            complex(-np.exp(fall), 2.0 * np.pi * hz) for fall, hz in zip(FALLS, (FIRST, SECOND), strict=True)
        ]
        at = plane_pitch(sound + self.noise * dice.normal(size=len(sound)), RATE, poles, usual=SPLIT)
        assert at is not None
        off = float(np.log(at.hertz / FIRST) / CENT - self.theta[0])
        return off, float(at.standard_uncertainty / at.hertz / CENT)


def drawn(dice: Any, seconds: float, noise: float) -> Tap:
    """Of what is known before, middles within two cents."""
    theta = PRIOR * dice.normal(size=16)
    theta[:2] = dice.uniform(-2.0, 2.0, 2)
    theta[2] += SPLIT
    theta[4:6] += FALLS
    return Tap(theta, seconds, noise)


def bound(information: Array) -> float:
    """Cents, of the first middle."""
    scale = np.sqrt(np.diag(information))
    inverse = np.linalg.inv(information / np.outer(scale, scale))
    return float(np.sqrt(inverse[0, 0]) / scale[0])


def known_before() -> Array:
    return np.diag([0.0 if sd == 0.0 else sd**-2.0 for sd in PRIOR])


def test_the_bound_of_one_line_is_that_of_a_tone() -> None:
    """D. Rife & R. Boorstyn, IEEE IT-20 (1974) 591: var(w) = 24 v / (a² N³) per sample, phase and level unknown."""
    theta = np.zeros(16)
    theta[4:6], theta[8] = np.log(1e-3), 0.8
    tap = Tap(theta, 0.5, 0.1)
    count, own = round(0.5 * RATE), [0, 8, 9]
    found = np.sqrt(np.linalg.inv(tap.information()[np.ix_(own, own)])[0, 0])
    per_cent = 2.0 * np.pi * FIRST * CENT / RATE
    assert found * per_cent == pytest.approx(np.sqrt(24.0 * 0.1**2 / (0.8**2 * count**3)), rel=1e-2)


@pytest.mark.slow
def test_planes_that_are_told_apart_are_heard_as_well_as_anyone_could() -> None:
    """8 cents apart and 1.5 s long: by the Cramér-Rao bound alone, nothing being known before."""
    stated, off = [], []
    for seed in range(SEEDS):
        dice = np.random.default_rng([31, seed])
        theta = np.array([0.4, -0.3, 8.0, 0.0, *FALLS - 1.2, 0.05, 0.0, *[0.0] * 8])
        phase = dice.uniform(0.0, 2.0 * np.pi, 4)
        theta[8::2], theta[9::2] = (np.array([1.0, 0.6, 0.5, 0.3]) * part(phase) for part in (np.cos, np.sin))
        tap = Tap(theta, 1.5, 4.0)
        least = bound(tap.information())
        error, deviation = tap.heard(dice)
        stated.append(np.sqrt(deviation**2 - STEADIEST**2) / least)
        off.append(error / least)
    assert min(stated) > 0.9
    assert np.median(stated) < 1.2
    assert max(stated) < 2.0
    assert 1.0 / CHANCE < np.sqrt(np.mean(np.square(off))) < CHANCE


@pytest.mark.slow
def test_before_they_are_told_apart_it_is_near_the_bound_with_what_is_known_before() -> None:
    """The strict bound is that of the mean information, which the luckiest taps govern; beside each tap's own the
    figure leaves open what no slope tells: which of the planes is the louder, and so on which side the middle is.
    """
    dice = np.random.default_rng(32)
    taps = [drawn(dice, 0.6, 0.2) for _ in range(SEEDS)]
    each = np.array([tap.information() for tap in taps])
    nobody = bound(np.mean(each, axis=0) + known_before())
    least = np.array([bound(one + known_before()) for one in each])
    off, stated = np.array([tap.heard(dice) for tap in taps]).T
    assert nobody < np.sqrt(np.mean(off**2))
    assert np.all(stated > least)
    assert 1.0 < np.median(stated / least) < MULTIPLE
    assert 1.0 / CHANCE < np.sqrt(np.mean((off / stated) ** 2)) < CHANCE
