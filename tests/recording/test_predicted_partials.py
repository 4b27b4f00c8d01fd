"""What a muted row's one free tine sounds, against the mounted pitch found another way, and against a rock."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from synth.design.edit import Edit
from synth.recording import predicted_partials
from synth.recording.predicted_partials import HIGHEST_PREDICTED
from synth.vibration.coupling import added_mass

CENT = np.log(2.0) / 1200.0


def test_fundamentals_are_the_mounted_pitches(piece: Any) -> None:
    """`mounting` finds them by a different reduction, one tine free, the others locked."""
    _, row, model = piece.model()
    assert np.allclose(np.log(model.frequency[:, 0, 0] / row.mounted_hz), 0.0, atol=0.01 * CENT)


def test_on_a_heavy_clamped_bar_the_clamped_partials_are_heard(piece: Any) -> None:
    heavy = [
        Edit("bar.section.width_mm", 90.0),
        Edit("bar.section.height_mm", 90.0),
        Edit("material.bar-steel.density_kg_m3", 24_000.0),
        Edit("material.bar-steel.youngs_gpa", 1400.0),
    ]
    _, row, model = piece.model(heavy)
    clamped = row.modes.frequency[:, :, :3]
    assert np.max(np.abs(np.log(model.frequency[:, :, :3] / clamped))) < 1.5 * CENT


def test_every_partial_of_every_tine_is_told_with_a_decay(piece: Any) -> None:
    _, row, model = piece.model()
    there = model.frequency > 0.0
    clamped = row.modes.frequency[:, :, : there.shape[2]]
    assert np.all(there[(clamped > 0.0) & (clamped < 0.98 * HIGHEST_PREDICTED)])
    assert np.all(model.decay_rate[there] > 0.0)
    assert model.row(2) == 2
    assert np.all(np.diff(model.frequency[0, 0, :4]) > 0.0)


@pytest.mark.parametrize("count", [1, 2])
def test_the_first_partials_alone_are_the_same_and_no_other_is_there(piece: Any, count: int) -> None:
    instrument, row, model = piece.model()
    which = range(len(row.length))
    bar = predicted_partials.bar_of(instrument)
    first = predicted_partials.heard(instrument, bar, row.length, row.trim, which, partials=count)
    for alone, every in (
        (first.frequency, model.frequency),
        (first.decay_rate, model.decay_rate),
    ):
        assert np.array_equal(alone[:, :, :count], every[:, :, :count])
        assert np.all(alone[:, :, :count] > 0.0)
        assert not np.any(alone[:, :, count:])


def test_muted_neighbours_still_weigh_on_the_bar(piece: Any) -> None:
    """A tine more on the bar moves the others' pitch by its mass alone: some cents of the bar's own pull."""
    _, _, four = piece.model()
    text = piece.design.read_text()
    piece.design.write_text(text.replace("[[group.tine]]\nfree_length_mm = 78.0\n", ""))
    _, _, three = piece.model()
    change = np.log(three.frequency[0, 0, 0] / four.frequency[0, 0, 0])
    assert 1e-4 * CENT < abs(change) < 2.0 * CENT
    assert three.frequency[0, 0, 0] == pytest.approx(four.frequency[0, 0, 0], rel=2.0 * CENT)


def test_the_bar_carries_each_tine_s_own_spin_besides_its_base_nut(
    piece: Any, monkeypatch: pytest.MonkeyPatch
) -> None:
    """About the way it points: rho pi d^4 / 32 a metre of free and of added length, and the nut's own."""
    carried = []

    def noted(motion: Any, bases: Any, modes: Any, nuts: Any) -> Any:
        carried.append(nuts)
        return added_mass(motion, bases, modes, nuts)

    monkeypatch.setattr(predicted_partials, "added_mass", noted)
    instrument, row, _ = piece.model()
    for n, tine in enumerate(instrument.tines[:3]):  # without a trim nut
        line = tine.rod.material.density * np.pi / 32.0 * tine.rod.mass_diameter**4
        spin = line * (row.length[n] + tine.root.added_length)
        assert carried[-1][n, 5, 5] == pytest.approx(tine.root.base_nut.rotary_inertia + spin, rel=1e-3)
        assert spin > 0.02 * tine.root.base_nut.rotary_inertia
