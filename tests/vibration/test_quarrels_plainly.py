"""Every quarrel of a row on a flat bar against the pair of equations solved outright, one by one.

All that is noticed is told and nothing else, in its own plane, with its own losses.
"""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest
import tomlkit
from scipy.linalg import eig

from synth.design.decode import decode
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.vibration.quarrels import base_motion, find_quarrels, loaded_shapes, meet, severity
from synth.vibration.tuning import tune

DESIGN = """
[bar]
section = { shape = "rectangle", width_mm = 30.0, height_mm = 8.0 }
path = [{ straight_mm = 420.0 }]
supports = [{ at_mm = 60.0, kind = "rubber" }, { at_mm = 330.0, kind = "cord" }]
[tines]
split_cents = 40.0
[[group]]
name = "up"
stock = "M4"
start_mm = 90.0
spacing_mm = 21.0
[[group.tine]]
free_length_mm = 140.0
[[group.tine]]
free_length_mm = 119.0
[[group]]
name = "aside"
stock = "M4"
start_mm = 205.0
face_deg = 90.0
[[group.tine]]
free_length_mm = 101.0
"""


@pytest.fixture(scope="module")
def solved():
    instrument = resolve(decode(tomlkit.parse(DESIGN).unwrap(), Design))
    row = tune(instrument)
    return instrument, row, *loaded_shapes(instrument, row)


def pair(squared, tine_loss, kappa, bar_loss, s):
    """Shift and loss of decay of the one, of the two modes that partial and bar mode make, that is more tine."""
    K = np.diag([squared * (1.0 + 1j * tine_loss), kappa * (1.0 + 1j * bar_loss)])
    value, vector = eig(K, np.array([[1.0, s], [s, 1.0]]))
    own = np.argmax(np.abs(vector[0] / vector[1]))
    pole, alone = np.sqrt(value[own]), np.sqrt(K[0, 0])
    return pole.real / alone.real, max(pole.imag / alone.imag, 1.0)


def expected(row, shapes, bases):
    """Every pair within half an octave that is noticed: 5 cents, or a quarter of the ring."""
    found = {}
    modes = row.modes
    for r, p, n in itertools.product(range(3), range(2), range(3)):
        turn, lean = math.cos(bases.axis[r]), math.sin(bases.axis[r])
        direction = (
            turn * bases.along[r] + lean * bases.across[r]
            if p == 0
            else turn * bases.across[r] - lean * bases.along[r]
        )
        node = int(np.argmin(np.abs(shapes.position - bases.position[r])))
        hz = modes.frequency[r, p, n]
        for k in np.flatnonzero(np.abs(np.log2(shapes.frequency / hz)) < 0.5):
            u, theta = shapes.motion[node, :3, k], shapes.motion[node, 3:, k]
            moved = direction @ (u + np.cross(theta, bases.arm[r]))
            turned = np.cross(bases.pointing[r], direction) @ theta
            s = modes.momentum[r, n] * moved + modes.moment_participation[r, n] * turned
            shift, decay = pair(
                (2.0 * math.pi * hz) ** 2, modes.loss_factor[r, p, n],
                (2.0 * math.pi * shapes.frequency[k]) ** 2, shapes.loss_factor[k], s,
            )  # fmt: skip
            if abs(1200.0 * math.log2(shift)) > 5.0 or decay > 1.25:
                found[r, p, n + 1, int(k)] = (shift, decay)
    return found


def test_all_that_is_noticed_is_told_with_its_own_figures(solved):
    instrument, row, shapes, bases = solved
    plain = expected(row, shapes, bases)
    found = find_quarrels(instrument, row)
    assert {(each.tine, each.plane, each.partial, each.bar_mode) for each in found} == set(plain)
    assert {each.plane for each in found} == {0, 1}
    assert len(found) > 5
    for each in found:
        shift, decay = plain[each.tine, each.plane, each.partial, each.bar_mode]
        assert each.shift == pytest.approx(shift, rel=1e-7)
        assert each.decay_loss == pytest.approx(decay, rel=1e-6)
        assert each.partial_hz == pytest.approx(row.modes.frequency[each.tine, each.plane, each.partial - 1])
        assert each.bar_hz == pytest.approx(shapes.frequency[each.bar_mode])
        steps = abs(math.log(shift)) / math.log(2.0 ** (5.0 / 1200.0)) + math.log(decay) / math.log(1.25)
        assert each.severity == pytest.approx(steps, rel=1e-5)
        assert each.severity == pytest.approx(float(severity(np.array(shift), np.array(decay))), rel=1e-5)
    met = meet(row, shapes.frequency, shapes.loss_factor, base_motion(shapes, bases))
    assert met.total() == pytest.approx(sum(each.severity for each in found))
