"""The fit finds what was changed, says how well it knows it, and refuses what the data do not hold."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from synth.design.edit import Edit
from synth.errors import InputError
from synth.recording import apart
from synth.recording.calibrate import Calibration, calibrate
from synth.recording.calibration_model import DECAY_ERROR, MODEL_CENTS, MeasuredPiece
from synth.recording.match import MatchedPartial
from synth.recording.parameters import tree_of, unknowns
from synth.units import CENT
from synth.vibration.tuning import LONGEST

BEND = Edit("stock.rod.bend_diameter_mm", 2.41)
ROOT = Edit("tines.root_length_per_diameter", 0.55)
GRIP = Edit("nut.'M3 hex'.grip", 0.5)
CLAMP = Edit("tines.clamp_loss_factor", 0.0018)
TRUTH = {
    "bend-diameter of rod": 2.41,
    "root-length": 0.55,
    "nut-grip of M3 hex": 0.5,
    "clamp-loss": 0.0018,
}


def measured(
    piece: Any, changes: Sequence[Edit], tines: Sequence[int], *, partials: int = 4, seed: int | None = None
) -> MeasuredPiece:
    """The piece with the lines that the changed model has; with a seed, scattered as the fit assumes."""
    instrument, row, _ = piece.model()
    truth = piece.model(changes)[2]
    rng = np.random.default_rng(seed)
    lines = []
    for tine in tines:
        cut = 0.0 if seed is None else -2.0 * 5e-5 / row.length[tine] * rng.normal()
        for partial in range(partials):
            for plane in (0, 1):
                off = 0.0 if seed is None else cut + MODEL_CENTS * CENT * rng.normal()
                slow = 0.0 if seed is None else DECAY_ERROR * rng.normal()
                hz = truth.frequency[tine, plane, partial] * math.exp(off)
                rate = truth.decay_rate[tine, plane, partial] * math.exp(slow)
                lines.append(MatchedPartial(tine, partial, plane, float(hz), 1e-6, float(rate), 0.01))
    tree = tree_of(str(piece.design))
    return MeasuredPiece(tree, str(piece.design), instrument, row.length, row.trim, 5e-5, tuple(lines))


def learn(data: MeasuredPiece, asked: Sequence[str] | None = None) -> Calibration:
    return calibrate(data, unknowns(data.tree, data.instrument, data.tines), asked)


def test_what_was_changed_is_learnt_and_the_model_meets_the_measurement_afterwards(piece: Any) -> None:
    data = measured(piece, [BEND, ROOT, GRIP, CLAMP], [0, 1, 2, 3])
    result = learn(data)
    fitted = {each.unknown.name: each for each in result.fitted}
    assert set(fitted) == set(TRUTH)
    for name, value in TRUTH.items():
        assert fitted[name].value == pytest.approx(value, rel=2e-3)
        assert fitted[name].standard_uncertainty > 0.0
    assert result.warnings == ()
    before = [
        math.log(line.of(result.before.frequency[line.tine]) / line.frequency) / CENT for line in data.lines
    ]
    after = [
        math.log(line.of(result.after.frequency[line.tine]) / line.frequency) / CENT for line in data.lines
    ]
    slow = [line.of(result.after.decay_rate[line.tine]) / line.decay_rate for line in data.lines]
    assert max(map(abs, before)) > 30.0
    assert max(map(abs, after)) < 0.2
    assert slow == pytest.approx([1.0] * len(slow), rel=0.01)


def test_the_deviation_of_one_unknown_is_that_of_the_weighted_mean(piece: Any) -> None:
    """ln f moves by twice ln d; eight lines a tine scatter by themselves, all of them with the tine's length."""
    data = measured(piece, [BEND], [0, 1, 2])
    (fitted,) = learn(data, ["bend-diameter"]).fitted
    alone = (MODEL_CENTS * CENT) ** 2 / 8.0
    shared = (2.0 * data.length_deviation / data.length[:3]) ** 2
    told = np.sum(2.0**2 / (shared + alone))
    assert fitted.value == pytest.approx(2.41, rel=1e-3)
    assert fitted.standard_uncertainty == pytest.approx(2.41 / math.sqrt(told), rel=0.05)
    twice = learn(replace(data, length_deviation=2.0 * data.length_deviation), ["bend-diameter"]).fitted[0]
    told = np.sum(2.0**2 / (4.0 * shared + alone))
    assert twice.standard_uncertainty == pytest.approx(2.41 / math.sqrt(told), rel=0.05)


@pytest.mark.slow
def test_deviations_are_those_of_repeated_fits(piece: Any) -> None:
    """Mean square of errors over deviations, 10 fits of four unknowns; they scatter as the fit assumes."""
    scores = []
    for seed in range(10):
        result = learn(measured(piece, [BEND, ROOT, GRIP, CLAMP], [0, 1, 2, 3], seed=seed))
        fitted = {each.unknown.name: each for each in result.fitted}
        scores += [
            (fitted[name].value - value) / fitted[name].standard_uncertainty for name, value in TRUTH.items()
        ]
    assert np.mean(np.square(scores)) == pytest.approx(1.0, abs=3.0 * math.sqrt(2.0 / 40.0))


def test_modulus_and_bending_diameter_are_not_both_learnt(piece: Any) -> None:
    data = measured(piece, [BEND], [0, 1, 2])
    result = learn(data)
    rejected = {each.unknown.name: each.reason for each in result.rejected}
    assert "moves with it as with the bend-diameter of rod" in rejected["youngs of A2-70"]
    with pytest.raises(InputError, match="the data do not hold the youngs of A2-70"):
        learn(data, ["youngs", "bend-diameter"])


def test_what_is_withheld_comes_with_what_would_tell_it(piece: Any) -> None:
    """The remedy is followed, and then the fit learns what it had rejected."""
    data = measured(piece, [BEND, ROOT], [0, 1, 2])
    blunt = learn(replace(data, length_deviation=6e-4))
    rejected = {each.unknown.name: each for each in blunt.rejected}
    assert "--length-sd-mm 0.03" in rejected["root-length"].remedy
    assert "stands for both" in rejected["youngs of A2-70"].remedy
    sharp = learn(replace(data, length_deviation=3e-5))
    assert "root-length" in {each.unknown.name for each in sharp.fitted}


def test_a_misfit_that_goes_with_the_length_is_said(piece: Any) -> None:
    data = measured(piece, [Edit("tines.root_length_per_diameter", 0.9)], [0, 1, 2])
    result = learn(data, ["bend-diameter"])
    assert any("what is left goes with the length" in each for each in result.warnings)
    assert not any(
        "goes with the length" in each for each in learn(measured(piece, [BEND], [0, 1, 2])).warnings
    )


def test_one_tine_does_not_tell_root_from_thread(piece: Any) -> None:
    with pytest.raises(InputError, match="the data do not hold the root-length"):
        learn(measured(piece, [BEND], [0]), ["bend-diameter", "root-length"])


def test_clamp_and_material_loss_are_not_both_learnt(piece: Any) -> None:
    result = learn(measured(piece, [CLAMP], [0, 1, 2]))
    assert [each.unknown.name for each in result.fitted if "loss" in each.unknown.name] == ["clamp-loss"]
    with pytest.raises(InputError, match="the data do not hold the material-loss"):
        learn(measured(piece, [CLAMP], [0, 1, 2]), ["clamp-loss", "material-loss"])


def test_one_partial_teaches_nothing(piece: Any) -> None:
    data = measured(piece, [BEND], [0], partials=1)
    with pytest.raises(InputError, match="teach nothing"):
        learn(replace(data, lines=data.lines[:1]))


def test_a_kind_that_the_tines_do_not_have_is_refused(piece: Any) -> None:
    with pytest.raises(InputError, match="no nut-grip to fit"):
        learn(measured(piece, [BEND], [0, 1]), ["nut-grip"])


def test_without_lines_there_is_nothing_to_fit(piece: Any) -> None:
    with pytest.raises(InputError, match="no measured partial"):
        learn(replace(measured(piece, [], [0]), lines=()))


def test_a_partial_that_the_model_cannot_explain_is_named(piece: Any) -> None:
    data = measured(piece, [BEND], [0, 1, 2])
    odd = replace(data.lines[2], frequency=data.lines[2].frequency * 2.0 ** (30.0 / 1200.0))
    result = learn(replace(data, lines=(*data.lines[:2], odd, *data.lines[3:])))
    assert any("partial 2" in each and "cents off the model" in each for each in result.warnings)


def test_a_plain_rod_of_another_modulus_is_measured_by_the_textbook(piece: Any) -> None:
    """Frequencies from the exact Timoshenko cantilever, d/L = 0.02, nu 0.29: omega L^2 sqrt(rho A / E I) =
    3.515216, 21.999639, 61.465444, 120.067057 (transfer matrix, k = 0.88558), E 185 GPa; the design says 193."""
    numbers = (3.515216, 21.999639, 61.465444, 120.067057)
    piece.design.write_text(
        '[material.m]\nlike = "304"\nyoungs_gpa = 193.0\ndensity_kg_m3 = 7900.0\npoisson = 0.29\n'
        '[bar]\nsection = { shape = "rectangle", width_mm = 100.0, height_mm = 100.0 }\n'
        'path = [{ straight_mm = 400.0 }]\nsupports = [{ at_mm = 200.0, kind = "clamp" }]\n'
        '[stock.s]\nkind = "plain"\ndiameter_mm = 3.0\nmaterial = "m"\n'
        '[[group]]\nname = "g"\nstock = "s"\nstart_mm = 150.0\n[[group.tine]]\nfree_length_mm = 149.1\n'
    )
    stiff = 3e-3 / 4.0 * math.sqrt(185e9 / 7900.0)  # sqrt(E I / rho A)
    frequency = [number * stiff / (2.0 * math.pi * 0.15**2) for number in numbers]
    lines = tuple(MatchedPartial(0, n, None, hz, 1e-6, math.nan, math.nan) for n, hz in enumerate(frequency))
    instrument, row, _ = piece.model()
    data = MeasuredPiece(tree_of(str(piece.design)), "", instrument, row.length, row.trim, 0.0, lines)
    (fitted,) = learn(data, ["youngs"]).fitted
    assert fitted.value == pytest.approx(185.0, abs=0.5)  # 0.5 GPa is 2.3 cents; the bar's recoil is one


def test_the_long_tine_that_would_tell_is_half_as_long_again_at_least_and_one_that_can_be_cut(
    piece: Any,
) -> None:
    """Of the same stock, not yet tapped, without a trim nut; its partials as sure as those that were heard."""
    data = measured(piece, [BEND], [1, 2])
    longer = apart._with_long_tine(data)
    assert longer is not None
    assert 1e3 * longer.length == pytest.approx([1.7 * 105.0, 105.0, 78.0, 1e3 * data.length[3]])
    assert [(line.tine, line.partial) for line in longer.lines[len(data.lines) :]] == [
        (0, n) for n in range(4)
    ]
    assert {line.standard_uncertainty for line in longer.lines} == {1e-6}
    assert apart._with_long_tine(measured(piece, [BEND], [0, 1, 2])) is None  # what is left has a nut
    high = replace(data, length=data.length * 5.0)
    assert max(apart._with_long_tine(high).length[[0]]) == pytest.approx(0.9 * LONGEST)
