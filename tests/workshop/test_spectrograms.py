"""Spectrograms: levels of tones as an acoustician defines them, at the rows of their notes, on one scale."""

import io
from pathlib import Path

import numpy as np
import pytest

from synth.design.file import load
from synth.design.resolve import resolve
from synth.sound.audio import RATE
from synth.vibration.solve import solve_row
from synth.workshop.spectrograms import (
    HOP,
    SHOWN_DB,
    Panel,
    draw_panels,
    group_partials_hz,
    rows_hz,
    spectrogram_picture,
    tone_levels,
    top_of,
)

DB = 1.0
RAIL = Path(__file__).resolve().parents[2] / "designs" / "quay-rail.toml"


def tone(hertz, rms_pa, seconds=1.0):
    t = np.arange(round(seconds * RATE)) / RATE
    return np.sqrt(2.0) * rms_pa * np.sin(2.0 * np.pi * hertz * t)


@pytest.mark.parametrize("hertz", [110.0, 440.0, 1000.0, 7040.0])
def test_a_tone_of_one_pascal_reads_94_decibels_at_its_note(hertz):
    levels = tone_levels(np.array([tone(hertz, 1.0)] * 2))
    middle = levels[:, levels.shape[1] // 2]
    assert middle.max() == pytest.approx(
        20.0 * np.log10(1.0 / 20e-6), abs=1.5 * DB
    )  # between lines a Hann loses 1.4
    assert 12.0 * np.log2(rows_hz()[np.argmax(middle)] / hertz) == pytest.approx(0.0, abs=0.8)


def test_a_tone_on_a_line_reads_its_level_exactly_and_one_ear_half_its_power():
    line = 100 * RATE / 8192
    both, one = (tone_levels(np.array([tone(line, 0.02), tone(line, right)])) for right in (0.02, 0.0))
    middle = both.shape[1] // 2
    assert both[:, middle].max() == pytest.approx(60.0, abs=0.01 * DB)
    assert one[:, middle].max() == pytest.approx(60.0 - 10.0 * np.log10(2.0), abs=0.01 * DB)


def test_tones_that_cancel_between_the_ears_are_seen():
    left = tone(100 * RATE / 8192, 0.02)
    assert tone_levels(np.array([left, -left])).max() == pytest.approx(60.0, abs=0.01 * DB)


def test_a_click_stands_at_its_moment():
    pressure = np.zeros((2, 2 * RATE))
    pressure[:, round(1.25 * RATE)] = 1.0
    energy = (10.0 ** (tone_levels(pressure) / 10.0)).sum(axis=0)
    assert np.argmax(energy) * HOP / RATE == pytest.approx(1.25, abs=HOP / RATE)


@pytest.mark.parametrize("frames", [480, 5000, 96_001])
def test_a_sound_of_any_length_has_a_column_for_each_hop(frames):
    assert tone_levels(np.zeros((2, frames))).shape == (len(rows_hz()), -(-frames // HOP))


def test_all_panels_share_a_scale_and_their_titles_notes_and_partials_are_there():
    loud, soft = (tone_levels(np.array([tone(440.0, rms)] * 2)) for rms in (0.1, 0.001))
    panels = [
        Panel("speed 200 mm/s", 1.0, loud, (440.0, 2750.0)),
        Panel("speed 600 mm/s", 1.0, soft, (440.0,)),
    ]
    figure = spectrogram_picture(panels, title="Group D3", a4_hz=442.0)
    first, second, *_ = figure.axes
    assert figure.get_suptitle() == "Group D3"
    assert [first.get_title(), second.get_title()] == ["speed 200 mm/s", "speed 600 mm/s"]
    assert [axis.images[0].get_clim() for axis in (first, second)] == [(75.0 - SHOWN_DB, 75.0)] * 2
    assert top_of([loud, soft]) == 75.0  # 74 dB, to the next five
    c4 = first.get_yticks()[[each.get_text() for each in first.get_yticklabels()].index("C4")]
    assert 2.0**c4 == pytest.approx(442.0 * 2.0 ** (-9 / 12))
    marks = [2.0 ** segment[0, 1] for segment in first.collections[0].get_segments()]
    assert marks == pytest.approx([440.0, 2750.0])
    left, right, bottom, top = first.images[0].get_extent()
    assert (left, right) == (0.0, 1.0)
    rows = np.asarray(first.images[0].get_array())
    loudest = bottom + (np.argmax(rows[:, rows.shape[1] // 2]) + 0.5) / len(rows) * (top - bottom)
    assert 2.0**loudest == pytest.approx(440.0, rel=0.03)  # where it is drawn, half a semitone a row
    middles = bottom + (np.arange(len(rows)) + 0.5) / len(rows) * (top - bottom)
    np.testing.assert_allclose(2.0**middles, rows_hz(), rtol=1e-9)  # each row about its own frequency
    figure.savefig(io.BytesIO(), format="png")


def test_panels_on_axes_of_another_figure_share_one_scale_of_level_and_of_notes():
    """As the demo's overview puts them below its bars."""
    from matplotlib.figure import Figure

    panels = [
        Panel(name, 2.0, np.full((8, 4), level), (110.0, 690.0)) for name, level in (("a", 31.0), ("b", 52.0))
    ]
    axes = list(Figure().subplots(1, 2, sharey=True))
    image = draw_panels(axes, panels, a4_hz=440.0)
    assert [axis.images[0].get_clim() for axis in axes] == [(-15.0, 55.0)] * 2
    assert image is axes[0].images[0]
    assert [each.get_text() for each in axes[0].get_yticklabels()][:3] == ["C2", "C3", "C4"]
    assert 2.0 ** axes[0].get_yticks()[2] == pytest.approx(261.626, abs=1e-3)  # C4, ISO 16


def test_a_groups_first_three_partials_are_marked_rising():
    instrument = resolve(load(RAIL), str(RAIL))
    row = solve_row(instrument)
    group = instrument.groups[2]
    marked = group_partials_hz(row, group)
    tines = range(len(instrument.tines))[group.tines]
    expected = sorted(row.modes.frequency[n, 0, k] for n in tines for k in range(3) if row.modes.exists[n, k])
    assert list(marked) == expected
    assert len(marked) > len(tines)
