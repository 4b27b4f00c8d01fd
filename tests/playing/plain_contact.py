"""The contact in plain Python, as a slow reference: every tine and every finger stepped all the time, by matrices.

What it shares with the compiled kernel are the scalar laws of one touch (Hertz's spring, the push with its loss,
the hold or slide of Coulomb) and the modes of the tines. Apart from it are: the stick in its fingers (a matrix
exponential of all bodies), the geometry (closest points of a ray and a rounded rectangle that leans), levers and
inverse masses (one matrix of how the touching point moves with every mode), and the energy, taken at every turn.
"""

import math
from dataclasses import dataclass

import numpy as np
from scipy.linalg import expm

from synth.playing.contact import laws
from synth.playing.contact import stick as room
from synth.playing.contact.arrays import rotation

hertz, push, grip = (law.py_func for law in (laws.hertz, laws.push, laws.grip))  # type: ignore[attr-defined]


@dataclass
class Plain:
    impulse: np.ndarray  # (T, 3) N s on each tine, along the stick's way, across, up
    bins: np.ndarray  # (T, 6) of each tine, as in the columns of the kernel's history from the third on
    tally: np.ndarray  # (T, 7) of each tine, as in the columns of the kernel's tally
    displacement: np.ndarray  # (T, 2, n)
    velocity: np.ndarray
    hand: float
    contact: float
    damped: float
    end: float
    start: float
    touches: int


class Fingers:
    """A stick's body in one direction: its state, turned by the exponential of the whole."""

    def __init__(self, body, step):
        size = len(body.end)
        inverse = np.linalg.inv(body.inertia)
        motion = np.zeros((2 * size, 2 * size))
        motion[:size, size:] = np.eye(size)
        motion[size:, :size], motion[size:, size:] = -inverse @ body.stiffness, -inverse @ body.damping
        self.turn, self.body, self.size = expm(motion * step), body, size
        self.state, self.kick = np.zeros(2 * size), inverse @ body.end

    @property
    def position(self):
        return self.body.end @ self.state[: self.size]

    @property
    def speed(self):
        return self.body.end @ self.state[self.size :]

    @property
    def energy(self):
        x, v = self.state[: self.size], self.state[self.size :]
        return 0.5 * (x @ self.body.stiffness @ x + v @ self.body.inertia @ v)


def closest(centre, axis, r_end, corner, edge):
    """Gap, push direction and touching point on the tine, in its own upright plane: tip's middle at the origin.

    The stick is every point centre + s axis, s >= 0; the core is -corner <= x <= corner, z <= -edge.
    """
    x, z = centre
    on_core = max(-corner, min(x, corner)), min(z, -edge)
    way = on_core[0] - x, on_core[1] - z
    s = (-corner - x) * axis[0] + (-edge - z) * axis[1]
    if s > 0.0:
        other = -corner - x - s * axis[0], -edge - z - s * axis[1]
        if math.hypot(*other) < math.hypot(*way):
            on_core, way = (-corner, -edge), other
    far = math.hypot(*way)
    normal = np.array(way) / far
    return far - r_end - edge, normal, np.array(on_core) - edge * normal


def stroke(stroke, way, tip, *, beam_modes, step, start, first, seconds, leaning=True):
    """Steps a stroke from `start` s, the stick's end `first` m along its way, for so long."""
    stick = stroke.stick
    across = [Fingers(room._bending(stick, stroke.grip, 1.0, beam_modes), step) for _ in range(2)]
    bodies = [*across, Fingers(room._sliding(stick, stroke.grip, 1.0), step)]
    axes = room._axes(stroke.tilt, stroke.skew)
    heading = np.array([math.cos(stroke.skew), math.sin(stroke.skew)])
    count = len(way.tine)
    omega, decay = 2.0 * math.pi * tip.frequency, tip.decay_rate
    turn = np.moveaxis(rotation(omega, decay, step), -2, 0)
    # (T, 2, 2, n): how the tip moves and leans, in x and y, with a modal displacement of each plane
    planes = np.stack(
        [
            np.stack([way.sign * np.cos(tip.axis), np.sin(tip.axis)], axis=1),
            np.stack([-way.sign * np.sin(tip.axis), np.cos(tip.axis)], axis=1),
        ],
        axis=1,
    )
    moves = planes.transpose(0, 2, 1)[:, :, :, None] * tip.shape[:, None, None, :]
    leans = planes.transpose(0, 2, 1)[:, :, :, None] * tip.slope[:, None, None, :] * leaning
    flat_moves, flat_leans = moves.reshape(count, 2, -1), leans.reshape(count, 2, -1)
    q, p = np.zeros(omega.shape), np.zeros(omega.shape)
    lam, held, spring = np.full(count, -1.0), np.full((count, 2), np.nan), np.zeros(count)
    tally = np.tile([np.nan, np.nan, 0.0, 0.0, 0.0, 0.0, 0.0], (count, 1))
    out = Plain(np.zeros((count, 3)), np.zeros((count, 6)), tally, q, p, 0.0, 0.0, 0.0, 0.0, 0.0, 0)
    loss = 8.0 * (1.0 - stick.restitution) / (5.0 * stick.restitution)
    ray = np.array([math.sin(stroke.tilt), math.cos(stroke.tilt)])

    def ringing():
        return 0.5 * np.sum(p**2 + (omega * q) ** 2) + sum(body.energy for body in bodies)

    for number in range(1, round(seconds / step) + 1):
        before = ringing()
        for body in bodies:
            body.state = body.turn @ body.state
        q[:], p[:] = turn[0] * q + turn[1] * p, turn[2] * q + turn[3] * p
        out.damped += before - ringing()
        moment = np.linalg.norm(np.sum(tip.root_moment * q, axis=2), axis=1)
        tally[:, 4] = np.maximum(tally[:, 4], np.where(tally[:, 6] > 0.0, moment, 0.0))
        for i in range(count):
            end = axes.T @ np.array([body.position for body in bodies])
            end += [first + stroke.speed * number * step, 0.0, stick.end_radius]
            u, lean = flat_moves[i] @ q[i].ravel(), flat_leans[i] @ q[i].ravel()
            height = way.bite[i] - tip.drop[i] * u @ u
            ahead = (end[0] - way.position[i] - u[0]) * heading[0] + (end[1] - u[1]) * heading[1]
            angle = lean[0] * heading[0] + lean[1] * heading[1]
            cos, sin = math.cos(angle), math.sin(angle)
            upright = np.array([[cos, -sin], [sin, cos]])
            gap, normal, point = closest(
                (upright @ np.array([ahead, end[2] - height])).tolist(),
                (upright @ ray).tolist(),
                stick.end_radius,
                way.core[i],
                way.edge[i],
            )
            if gap >= 0.0:
                tally[i, 1] = tally[i, 1] if lam[i] < 0.0 else start + number * step
                lam[i], held[i], spring[i] = -1.0, np.nan, 0.0
                continue
            fast = axes.T @ np.array([body.speed for body in bodies]) + [stroke.speed, 0.0, 0.0]
            out.touches += lam[i] < 0.0
            tally[i, 6] += lam[i] < 0.0
            tally[i, 0] = np.nanmin([tally[i, 0], start + number * step])
            tally[i, 5] = max(tally[i, 5], np.linalg.norm(u))
            ahead, above = upright.T @ point
            n_flat = upright.T @ normal
            # how the touching point moves with every mode: the tip's way, its drop, and the arm that leans
            jacobian = np.zeros((3, *q[i].shape))
            jacobian[:2] = moves[i] + above * leans[i]
            jacobian[2] = -2.0 * tip.drop[i] * np.einsum("d,dpn->pn", u, moves[i])
            jacobian[2] -= ahead * np.einsum("d,dpn->pn", heading, leans[i])
            flat_j = jacobian.reshape(3, -1)
            inverse = flat_j @ flat_j.T + axes.T @ np.diag([b.body.end @ b.kick for b in bodies]) @ axes
            frame = np.array(
                [
                    [heading[0] * n_flat[0], heading[1] * n_flat[0], n_flat[1]],
                    [-heading[0] * n_flat[1], -heading[1] * n_flat[1], n_flat[0]],
                    [-heading[1], heading[0], 0.0],
                ]
            )
            w = frame @ inverse @ frame.T
            vn, vt, vb = frame @ (fast - flat_j @ p[i].ravel())
            if lam[i] < 0.0:
                lam[i] = loss / max(vn, laws.SLOWEST_TOUCH)
            force, spring[i] = hertz(-gap, stick.contact_stiffness, step * step * w[0, 0])
            pn = push(force * step, lam[i], vn, w[0, 0])
            ft, fb = vt - w[0, 1] * pn, vb - w[0, 2] * pn
            if not np.isnan(held[i, 0]):
                ft, fb = ft + 0.5 * (vt - held[i, 0]), fb + 0.5 * (vb - held[i, 1])
            pt, pb, holds = grip(ft, fb, vt, vb, w[1, 1], w[2, 2], w[1, 2], stick.friction * pn)
            local = np.array([pn, pt, pb])
            impulse = frame.T @ local
            after = np.array([vn, vt, vb]) - w @ local
            mean = 0.5 * (np.array([vn, vt, vb]) + after)
            out.contact += (pn - force * step) * mean[0] + pt * mean[1] + pb * mean[2]
            held[i] = after[1:] if holds else np.nan
            speed = flat_j @ p[i].ravel()
            p[i] += (flat_j.T @ impulse).reshape(p[i].shape)
            tally[i, 2] = max(tally[i, 2], np.linalg.norm(impulse) / step)
            tally[i, 3] += 0.5 * (speed + flat_j @ p[i].ravel()) @ impulse
            bending = impulse[:2] - 2.0 * tip.drop[i] * u * impulse[2]
            turning = above * impulse[:2] - ahead * heading * impulse[2]
            out.bins[i] += [*(planes[i] @ bending), *(planes[i] @ turning), pn, impulse[2]]
            for body, axis in zip(bodies, axes, strict=True):
                body.state[body.size :] -= body.kick * (axis @ impulse)
            out.impulse[i] += impulse
            out.hand += impulse[0] * stroke.speed
    out.end = ringing() + spring.sum()
    return out
