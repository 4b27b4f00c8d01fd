"""Strokes made by a hand as it moves: begun, followed, lifted, several at once; in the page's engine."""

from __future__ import annotations

import numpy as np
import pytest

pytestmark = pytest.mark.browser

PERCENT = 0.01
# A hand that is at place(t), m along the bar, told to the engine every few blocks; what became of its strokes.
FOLLOWED = """async ([group, direction, from_mm, speeds, every, options]) => {
    const engine = new Engine(await content);
    const sign = direction === 'backward' ? -1 : 1;
    const [left, right] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
    let place = from_mm / 1000;
    let peak = 0;
    const speedAt = (place) =>
      (speeds.find(([until]) => sign * place < sign * until / 1000) ?? speeds.at(-1))[1];
    const end = HEAD.groups[group].tines.map((r) => HEAD.picture[r].x);
    const beyond = sign > 0 ? Math.max(...end) + 0.03 : Math.min(...end) - 0.03;
    for (let n = 0; n < 4000 && !engine.reports.length; n++) {
      const speed = speedAt(place);
      const hand = { id: 'one', at_mm: 1000 * place, speed_mm_s: 1000 * speed, time: engine.frame / engine.rate };
      if (n === 0) engine.begin({ ...hand, group, direction, ...options });
      else if (n % every === 0 && sign * place < sign * beyond) engine.move(hand);
      if (options?.lift_mm !== undefined && sign * place > sign * options.lift_mm / 1000) engine.end('one');
      engine.process(left, right);
      for (const x of left) peak = Math.max(peak, Math.abs(x));
      place += (sign * speed * BLOCK) / engine.rate;
    }
    const { touches } = engine.reports[0];
    const rows = touches.map((each) => [each.tine, HEAD.picture[each.tine].x, each.first, each.touches]);
    return [...rows, [peak, 0, 0, 0]];
  }"""


def followed(page, direction, from_mm, speeds, *, every=3, group=0, **options):
    told = page.numbers(FOLLOWED, [group, direction, from_mm, speeds, every, options])
    return told[:-1], float(told[-1, 0])


def speed_between(rows, first, last):
    """m/s of the stick between two tines, from where they stand and when it first touched them."""
    return abs(rows[last, 1] - rows[first, 1]) / (rows[last, 2] - rows[first, 2])


@pytest.mark.parametrize("speed", [0.2, 0.4, 0.8])
@pytest.mark.parametrize("direction", ["forward", "backward"])
def test_every_tine_is_touched_in_order_at_the_hands_speed(opened, speed, direction):
    start = 45.0 if direction == "forward" else 115.0
    rows, peak = followed(opened("straight"), direction, start, [[0.0, speed]])
    assert (rows[:, 3] > 0).all()
    assert (np.diff(rows[:, 2]) > 0.0).all()
    assert speed_between(rows, 0, 3) == pytest.approx(speed, rel=5 * PERCENT)
    assert peak > 1e-4


def test_a_hand_that_slows_down_slows_the_stick(opened):
    rows, _ = followed(opened("straight"), "forward", 45.0, [[80.0, 0.6], [1000.0, 0.2]])
    assert speed_between(rows, 0, 1) == pytest.approx(0.6, rel=10 * PERCENT)
    assert speed_between(rows, 2, 3) == pytest.approx(0.2, rel=10 * PERCENT)


def test_a_stick_set_down_within_a_row_touches_the_rest_of_it(opened):
    rows, _ = followed(opened("straight"), "forward", 80.0, [[0.0, 0.4]])
    assert (rows[:2, 3] == 0).all()
    assert (rows[2:, 3] > 0).all()


def test_a_stick_set_down_on_a_tine_is_set_down_beside_it(opened):
    """Where the pointer lands the stick would stand in the second tine: it would be flung away."""
    page = opened("straight")
    _, usual = followed(page, "forward", 45.0, [[0.0, 0.4]])
    rows, peak = followed(page, "forward", 73.0, [[0.0, 0.4]])
    assert rows[0, 3] == 0
    assert (rows[2:, 3] > 0).all()
    assert peak < 2.0 * usual


def test_a_stick_that_is_lifted_touches_no_more(opened):
    rows, peak = followed(opened("straight"), "forward", 45.0, [[0.0, 0.4]], lift_mm=80.0)
    assert (rows[:2, 3] > 0).all()
    assert (rows[2:, 3] == 0).all()
    assert peak > 1e-4


def test_a_stroke_told_once_is_a_stroke_at_that_speed(opened):
    rows, _ = followed(opened("bent"), "forward", 45.0, [[0.0, 0.5]], every=10_000)
    assert speed_between(rows, 0, 3) == pytest.approx(0.5, rel=5 * PERCENT)


SEVERAL = """async (groups) => {
    const engine = new Engine(await content);
    const sound = [];
    const [left, right] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
    for (const [id, group] of groups.entries()) {
      engine.begin({ id, group, direction: id % 2 ? 'backward' : 'forward' });
    }
    for (let n = 0; n < 200; n++) {
      engine.process(left, right);
      sound.push(...left);
    }
    return [sound];
  }"""


def test_several_sticks_at_once_sound_together(opened):
    page = opened("straight")
    one, other = page.numbers(SEVERAL, [0]), page.numbers(SEVERAL, [0, 1]) - page.numbers(SEVERAL, [0])
    assert np.abs(one).max() > 1e-4
    assert np.abs(other).max() > 1e-4
    many = page.numbers(
        SEVERAL, [0, 1] * 30
    )  # more than memory is kept for: the rest is left out, not the page
    assert np.isfinite(many).all()


RESTED = """async ([down, up]) => {
    const engine = new Engine(await content);
    const [left, right] = [new Float64Array(BLOCK), new Float64Array(BLOCK)];
    const sound = [];
    engine.schedule({ group: 'threads', at_s: 0.02 });
    while (engine.frame < 1.4 * engine.rate) {
      const now = engine.frame / engine.rate;
      if (down && now >= down && !engine.resting.size && now < up) engine.rest({ palm: 'threads', down: true });
      if (up && now >= up) engine.rest({ palm: 'threads', down: false });
      engine.process(left, right);
      sound.push(...left);
    }
    return [sound];
  }"""


def test_a_palm_rests_until_it_is_taken_off(opened):
    page = opened("straight")
    free, rested = page.numbers(RESTED, [0, 0])[0], page.numbers(RESTED, [0.6, 0.9])[0]
    until = int(0.599 * 48_000)
    np.testing.assert_array_equal(free[:until], rested[:until])
    held = page.render(
        [{"group": "threads", "at_s": 0.02}, {"palm": "threads", "at_s": 0.6, "hold_s": 0.3}], "bar", 1.4
    )
    after = slice(int(0.95 * 48_000), int(1.35 * 48_000))
    assert (rested[after] ** 2).sum() < 0.7 * (free[after] ** 2).sum()
    assert (rested[after] ** 2).sum() == pytest.approx((held[0, after] ** 2).sum(), rel=0.1)


HEIGHTS = """async ([before]) => {
    const { ear } = new Engine(await content);
    for (let n = 0; n < before; n++) ear.prepare(ear.bank.slot(0, 1e-4 * (n + 1)));
    const slot = ear.bank.slot(1, 0.012);
    ear.prepare(slot);
    const width = ear.hearing.within.items / ear.hearing.within.shape[0];
    return [ear.hearing.within.at.slice(slot * width, (slot + 1) * width)];
  }"""


def test_more_heights_than_are_kept_are_heard_as_the_first_ones(opened):
    page = opened("straight")
    np.testing.assert_array_equal(page.numbers(HEIGHTS, [200]), page.numbers(HEIGHTS, [0]))
