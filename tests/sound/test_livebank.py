"""The live bank against the plain sum, whatever the blocks, and its events at their exact moment."""

import os
import subprocess
import sys

import numpy as np
import pytest

from synth.sound.livebank import BLOCK, LiveBank

RATE = 48_000
MODES, EVENTS, FRAMES = 300, 40, 6000


@pytest.fixture(scope="module")
def case():
    dice = np.random.default_rng(8)
    pole = -dice.uniform(0.5, 2000.0, MODES) + 2j * np.pi * np.sort(dice.uniform(20.0, 20e3, MODES))
    weights = dice.standard_normal((2, MODES)) + 1j * dice.standard_normal((2, MODES))
    time = np.sort(dice.uniform(0.0, FRAMES / RATE, EVENTS))
    rows = dice.standard_normal((EVENTS, MODES)) + 1j * dice.standard_normal((EVENTS, MODES))
    return pole, weights, time, rows


def plain(pole, weights, time, rows, frames=FRAMES):
    """y_p(t) = Re sum_m w_pm sum over events before t of a_em exp(s_m (t - t_e))."""
    t = np.arange(frames) / RATE
    total = np.zeros((len(weights), frames))
    for start, row in zip(time, rows, strict=True):
        since = t[t >= start] - start
        total[:, t >= start] += ((weights * row) @ np.exp(np.multiply.outer(pole, since))).real
    return total


@pytest.fixture(scope="module")
def expected(case):
    return plain(*case)


def played(bank, sizes, add=lambda bank: None):
    out, sizes = np.zeros((bank.points, FRAMES), np.float32), iter(sizes)
    while bank.frame < FRAMES:
        add(bank)
        part = np.empty((bank.points, min(next(sizes), FRAMES - bank.frame)), np.float32)
        at = bank.frame
        bank.fill(part)
        out[:, at : at + part.shape[1]] = part
    return out


@pytest.mark.parametrize("block", [64, 128, 256, 512, 100, None])
def test_every_block_length_gives_the_plain_sum(case, expected, block):
    pole, weights, time, rows = case
    bank = LiveBank(pole, weights, rate=RATE)
    bank.add(time, rows)
    dice = np.random.default_rng(1)
    sizes = (block or int(dice.integers(1, 512)) for _ in range(FRAMES))
    assert np.abs(played(bank, sizes) - expected).max() < 1e-6 * np.abs(expected).max()
    assert bank.late_count == 0


def test_strokes_that_overlap_may_be_added_in_any_order_before_their_moment(case, expected):
    pole, weights, time, rows = case
    bank = LiveBank(pole, weights, rate=RATE)
    bank.add(time[1::2], rows[1::2])
    bank.add(time[::2], rows[::2])
    out = played(bank, (256 for _ in range(FRAMES)))
    assert np.abs(out - expected).max() < 1e-6 * np.abs(expected).max()


def test_an_increment_that_comes_late_is_counted_and_rings_as_if_it_had_been_there(case):
    pole, weights, _, rows = case
    bank = LiveBank(pole, weights, rate=RATE)

    def add(bank):
        if bank.frame == 512:
            bank.add(np.array([300.25 / RATE]), rows[:1])

    expected = plain(pole, weights, np.array([300.25 / RATE]), rows[:1])
    out = played(bank, (256 for _ in range(FRAMES)), add)
    assert bank.late_count == 1
    assert not out[:, :512].any()
    assert np.abs(out[:, 512:] - expected[:, 512:]).max() < 1e-6 * np.abs(expected).max()


@pytest.mark.parametrize("nepers", [0.01, 2.9, 3.1, 6.9, 7.1, 12.1, 40.0])
def test_modes_from_0_hz_to_half_the_rate_are_summed_however_steeply_they_fall(nepers):
    """On both sides of every number of bins that a mode may take, and of what is summed frame by frame."""
    frequency = np.concatenate([[0.0, 1e-3, 187.49, 187.5, 187.51], np.linspace(200.0, 23_999.99, 200)])
    dice = np.random.default_rng(3)
    pole = -nepers * RATE / BLOCK + 2j * np.pi * dice.permutation(frequency)
    weights = dice.standard_normal((3, pole.size)) + 1j * dice.standard_normal((3, pole.size))
    for row in (*np.eye(pole.size)[:: pole.size // 9], dice.standard_normal(pole.size)):
        time, rows = np.array([0.0, 70.3, 71.0, 127.0, 127.01]) / RATE, np.tile(row + 0j, (5, 1))
        bank = LiveBank(pole, weights, rate=RATE)
        bank.add(time, rows)
        wanted, found = plain(pole, weights, time, rows, 3 * BLOCK), np.empty((3, 3 * BLOCK), np.float32)
        bank.fill(found)
        assert np.abs(found - wanted).max() < 1e-6 * np.abs(wanted).max()


def test_modes_that_cannot_be_sampled_are_left_out():
    pole = -1.0 + 2j * np.pi * np.array([1000.0, 30e3])
    bank = LiveBank(pole, np.ones((1, 2), complex), rate=RATE)
    bank.add(np.array([0.0]), np.array([[0.0, 1.0 + 0j]]))
    part = np.empty((1, 512), np.float32)
    bank.fill(part)
    assert not part.any()


@pytest.mark.parametrize("at", [0, 100, 255])
def test_a_chord_whose_strokes_begin_in_one_frame_is_heard_whole(case, at):
    """At the first frame of a block, in its middle and at its end; with an event before it and without."""
    pole, weights, _, rows = case
    pole, weights, rows = pole[:30], weights[:, :30], rows[:, :30]
    for more in ([], [(at - 0.5) / RATE], [(at + 1.5) / RATE]):
        time = np.sort(np.array([*[(at - 0.25) / RATE] * 3, *more]))
        time = np.maximum(time, 0.0)
        bank = LiveBank(pole, weights, rate=RATE)
        bank.add(time, rows[: len(time)])
        out = played(bank, (256 for _ in range(FRAMES)))
        wanted = plain(pole, weights, time, rows[: len(time)])
        assert np.abs(out - wanted).max() < 1e-6 * np.abs(wanted).max()


@pytest.mark.parametrize("block", [100, 512])
def test_what_dies_within_a_block_neither_slows_nor_stays(block):
    """From a decay of a millisecond to one of a few frames, in states, products and rows beside what rings on."""
    rate = np.geomspace(5.0, 2e4, 60)
    pole = -rate + 2j * np.pi * np.linspace(200.0, 9e3, 60)
    weights, rows = np.ones((1, 60), complex), np.ones((2, 60), complex)
    time = np.array([3.5, 1800.25]) / RATE
    bank = LiveBank(pole, weights, rate=RATE)
    bank.add(time, rows)
    out = played(bank, (block for _ in range(FRAMES)))
    wanted = plain(pole, weights, time, rows)
    assert np.abs(out - wanted).max() < 1e-6 * np.abs(wanted).max()
    kept = (bank._state.astype(np.float32), bank._rows[0], bank._steep, bank._near, bank._far)
    numbers = np.concatenate([each.ravel() for each in kept])
    assert not np.any((numbers != 0.0) & (np.abs(numbers) < np.finfo(np.float32).tiny))
    assert np.all(bank._state[:, rate[bank.arrivals.heard] > 1e3] == 0.0)


@pytest.mark.slow
def test_what_was_compiled_for_one_process_serves_the_next(tmp_path):
    bank = "LiveBank(np.array([1j]), np.ones((1, 1)), rate=9.0)"
    code = f"import numpy as np\nfrom synth.sound.livebank import LiveBank\n{bank}"
    kept = []
    for _ in range(3):
        environment = {**os.environ, "NUMBA_CACHE_DIR": str(tmp_path)}
        subprocess.run([sys.executable, "-c", code], env=environment, check=True)
        kept.append(sorted(each.name for each in tmp_path.rglob("*.nbc")))
    assert kept[0]
    assert kept[0] == kept[1] == kept[2]
