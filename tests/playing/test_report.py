"""What a stroke's report is asked for."""

from synth.playing.report import touched_span


def line(first, last):
    return {"first_touch_s": first, "last_release_s": last}


def test_the_span_of_touch_is_from_the_first_touch_of_any_tine_to_the_last_release_of_any():
    report = {"tines": [line(0.30, 0.33), line(None, None), line(0.12, 0.45), line(0.2, 0.21)]}
    assert touched_span(report, seconds=2.0) == (0.12, 0.45)


def test_where_nothing_was_touched_it_is_the_whole_sound():
    assert touched_span({"tines": [line(None, None)]}, seconds=2.0) == (0.0, 2.0)
    assert touched_span({"tines": []}, seconds=1.5) == (0.0, 1.5)
