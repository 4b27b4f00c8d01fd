"""An error of a tine's length, as calibration weighs it: common to all its partials, as large as it sounds."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.recording.calibration_model import covariance
from synth.vibration.tine import solve_tines

HALF = 0.5e-3  # m, the length's standard deviation
LENGTH = np.array([0.120, 0.090])


def line(tine):
    return SimpleNamespace(
        tine=tine, standard_uncertainty=1e-9, decay_standard_uncertainty=0.0, decay_rate=float("nan")
    )


def test_partials_of_a_tine_err_together_by_what_its_length_does_to_them(bench):
    lines = tuple(line(tine) for tine in (0, 0, 1))
    piece = SimpleNamespace(lines=lines, decaying=[], length_deviation=HALF, length=LENGTH)
    found = covariance(piece)
    shift = []
    for length in LENGTH:
        tine = bench.tine(bench.plain(3.0), length=1e3 * length)
        low, high = (solve_tines([tine], [length + side * HALF], [()]).frequency[0, 0, 0] for side in (-1, 1))
        shift.append(0.5 * np.log(high / low))
    assert found[0, 1] == pytest.approx(shift[0] ** 2, rel=0.01)
    assert found[2, 2] - found[0, 0] == pytest.approx(shift[1] ** 2 - shift[0] ** 2, rel=0.02)
    assert found[0, 2] == found[1, 2] == 0.0  # another tine's length is another's
