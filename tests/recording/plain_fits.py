"""The fits of the tuner as one would write them down, slow and plain: what the compiled ones stand for.

Lines of a spectrum and Gauss-Newton on them; the likelihood of two planes in a band and its decays; the pole
beside a steady line; ESPRIT by singular values. In and out as `line_fit`, `plane_likelihood`,
`beside_line` and `sinusoids`.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from synth.arrays import Array, Complex

DECAY_SD, SETTLED, SHORTER = 0.7, 0.004, 0.25
HOPELESS, HOPED, LIVE, ELSEWHERE = 30.0, 4.0, 8.0, 20.0
BLOWS = np.deg2rad([15.0, 45.0, 75.0])  # from the upper plane


def below(bins: Any, length: int, rate: float, pole: Complex) -> Complex:
    """(N, B): exp(s dt) w^-k - 1."""
    return np.expm1(pole[:, None] / rate - 2j * np.pi * bins / length)


def each_line(bins: Any, length: int, rate: float, pole: Complex) -> Complex:
    return np.expm1(pole * length / rate)[:, None] / below(bins, length, rate, pole)


def all_lines(bins: Any, length: int, rate: float, amplitude: Complex, pole: Complex) -> Complex:
    both, share = np.concatenate((pole, np.conj(pole))), np.concatenate((amplitude, np.conj(amplitude)))
    return 0.5 * share @ each_line(bins, length, rate, both)


def slopes(bins: Any, length: int, rate: float, pole: Complex) -> Complex:
    """(N, B): the derivatives with respect to s."""
    under, end = below(bins, length, rate, pole), np.expm1(pole * length / rate)[:, None]
    return length / rate * (end + 1.0) / under - end * (under + 1.0) / (rate * under**2)


def columns(bins: Any, length: int, rate: float, amplitude: Complex, pole: Complex) -> Complex:
    """(B, 2N): how the lines move with each a, then each s."""
    lines = 0.5 * each_line(bins, length, rate, pole)
    return np.concatenate((lines, 0.5 * amplitude[:, None] * slopes(bins, length, rate, pole))).T


def nearest(
    values: Complex, bins: Any, length: int, rate: float, amplitude: Complex, pole: Complex,
    *, rounds: int = 12, enough: float = 1e-6,
) -> tuple[Complex, Complex, float]:  # fmt: skip
    """Gauss-Newton, damped where a step does not help, no pole by more than a bin or half its width at once."""
    misfit, stiffness = values - all_lines(bins, length, rate, amplitude, pole), 0.0
    error, seconds = float(np.vdot(misfit, misfit).real), length / rate
    for _ in range(rounds):
        moves = columns(bins, length, rate, amplitude, pole)
        scale = np.linalg.norm(moves, axis=0)
        normal = np.conj(moves / scale).T @ (moves / scale) + (stiffness + 1e-12) * np.eye(len(scale))
        step = np.linalg.solve(normal, np.conj(moves / scale).T @ misfit) / scale
        shift = step[len(pole) :]
        most = 2.0 * np.pi / seconds + 0.5 * np.abs(pole.real)
        moved = pole + shift * np.minimum(1.0, most / (np.abs(shift) + 1e-300))
        moved.real = np.minimum(moved.real, 1.0 / seconds)
        after = values - all_lines(bins, length, rate, amplitude + step[: len(pole)], moved)
        smaller = float(np.vdot(after, after).real)
        if smaller >= error:
            if error - smaller > -1e-9 * error or stiffness > 1e3:
                break
            stiffness = max(10.0 * stiffness, 1e-3)
            continue
        gain = 1.0 - smaller / error
        amplitude, pole = amplitude + step[: len(pole)], moved
        misfit, error, stiffness = after, smaller, 0.1 * stiffness
        if gain < enough:
            break
    return amplitude, pole, error


def compiled_likelihood(band: Any, middle: Array, log_fall: Array, split: Array, differ: Any) -> Array:
    """(R, P) of points, each of them asked by itself, of the compiled search for planes."""
    points = (
        np.broadcast_to(each, log_fall.shape).reshape(-1, 1) for each in (middle, split, differ, log_fall)
    )
    at, splits, differs, falls = (np.array(each, float) for each in points)
    here, rows = np.repeat(at, 2, axis=1), np.arange(len(at))
    found = band.zoomed(here, here, splits[:, 0], differs[:, 0], falls, rows, zooms=1, rounds=0)
    return np.asarray(found.value.reshape(log_fall.shape))


def by_direction(band: Any, middle: Array, log_fall: Array, split: Array, differ: Any) -> Array:
    """(K, R, P) logarithms by direction of the blow, but for what is alike for all."""
    rate = np.exp(log_fall)
    poles = (
        -rate * np.exp(0.5 * differ) + 1j * (middle + 0.5 * split),
        -rate * np.exp(-0.5 * differ) + 1j * (middle - 0.5 * split),
    )
    noise = band.noise
    one, other = (noise.whiten @ np.exp(each[:, None] * band.time[:, None]) for each in poles)
    own = [np.sum(np.abs(each) ** 2, axis=1) for each in (one, other)]
    both = np.sum(np.conj(one) * other, axis=1)
    seen = [np.sum(np.conj(each) * noise.white[..., None], axis=1) for each in (one, other)]
    mixed = 2.0 * np.real(np.conj(seen[0]) * both * seen[1])
    each = []
    for p, q in zip(np.cos(BLOWS) ** 2, np.sin(BLOWS) ** 2, strict=True):
        first, second = 1.0 + p * own[0], 1.0 + q * own[1]
        det = first * second - p * q * np.abs(both) ** 2
        gain = p * np.abs(seen[0]) ** 2 * second + q * np.abs(seen[1]) ** 2 * first - p * q * mixed
        each.append(gain / det - np.log(det))
    return np.array(each)


def likelihood(band: Any, middle: Array, log_fall: Array, split: Array, differ: Any) -> Array:
    """(R, P) logarithms, amplitudes integrated."""
    lean = 0.5 * ((log_fall - np.log(band.fall)) / DECAY_SD) ** 2
    each = by_direction(band, middle, log_fall, split, differ)
    return np.logaddexp.reduce(each) - band.noise.offset - lean


def directions(band: Any, middle: Array, log_fall: Array, split: Array, differ: Any) -> Array:
    """(R, P, K) how likely each direction of the blow is."""
    each = by_direction(band, middle, log_fall, split, differ)
    return np.moveaxis(np.exp(each - np.logaddexp.reduce(each)), 0, -1)


def over_decays(band: Any, middle: Array, log_fall: Array, split: Array, differ: float, rounds: int) -> Any:
    """Of one row (1, P) ln of the likeliest decays and the likelihoods, decays integrated: each point until it is
    settled, or cannot come near the best."""
    step = 1e-2 / max(band.seconds * band.fall, 0.05)
    value, trust = likelihood(band, middle, log_fall, split, differ), np.ones(middle.shape)
    bend, open_ = np.ones(middle.shape), np.ones(middle.shape, bool)
    for _ in range(rounds):
        up, down = (likelihood(band, middle, log_fall + each, split, differ) for each in (step, -step))
        slope = (up - down) / (2.0 * step)
        bend = np.where(open_, np.maximum(np.abs(up + down - 2.0 * value) / step**2, 1.0), bend)
        open_ &= value + HOPED * 0.5 * slope**2 / bend > np.max(value) - HOPELESS
        move = trust * np.clip(slope / bend, -DECAY_SD, DECAY_SD)
        moved = likelihood(band, middle, log_fall + move, split, differ)
        better = moved > value
        trust = np.where(better, 1.0, SHORTER * trust)
        better &= open_
        log_fall, value = np.where(better, log_fall + move, log_fall), np.where(better, moved, value)
        open_ &= np.abs(move) >= SETTLED
        if not np.any(open_):
            break
    return log_fall, value - 0.5 * np.log(bend)


def zoomed(
    band: Any,
    reach: Array,
    bounds: Array,
    split: float,
    differ: float,
    log_fall: Array,
    zooms: int,
    rounds: int,
) -> Any:
    """Of one row: middles, ln of decays and values (1, P), directions (1, P, K), and where to begin again (2,)."""
    points, (low, high), left = log_fall.shape[1], bounds, zooms
    begun, splits = low > reach[0] or high < reach[1], np.full(log_fall.shape, split)

    def live(below: float) -> Any:
        """The first and last point that counts, and one more on either side."""
        there = np.flatnonzero(value[0] > np.max(value) - below)
        return max(there[0] - 1, 0), min(there[-1] + 1, points - 1), there

    while True:
        middle = np.linspace(low, high, points)[None]
        log_fall, value = over_decays(band, middle, log_fall, splits, differ, rounds)
        first, last, there = live(LIVE)
        if begun and ((there[0] == 0 and low > reach[0]) or (there[-1] == points - 1 and high < reach[1])):
            (low, high), begun = reach, False
            continue
        begun, left = False, left - 1
        if left <= 0 or last - first >= points - 3:
            break
        nearest = np.floor(first + (last - first) * np.arange(points) / (points - 1) + 0.5).astype(int)
        log_fall, (low, high) = log_fall[:, nearest], middle[0, [first, last]]
    first, last, _ = live(ELSEWHERE)
    return (
        middle,
        log_fall,
        value,
        directions(band, middle, log_fall, splits, differ),
        middle[0, [first, last]],
    )


def nearest_beside(values: Complex, step: float, pole: complex) -> tuple[float, complex]:
    """By least squares in every step, a steady line's amplitude, the pole's and the pole itself."""
    time = np.arange(len(values)) * step

    def left(at: complex) -> tuple[float, Any, Any]:
        waves = np.array([np.ones(len(time)), np.exp(at * time)]).T
        amplitude = np.linalg.lstsq(waves, values, rcond=None)[0]
        rest = values - waves @ amplitude
        return float(np.sum(np.abs(rest) ** 2)), amplitude, rest

    best, amplitude, rest = left(pole)
    for _ in range(12):
        wave = np.exp(pole * time)
        moves = np.array([np.ones(len(time)), wave, amplitude[1] * time * wave]).T
        shift = np.linalg.lstsq(moves, rest, rcond=1e-10)[0][2]
        trial = complex(pole + shift * min(1.0, 2.0 / (abs(shift) + 1e-300)))
        after, moved, open_ = left(trial)
        if not after < best * (1.0 - 1e-6):
            break
        pole, best, amplitude, rest = trial, after, moved, open_
    return best, pole


def esprit(samples: Complex, spread: float) -> Any:
    rows = len(samples) // 3
    hankel = np.lib.stride_tricks.sliding_window_view(samples, rows).T
    left, strength, _ = np.linalg.svd(hankel, full_matrices=False)
    bound = max(1.5 * spread * (np.sqrt(rows) + np.sqrt(hankel.shape[1])), 0.005 * strength[0])
    order = int(np.clip(np.count_nonzero(strength > bound), 1, 6))
    signal = left[:, :order]
    return np.linalg.eigvals(np.linalg.lstsq(signal[:-1], signal[1:], rcond=None)[0])
