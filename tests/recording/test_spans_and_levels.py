"""From where to where a tap is heard, and what its figures are at: the moment of the tap, one sample's noise."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.recording import artefacts, onsets, partials
from synth.recording.audio_input import Recording
from synth.recording.damped_sinusoid_fit import FittedModes
from synth.recording.hum import NO_HUM, Hum, grown
from synth.recording.measurement import Partial
from synth.recording.onsets import Strike
from synth.recording.room import outdoors

RATE = 1000


def take(clipped, count=4000, rate=RATE, start=2.5):
    samples = np.random.default_rng(1).normal(size=count) + 0.7
    flat = np.zeros(count, bool)
    flat[list(clipped)] = True
    return Recording("a.wav", rate, start, samples, flat, ())


def modes(*parts):
    """(Hz, decay rate, amplitude, deviation in rad/s, noise of a bin)."""
    hertz, fall, amplitude, deviation, noise = np.array(parts, complex).T
    return FittedModes(
        amplitude, -fall + 2j * np.pi * hertz, deviation.real, 0.1 * deviation.real, noise.real
    )


@pytest.mark.parametrize(
    ("clipped", "first"),
    [([], 506), ([400, 900, 505], 901), ([510, 511, 512], 513), ([506], 507), ([2000, 2400], 506)],
)
def test_a_tap_is_heard_from_when_it_is_free_and_the_last_clipped_sample_has_gone(clipped, first):
    recording = take(clipped)
    samples, span = partials._free(recording, Strike(0.5, 0.506, 2.0))
    whole = recording.samples[first:2000]
    np.testing.assert_allclose(samples, whole - np.mean(whole))
    assert span == pytest.approx((first / RATE, 2.0))


def test_no_tap_is_looked_at_for_longer_than_a_minute_or_memory_allows(monkeypatch):
    monkeypatch.setattr(partials, "MOST_SAMPLES", 1500)
    assert partials._free(take([]), Strike(0.5, 0.506, 4.0))[1] == pytest.approx((0.506, 2.006))
    monkeypatch.setattr(partials, "MOST_RING", 1.2)
    assert partials._free(take([]), Strike(0.5, 0.506, 4.0))[1] == pytest.approx((0.506, 1.706))


def test_a_measurement_counts_from_the_start_of_the_file_and_levels_from_the_tap(monkeypatch):
    """A take from 2.5 s on, tapped at 0.5 s of it and free from 0.6 s: what falls at 8/s was e^0.8 as loud."""
    found = modes((200.0, 8.0, 0.1, 0.05, 1e-6), (300.0, 0.5, 0.2, 0.4, 1e-6))
    heard = partials._Heard((0.6, 2.0), outdoors(found), NO_HUM, crowded=False)
    monkeypatch.setattr(partials, "taps", lambda *_: (Strike(0.5, 0.6, 2.0),))
    monkeypatch.setattr(partials, "_tap", lambda *_: heard)
    (tap,) = partials._measured(take([])).taps
    assert (tap.time, tap.free_from, tap.free_to) == pytest.approx((3.0, 0.6, 2.0))
    first, second = tap.partials
    assert first.level == pytest.approx(0.1 * np.exp(0.8))
    assert second.level == pytest.approx(0.2 * np.exp(0.05))
    assert (first.frequency, first.frequency_deviation) == pytest.approx((200.0, 0.05 / (2.0 * np.pi)))
    assert first.decay == pytest.approx(np.log(1000.0) / 8.0)
    assert first.decay_deviation == pytest.approx(np.log(1000.0) * 0.05 / 8.0**2)
    assert (first.level_deviation, first.amplitude) == pytest.approx((0.005, 0.1))
    assert np.isnan(second.decay)  # known to no better than 0.8 of itself
    assert np.isnan(second.decay_deviation)


@pytest.mark.parametrize(("decay", "rate"), [(2.0, np.log(1000.0) / 2.0), (float("nan"), 0.0)])
def test_a_rate_that_nobody_knows_is_none(decay, rate):
    each = Partial(200.0, 0.01, decay, 0.1, 0.1, 0.01, 0.0, 0.1 + 0j)
    assert each.decay_rate == pytest.approx(rate)
    assert each.noted("odd").noted("louder", "room").note == "odd; louder"
    assert (each.noted("odd").kind, each.noted("odd", "room").kind) == ("partial", "room")


def test_a_level_is_carried_back_by_12_db_at_most():
    late = partials._partial(modes((200.0, 100.0, 0.1, 1.0, 1e-6)), 0, 0.01, 0.5, roomy=False)
    assert late.level == pytest.approx(0.1 * 10.0 ** (12.0 / 20.0))


@pytest.mark.parametrize(("fall", "spread"), [(2.0, 1e-3), (0.01, 1e-2), (12.0, 1e-4)])
def test_the_split_that_would_show_is_that_of_all_samples_told_at_once(fall, spread):
    """Cramer and Rao's bound over every sample of white noise: a pair shows from six deviations of its distance."""
    rate, seconds, hertz = 2000, 1.5, 311.3
    count = round(rate * seconds)
    time = np.arange(count) / rate

    def deviation(split):
        columns = []
        for side in (-0.5, 0.5):
            pole = -fall + 2j * np.pi * (hertz + side * split)
            wave = np.exp(pole * time)
            columns += [
                wave,
                1j * wave,
                0.1 * time * wave,
                0.1j * time * wave,
            ]  # of a, then of s; half of 0.2
        slopes = np.real(np.array(columns)).T
        bound = np.linalg.pinv(slopes.T @ slopes, rcond=1e-15, hermitian=True) * spread**2
        apart = np.array([0, 0, 0, 1, 0, 0, 0, -1.0])
        return float(np.sqrt(apart @ bound @ apart)) / (2.0 * np.pi)

    mode = modes((hertz, fall, 0.2, 0.01, count * spread**2))
    (found,) = partials._splits(mode, seconds, rate)
    step = (20.0 / 0.02) ** (1.0 / 30.0)  # between the distances that are tried
    assert deviation(found * step**0.5) < found * step**0.5 / 6.0
    assert deviation(found / step**1.5) > found / step**1.5 / 6.0


def test_marks_within_a_tenth_of_a_second_are_one_stroke_that_is_free_after_its_last_pluck():
    """A pluck heard high up prolongs it while each follows within 0.1 s, for two seconds, not past the next tap."""
    marks, again = np.array([0.5, 0.59, 1.0, 4.0]), np.array([0.3, 0.66, 0.75, 0.9, 1.04, 4.05, 4.14])
    assert onsets._spans(marks, again, 6.0) == (
        Strike(0.5, pytest.approx(0.756), pytest.approx(0.995)),
        Strike(1.0, pytest.approx(1.046), pytest.approx(3.995)),
        Strike(4.0, pytest.approx(4.146), 6.0),
    )
    endless = np.arange(0.55, 5.0, 0.09)
    (stroke,) = onsets._spans(np.array([0.5]), endless, 6.0)
    assert 2.4 < stroke.free_from < 2.506
    assert onsets._spans(np.zeros(0), again, 6.0) == ()


def plain_jumps(level, memory, sudden):
    """Reading by reading: over all of the memory before the sudden span; back to the foot of each rise."""
    count = len(level)
    past = [
        max((level[at] for at in range(n - memory - sudden, n - sudden) if at >= 0), default=0.0)
        for n in range(count)
    ]
    quiet = np.percentile(past[memory + sudden :] or past[-1:], 10.0)
    before = [max(each, quiet) for each in past]
    floor = max(1e-5 * max(level), 1e-12)
    marks = np.zeros(count, bool)
    risen = [level[n] > 4.0 * before[n] and level[n] > floor for n in range(count)]
    for n in range(count):
        if risen[n] and not (n and risen[n - 1]):
            marks[next(at for at in range(max(0, n - sudden), n + 1) if level[at] > 2.0 * before[n])] = True
    return marks


@pytest.mark.parametrize("count", [1, 5, 60, 106, 107, 400])
@pytest.mark.parametrize(("memory", "sudden"), [(100, 6), (1, 4)])
def test_bands_read_together_rise_where_each_rises_by_itself(count, memory, sudden):
    """Also where there are fewer readings than the memory takes."""
    dice, marked = np.random.default_rng(count), 0
    for _ in range(20):
        bands = 10.0 ** dice.uniform(-9.0, -6.0, (4, count))
        for _ in range(3):
            at = dice.integers(count)
            band = dice.integers(4)
            bands[band, at:] += 10.0 ** dice.uniform(-8.0, 0.0) * np.exp(-0.05 * np.arange(count - at))
        found = onsets._jumps(bands, memory * onsets.READING, sudden * onsets.READING)
        assert np.array_equal(found, np.any([plain_jumps(each, memory, sudden) for each in bands], axis=0))
        marked += found.sum()
    assert marked > 0 or count < 400  # of few readings the quietest part may be the tap itself


def test_plucks_are_sought_high_up_and_taps_in_every_band(monkeypatch):
    asked = []

    def jumps(bands, long, short):
        asked.append((*bands[:, 0], long, short))
        return np.zeros(bands.shape[1], bool)

    monkeypatch.setattr(onsets, "_jumps", jumps)
    assert onsets.taps_in(np.repeat(np.arange(4.0), 5).reshape(4, 5), np.zeros(600), 48_000) == ()
    assert asked == [(0, 1, 2, 3, 0.25, 0.015), (2, 3, 0.0025, 0.01)]


@pytest.mark.parametrize(
    ("hertz", "decays", "told"),
    [
        ((200.0, 201.0), (3.0, 3.0), ("beats 1 times a second with the next", "beats with the one before")),
        ((200.0, 200.1), (1.0, 4.0), ("decays in two stages with the next: 1 s, then 4 s", "second of two stages")),
        ((200.0, 204.0), (3.0, 3.0), ("", "")),  # 34 cents
        ((1000.0, 1011.0), (0.5, 0.5), ("beats 11 times a second with the next", "beats with the one before")),
        ((1000.0, 1013.0), (0.5, 0.5), ("", "")),  # 22 cents, too fast to be heard as beats
        ((200.0, 200.1), (float("nan"), 4.0), ("", "")),
    ],
)  # fmt: skip
def test_neighbours_are_told_of_each_other_by_what_the_ear_makes_of_them(hertz, decays, told):
    pair = [
        Partial(hz, 0.01, decay, 0.1, 0.1, 0.01, 0.0, 0.1 + 0j)
        for hz, decay in zip(hertz, decays, strict=True)
    ]
    assert tuple(each.note for each in partials._paired(pair)) == told


def test_what_may_hide_in_the_hum_is_asked_of_the_multiple_that_grew():
    """50 Hz and its third as loud as before the tap, its second twice as loud."""
    time = np.arange(4000) / 8000.0
    quiet = sum(a * np.cos(2.0 * np.pi * 50.0 * n * time + n) for n, a in ((1, 0.1), (2, 0.02), (3, 0.05)))
    quiet = quiet + 1e-4 * np.random.default_rng(1).normal(size=len(time))
    assert grown(quiet, 8000.0, Hum(50.0, (1, 2, 3), (0.1 + 0j, 0.04j, -0.05 + 0j))) == [2]
    assert grown(quiet, 8000.0, Hum(50.0, (1, 2, 3), (0.1 + 0j, 0.02j, -0.05 + 0j))) == []
    assert grown(quiet, 8000.0, Hum(50.0, (3,), (-0.09 + 0j,))) == [3]
    assert grown(quiet[:1500], 8000.0, Hum(50.0, (3,), (-0.09 + 0j,))) == []  # too short to tell


def test_a_mode_of_the_room_is_called_one_in_the_bass_alone():
    def told(hz):
        each = partials._as_the_room(Partial(hz, 0.01, 1.0, 0.1, 0.1, 0.01, 0.0, 0.1 + 0j))
        return each.kind, each.note

    assert told(120.0) == ("room", "decays as the room does: a mode of the room, or cannot tell")
    assert told(900.0) == ("partial", "decays as the room does: cannot tell them apart")


def test_what_looks_like_a_room_but_is_laid_over_in_steps_is_none(monkeypatch):
    inside = SimpleNamespace(perhaps=float("nan"))
    for sidebands, doubts, perhaps, laid in (
        (3, [], np.nan, True),
        (2, ["odd"], np.nan, False),
        (0, ["odd"], 3.0, True),
    ):
        inside.perhaps = perhaps
        named = [SimpleNamespace(kind="sideband")] * sidebands
        monkeypatch.setattr(artefacts, "with_suspects", lambda _, n=named, d=doubts: (n, d))
        assert (
            partials._laid_over(outdoors(modes((200.0, 8.0, 0.1, 0.05, 1e-6))), inside, (0.0, 1.0), RATE)
            is laid
        )


@pytest.mark.parametrize(("rise", "told"), [(0.498, 0.498), (0.506, 0.506), (0.52, None), (None, None)])
def test_a_mark_is_sharpened_to_where_the_wave_leaves_what_was_there(rise, told):
    """Marked at 0.5 s, of a wave that stood at 0.01; the foot is where it first exceeds a sixth of its rise."""
    samples = np.full(1000, 0.01)
    if rise is not None:
        at = round(rise * RATE)
        samples[at:] = -0.3
        samples[at - 2 : at] = 0.03  # less than 15 % of the rise
    assert onsets._sharpened(samples, RATE, 0.5) == pytest.approx(0.5 if told is None else told)
