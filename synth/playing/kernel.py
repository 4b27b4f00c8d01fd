"""A stick passing a row, stepped through time: compiled, one kernel for the truth and for the event model.

In: modes of tines and stick as plain arrays. Out: the history of the force, and a tally for every tine. The idea:
between touches every mode turns exactly (a damped rotation); a touch acts as an impulse on all modes at once
(`synth.playing.laws`). A step is rotation, then impulse, and energy is kept to second order (Strang 1968).

Only touches cost time, and exactly: tines out of the stick's reach sleep and are turned in one go when it comes;
where nothing can meet within the next 8 or 64 steps, all are turned by those at once. What can meet is bounded by
the sum of all modes' amplitudes.

    sleeping tines | awake: free flight, 64 or 8 steps at once | awake: single steps, impulses | sleeping tines

The compiled function knows its numbers of modes (its inner loops are then laid out flat, 1.6 times as fast), so
`sweeper` makes one for each fineness.
"""

from __future__ import annotations

import functools
import math
import zlib
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

import numpy as np

from synth.compiled import njit
from synth.playing import laws, motion
from synth.playing.laws import nearest, touch
from synth.playing.motion import bending, bounds, energy, turn, turn_by, write

# columns of the tally, per tine
T_FIRST: Final = 0  # s, first touch; nan for none
T_LAST: Final = 1  # s, last release
T_FORCE: Final = 2  # N, greatest contact force
T_WORK: Final = 3  # J, given to the tine by the stick
T_MOMENT: Final = 4  # N m, greatest at the root from the first touch on
T_BEND: Final = 5  # m, greatest displacement of the contact while touched
T_TOUCHES: Final = 6
TALLIES: Final = 7

# the books, J
E_HAND: Final = 0  # work of the hand
E_DAMPED: Final = 1  # lost in tines and stick; only where `booked`
E_CONTACT: Final = 2  # lost between them
E_SPRING: Final = 3  # still in the contact's springs
E_START: Final = 4  # in tines and stick at the start; only where `booked`
E_END: Final = 5  # at the end
ENERGIES: Final = 6

# columns of the history, one row for a bin of steps with a touch
H_TINE: Final = 0
H_BIN: Final = 1
H_IMPULSE: Final = slice(2, 4)  # N s, planes 0 and 1
H_MOMENT: Final = slice(4, 6)  # N s^2, the same times how long after the bin's middle
H_NORMAL: Final = 6  # N s
H_UP: Final = 7  # N s, upward on the tine
COLUMNS: Final = 8

PASSED: Final = 0
CROWDED: Final = 1  # the history's room ran out
STUCK: Final = 2  # the time ran out: the stick never passed

MIDDLE: Final = 8
LONG: Final = 64
LEVELS: Final = (1, MIDDLE, LONG)  # steps that can be turned at once
MARGIN: Final = 1e-5  # m
AFTERWARDS: Final = 0.02  # s of free ring in which the root's moment is followed: two periods at 100 Hz
FLAT_OUT: Final = 0.02  # m past the last tine, where a stroke with nobody in reach is over


# without the interpreter's lock: a live player's audio goes on while a contact is computed
@functools.lru_cache
def sweeper(tine_modes: int, stick_modes: int, bin_steps: int) -> Callable[..., Any]:
    """The compiled pass of a stick with `stick_modes` along tines with `tine_modes` in each plane."""
    n, modes = tine_modes, stick_modes
    width = 2 * n
    # numba keeps compiled code by this file and what a function closes over: it would not see these two change
    edition = zlib.crc32(b"".join(Path(str(each.__file__)).read_bytes() for each in (laws, motion)))

    @njit(cache=True, nogil=True, error_model="numpy", fastmath={"reassoc", "contract", "nsz", "arcp"})
    def sweep(
        turns: Any,  # (3, T, 4, 2n) rotation by each of LEVELS
        omega: Any,  # (T, 2n), like all of the tines' modes: plane 0, then plane 1
        decay: Any,
        shape: Any,
        root: Any,
        q: Any,  # (T, 2n) changed in place
        p: Any,
        since: Any,  # (T,) s, of which q and p tell; changed in place
        plane: Any,  # (T, 4) x and y of plane 0, x and y of plane 1
        row: Any,  # (T, 5) place, height of the tip above the unbent stick's lowest point, half core, edge, drop
        stick_turns: Any,  # (3, 4, D)
        stick_omega: Any,  # (D,)
        stick_shape: Any,  # (3, D)
        law: Any,  # stiffness, friction, loss, step
        stick_form: Any,  # r_end, sin and cos of the tilt, cos and sin of the skew
        course: Any,  # speed, place and time of the start, time of the end
        history: Any,  # (H, COLUMNS)
        booked: bool,
    ) -> Any:
        count = q.shape[0] if edition >= 0 else 0
        dt = law[3]
        r_end, sa, ca, cg, sg = stick_form
        speed, x_start, t_start, t_stop = course
        sq = np.zeros(modes)
        sp = np.zeros(modes)
        stick_size = np.sqrt((stick_shape**2).sum(axis=0))
        give = np.zeros((3, 3))  # velocity of the stick's end per impulse
        for j in range(modes):
            for a in range(3):
                for b in range(3):
                    give[a, b] += stick_shape[a, j] * stick_shape[b, j]
        awake = np.zeros(count, dtype=np.bool_)
        touching = np.zeros(count, dtype=np.bool_)
        lam = np.full(count, -1.0)  # s/m, loss of the touch under way
        held = np.full((count, 2), np.nan)  # sliding speeds after the last impulse, while the surfaces hold
        spring = np.zeros(count)
        size = np.zeros(count)  # how far a tine can swing
        tine_give = np.zeros(count)
        tally = np.zeros((count, TALLIES))
        tally[:, T_FIRST] = np.nan
        tally[:, T_LAST] = np.nan
        books = np.zeros(ENERGIES)
        bin_now = np.full(count, -1)
        binned = np.zeros((count, COLUMNS - 2))
        strongest = np.zeros(count)  # N^2 s^2
        used = 0
        for i in range(count):
            size[i] = bounds(q[i], p[i], omega[i], shape[i])[0]
            tine_give[i] = (shape[i, :n] ** 2).sum()
            books[E_START] += energy(q[i], p[i], omega[i])
        gone = row[count - 1, 0] + FLAT_OUT
        status = STUCK
        step = 0
        while t_start + step * dt < t_stop:
            # --- who is in reach within the next LONG steps ---
            t = t_start + step * dt
            x = x_start + speed * (t - t_start)
            stick_far, _ = bounds(sq, sp, stick_omega, stick_size)
            nobody = True
            for i in range(count):
                if awake[i]:
                    size[i] = bounds(q[i], p[i], omega[i], shape[i])[0]
                place = row[i, 0]
                height = row[i, 1]
                half = row[i, 2]
                edge = row[i, 3]
                drop = row[i, 4]
                gap, _, _ = nearest(cg * (x - place), r_end - height, half, edge, r_end, sa, ca)
                far = size[i] * (1.0 + drop * size[i]) + stick_far + speed * LONG * dt + MARGIN
                near = gap < far or touching[i]
                if near and not awake[i]:
                    books[E_DAMPED] += energy(q[i], p[i], omega[i])
                    turn_by(q[i], p[i], omega[i], decay[i], t - since[i])
                    books[E_DAMPED] -= energy(q[i], p[i], omega[i])
                elif awake[i] and not near:
                    since[i] = t
                awake[i] = near
                nobody = nobody and not near
            if nobody:
                if x > gone:
                    status = PASSED
                    break
                books[E_DAMPED] += energy(sq, sp, stick_omega)
                turn(sq, sp, stick_turns[2])
                books[E_DAMPED] -= energy(sq, sp, stick_omega)
                step += LONG
                continue
            end = step + LONG
            while step < end:
                # --- how many steps nothing can meet in ---
                level = 2 if step + LONG == end else 1
                for i in range(count):
                    if touching[i]:
                        level = 0
                if level > 0:
                    x = x_start + speed * step * dt
                    stick_far, stick_fast = bounds(sq, sp, stick_omega, stick_size)
                    ex = x + (stick_shape[0] * sq).sum()
                    ey = (stick_shape[1] * sq).sum()
                    ez = r_end + (stick_shape[2] * sq).sum()
                    for i in range(count):
                        if awake[i]:
                            place = row[i, 0]
                            height = row[i, 1]
                            half = row[i, 2]
                            edge = row[i, 3]
                            drop = row[i, 4]
                            s0 = (shape[i, :n] * q[i, :n]).sum()
                            s1 = (shape[i, n:] * q[i, n:]).sum()
                            ux = plane[i, 0] * s0 + plane[i, 2] * s1
                            uy = plane[i, 1] * s0 + plane[i, 3] * s1
                            xi = cg * (ex - place - ux) + sg * (ey - uy)
                            z = ez - height + drop * (ux * ux + uy * uy)
                            gap, _, _ = nearest(xi, z, half, edge, r_end, sa, ca)
                            far, fast = bounds(q[i], p[i], omega[i], shape[i])
                            rate = fast * (1.0 + 2.0 * drop * far) + stick_fast + speed
                            while level > 0 and gap < rate * LEVELS[level] * dt:
                                level -= 1
                if level > 0:
                    books[E_DAMPED] += energy(sq, sp, stick_omega)
                    turn(sq, sp, stick_turns[level])
                    books[E_DAMPED] -= energy(sq, sp, stick_omega)
                    for i in range(count):
                        if awake[i]:
                            books[E_DAMPED] += energy(q[i], p[i], omega[i])
                            turn(q[i], p[i], turns[level, i])
                            books[E_DAMPED] -= energy(q[i], p[i], omega[i])
                            if tally[i, T_TOUCHES] > 0.0:
                                tally[i, T_MOMENT] = max(tally[i, T_MOMENT], bending(q[i], root[i]))
                    step += LEVELS[level]
                    continue
                for _ in range(MIDDLE):
                    # --- one step: turn ---
                    step += 1
                    t = t_start + step * dt
                    c = stick_turns[0]
                    if booked:
                        books[E_DAMPED] += energy(sq, sp, stick_omega)
                    for j in range(modes):
                        a = sq[j]
                        b = sp[j]
                        sq[j] = c[0, j] * a + c[1, j] * b
                        sp[j] = c[2, j] * a + c[3, j] * b
                    if booked:
                        books[E_DAMPED] -= energy(sq, sp, stick_omega)
                    ex = x_start + speed * step * dt
                    ey = 0.0
                    ez = r_end
                    wx = speed
                    wy = 0.0
                    wz = 0.0
                    for j in range(modes):
                        ex += stick_shape[0, j] * sq[j]
                        ey += stick_shape[1, j] * sq[j]
                        ez += stick_shape[2, j] * sq[j]
                        wx += stick_shape[0, j] * sp[j]
                        wy += stick_shape[1, j] * sp[j]
                        wz += stick_shape[2, j] * sp[j]
                    for i in range(count):
                        if not awake[i]:
                            continue
                        c0 = turns[0, i, 0]
                        c1 = turns[0, i, 1]
                        c2 = turns[0, i, 2]
                        c3 = turns[0, i, 3]
                        qi = q[i]
                        pi = p[i]
                        si = shape[i]
                        if booked:
                            books[E_DAMPED] += energy(qi, pi, omega[i])
                        for k in range(width):
                            a = qi[k]
                            b = pi[k]
                            qi[k] = c0[k] * a + c1[k] * b
                            pi[k] = c2[k] * a + c3[k] * b
                        if booked:
                            books[E_DAMPED] -= energy(qi, pi, omega[i])
                        s0 = 0.0
                        s1 = 0.0
                        r0 = 0.0
                        r1 = 0.0
                        for k in range(n):
                            s0 += si[k] * qi[k]
                            r0 += si[k] * pi[k]
                        for k in range(n, width):
                            s1 += si[k] * qi[k]
                            r1 += si[k] * pi[k]
                        place = row[i, 0]
                        height = row[i, 1]
                        half = row[i, 2]
                        edge = row[i, 3]
                        drop = row[i, 4]
                        ux = plane[i, 0] * s0 + plane[i, 2] * s1
                        uy = plane[i, 1] * s0 + plane[i, 3] * s1
                        xi = cg * (ex - place - ux) + sg * (ey - uy)
                        z = ez - height + drop * (ux * ux + uy * uy)
                        gap, nx, nz = nearest(xi, z, half, edge, r_end, sa, ca)
                        if gap >= 0.0:
                            if touching[i]:
                                touching[i] = False
                                held[i, 0] = np.nan
                                lam[i] = -1.0
                                spring[i] = 0.0
                                tally[i, T_LAST] = t
                            continue
                        if not touching[i]:
                            touching[i] = True
                            tally[i, T_TOUCHES] += 1.0
                            if tally[i, T_TOUCHES] == 1.0:
                                tally[i, T_FIRST] = t
                        # --- the touch ---
                        vx = plane[i, 0] * r0 + plane[i, 2] * r1
                        vy = plane[i, 1] * r0 + plane[i, 3] * r1
                        bx = -2.0 * drop * ux
                        by = -2.0 * drop * uy
                        fx, fy, fz, pn, lost, spring[i], lam[i], at, ab, holds = touch(
                            (nx, nz, cg, sg),
                            (bx, by),
                            (wx - vx, wy - vy, wz - bx * vx - by * vy),
                            tine_give[i],
                            give,
                            gap,
                            law,
                            lam[i],
                            (held[i, 0], held[i, 1]),
                        )
                        held[i, 0] = at if holds else np.nan
                        held[i, 1] = ab
                        ax = fx + bx * fz
                        ay = fy + by * fz
                        f0 = plane[i, 0] * ax + plane[i, 1] * ay
                        f1 = plane[i, 2] * ax + plane[i, 3] * ay
                        for k in range(n):
                            pi[k] += si[k] * f0
                        for k in range(n, width):
                            pi[k] += si[k] * f1
                        for j in range(modes):
                            sp[j] -= stick_shape[0, j] * fx + stick_shape[1, j] * fy + stick_shape[2, j] * fz
                        wx -= give[0, 0] * fx + give[0, 1] * fy + give[0, 2] * fz
                        wy -= give[1, 0] * fx + give[1, 1] * fy + give[1, 2] * fz
                        wz -= give[2, 0] * fx + give[2, 1] * fy + give[2, 2] * fz
                        # --- the books ---
                        m = 0.5 * tine_give[i]
                        tally[i, T_WORK] += f0 * (r0 + m * f0) + f1 * (r1 + m * f1)
                        books[E_CONTACT] += lost
                        books[E_HAND] += fx * speed
                        strongest[i] = max(strongest[i], fx * fx + fy * fy + fz * fz)
                        if step % MIDDLE == 0:
                            tally[i, T_MOMENT] = max(tally[i, T_MOMENT], bending(qi, root[i]))
                            tally[i, T_BEND] = max(tally[i, T_BEND], math.sqrt(ux * ux + uy * uy))
                        if step // bin_steps != bin_now[i]:
                            if bin_now[i] >= 0:
                                used = write(history, used, i, bin_now[i], binned[i])
                            bin_now[i] = step // bin_steps
                        late = (step % bin_steps - 0.5 * (bin_steps - 1)) * dt
                        binned[i, 0] += f0
                        binned[i, 1] += f1
                        binned[i, 2] += f0 * late
                        binned[i, 3] += f1 * late
                        binned[i, 4] += pn
                        binned[i, 5] += fz
        t = t_start + step * dt
        for i in range(count):
            if bin_now[i] >= 0:
                used = write(history, used, i, bin_now[i], binned[i])
            if awake[i]:
                since[i] = t
            tally[i, T_FORCE] = math.sqrt(strongest[i]) / dt
            books[E_SPRING] += spring[i]
            books[E_END] += energy(q[i], p[i], omega[i])
            if tally[i, T_TOUCHES] > 0.0:  # its free ring goes on: some steps of it, on a copy
                ringing = q[i].copy()
                falling = p[i].copy()
                for _ in range(int(AFTERWARDS / (MIDDLE * dt))):
                    turn(ringing, falling, turns[1, i])
                    tally[i, T_MOMENT] = max(tally[i, T_MOMENT], bending(ringing, root[i]))
        books[E_END] += energy(sq, sp, stick_omega)
        if used > history.shape[0]:
            status = CROWDED
        return status, used, tally, books

    return sweep
