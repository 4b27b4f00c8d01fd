"""The nut is turned the right way, by as much as the closed form says, and the tine then sounds its pitch."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.errors import InputError
from synth.recording.identity import tine_name
from synth.recording.measurement import Partial, TapPartials
from synth.recording.predicted_partials import bar_of, heard
from synth.recording.retune import retune
from synth.vibration.solve import solve_row

CENTS_PER_LENGTH = -3462.5  # of ln: 2 / ln 2 x 1200, a slender rod's cents per relative change of length


def tap(*frequencies: float) -> TapPartials:
    partials = [Partial(float(hz), 0.01, 3.0, 0.1, 0.1, 0.01, 0.0, 0.1 + 0j) for hz in frequencies]
    return TapPartials(0.5, 0.51, 3.0, tuple(partials))


@pytest.mark.parametrize("off", [-60.0, -5.0, 30.0])
def test_the_nut_goes_up_for_a_flat_tine_by_the_closed_form(piece: Any, off: float) -> None:
    instrument, row, model = piece.model()
    sounds = model.frequency[1, 0, :3] * 2.0 ** (off / 1200.0)
    advice = retune(instrument, row, 1, [tap(*sounds)], float(model.frequency[1, 0, 0]))
    effective = row.length[1] + 0.3 * instrument.tines[1].rod.bend_diameter
    assert advice.cents == pytest.approx(off, abs=0.01)
    assert np.sign(advice.shorten) == -np.sign(off)
    assert advice.shorten == pytest.approx(off / CENTS_PER_LENGTH * effective, rel=0.06)
    assert advice.turns == pytest.approx(advice.shorten / 0.5e-3)


def test_after_the_advised_turn_the_model_sounds_the_target(piece: Any) -> None:
    """A tine 40 cents sharp of the model, with a trim nut, whose place above the base nut changes too."""
    instrument, row, model = piece.model()
    target = float(row.target_hz[3])
    advice = retune(instrument, row, 3, [tap(*(model.frequency[3, 0, :3] * 2.0 ** (40.0 / 1200.0)))], target)
    length = row.length.copy()
    length[3] -= advice.shorten
    (nut,) = row.trim[3]
    moved = (*row.trim[:3], (type(nut)(nut.nut, nut.position - advice.shorten),))
    after = heard(instrument, bar_of(instrument), length, moved, [3]).frequency[0, 0, 0]
    assert 1200.0 * np.log2(after * 2.0 ** (40.0 / 1200.0) / target) == pytest.approx(0.0, abs=0.01)


def test_several_taps_are_averaged_and_their_scatter_told(piece: Any) -> None:
    instrument, row, model = piece.model()
    taps = [tap(*(model.frequency[1, 0, :3] * 2.0 ** (off / 1200.0))) for off in (-12.0, -10.0, -8.0)]
    advice = retune(instrument, row, 1, taps, float(model.frequency[1, 0, 0]))
    assert advice.cents == pytest.approx(-10.0, abs=0.01)
    assert advice.deviation_cents == pytest.approx(np.std([-12, -10, -8]) / np.sqrt(3), rel=0.1)


def test_without_the_fundamental_the_next_partial_tells_the_pitch(piece: Any) -> None:
    instrument, row, model = piece.model()
    sounds = model.frequency[0, 0, 1:4] * 2.0 ** (-20.0 / 1200.0)
    advice = retune(instrument, row, 0, [tap(*sounds)], float(model.frequency[0, 0, 0]))
    assert advice.partial == 1
    # clamps and nuts move a tine's partials by 10 cents against each other; which plane was heard, nothing says
    assert 10.0 < advice.deviation_cents < 15.0
    assert advice.cents == pytest.approx(-20.0, abs=2.0 * advice.deviation_cents)


def test_a_pitch_out_of_reach_is_refused(piece: Any) -> None:
    instrument, row, model = piece.model()
    with pytest.raises(InputError, match="out of this tine's reach"):
        retune(instrument, row, 1, [tap(*model.frequency[1, 0, :3])], 900.0)


def test_another_tines_tap_is_refused(piece: Any) -> None:
    instrument, row, _ = piece.model()
    with pytest.raises(InputError, match="no partial of this tine"):
        retune(instrument, row, 1, [tap(333.0, 371.0)], 150.0)


def test_on_a_rail_a_tine_is_itself_and_a_stranger_is_named() -> None:
    """Some tines of the demo rail, tapped as the model has them: named rightly, then as another tine."""
    file = str(Path(__file__).parents[2] / "designs" / "quay-rail.toml")
    instrument = resolve(load(file), file)
    row, bar = solve_row(instrument), bar_of(instrument)
    dice = np.random.default_rng(3)
    for tine, named in dice.integers(len(row.mounted_hz), size=(8, 2)).tolist():
        model = heard(instrument, bar, row.length, row.trim, [tine]).frequency[0, 0]
        taps = [tap(*model[model > 0.0][:4])]
        assert retune(instrument, row, tine, taps, float(row.mounted_hz[tine])).other is None
        if abs(1200.0 * np.log2(row.mounted_hz[named] / row.mounted_hz[tine])) < 120.0:
            continue
        try:
            other = retune(instrument, row, named, taps, float(row.mounted_hz[named])).other
            told = "" if other is None else f"of {tine_name(instrument, other)}:"
        except InputError as error:
            told = str(error)
        alike = np.flatnonzero(np.abs(1200.0 * np.log2(row.mounted_hz / row.mounted_hz[tine])) < 40.0)
        assert any(f"of {tine_name(instrument, each)}:" in told for each in alike.tolist())


def test_taps_of_one_pitch_are_as_sure_as_their_lines_less_by_the_root_of_their_number(piece: Any) -> None:
    """Lines known to 0.2 and 0.4 Hz: their mean square over both; the planes lie too far apart to be mistaken."""
    instrument, row, model = piece.model()
    hz = model.frequency[1, 0, :3]
    assert 1200.0 * abs(np.log2(hz[0] / model.frequency[1, 1, 0])) > 30.0
    taps = [
        replace(each, partials=tuple(replace(one, frequency_deviation=sd) for one in each.partials))
        for each, sd in zip((tap(*hz), tap(*hz)), (0.2, 0.4), strict=True)
    ]
    advice = retune(instrument, row, 1, taps, float(hz[0]))
    sure = np.sqrt((0.2**2 + 0.4**2) / 2.0 / 2.0)
    assert advice.standard_uncertainty == pytest.approx(sure, rel=0.01)
    assert advice.deviation_cents == pytest.approx(1200.0 * np.log2(1.0 + sure / hz[0]), rel=0.01)


@pytest.mark.parametrize("share", [0.09, 0.06, -0.06])
def test_a_tine_that_sounds_as_if_it_stood_much_longer_or_shorter_is_in_doubt_by_so_many_mm(
    piece: Any, share: float
) -> None:
    """150 mm and 9 %, 6 % more or 6 % less of them; a rod's own pitch goes as the square of its length."""
    instrument, row, model = piece.model()
    reach = 1.0 + 0.3 * instrument.tines[0].rod.bend_diameter / row.length[0]
    sounds = model.frequency[0, 0, :3] * (reach / (reach + share)) ** 2
    advice = retune(instrument, row, 0, [tap(*sounds)], float(model.frequency[0, 0, 0]))
    (doubt,) = [each for each in advice.doubts if "sounds as if" in each]
    figure, way = re.fullmatch(
        r"it sounds as if it stood (\d+) mm (longer|shorter) than the design has it", doubt
    ).groups()  # type: ignore[union-attr]
    assert float(figure) == pytest.approx(abs(share) * 150.0, abs=1.1)
    assert way == ("longer" if share > 0.0 else "shorter")
    assert not any("one partial" in each or "fundamental" in each for each in advice.doubts)
