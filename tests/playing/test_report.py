"""What a stroke's report is asked for."""

import dataclasses

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.playing.report import TineTouch, document, touched_span, trace_arrays
from synth.playing.stroke import ForceTrace, Stroke


@pytest.fixture(scope="module")
def instrument(request):
    return resolve(load(request.path.parents[1] / "data" / "boarded.toml"))


def line(first, last):
    return {"first_touch_s": first, "last_release_s": last}


def test_the_span_of_touch_is_from_the_first_touch_of_any_tine_to_the_last_release_of_any():
    report = {"tines": [line(0.30, 0.33), line(None, None), line(0.12, 0.45), line(0.2, 0.21)]}
    assert touched_span(report, seconds=2.0) == (0.12, 0.45)


def test_where_nothing_was_touched_it_is_the_whole_sound():
    assert touched_span({"tines": [line(None, None)]}, seconds=2.0) == (0.0, 2.0)
    assert touched_span({"tines": []}, seconds=1.5) == (0.0, 1.5)


def test_every_figure_of_a_touch_is_told_under_its_name_in_its_unit(instrument):
    """Each has a value of its own; tines in the order in which they stand, whatever the way of the stroke."""
    touch = TineTouch(
        tine=1, first_touch=0.21, last_release=0.29, touches=3, greatest_force=1.7, energy=-2.3e-6,
        along=(1.1e-3, 0.2e-3), across=(0.4e-3, 0.05e-3), bend=2.9e-3, root_stress=131e6, strike_number=0.77,
        regime="mixed",
    )  # fmt: skip
    stroke = Stroke(1, instrument.sticks["brass"], direction="backward")
    told = document((touch, dataclasses.replace(touch, tine=0)), stroke, instrument)
    assert (told["group"], told["stick"], told["direction"]) == ("side", "brass", "backward")
    assert [each["tine"] for each in told["tines"]] == [instrument.tines[r].number for r in (0, 1)]
    assert told["tines"][1] == {
        "tine": instrument.tines[1].number, "first_touch_s": 0.21, "last_release_s": 0.29, "touches": 3,
        "greatest_force_n": 1.7, "energy_j": -2.3e-6, "along_mm": pytest.approx([1.1, 0.2]),
        "across_mm": pytest.approx([0.4, 0.05]), "greatest_bend_mm": pytest.approx(2.9),
        "root_stress_mpa": pytest.approx(131.0), "strike_number": 0.77, "regime": "mixed",
    }  # fmt: skip


def test_a_trace_is_told_by_time_with_the_tine_by_its_number_and_what_the_stick_felt(instrument):
    trace = ForceTrace(
        start=0.1, bin_s=2e-6, time=np.array([0.3, 0.1, 0.2]), tine=np.array([0, 1, 1]),
        impulse=np.arange(6.0).reshape(3, 2), push=np.arange(9.0).reshape(3, 3), turn=np.zeros((3, 2)),
    )  # fmt: skip
    numbered = dataclasses.replace(instrument.tines[1], number=4)
    two = dataclasses.replace(instrument, tines=(instrument.tines[0], numbered))
    told = trace_arrays(trace, two)
    assert told["time_s"].tolist() == [0.1, 0.2, 0.3]
    assert told["tine"].tolist() == [4, 4, 1]
    assert told["impulse_n_s"].tolist() == [[2.0, 3.0], [4.0, 5.0], [0.0, 1.0]]
    assert told["stick_impulse_n_s"].tolist() == [[-3.0, -4.0, -5.0], [-6.0, -7.0, -8.0], [-0.0, -1.0, -2.0]]
    assert told["bin_s"] == 2e-6
