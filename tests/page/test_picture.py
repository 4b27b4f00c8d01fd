"""What is drawn: bar and tines where they stand in space."""

from __future__ import annotations

import numpy as np
import pytest

from synth.page.picture import drawn_bar, drawn_tines

from .conftest import heard, made

ROUNDING = 2e-5  # m


@pytest.mark.parametrize("shape", ["straight", "bent"])
def test_tines_stand_on_the_bars_face_and_are_as_long_as_they_are_free(shape):
    scene = heard(shape, "bar")
    bar, tines = drawn_bar(scene.instrument.bar), drawn_tines(scene)
    axis = np.array(bar["axis"])
    for tine, told in zip(scene.instrument.tines, tines, strict=True):
        clamp, tip = np.array(told["clamp"]), np.array(told["tip"])
        modes = scene.row.modes
        r = tines.index(told)
        assert np.linalg.norm(tip - clamp) == pytest.approx(
            modes.tip[r] - modes.height[r, 0], abs=2 * ROUNDING
        )
        assert told["length"] == pytest.approx(scene.row.length[r], abs=1e-6)
        off = np.linalg.norm(axis - clamp, axis=1).min()
        assert 0.004 < off < 0.035  # 10 mm high, 60 mm wide, and a nut
        assert abs(np.dot(tip - clamp, told["along"])) < ROUNDING
        assert told["hz"] == pytest.approx(scene.row.mounted_hz[r], abs=1e-3)
        assert [each["at"] for each in told["nuts"]] == pytest.approx(
            [each.position for each in scene.row.trim[r]], abs=1e-5
        )
        assert (told["group"], told["number"]) == (tine.group, tine.number)


def test_a_bent_bar_is_drawn_bent():
    straight, bent = (np.array(drawn_bar(made(shape).bar)["axis"]) for shape in ("straight", "bent"))
    assert np.ptp(straight[:, 1:]) < ROUNDING
    steps = np.linalg.norm(np.diff(bent, axis=0), axis=1)
    assert steps.sum() == pytest.approx(made("bent").bar.length, rel=1e-3)
    turned = np.degrees(np.arccos(np.dot(bent[1] - bent[0], bent[-1] - bent[-2]) / steps[0] / steps[-1]))
    assert turned == pytest.approx(70.0, abs=0.5)
