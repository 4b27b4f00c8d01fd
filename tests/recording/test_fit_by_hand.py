"""The fit on straight lines made by hand: values and deviations in closed form, limits, blame, warnings."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.design.edit import Edit
from synth.errors import InputError
from synth.recording import calibrate
from synth.recording.calibration_model import Model, covariance
from synth.recording.parameters import Unknown

CENT = np.log(2.0) / 1200.0
STEEL = Unknown("youngs", "A2-70", "youngs_gpa", 193.0, 96.5, 386.0, lambda value: ())
ROOT = Unknown("root-length", "", "root_length_per_diameter", 0.3, 0.0, 2.0, lambda value: ())
BEND = Unknown("bend-diameter", "rod", "bend_diameter_mm", 2.4, 1.5, 3.1, lambda value: ())
GRIP = Unknown("nut-grip", "M3 hex", "grip", 0.95, 0.0, 0.9502, lambda value: ())
CLAMP = Unknown("clamp-loss", "", "clamp_loss_factor", 1e-3, 1e-7, 0.2, lambda value: ())
DICE = np.random.default_rng(4)
SLOPES = DICE.normal(size=(9, 2))


def straight(truth, scatter):
    """A model that is linear in its unknowns, nine data that scatter, and what makes their noise white."""
    start = np.array([np.log(193.0), 0.3])
    model = SimpleNamespace(
        asked=(STEEL, ROOT), start=start, logs=lambda x: SLOPES @ x, jacobian=lambda x: SLOPES
    )
    whiten = np.diag(1.0 / np.linspace(0.01, 0.03, 9))
    return model, whiten, SLOPES @ (start + truth) + scatter * np.random.default_rng(1).normal(size=9)


@pytest.mark.parametrize("scatter", [0.0, 0.004, 0.2])
def test_the_fit_is_the_weighted_least_squares_and_as_unsure_as_the_data_scatter(scatter):
    model, whiten, aim = straight([0.05, -0.1], scatter)
    A, b = whiten @ SLOPES, whiten @ aim
    normal = np.linalg.inv(A.T @ A)
    wanted = normal @ A.T @ b
    misfit = float(np.sum((b - A @ wanted) ** 2)) / (9 - 2)
    x, spread, left = calibrate._least_squares(model, whiten, aim)
    assert x == pytest.approx(wanted, abs=1e-9)
    assert left == pytest.approx(misfit, abs=1e-12)
    assert spread == pytest.approx(
        normal * max(misfit, 1.0)
    )  # no surer than the data, were they to agree by chance
    assert (misfit > 4.0) == (scatter == 0.2)


def test_what_would_go_past_its_limit_ends_there_and_that_is_said():
    model, whiten, aim = straight([0.02, -0.9], 0.0)
    x, _, _ = calibrate._least_squares(model, whiten, aim)
    assert x[1] == 0.0
    (said,) = calibrate._at_limits(model, x)
    assert said.startswith("root-length ended at its limit, 0:")


def test_a_logarithm_is_told_in_the_units_of_its_key_and_a_length_as_it_is():
    steel, root = calibrate._learnt(STEEL, np.log(180.0), 0.02), calibrate._learnt(ROOT, 0.4, 0.02)
    assert (steel.value, steel.standard_uncertainty) == pytest.approx((180.0, 3.6))
    assert (root.value, root.standard_uncertainty) == (0.4, 0.02)


def test_a_partial_that_stays_off_is_told_with_its_number_its_side_and_its_cents():
    after = SimpleNamespace(
        frequency={7: np.array([[100.0, 620.0], [101.0, 640.0]])}, row=lambda tine: tine + 5
    )
    lines = [
        SimpleNamespace(
            tine=2, partial=n, frequency=hz * 2.0 ** (off / 1200.0), of=lambda v, p=p, n=n: v[p, n]
        )
        for n, p, hz, off in ((0, 0, 100.0, 14.0), (1, 1, 640.0, 22.0), (1, 0, 620.0, -31.0))
    ]
    said = calibrate._unexplained(SimpleNamespace(lines=lines), after)
    assert said == [
        "partial 2 at 648.18 Hz stays +22 cents off the model",
        "partial 2 at 609.00 Hz stays -31 cents off the model",
    ]
    assert calibrate._scattered(3.9) == []
    assert "scatter 3.0 times as much" in calibrate._scattered(9.0)[0]


def test_the_one_that_the_data_leave_open_is_blamed_not_one_that_was_rejected_before():
    """1.2 % of the bending diameter alone is known well enough, 1.5 % beside a modulus that moves alike is not."""
    columns = np.array([[0.0, 1.0 / 0.012, 0.6e4], [0.0, 0.0, 0.8e4], [0.0, 0.0, 0.0]])
    chosen, rejected = calibrate._affordable([GRIP, BEND, STEEL], columns, (99, 99))
    assert chosen == [1]
    assert [each.kind for each, _ in rejected] == ["nut-grip", "youngs"]
    assert rejected[0][1] == "it moves none of the measured partials"
    assert rejected[1][1] == "with it, bend-diameter of rod: the data leave it open by +-1.5 %"
    with pytest.raises(
        InputError, match=r"do not hold the bend-diameter of rod: the data leave it open by \+-1.5 %"
    ):
        calibrate._demanded([GRIP, BEND, STEEL], columns, (99, 99), ["bend-diameter", "youngs"])
    assert calibrate._demanded([GRIP, BEND, STEEL], columns, (99, 99), ["youngs"]) == (
        [2],
        ((GRIP, "not asked for"), (BEND, "not asked for")),
    )


def test_what_is_written_has_six_figures_and_the_day_in_every_table_it_touches():
    edits = [
        Edit("stock.rod.bend_diameter_mm", 2.412345678),
        Edit("stock.rod.material", "A2-70 of the rods"),
        Edit("nut.'M3 hex'.grip", 0.51234567),
        Edit("tines.root_length_per_diameter", 1.0 / 3.0),
    ]
    assert calibrate.to_write(edits, "2026-03-01") == [
        Edit("stock.rod.bend_diameter_mm", 2.41235),
        Edit("stock.rod.material", "A2-70 of the rods"),
        Edit("nut.'M3 hex'.grip", 0.512346),
        Edit("tines.root_length_per_diameter", 0.333333),
        Edit("stock.rod.measured", "2026-03-01"),
        Edit("nut.'M3 hex'.measured", "2026-03-01"),
        Edit("tines.measured", "2026-03-01"),
    ]


def test_recording_model_and_taps_leave_frequencies_and_decays_open_each_by_its_own():
    lines = tuple(
        SimpleNamespace(tine=tine, standard_uncertainty=sd, decay_standard_uncertainty=slow, decay_rate=rate)
        for tine, sd, slow, rate in ((0, 0.003, 0.05, 2.0), (0, 0.004, 0.3, np.nan), (1, 0.005, 0.2, 9.0))
    )
    piece = SimpleNamespace(
        lines=lines, decaying=[lines[0], lines[2]], length_deviation=0.0, length=np.array([0.1, 0.1])
    )
    own = [sd**2 + (1.5 * CENT) ** 2 for sd in (0.003, 0.004, 0.005)]
    slow = [sd**2 + 0.12**2 for sd in (0.05, 0.2)]
    np.testing.assert_allclose(covariance(piece), np.diag([*own, *slow]))


def test_slopes_are_taken_inwards_where_a_limit_is_near():
    """Of ln 193 GPa, a loss and a grip just below its limit: nothing is asked beyond it."""
    model = Model.__new__(Model)
    model.asked, asked = (STEEL, CLAMP, GRIP), []

    def logs(x):
        asked.append(x.copy())
        return np.array([2.0 * x[0] - x[1], 3.0 * x[2] ** 2 + x[0]])

    model.logs = logs
    at = np.array([np.log(193.0), np.log(1e-3), 0.95])
    found = model.jacobian(at)
    np.testing.assert_allclose(found, [[2.0, -1.0, 0.0], [1.0, 0.0, 6.0 * 0.95]], rtol=5e-3, atol=1e-9)
    assert max(x[2] for x in asked) == 0.95
    assert [np.count_nonzero(x != at) for x in asked] == [0, 1, 1, 1]
