"""The offline bank against its definition: the plain sum over modes and events."""

from __future__ import annotations

import tracemalloc

import numpy as np
import pytest

from synth.sound import bank, bin_sums, onsets
from synth.sound.onsets import EventBatch

RATE = 48000.0
EXACT = 1e-6  # of the peak: what the bank may differ from the plain sum
DB = np.log(10) / 20  # nepers


def plain_sum(pole, weights, strokes, *, frames, rate=RATE):
    """The definition, term by term, and the truth. exp(s (T + t)) is exp(s T) exp(s t): 128 frames at a time."""
    t, few = np.arange(frames) / rate, np.exp(np.multiply.outer(pole, np.arange(128) / rate))
    out = np.zeros((len(weights), frames))
    for time, amplitude in strokes:
        on = t >= time
        firsts = np.exp(np.multiply.outer(t[on][::128] - time, pole))
        for heard, weight in zip(out, weights, strict=True):
            heard[on] += ((weight * amplitude * firsts) @ few).real.ravel()[: on.sum()]
    return out


def random_modes(rng, modes, points=1, *, decay_s=(0.005, 60.0)):
    """Poles and weights; 20 Hz to 23 kHz, evenly on a logarithmic scale as the decays are."""
    frequency = np.exp(rng.uniform(np.log(20.0), np.log(23e3), modes))
    decay = np.exp(rng.uniform(*np.log(decay_s), modes))
    return -np.log(1000.0) / decay + 2j * np.pi * frequency, noise(rng, points, modes)


def noise(rng, *shape):
    return rng.standard_normal(shape) + 1j * rng.standard_normal(shape)


def random_strokes(rng, modes, count, seconds):
    return [(float(time), noise(rng, modes)) for time in np.sort(rng.uniform(0.0, seconds, count))]


def assert_exact(sound, truth):
    assert np.abs(sound - truth).max() < EXACT * np.abs(truth).max()


@pytest.mark.parametrize("seed", range(4))
def test_the_bank_is_the_plain_sum(seed):
    rng = np.random.default_rng(seed)
    pole, weights = random_modes(rng, 80, 2)
    strokes = random_strokes(rng, 80, 6, 1.0)
    truth = plain_sum(pole, weights, strokes, frames=60000)
    assert_exact(bank.render(pole, weights, strokes, rate=RATE, frames=60000), truth)


def test_the_bank_is_the_plain_sum_for_thousands_of_modes():
    rng = np.random.default_rng(5)
    pole, weights = random_modes(rng, 2700)
    strokes = random_strokes(rng, 2700, 2, 0.1)
    truth = plain_sum(pole, weights, strokes, frames=12000)
    assert_exact(bank.render(pole, weights, strokes, rate=RATE, frames=12000), truth)


@pytest.mark.parametrize("decay_s", [0.0005, 0.005, 0.05, 0.5, np.inf])
@pytest.mark.parametrize("hertz", [0.0, 0.3, 440.0, 12345.6, 23999.9])
def test_every_single_mode_is_exact(hertz, decay_s):
    pole = np.array([-np.log(1000.0) / decay_s + 2j * np.pi * hertz])
    strokes = [(3.4 / RATE, np.array([0.6 - 0.8j]))]
    truth = plain_sum(pole, np.ones((1, 1)), strokes, frames=20000)
    assert_exact(bank.render(pole, np.ones(1), strokes, rate=RATE, frames=20000), truth)


def test_a_stroke_starts_at_its_fraction_of_a_sample():
    pole, time = np.array([-50.0 + 2j * np.pi * 5000.0]), 3.4 / RATE
    sound = bank.render(pole, np.ones(1), [(time, np.ones(1))], rate=RATE, frames=8)[0]
    assert (sound[:4] == 0.0).all()
    assert sound[4:] == pytest.approx(np.exp(pole * (np.arange(4, 8) / RATE - time)).real, abs=EXACT)


def test_a_stroke_on_a_frame_is_heard_in_that_frame():
    frames = np.arange(0, 6000, 7)
    for time in (frames / RATE)[::40]:
        sound = bank.render([-1.0 + 0j], [1.0], [(time, np.ones(1))], rate=RATE, frames=6000)[0]
        assert np.flatnonzero(sound)[0] == round(time * RATE)


def test_strokes_before_the_start_ring_on_and_strokes_after_the_end_are_not_heard():
    rng = np.random.default_rng(1)
    pole, weights = random_modes(rng, 20, decay_s=(0.1, 10.0))
    strokes = [(-0.0123, noise(rng, 20)), (0.005, noise(rng, 20)), (0.5, noise(rng, 20))]
    truth = plain_sum(pole, weights, strokes, frames=4800)
    assert_exact(bank.render(pole, weights, strokes, rate=RATE, frames=4800), truth)


def test_many_strokes_in_a_few_samples_are_exact():
    rng = np.random.default_rng(2)
    pole, weights = random_modes(rng, 30, 2)
    strokes = random_strokes(rng, 30, 4 * onsets.MOST_EVENTS + 9, 0.01)
    strokes[300] = (strokes[299][0], strokes[300][1])
    truth = plain_sum(pole, weights, strokes, frames=1500)
    assert_exact(bank.render(pole, weights, strokes, rate=RATE, frames=1500), truth)


@pytest.mark.parametrize("block", [1, 64, 1000, 4096])
def test_the_size_of_the_blocks_does_not_matter(block):
    rng = np.random.default_rng(3)
    pole, weights = random_modes(rng, 40, 2)
    strokes, frames = random_strokes(rng, 40, 5, 0.05), 2500 if block == 1 else 20000
    whole = bank.render(pole, weights, strokes, rate=RATE, frames=frames)
    parts = list(bank.blocks(pole, weights, strokes, rate=RATE, frames=frames, block=block))
    assert {part.shape[1] for part in parts[:-1]} <= {block}
    assert_exact(np.concatenate(parts, axis=1), whole)


def test_the_same_input_gives_the_same_samples():
    rng = np.random.default_rng(4)
    pole, weights = random_modes(rng, 50, 2)
    strokes = random_strokes(rng, 50, 5, 0.2)
    first, second = (bank.render(pole, weights, strokes, rate=RATE, frames=20000) for _ in range(2))
    assert (first == second).all()


def test_points_are_heard_as_if_each_were_alone():
    rng = np.random.default_rng(6)
    pole, weights = random_modes(rng, 60, 3)
    weights *= np.array([[1.0], [1e-6], [1e3]])
    strokes = random_strokes(rng, 60, 4, 0.5)
    together = bank.render(pole, weights, strokes, rate=RATE, frames=48000)
    for p in range(3):
        assert_exact(together[p : p + 1], plain_sum(pole, weights[p : p + 1], strokes, frames=48000))


def test_modes_from_half_the_rate_on_are_left_out():
    pole = -5.0 + 2j * np.pi * np.array([1000.0, 23999.0, 24000.0, 30000.0])
    strokes = [(0.0, np.ones(4))]
    sound = bank.render(pole, np.ones(4), strokes, rate=RATE, frames=4800)
    heard = plain_sum(pole[:2], np.ones((1, 2)), [(0.0, np.ones(2))], frames=4800)
    assert_exact(sound, heard)


def test_the_energy_of_every_mode_is_right_after_a_minute():
    rng = np.random.default_rng(7)
    pole = -np.log(1000.0) / np.array([25.0, 40.0, 60.0, 60.0]) + 2j * np.pi * np.array(
        [61.0, 440.0, 7e3, 19e3]
    )
    amplitude = noise(rng, 4)
    pauses = [(float(time), np.zeros(4)) for time in np.sort(rng.uniform(0.0, 60.0, 2000))]
    tail = list(
        bank.blocks(pole, np.ones(4), [(0.0, amplitude), *pauses], rate=RATE, frames=61 * 48000, block=48000)
    )[-1]
    shapes = np.exp(np.multiply.outer(np.arange(48000) / RATE, pole))
    fitted = np.linalg.lstsq(np.hstack([shapes.real, -shapes.imag]), tail[0].astype(float), rcond=None)[0]
    expected = amplitude * np.exp(60.0 * pole)
    assert np.log(np.hypot(fitted[:4], fitted[4:]) / np.abs(expected)) == pytest.approx(0.0, abs=0.01 * DB)


def work(monkeypatch, pole, strokes, frames):
    """How many states were turned into blocks, block by block of a quarter of a second."""
    done = []
    for kind in (bin_sums.BinSum, bin_sums.DenseSum):
        add = kind.add

        def counted(self, sound, blocks, states, reach, add=add):
            done.append(blocks.first.size * states.shape[1])
            add(self, sound, blocks, states, reach)

        monkeypatch.setattr(kind, "add", counted)
    sums = []
    for _ in bank.blocks(pole, np.ones(pole.size), strokes, rate=RATE, frames=frames, block=12000):
        sums.append(sum(done))
        done.clear()
    return sums


def test_dead_modes_cost_nothing(monkeypatch):
    rng = np.random.default_rng(8)
    long, _ = random_modes(rng, 30, decay_s=(50.0, 60.0))
    short, _ = random_modes(rng, 300, decay_s=(0.01, 0.2))
    both = np.concatenate([short, long])
    with monkeypatch.context() as patch:
        alone = work(patch, long, [(0.0, np.ones(30))], 96000)
    with monkeypatch.context() as patch:
        together = work(patch, both, [(0.0, np.ones(330))], 96000)
    assert together[0] > 10 * alone[0]  # they did cost while they lived
    assert together[-1] <= alone[-1] / bank.WORTH_REBUILDING


def test_silence_costs_nothing(monkeypatch):
    pole, _ = random_modes(np.random.default_rng(9), 30)
    assert work(monkeypatch, pole, [], 48000) == [0, 0, 0, 0]


def test_a_thousand_modes_that_just_died_do_not_go_all_at_once():
    pole = np.concatenate([np.full(1000, -2.0), [-2.0]]) + 2j * np.pi * np.append(
        np.full(1000, 1000.0), 500.0
    )
    amplitude = np.append(np.full(1000, 0.9e-6), 1.0)  # each below -120 dB, together at -61 dB
    sound = bank.render(pole, np.ones(1001), [(0.0, amplitude)], rate=RATE, frames=4800)
    assert_exact(sound, plain_sum(pole, np.ones((1, 1001)), [(0.0, amplitude)], frames=4800))


def test_a_batch_makes_its_amplitudes_when_they_are_needed():
    rng = np.random.default_rng(10)
    pole, weights = random_modes(rng, 3000, decay_s=(0.5, 5.0))
    time, asked = np.sort(rng.uniform(0.0, 2.0, 3000)), []
    base = noise(rng, 7, 3000)

    def rows(part):
        asked.append(part)
        return base[np.arange(part.start, part.stop) % 7]

    tracemalloc.start()
    for _ in bank.blocks(pole, weights, EventBatch(time, rows), rate=RATE, frames=96000):
        pass
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    assert [part.start for part in asked[1:]] == [part.stop for part in asked[:-1]]
    assert asked[-1].stop == 3000
    assert peak < 100 * 2**20  # all amplitudes at once: 144 MB


def test_a_batch_and_pairs_say_the_same():
    rng = np.random.default_rng(11)
    pole, weights = random_modes(rng, 20)
    strokes = random_strokes(rng, 20, 9, 0.1)
    batch = EventBatch(
        np.array([time for time, _ in strokes]), lambda part: np.array([row for _, row in strokes[part]])
    )
    pairs, whole = (
        bank.render(pole, weights, each, rate=RATE, frames=9600) for each in (iter(strokes), batch)
    )
    assert (pairs == whole).all()


ONE = np.ones(1)


@pytest.mark.parametrize(
    ("pole", "weights", "strokes", "said"),
    [
        ([1.0 + 9j], ONE, [], "decay"),
        ([-1.0 - 9j], ONE, [], "upper"),
        ([np.nan + 0j], ONE, [], "finite"),
        ([-1.0 + 9j], [np.inf], [], "finite"),
        ([-1.0 + 9j], np.ones(2), [], "do not fit"),
        ([[-1.0 + 9j]], ONE, [], "do not fit"),
        ([-1.0 + 9j], ONE, [(0.0, np.ones(2))], "do not fit"),
        ([-1.0 + 9j], ONE, [(0.1, ONE), (0.0, ONE)], "go back"),
        ([-1.0 + 9j], ONE, [(np.nan, ONE)], "finite"),
        ([-1.0 + 9j], ONE, [(0.0, [np.nan])], "finite"),
    ],
)
def test_what_cannot_be_summed_is_refused(pole, weights, strokes, said):
    with pytest.raises(ValueError, match=said):
        bank.render(pole, weights, strokes, rate=RATE, frames=480)
