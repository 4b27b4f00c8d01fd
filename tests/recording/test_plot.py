"""The picture of a measurement: every line where its figure stands, in a take that begins late in its file."""

import numpy as np
import pytest

from synth.recording.audio_input import Recording
from synth.recording.measurement import Measurement, Partial, TapPartials
from synth.recording.plot import picture

RATE, START = 8000, 20.0


def partial(hz, decay, level, kind="partial"):
    return Partial(hz, 0.01, decay, 0.05, level, 0.01, 0.0, complex(level), kind)


@pytest.fixture(scope="module")
def drawn():
    """Two taps, the second the louder; a partial, one that is none, one of unknown decay, one in another's band."""
    time = np.arange(2 * RATE) / RATE
    parts = (
        partial(440.0, 1.5, 0.2),
        partial(446.0, 1.4, 0.01),
        partial(900.0, 0.5, 0.05, "distortion"),
        partial(1501.3, float("nan"), 0.02),
    )
    sound = sum(
        each.level * np.exp(-each.decay_rate * time) * np.cos(2.0 * np.pi * each.frequency * time)
        for each in parts
    )
    samples = np.concatenate((np.zeros(round(1.01 * RATE)), sound))[: 3 * RATE]
    samples = samples + 1e-6 * np.random.default_rng(1).normal(size=3 * RATE)
    taps = (
        TapPartials(START + 0.2, 0.21, 0.9, (partial(300.0, 2.0, 0.001),)),
        TapPartials(START + 1.0, 1.01, 3.0, parts),
    )
    figure = picture(
        Recording("a.wav", RATE, START, samples, samples > 9.0, ()), Measurement("a.wav", taps, ())
    )
    return figure, parts


def lines(axes):
    return [(each.get_xdata(), each.get_ydata(), each.get_linestyle()) for each in axes.lines]


def test_taps_and_partials_stand_where_they_were_found(drawn):
    spectrogram = drawn[0].axes[0]
    wanted = [
        ([20.2, 20.2], None, "-"),
        ([20.21, 20.9], 300.0, "-"),  # no longer than the tap is heard
        ([21.0, 21.0], None, "-"),
        ([21.01, 21.76], 440.0, "-"),  # half the decay
        ([21.01, 21.71], 446.0, "-"),
        ([21.01, 21.26], 900.0, ":"),  # no partial
        ([21.01, 23.0], 1501.3, "-"),
    ]
    found = lines(spectrogram)
    assert len(found) == len(wanted)
    for (across, up, style), (x, hz, look) in zip(found, wanted, strict=True):
        assert across == pytest.approx(x, abs=1e-9)
        assert style == look
        assert hz is None or up == pytest.approx([hz, hz])
    assert spectrogram.get_ylim() == (40.0, RATE / 2.0)
    (mesh,) = spectrogram.collections
    places = mesh.get_coordinates()
    assert places[0, 0, 0] == pytest.approx(START, abs=0.02)
    level = mesh.get_array().reshape(places.shape[0] - 1, places.shape[1] - 1)
    row, column = np.unravel_index(np.argmax(level), level.shape)
    assert np.mean(places[row : row + 2, 0, 1]) == pytest.approx(440.0, abs=20.0)
    assert places[0, column, 0] == pytest.approx(21.0, abs=0.06)


def test_the_decays_of_the_loudest_tap_are_drawn_as_loud_and_as_fast_as_they_are(drawn):
    """446 Hz stands in the band of 440 Hz and is drawn with it."""
    figure, parts = drawn
    decays = figure.axes[1:]
    assert [each.get_title() for each in decays] == [
        "440.00 Hz, 1.5 s",
        "900.00 Hz, 0.5 s",
        "1501.30 Hz, decay unknown",
    ]
    for axes, each in zip(decays, (parts[0], *parts[2:]), strict=True):
        (recorded, fitted) = lines(axes)
        for across, up, _ in (recorded, fitted):
            middle = slice(len(across) // 8, len(across) // 3)
            slope, _ = np.polyfit(across[middle], up[middle], 1)
            assert across[0] == pytest.approx(21.01)
            if np.isfinite(each.decay) and each.frequency > 500.0:
                assert slope == pytest.approx(-60.0 / each.decay, rel=0.1)
        level = 20.0 * np.log10(each.level)
        assert level - 4.0 < np.max(fitted[1]) < level + 1.0  # the band blurs the beginning
        assert np.max(recorded[1]) == pytest.approx(np.max(fitted[1]), abs=0.5)
