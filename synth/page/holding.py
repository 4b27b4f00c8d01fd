"""Palms on a ringing row, compiled; and how far tines swing, for the picture.

In: a bank's shapes and amplitudes. Out: what a palm or a resting stick takes of them, as `synth.playing.mute` and
`synth.vibration.modal_projection` have it.
"""

from __future__ import annotations

import math
from typing import Any

from synth.page.approach import turn_to
from synth.page.response import Body, add_row
from synth.playing.contact.compiled import cached_jit


@cached_jit
def gathered(body: Body, pole: Any, r: int, momenta: Any) -> None:
    """The momentum of tine r's partials in every mode, soft as in `modal_projection`: rows of momenta (V, 2, M)."""
    for plane in range(2):
        for k in range(body.dof.shape[2]):
            v = body.dof[r, plane, k]
            if v < 0:
                continue
            for m in range(pole.shape[1]):
                momenta[v, 0, m] = body.vectors[v, 0, m]
                momenta[v, 1, m] = body.vectors[v, 1, m]
            for b in range(body.base.shape[2]):
                moved = 0.0
                for j in range(6):
                    moved += body.force[r, j, plane, k] * body.base[r, j, b]
                add_row(momenta, v, body.vectors, b, moved)
            omega = 2.0 * math.pi * body.partial[r, plane, k]
            for m in range(pole.shape[1]):
                x = max((pole[1, m] / omega) ** 2, 1.0)
                slow = x / (x * x - x + 1.0)
                momenta[v, 0, m] *= slow
                momenta[v, 1, m] *= slow


@cached_jit
def quietened(
    body: Body, pole: Any, r: int, per_hz: float, flat: float, turned: Any, momenta: Any, amplitude: Any
) -> None:
    """What a palm or a resting stick takes of tine r's ring, added to amplitude (2, M), as `modal_projection` does.

    From each partial expm1(-(per_hz f + flat)) of it. `turned` (4, M): amplitudes a now, and s a.
    """
    for plane in range(2):
        for k in range(body.dof.shape[2]):
            v = body.dof[r, plane, k]
            if v < 0:
                continue
            q = 0.0
            p = 0.0
            for m in range(pole.shape[1]):
                q += body.vectors[v, 0, m] * turned[0, m] - body.vectors[v, 1, m] * turned[1, m]
                p += body.vectors[v, 0, m] * turned[2, m] - body.vectors[v, 1, m] * turned[3, m]
            share = math.expm1(-(per_hz * body.partial[r, plane, k] + flat))
            q *= share
            p *= share
            for m in range(pole.shape[1]):
                up = -(p - pole[0, m] * q) / pole[1, m]
                amplitude[0, m] += momenta[v, 0, m] * q - momenta[v, 1, m] * up
                amplitude[1, m] += momenta[v, 0, m] * up + momenta[v, 1, m] * q


@cached_jit
def turned_to(pole: Any, amplitude: Any, time: float, turned: Any) -> None:
    """Amplitudes a (2, M) after a time, and s a: `turned` (4, M)."""
    turn_to(pole, amplitude, time, turned)


@cached_jit
def swings(dof: Any, vectors: Any, amplitude: Any, swing: Any) -> None:
    """How far the first partial of every tine swings in its planes, modal: swing (R, 2), for the picture."""
    for r in range(dof.shape[0]):
        for plane in range(2):
            v = dof[r, plane, 0]
            x = 0.0
            y = 0.0
            if v >= 0:
                for m in range(amplitude.shape[1]):
                    x += vectors[v, 0, m] * amplitude[0, m] - vectors[v, 1, m] * amplitude[1, m]
                    y += vectors[v, 0, m] * amplitude[1, m] + vectors[v, 1, m] * amplitude[0, m]
            swing[r, plane] = math.sqrt(x * x + y * y)
