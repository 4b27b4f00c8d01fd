"""Every shipped design is loaded, solved, and its lowest note asserted (equal temperament, ISO 16)."""

from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load, read_toml
from synth.design.resolve import resolve
from synth.units import note_hz, note_number, ratio
from synth.vibration.solve import solve_model, solve_quarrels, solve_row

FOLDER = Path(__file__).resolve().parent.parent / "designs"
LOWEST = {"test-piece": "D3", "quay-rail": "D2", "lantern-hoop": "D3"}
CENT = ratio(1.0) - 1.0

DESIGNS = [path for path in sorted(FOLDER.glob("*.toml")) if "bar" in read_toml(path)]


def test_every_design_has_its_lowest_note_written_here():
    assert {path.stem for path in DESIGNS} == set(LOWEST)


@pytest.mark.parametrize("path", DESIGNS, ids=lambda path: path.stem)
def test_a_shipped_design_is_solved_and_in_tune(path):
    instrument = resolve(load(path), str(path))
    row = solve_row(instrument)
    lowest = note_hz(note_number(LOWEST[path.stem]), instrument.a4)
    assert row.mounted_hz.min() == pytest.approx(lowest, rel=0.01 * CENT)
    aimed = ~np.isnan(row.target_hz)
    off = np.abs(row.mounted_hz[aimed] / row.target_hz[aimed] - 1.0)
    assert np.max(off) < 0.01 * CENT
    assert not row.warnings
    model = solve_model(instrument, row)
    assert np.all(model.decay_rate > 0.0)
    assert np.all(np.diff(model.frequency) >= 0.0)


@pytest.mark.parametrize("path", DESIGNS, ids=lambda path: path.stem)
def test_tines_and_bar_of_a_shipped_design_quarrel_mildly(path):
    """A quarter of a semitone at worst, and no ring cut by half."""
    instrument = resolve(load(path), str(path))
    for quarrel in solve_quarrels(instrument, solve_row(instrument)):
        assert abs(np.log(quarrel.shift)) < 25.0 * CENT
        assert quarrel.decay_loss < 2.0
