"""Tines tapped in rooms: run `python scripts/room_table.py [ROOMS]`; it prints how true and honest the figures are.

Everything heard is made here by plain formulas, by no part of the package: a tine as a beam of Timoshenko elements
with two planes and their own decays, a knock, a room (image sources, J. Allen & D. Berkley, JASA 65 (1979) 943, or
noise that decays at its own rate in every octave, with direct sound), hum, noise, and what a telephone takes away.
T60 0.3 to 0.8 s, direct sound 8 dB below to 6 dB above the reverberation, signal over noise 20 to 50 dB.

A row of the table is a kind of room. `measure`: of the stated frequencies and decays the share that are more than
two standard uncertainties off, decays that are told, fundamentals that are lost without a word. `tune`: the same
share and the largest error in cents. `calibrate`, by one tap of each of three tines: the largest error of the pitch
of tines that were not tapped, and how often the clamp loss is more than two standard uncertainties off. What was
heard of two planes as one is held to lie between them. The bar of the design is of rock: there is none in truth.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import scipy.linalg
import scipy.signal

from synth.arrays import Array
from synth.design.edit import edited_design
from synth.design.file import load
from synth.design.instrument import Instrument
from synth.design.resolve import resolve
from synth.recording.audio_input import Recording
from synth.recording.calibrate import calibrate
from synth.recording.calibration_model import MeasuredPiece
from synth.recording.match import matched_partials, name_tines
from synth.recording.measurement import Measurement, Partial
from synth.recording.parameters import tree_of, unknowns
from synth.recording.partials import measure_taps
from synth.recording.predicted_partials import bar_of, heard
from synth.recording.retune import retune
from synth.vibration.solve import solve_row

FALL = math.log(1e3)
OCTAVES = (63.0, 125.0, 250.0, 500.0, 1000.0, 2000.0, 4000.0, 8000.0)
YOUNGS, DENSITY, POISSON = 185e9, 7900.0, 0.29  # stainless spring wire, EN 10270-3


@dataclass(frozen=True)
class Rod:
    """What a tine is in truth: m, Pa, kg/m3."""

    diameter: float = 3e-3
    youngs: float = YOUNGS
    root: float = 0.3  # diameters by which it is longer than what stands free
    clamp_loss: float = 1e-3


def partials(rod: Rod, length: float, count: int = 5, elements: int = 24) -> Array:
    """(count,) Hz of a clamped rod, by Timoshenko elements (J. Przemieniecki, 1968, with rotary inertia)."""
    d, whole = rod.diameter, length + rod.root * rod.diameter
    area, inertia = math.pi * d**2 / 4.0, math.pi * d**4 / 64.0
    shear = rod.youngs / (2.0 * (1.0 + POISSON)) * area * 6.0 * (1.0 + POISSON) / (7.0 + 6.0 * POISSON)
    h = whole / elements
    soft = 12.0 * rod.youngs * inertia / (shear * h**2)
    k = np.array([[12, 6 * h, -12, 6 * h], [0, (4 + soft) * h**2, -6 * h, (2 - soft) * h**2]])
    k = np.vstack((k, [[0, 0, 12, -6 * h], [0, 0, 0, (4 + soft) * h**2]]))
    m = np.array([[156, 22 * h, 54, -13 * h], [0, 4 * h**2, 13 * h, -3 * h**2]])
    m = np.vstack((m, [[0, 0, 156, -22 * h], [0, 0, 0, 4 * h**2]])) * DENSITY * area * h / 420.0
    turn = np.array([[36, 3 * h, -36, 3 * h], [0, 4 * h**2, -3 * h, -(h**2)]])
    turn = np.vstack((turn, [[0, 0, 36, -3 * h], [0, 0, 0, 4 * h**2]])) * DENSITY * inertia / (30.0 * h)
    k = k * rod.youngs * inertia / ((1.0 + soft) * h**3)
    k, m = (each + np.triu(each, 1).T for each in (k, m + turn))
    size = 2 * elements + 2
    K, M = np.zeros((size, size)), np.zeros((size, size))
    for n in range(elements):
        here = slice(2 * n, 2 * n + 4)
        K[here, here] += k
        M[here, here] += m
    value = scipy.linalg.eigh(K[2:, 2:], M[2:, 2:], eigvals_only=True)
    return np.asarray(np.sqrt(value[:count]) / (2.0 * math.pi))


def decay_rates(rod: Rod, hz: Array) -> Array:
    """(N,) 1/s: heat (C. Zener's single peak, Phys. Rev. 53 (1938) 90), air (G. Stokes, 1851), clamp."""
    expansion, heat, conducts, air, viscosity = 16.5e-6, 500.0, 15.0, 1.2, 1.5e-5
    peak = rod.youngs * expansion**2 * 293.0 / (DENSITY * heat)
    at = 2.16 * conducts / (DENSITY * heat) / rod.diameter**2
    thermal = peak * (hz / at) / (1.0 + (hz / at) ** 2)
    stokes = 0.5 * rod.diameter * np.sqrt(2.0 * math.pi * hz / viscosity)
    windy = air / DENSITY * (2.0 * math.sqrt(2.0) / stokes + 2.0 / stokes**2)
    return np.asarray(math.pi * hz * (rod.clamp_loss + thermal + windy))


@dataclass(frozen=True)
class Tone:
    """What one tine sounds when it is tapped: (N, 2) by partial and plane."""

    hz: Array
    rate: Array  # 1/s
    level: Array


def tone(rod: Rod, length: float, dice: np.random.Generator, split: float = 4.0) -> Tone:
    """A tine with planes up to `split` cents apart, and decays that differ by some percent."""
    middle = partials(rod, length)
    apart = dice.uniform(0.3, split) * dice.uniform(0.6, 1.0, len(middle))
    hz = middle[:, None] * 2.0 ** (np.outer(apart, [0.5, -0.5]) / 1200.0)
    rate = decay_rates(rod, hz) * np.exp(0.05 * dice.normal(size=hz.shape))
    fall = 1.0 / (1.0 + np.arange(len(middle))[:, None]) ** dice.uniform(0.3, 1.2)
    level = fall * np.array([1.0, dice.uniform(0.1, 0.7)]) * dice.uniform(0.5, 1.5, hz.shape)
    return Tone(hz, rate, level)


@dataclass(frozen=True)
class Room:
    """T60 in seconds by octave; direct over reverberant energy and signal over noise in dB."""

    decay: Array  # (8,)
    direct: float
    over_noise: float
    images: bool
    mains: float  # Hz, 0 for none
    hum: float  # of the mains' first partial, of the tap's loudest; dB
    highpass: float  # Hz, 0 for none
    rate: int
    seed: int


def room(dice: np.random.Generator, over_noise: float | None = None) -> Room:
    """A room as rooms are: its decay differs by octave, in the bass most."""
    middle = math.exp(dice.uniform(math.log(0.3), math.log(0.8)))
    tilt = np.exp(0.12 * dice.normal(size=8)) * np.array([1.25, 1.15, 1.05, 1, 1, 0.95, 0.9, 0.8])
    return Room(
        decay=np.clip(middle * tilt, 0.3, 0.8),
        direct=float(dice.uniform(-8.0, 6.0)),
        over_noise=float(dice.uniform(20.0, 50.0)) if over_noise is None else over_noise,
        images=bool(dice.random() < 0.4),
        mains=float(dice.choice([0.0, 50.0, 60.0]) * (1.0 + 5e-4 * dice.normal())),
        hum=float(dice.uniform(-50.0, -20.0)),
        highpass=float(dice.choice([0.0, 80.0, 100.0, 120.0])),
        rate=int(dice.choice([44_100, 48_000])),
        seed=int(dice.integers(1 << 30)),
    )


def response(at: Room) -> Array:
    """(T,) the room between tine and microphone."""
    dice = np.random.default_rng(at.seed)
    tail = _images(at, dice) if at.images else _noise_tail(at, dice)
    first = int(np.argmax(np.abs(tail) > 0.0)) if at.images else round(dice.uniform(0.001, 0.004) * at.rate)
    reverberant = tail.copy()
    reverberant[: first + 1] = 0.0
    energy = float(np.sum(reverberant**2))
    reverberant[first] = math.sqrt(energy) * 10.0 ** (at.direct / 20.0)
    return np.asarray(reverberant / reverberant[first])


def _noise_tail(at: Room, dice: np.random.Generator) -> Array:
    now = np.arange(round(1.5 * float(np.max(at.decay)) * at.rate)) / at.rate
    out = np.zeros(len(now))
    for octave, decay in zip(OCTAVES, at.decay, strict=True):
        edges = (octave / math.sqrt(2.0), min(octave * math.sqrt(2.0), 0.45 * at.rate))
        band = scipy.signal.butter(2, edges, "bandpass", fs=at.rate, output="sos")
        out += scipy.signal.sosfilt(band, dice.normal(size=len(now))) * 10.0 ** (-3.0 * now / decay)
    return out


def _images(at: Room, dice: np.random.Generator) -> Array:
    """A shoebox with walls of one absorption, by W. Sabine's formula for its decay."""
    size = dice.uniform([2.5, 3.0, 2.3], [5.0, 6.5, 3.2])
    one, other = size * dice.uniform(0.15, 0.85, 3), size * dice.uniform(0.15, 0.85, 3)
    decay = float(at.decay[4])
    volume, wall = float(np.prod(size)), 2.0 * float(size @ np.roll(size, 1))
    kept = math.sqrt(math.exp(-0.161 * volume / (wall * decay)))
    reach = 340.0 * decay
    along = []
    for axis in range(3):
        n = np.arange(-math.ceil(0.5 * reach / size[axis]), math.ceil(0.5 * reach / size[axis]) + 1)
        position = (
            np.concatenate((2 * n * size[axis] + one[axis], 2 * n * size[axis] - one[axis])) - other[axis]
        )
        bounces = np.concatenate((2 * np.abs(n), np.abs(2 * n - 1)))
        along.append((position**2, bounces))
    out = np.zeros(round(decay * at.rate) + 1)
    for square, bounces in zip(*along[0], strict=True):
        far = np.sqrt(square + along[1][0][:, None] + along[2][0])
        weight = kept ** (bounces + along[1][1][:, None] + along[2][1]) / far
        when = np.round(far / 340.0 * at.rate).astype(int)
        inside = when < len(out)
        out += np.bincount(when[inside], weight[inside], len(out))
    return np.asarray(
        scipy.signal.sosfilt(scipy.signal.butter(1, 25.0, "high", fs=at.rate, output="sos"), out)
    )


def recording(sounds: list[Tone], at: Room, seconds: float, dice: np.random.Generator) -> Array:
    """(T,) one tap after another, each `seconds` long, as a telephone in the room hears them."""
    rate, gap = at.rate, 0.4
    count = round(seconds * rate)
    now = np.arange(count) / rate
    dry = np.zeros(round(gap * rate) + count * len(sounds))
    for tap, each in enumerate(sounds):
        phase = dice.uniform(0.0, 2.0 * math.pi, each.hz.shape)
        wave = np.zeros(count)
        for hz, sigma, level, turn in zip(
            each.hz.flat, each.rate.flat, each.level.flat, phase.flat, strict=True
        ):
            wave += level * np.exp(-sigma * now) * np.cos(2.0 * math.pi * hz * now + turn)
        knock = round(0.002 * rate)
        wave[:knock] += dice.uniform(0.2, 2.0) * dice.normal(size=knock) * np.linspace(1.0, 0.0, knock)
        first = round(gap * rate) + tap * count
        dry[first : first + count] += dice.uniform(0.6, 1.0) * wave  # fingers stop what rang before
    wet = scipy.signal.oaconvolve(dry, response(at))[: len(dry)]
    first = round(gap * rate)
    loud = math.sqrt(float(np.mean(wet[first : first + rate] ** 2)))
    wet += loud * 10.0 ** (-at.over_noise / 20.0) * dice.normal(size=len(wet))
    wet += _hum(at, len(wet), dice) * math.sqrt(2.0) * loud
    if at.highpass:
        wet = scipy.signal.sosfilt(scipy.signal.butter(2, at.highpass, "high", fs=rate, output="sos"), wet)
    return np.asarray(0.5 * wet / np.max(np.abs(wet)))


def _hum(at: Room, count: int, dice: np.random.Generator) -> Array:
    out = np.zeros(count)
    now = np.arange(count) / at.rate
    for n in (1, 2, 3, 4, 5, 6, 7, 9, 11, 13, 15) if at.mains else ():
        level = 10.0 ** (at.hum / 20.0) * dice.uniform(0.2, 1.0) / math.sqrt(n)
        out += level * np.cos(2.0 * math.pi * n * at.mains * now + dice.uniform(0.0, 6.0))
    return out


LENGTHS_MM = (150.0, 139.0, 128.0, 117.0, 105.0, 92.0, 84.0, 77.0)
TAPPED = (0, 3, 6)
DESIGN = """
[material.m]
youngs_gpa = 193.0
density_kg_m3 = 7900.0
poisson = 0.29
loss_factor = 0.0
[material.rock]
like = "mild steel"
youngs_gpa = 1400.0
density_kg_m3 = 24000.0
[tines]
split_cents = 0.0
[bar]
material = "rock"
section = { shape = "rectangle", width_mm = 100.0, height_mm = 100.0 }
path = [{ straight_mm = 400.0 }]
supports = [{ at_mm = 200.0, kind = "clamp" }]
[stock.s]
kind = "plain"
diameter_mm = 3.0
material = "m"
[[group]]
name = "g"
stock = "s"
start_mm = 120.0
spacing_mm = 20.0
"""


def design(folder: Path) -> Path:
    """The design file of the tines, whose modulus, root and clamp loss are not the true ones."""
    tines = "".join(f"[[group.tine]]\nfree_length_mm = {each}\n" for each in LENGTHS_MM)
    path = folder / "tines.toml"
    path.write_text(DESIGN + tines, encoding="utf-8")
    return path


def listened(sounds: list[Tone], at: Room, seconds: float, dice: np.random.Generator) -> Measurement:
    """The measurement of taps in a room."""
    samples = recording(sounds, at, seconds, dice)
    return measure_taps(Recording("", at.rate, 0.0, samples, np.zeros(len(samples), bool), ()))


def outside(value: float, both: Array) -> float:
    """By how much a value lies outside the span of both planes."""
    return max(float(np.min(both)) - value, value - float(np.max(both)), 0.0)


@dataclass
class Score:
    """Errors in stated standard uncertainties, and the rest of a row of the table."""

    frequency: list[float]
    decay: list[float]
    untold: int = 0  # decays
    lost: int = 0  # fundamentals, without a word
    taps: int = 0

    def add(self, sound: Tone, measured: Measurement) -> None:
        """One tap of this tine."""
        self.taps += 1
        found = [each for tap in measured.taps for each in tap.partials if each.kind == "partial"]
        known = [near(found, hz) for hz in sound.hz]
        self.lost += not known[0] and not any("louder after" in each for each in measured.warnings)
        for those, hz, rate in zip(known, sound.hz, sound.rate, strict=True):
            for each in those:
                self.frequency.append(outside(each.frequency, hz) / each.frequency_deviation)
                self.untold += not math.isfinite(each.decay)
                if math.isfinite(each.decay):
                    self.decay.append(outside(each.decay, FALL / rate) / each.decay_deviation)


def near(found: list[Partial], hz: Array) -> list[Partial]:
    """The partials within 30 cents of a tine's planes, or within three of their deviations."""
    return [
        each
        for each in found
        if outside(each.frequency, hz) < max(0.017 * hz[0], 3.0 * each.frequency_deviation)
        and outside(each.frequency, hz) < 0.06 * hz[0]
    ]


def tuned(one: Instrument, at: Room, dice: np.random.Generator) -> tuple[float, float]:
    """The error of a tine's pitch in stated standard uncertainties, and in cents from the middle of its planes."""
    tine = int(dice.integers(len(LENGTHS_MM)))
    sound = tone(Rod(), (LENGTHS_MM[tine] + dice.normal()) * 1e-3, dice)
    row = solve_row(one)
    advice = retune(one, row, tine, listened([sound], at, 2.5, dice).taps, float(row.mounted_hz[tine]))
    middle = float(np.sqrt(np.prod(sound.hz[0])))
    return outside(advice.sounds, sound.hz[0]) / advice.standard_uncertainty, 1200.0 * math.log2(
        advice.sounds / middle
    )


def calibrated(one: Instrument, at: Room, dice: np.random.Generator) -> tuple[float, float, float]:
    """The largest error in cents of tines not tapped, before and after; that of the clamp loss in deviations."""
    rod = Rod(root=dice.uniform(0.25, 0.5), clamp_loss=math.exp(dice.uniform(math.log(5e-4), math.log(2e-3))))
    sounds = [tone(rod, LENGTHS_MM[tine] * 1e-3, dice) for tine in TAPPED]
    row, taps = solve_row(one), listened(sounds, at, 2.5, dice).taps
    model = heard(one, bar_of(one), row.length, row.trim, list(TAPPED))
    claims = name_tines(taps, model, list(TAPPED))
    found = tuple(line for claim in claims for line in matched_partials(claim, model))
    tree = tree_of(one.file)
    piece = MeasuredPiece(tree, one.file, one, row.length, row.trim, 0.1e-3, found)
    result = calibrate(piece, unknowns(tree, one, list(TAPPED)))
    unseen = [tine for tine in range(len(LENGTHS_MM)) if tine not in TAPPED]
    truth = np.array([partials(rod, LENGTHS_MM[tine] * 1e-3, 1)[0] for tine in unseen])
    off = []
    for design in (one, resolve(edited_design(tree, result.edits), one.file)):
        pitch = heard(design, bar_of(design), row.length, row.trim, unseen).frequency[:, :, 0]
        off.append(float(np.max(np.abs(1200.0 * np.log2(np.sqrt(np.prod(pitch, axis=1)) / truth)))))
    loss = [each for each in result.fitted if each.unknown.kind == "clamp-loss"]
    loss_off = (loss[0].value - rod.clamp_loss) / loss[0].standard_uncertainty if loss else math.nan
    return off[0], off[1], loss_off


HEAD = f"{'':18s}  measure: f, T60 off; told; lost   tune: off, cents   calibrate: cents, loss off"
KINDS: dict[str, dict[str, Any]] = {
    "image sources": {"images": True},
    "decaying noise": {"images": False},
    "20 dB over noise": {"over_noise": 20.0},
    "hum": {"mains": 50.02, "hum": -20.0},
    "telephone, 120 Hz": {"highpass": 120.0},
}


def row(kind: str, count: int, one: Instrument) -> tuple[Score, Array, Array]:
    """Of so many rooms of a kind: measured taps, (count, 2) tuned, (count, 3) calibrated."""
    score, pitches, fits = Score([], []), [], []
    for seed in range(count):
        dice = np.random.default_rng([seed, *kind.encode()])
        at = replace(room(dice), **KINDS[kind])
        sound = tone(Rod(clamp_loss=dice.uniform(5e-4, 2e-3)), dice.uniform(0.075, 0.15), dice)
        score.add(sound, listened([sound], at, 3.0, dice))
        pitches.append(tuned(one, at, dice))
        fits.append(calibrated(one, at, dice))
    return score, np.array(pitches), np.array(fits)


def main() -> None:
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 12
    start = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        path = str(design(Path(folder)))
        one = resolve(load(path), path)
        print(HEAD)
        for kind in KINDS:
            print(words(kind, *row(kind, count, one)), flush=True)
    print(f"{count} rooms of each kind, {time.perf_counter() - start:.0f} s")


def words(kind: str, score: Score, pitches: Array, fits: Array) -> str:
    """A line of the table."""
    told = len(score.decay) / max(1, len(score.decay) + score.untold)
    return (
        f"{kind:18s}  {np.mean(np.array(score.frequency) > 2.0):14.1%} {np.mean(np.array(score.decay) > 2.0):5.1%}"
        f" {told:12.0%} {score.lost:3d} of {score.taps}"
        f" {np.mean(pitches[:, 0] > 2.0):12.1%} {np.max(np.abs(pitches[:, 1])):6.1f}"
        f" {np.max(fits[:, 0]):8.0f} -> {np.max(fits[:, 1]):4.1f} {np.nanmean(np.abs(fits[:, 2]) > 2.0):9.1%}"
        f" ({np.mean(np.isnan(fits[:, 2])):.0%} untold)"
    )


if __name__ == "__main__":
    main()
