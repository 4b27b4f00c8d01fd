"""What a stroke's report is asked for."""

from types import SimpleNamespace

import pytest

from synth.playing.report import TineTouch, document, touched_span


def line(first, last):
    return {"first_touch_s": first, "last_release_s": last}


def test_the_span_of_touch_is_from_the_first_touch_of_any_tine_to_the_last_release_of_any():
    report = {"tines": [line(0.30, 0.33), line(None, None), line(0.12, 0.45), line(0.2, 0.21)]}
    assert touched_span(report, seconds=2.0) == (0.12, 0.45)


def test_where_nothing_was_touched_it_is_the_whole_sound():
    assert touched_span({"tines": [line(None, None)]}, seconds=2.0) == (0.0, 2.0)
    assert touched_span({"tines": []}, seconds=1.5) == (0.0, 1.5)


def test_every_figure_of_a_touch_stands_under_its_name_in_its_unit_in_the_order_of_the_tines():
    """Metres as mm, pascals as MPa; the tine that was touched first stands last in its group."""
    stick = SimpleNamespace(name="birch")
    stroke = SimpleNamespace(group=1, stick=stick, direction="backward")
    instrument = SimpleNamespace(
        groups=(SimpleNamespace(name="low"), SimpleNamespace(name="high")),
        tines=tuple(SimpleNamespace(number=number) for number in (1, 1, 2)),
    )
    touches = (
        TineTouch(2, 0.11, 0.12, 3, 4.5, 6e-4, (7e-4, 8e-4), (9e-4, 1e-3), 1.1e-3, 1.2e8, 1.3, "pluck"),
        TineTouch(1, 0.21, 0.22, 5, 5.5, -6e-5, (7e-5, 8e-5), (9e-5, 1e-4), 1.1e-4, 1.2e7, 0.3, "strike"),
    )
    told = document(touches, stroke, instrument)
    assert {key: told[key] for key in ("group", "stick", "direction")} == {
        "group": "high", "stick": "birch", "direction": "backward",
    }  # fmt: skip
    assert [each["tine"] for each in told["tines"]] == [1, 2]
    assert told["tines"][1] == {
        "tine": 2, "first_touch_s": 0.11, "last_release_s": 0.12, "touches": 3, "greatest_force_n": 4.5,
        "energy_j": 6e-4, "along_mm": pytest.approx([0.7, 0.8]), "across_mm": pytest.approx([0.9, 1.0]),
        "greatest_bend_mm": pytest.approx(1.1), "root_stress_mpa": pytest.approx(120.0), "strike_number": 1.3,
        "regime": "pluck",
    }  # fmt: skip
    assert told["tines"][0]["energy_j"] == -6e-5
