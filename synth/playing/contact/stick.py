"""The stick in the fingers: a free beam on soft pads, as damped motions seen at its end.

In: a `Stick`, a grip. Out: `StickModes` for the contact, `StickLine` for the stick's own sound. The whole stick
(out of the hand, gripped and behind) is a free beam; three finger pads along the grip and the fold of the thumb
behind it each carry it by a spring and a dashpot, skin moving with the stick, on a finger that is itself a mass on
a spring and a dashpot. The fingers' far ends follow the hand's straight way: what the row drags the stick by is
held by the fingers' springs alone. Shear, softness of wood at the end and the skin's own waves are left out.

    end o======================[pad]=[pad]=[pad]==========[pad]====o    M x'' + C x' + K x = f at the end
                                 |     |     |              |
                              finger finger finger        thumb         -> the hand's way

Fingers damp far too much for real modes, so the damped system is solved as it is: poles s and residues r, an
impulse at the end moves it by the sum of r exp(s t). Two conjugate or two real poles make a block of two real
states, its share of the end's displacement q and velocity p; p is q's rate, and an impulse kicks both.
"""

from __future__ import annotations

import functools
import math
from dataclasses import replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from synth.arrays import Array, Complex
from synth.design.instrument import CANTILEVER_MASS, Stick
from synth.frozen import frozen
from synth.playing.contact.hand import Fingers, fingers
from synth.playing.stroke import Grip

PADS: Final = (1.0 / 6.0, 0.5, 5.0 / 6.0)  # of the gripped length: a finger's pad on each third
REST: Final = (
    0.06  # m behind the grip, where the fold of the thumb carries a stick held like a pen; common practice
)
ROOTS: Final = (
    4.730040744862704,
    7.853204624095838,
    10.995607838001671,
)  # cos x cosh x = 1; then (n + 1/2) pi
LINE_POINTS: Final = 65
NEGLIGIBLE: Final = (
    1e-4  # of the end's give and of its kick: a block that has less is left out of the event model
)


@frozen(eq=False)  # itself alone: what is made of it is kept by it
class StickModes:
    """D blocks of stick and hand: first those down, then those sideways, then along the stick. SI.

    A block's q and p follow q'' + 2 decay q' + omega^2 q = 0; omega > decay swings, omega < decay creeps.
    """

    omega: Array  # (D,) 1/s
    decay_rate: Array  # (D,) 1/s
    kick_place: Array  # (D,) m per N s at the end: what an impulse adds to q
    kick_speed: Array  # (D,) m/s per N s: to p
    direction: NDArray[np.int64]  # (D,) 0 down, 1 sideways, 2 along
    axes: Array  # (3, 3) these directions as x along the stick's way, y across, z up
    inner: Array  # (2 D, 2 D) energy 1/2 s' inner s of the states s = (q, p)

    def compliance(self, counted: NDArray[np.bool_]) -> Array:
        """(3, 3) velocity of the end per impulse, of the blocks (D,) that are counted."""
        own = np.bincount(self.direction, self.kick_speed * counted, minlength=3)
        return np.asarray((self.axes.T * own) @ self.axes)

    def energy(self, q: Array, p: Array) -> float:
        """J in stick and fingers; exact while no block is left out."""
        state = np.concatenate([q, p])
        return float(0.5 * state @ self.inner @ state)


@frozen
class StickLine:
    """How the stick swings along its length after an impulse at its end, for the sound of the stick itself.

    After 1 N s at the end, in either direction across the stick, place k moves that way by
    Re sum_m residue[m, k] exp(pole[m] t) m. A conjugate pair of poles is written once, by the one above.
    """

    diameter: float  # m
    position: Array  # (K,) m from the end that strokes
    pole: Complex  # (M,) 1/s
    residue: Complex  # (M, K) m/(N s)
    across: Array  # (2, 3) the two directions across the stick as (along the row, across it, up)
    axis: Array  # (3,) from the end to the hand, likewise


@functools.lru_cache(maxsize=16)
def stick_modes(
    stick: Stick,
    *,
    tilt: float,
    skew: float,
    beam_modes: int,
    grip: Grip = "usual",
    pad_damping: float = 1.0,
    whole: bool = True,
) -> StickModes:
    """The stick held at a tilt from the upright and a skew from the row; `beam_modes` of the free beam bend.

    `pad_damping` is a factor on the dashpots of pads and fingers. `whole` keeps every block.
    """
    return replace(_upright(stick, grip, pad_damping, beam_modes, whole), axes=_axes(tilt, skew))


@functools.lru_cache(maxsize=64)
def _upright(stick: Stick, grip: Grip, pad_damping: float, beam_modes: int, whole: bool) -> StickModes:
    """The same of an upright stick: all but the axes is as it is for any tilt and skew."""
    across = _blocks(_bending(stick, grip, pad_damping, beam_modes), whole)
    along = _blocks(_sliding(stick, grip, pad_damping), whole)
    parts = (across, across, along)
    inner = [[_block_diagonal([each.inner[row][k] for each in parts]) for k in range(2)] for row in range(2)]
    return StickModes(
        omega=np.concatenate([each.omega for each in parts]),
        decay_rate=np.concatenate([each.decay for each in parts]),
        kick_place=np.concatenate([each.kick_place for each in parts]),
        kick_speed=np.concatenate([each.kick_speed for each in parts]),
        direction=np.repeat([0, 1, 2], [len(each.omega) for each in parts]),
        axes=_axes(0.0, 0.0),
        inner=np.block(inner),
    )


@functools.lru_cache(maxsize=16)
def stick_line(
    stick: Stick,
    *,
    tilt: float,
    skew: float,
    sign: float,
    beam_modes: int,
    grip: Grip = "usual",
    pad_damping: float = 1.0,
) -> StickLine:
    """The line of a stick held at a tilt and a skew; `sign` -1 for a backward stroke."""
    position, pole, residue = _line(stick, grip, pad_damping, beam_modes)
    axes = _axes(tilt, skew) * np.array([sign, 1.0, 1.0])
    return StickLine(stick.diameter, position, pole, residue, across=axes[:2], axis=axes[2])


@functools.lru_cache(maxsize=64)
def _line(stick: Stick, grip: Grip, pad_damping: float, beam_modes: int) -> tuple[Array, Complex, Complex]:
    """Places, poles and residues of `StickLine`."""
    body = _bending(stick, grip, pad_damping, beam_modes)
    position = np.linspace(0.0, whole_length(stick), LINE_POINTS)
    line = np.zeros((len(position), len(body.inertia)))
    line[:, : beam_modes + 2] = free_beam(position, whole_length(stick), _mass(stick), beam_modes)[0].T
    poles, vectors, drive = body.solved
    upper = poles.imag >= 0.0
    twice = np.where(poles.imag > 0.0, 2.0, 1.0)
    residue = (twice * drive)[:, None] * (line @ vectors).T
    return position, poles[upper], residue[upper]


@functools.lru_cache(maxsize=64)
def compliance(stick: Stick, grip: Grip) -> tuple[float, float]:
    """m/N of the stick's end in its fingers, across and along the stick, when pushed slowly."""
    bodies = _bending(stick, grip, 1.0, MANY), _sliding(stick, grip, 1.0)
    across, along = (float(each.end @ np.linalg.solve(each.stiffness, each.end)) for each in bodies)
    return across, along


def give_within(stick: Stick, grip: Grip, time: Array) -> tuple[Array, Array]:
    """The same, under a force that grows evenly over a time (T,) s: quick ones meet the stick's mass."""
    return _ramped(_bending(stick, grip, 1.0, MANY), time), _ramped(_sliding(stick, grip, 1.0), time)


def _ramped(body: Body, time: Array) -> Array:
    """(T,) displacement over force at the end of a ramp: the impulse's response, twice integrated."""
    poles, gives = body.upper_gives
    s_t = np.multiply.outer(time, poles)
    once = (np.exp(s_t) - 1.0) / s_t - 1.0
    return np.asarray((once @ gives).real)


MANY: Final = 12  # beam modes that carry a slow push: the rest gives 0.1 %


def whole_length(stick: Stick) -> float:
    """m, from end to end."""
    return stick.length + stick.gripped + stick.behind


def free_beam(position: Array, length: float, mass: float, elastic: int) -> tuple[Array, Array]:
    """Shapes (2 + elastic, K) of a free uniform beam at places (K,) m, mass-normalised, and its wave numbers.

    Two rigid motions first (Rayleigh, Theory of Sound, art. 171-174).
    """
    x = position / length
    root = np.array([*ROOTS, *((n + 0.5) * math.pi for n in range(len(ROOTS) + 1, elastic + 1))])[:elastic]
    rigid = np.stack([np.ones_like(x), math.sqrt(3.0) * (2.0 * x - 1.0)])
    lam, arg = root[:, None], np.outer(root, x)
    rest = 1.0 - (np.cosh(lam) - np.cos(lam)) / (
        np.sinh(lam) - np.sin(lam)
    )  # cosh x - sigma sinh x would cancel
    falling = 0.5 * rest * np.exp(arg) + 0.5 * (2.0 - rest) * np.exp(-arg)
    bent = falling + np.cos(arg) - (1.0 - rest) * np.sin(arg)
    return np.concatenate([rigid, bent]) / math.sqrt(mass), np.concatenate([[0.0, 0.0], root]) / length


@frozen
class Body:
    """M x'' + C x' + K x = end f, and what of it is seen, end' x."""

    inertia: Array
    damping: Array
    stiffness: Array
    end: Array

    @functools.cached_property
    def solved(self) -> tuple[Complex, Complex, Complex]:
        """Poles (2N,), vectors (N, 2N) and how an impulse at the end drives each (2N,), slow ones first."""
        size = len(self.end)
        inverse = np.linalg.inv(self.inertia)
        first_order = np.block(
            [
                [np.zeros((size, size)), np.eye(size)],
                [-inverse @ self.stiffness, -inverse @ self.damping],
            ]
        )
        poles, vectors = np.linalg.eig(first_order)
        drive = np.linalg.solve(vectors, np.concatenate([np.zeros(size), inverse @ self.end]).astype(complex))
        order = np.lexsort((poles.imag, np.abs(poles)))
        return poles[order], vectors[:size, order], drive[order]

    @functools.cached_property
    def upper_gives(self) -> tuple[Complex, Complex]:
        """Poles (K,), one of each conjugate pair, and what each gives at the end (K,), of a pair both; m/N."""
        poles, vectors, drive = self.solved
        gives = np.where(poles.imag > 0.0, 2.0, 1.0) * (self.end @ vectors * drive / poles)
        return poles[poles.imag >= 0.0], gives[poles.imag >= 0.0]


@functools.lru_cache(maxsize=64)
def _bending(
    stick: Stick, grip: Grip, pad_damping: float, elastic: int, pads: tuple[float, ...] | None = None
) -> Body:
    """Free beam, then fingers."""
    length, mass, hold = whole_length(stick), _mass(stick), fingers(grip)
    pads = _pads(stick) if pads is None else pads
    shape, wave = free_beam(np.array([0.0, *pads]), length, mass, elastic)
    bend = stick.stiffness * stick.length**3 / 3.0
    omega = wave**2 * math.sqrt(bend * length / mass)
    own = stick.material.loss_factor * (1.0 + omega / stick.loss_corner)
    beam = Body(np.eye(len(omega)), np.diag(own * omega), np.diag(omega**2), shape[:, 0])
    return _on_pads(beam, shape[:, 1:].T, hold, pad_damping)


@functools.lru_cache(maxsize=64)
def _sliding(stick: Stick, grip: Grip, pad_damping: float) -> Body:
    """The stick along itself, all fingers together."""
    whole = _mass(stick)
    one = np.ones((1, 1))
    hold = fingers(grip).times(len(_pads(stick)))
    return _on_pads(Body(whole * one, 0.0 * one, 0.0 * one, np.ones(1)), one, hold, pad_damping)


def _on_pads(body: Body, at: Array, hold: Fingers, pad_damping: float) -> Body:
    """A body carried at (P, N) by pads, each with its skin on the body, on fingers."""
    size, pads = len(body.end), len(at)
    on_body = np.hstack([at, np.zeros((pads, pads))])
    finger = np.hstack([np.zeros((pads, size)), np.eye(pads)])
    pressed = on_body - finger

    def grown(own: Array, skin: float, pad: float, rest: float) -> Array:
        whole = np.zeros((size + pads, size + pads))
        whole[:size, :size] = own
        whole += skin * on_body.T @ on_body + pad * pressed.T @ pressed + rest * finger.T @ finger
        return whole

    return Body(
        inertia=grown(body.inertia, hold.skin_mass, 0.0, hold.finger_mass),
        damping=grown(body.damping, 0.0, pad_damping * hold.pad_damping, pad_damping * hold.finger_damping),
        stiffness=grown(body.stiffness, 0.0, hold.pad_stiffness, hold.finger_stiffness),
        end=np.concatenate([body.end, np.zeros(pads)]),
    )


def _pads(stick: Stick) -> tuple[float, ...]:
    """m from the end, of every pad."""
    grip = [stick.length + share * stick.gripped for share in PADS]
    return (*grip, stick.length + stick.gripped + min(REST, stick.behind))


def _mass(stick: Stick) -> float:
    """kg of the whole stick: as the free length, which weighs what its stiffness and first mode say."""
    free = stick.stiffness / (CANTILEVER_MASS * (2.0 * math.pi * stick.frequency) ** 2)
    return free * whole_length(stick) / stick.length


@frozen
class _Blocks:
    """Blocks of one direction, as in `StickModes`; `inner` by halves."""

    omega: Array
    decay: Array
    kick_place: Array
    kick_speed: Array
    inner: tuple[tuple[Array, Array], tuple[Array, Array]]


def _blocks(body: Body, whole: bool) -> _Blocks:
    """Pairs of poles: conjugate ones, and real ones two by two from the slowest."""
    poles, vectors, drive = body.solved
    seen = body.end @ vectors
    one = [k for k in range(len(poles)) if poles[k].imag > 0.0]
    real = [k for k in range(len(poles)) if poles[k].imag == 0.0]
    first = np.array(one + real[0::2])
    pair = np.array([int(np.argmin(np.abs(poles - poles[k].conjugate()))) for k in one] + real[1::2], int)
    s1, s2, r1, r2 = poles[first], poles[pair], (seen * drive)[first], (seen * drive)[pair]
    omega, decay = np.sqrt((s1 * s2).real), -0.5 * (s1 + s2).real
    position, speed = (r1 + r2).real, (s1 * r1 + s2 * r2).real
    order = np.argsort(omega)
    if not whole:
        share = np.abs(speed + 2.0 * decay * position) / omega**2
        heard = (share > NEGLIGIBLE * share.sum()) | (np.abs(speed) > NEGLIGIBLE * np.abs(speed).sum())
        order = order[heard[order]]
    inner = _energy_of(body, vectors, seen, poles, first[order], pair[order])
    return _Blocks(omega[order], decay[order], position[order], speed[order], inner)


def _energy_of(
    body: Body,
    vectors: Complex,
    seen: Complex,
    poles: Complex,
    first: NDArray[np.int64],
    pair: NDArray[np.int64],
) -> tuple[tuple[Array, Array], tuple[Array, Array]]:
    """The body's energy as a form in q and p: all moves as the end does, times vector over what is seen."""
    s1, s2 = poles[first], poles[pair]
    # q = a + b, p = s1 a + s2 b, the two poles' shares of the end's displacement
    a_q, a_p, b_q, b_p = -s2 / (s1 - s2), 1.0 / (s1 - s2), s1 / (s1 - s2), -1.0 / (s1 - s2)
    one, other = vectors[:, first] / seen[first], vectors[:, pair] / seen[pair]
    position = np.hstack([one * a_q + other * b_q, one * a_p + other * b_p]).real
    speed = np.hstack([one * s1 * a_q + other * s2 * b_q, one * s1 * a_p + other * s2 * b_p]).real
    form = position.T @ body.stiffness @ position + speed.T @ body.inertia @ speed
    half = len(first)
    return (form[:half, :half], form[:half, half:]), (form[half:, :half], form[half:, half:])


def _block_diagonal(parts: list[Array]) -> Array:
    size = sum(len(each) for each in parts)
    whole, start = np.zeros((size, size)), 0
    for each in parts:
        whole[start : start + len(each), start : start + len(each)] = each
        start += len(each)
    return whole


def _axes(tilt: float, skew: float) -> Array:
    """(3, 3) down, sideways and along the stick, as (along its way, across it, up)."""
    heading = np.array([math.cos(skew), math.sin(skew), 0.0])
    up = np.array([0.0, 0.0, 1.0])
    return np.stack(
        [
            math.cos(tilt) * heading - math.sin(tilt) * up,
            np.array([-math.sin(skew), math.cos(skew), 0.0]),
            math.sin(tilt) * heading + math.cos(tilt) * up,
        ]
    )
