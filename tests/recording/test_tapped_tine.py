"""Which tine was tapped, from its lines alone: when another that rings forbids to say so."""

from __future__ import annotations

from types import SimpleNamespace

import numpy as np
import pytest

from synth.recording import tapped_tine
from synth.recording.damped_sinusoid_fit import FittedModes
from synth.recording.tapped_pitch import nothing

RATIOS = np.array([1.0, 6.27, 17.55])


@pytest.mark.parametrize("announced", [None, 0])
@pytest.mark.parametrize(("level", "held"), [(0.7, True), (0.35, False)])
def test_another_that_rings_more_than_half_as_loud_is_to_be_held(
    monkeypatch: pytest.MonkeyPatch, announced: int | None, level: float, held: bool
) -> None:
    """Tines at 200 and 300 Hz with two overtones each; a softer one is left to what its figure says."""
    monkeypatch.setattr(tapped_tine, "told_of", lambda *_: nothing("told"))
    frequency = np.array([200.0, 300.0])[:, None, None] * np.ones((1, 2, 1)) * RATIOS
    targets = SimpleNamespace(name=("a", "b"), frequency=frequency, target=np.array([200.0, 300.0]))
    hertz = np.concatenate([200.0 * RATIOS, 300.0 * RATIOS])
    amplitude = np.concatenate([[1.0, 0.6, 0.4], np.array([1.0, 0.6, 0.4]) * level]).astype(complex)
    none = np.zeros(6)
    new = FittedModes(amplitude, -1.0 + 2j * np.pi * hertz, none, none, none)
    told = tapped_tine.judged(SimpleNamespace(new=new), targets, announced=announced)  # type: ignore[arg-type]
    assert told.tine is None
    assert set(told.candidates) == {0, 1}
    assert told.reason == ("more than one tine rings: hold the others and tap again" if held else "told")
