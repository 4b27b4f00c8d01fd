"""A hand on the page: mouse, pen and finger drawn over the tines, as the browser tells of them, times and all."""

from __future__ import annotations

import os
import time
from pathlib import Path
from urllib.parse import urlsplit
from urllib.request import url2pathname

import numpy as np
import pytest

from .conftest import Opened, heard

pytestmark = [
    pytest.mark.browser,
    pytest.mark.realtime,
]  # hands and sound take their time, so nothing beside them

STROKES = int(os.environ.get("HANDS", "0"))  # as many strokes of every hand at every speed; 20: 3 minutes

PERCENT = 0.01
FROM, TO = 0.02, 0.135  # m along the bar: before the first tine, beyond the last of its group
LISTEN = """() => { window.reports = []; window.seen = [];
    window.tinewright.player.addEventListener('told', (event) => {
      if (event.detail.report) window.reports.push(event.detail.report); });
    const box = $('instrument').getBoundingClientRect();
    $('instrument').addEventListener('pointermove', (event) => {
      for (const each of event.getCoalescedEvents()) {
        const [x] = view.point([each.clientX - box.left, 0]);
        window.seen.push([each.timeStamp / 1000, x, each.pointerType]);
      }
    }); }"""

BEGUN = """() => { window.asked = []; const { player } = window.tinewright;
    window.passOn ??= player.tell.bind(player);
    player.tell = (message) => { if (message.begin) window.asked.push(message.begin);
      if (message.rest) window.asked.push(message.rest); window.passOn(message); }; }"""


@pytest.fixture(scope="module")
def own(opened, browser):
    """A page of this file's own with its sound on: what other files chose on theirs does not matter."""
    page = Opened(browser.new_page(), Path(url2pathname(urlsplit(opened("straight").tab.url).path)))
    page.tab.click("#sound")
    page.until("window.tinewright.player")
    page.tab.wait_for_timeout(1500)  # tines are made ready
    page.tab.evaluate(LISTEN)
    page.devtools = page.tab.context.new_cdp_session(page.tab)  # type: ignore[attr-defined]
    yield page
    page.tab.close()


@pytest.fixture
def tab(own):
    own.tab.evaluate(BEGUN)
    return own


def px(page, place, below=0.004):
    """Where on the screen a place along the bar is, so far below the tips of the tine that is the nearest."""
    return page.tab.evaluate(
        """([place, below]) => { const box = $('instrument').getBoundingClientRect();
        const tip = Math.max(...view.groups[0].map((r) => view.tips[r][1]));
        const [x, y] = view.px([place, tip - below]); return [box.left + x, box.top + y]; }""",
        [place, below],
    )


def send(page, kind, what, x, y, *, force=0.4, finger=0):
    if kind == "touch":
        points = [] if what == "up" else [{"x": x, "y": y, "id": finger, "force": force}]
        name = {"down": "touchStart", "move": "touchMove", "up": "touchEnd"}[what]
        page.devtools.send("Input.dispatchTouchEvent", {"type": name, "touchPoints": points})
        return
    name = {"down": "mousePressed", "move": "mouseMoved", "up": "mouseReleased"}[what]
    told = {
        "type": name,
        "x": x,
        "y": y,
        "button": "left",
        "buttons": 1,
        "clickCount": 1,
        "pointerType": kind,
    }
    page.devtools.send("Input.dispatchMouseEvent", told | ({"force": force} if kind == "pen" else {}))


def drawn(page, kind, speed, *, places=(FROM, TO), below=(0.004, 0.004)):
    """The reports of a hand that is drawn at a speed between places, each some moments after the other."""
    page.tab.evaluate("window.reports.length = 0; window.seen.length = 0")
    way = [
        px(page, place, deep)
        for place, deep in zip(places, np.linspace(below[0], below[1], len(places)), strict=True)
    ]
    took = np.abs(np.diff(places)) / speed
    ends = np.concatenate([[0.0], np.cumsum(took)])
    send(page, kind, "down", *way[0])
    began = time.perf_counter()
    while (now := time.perf_counter() - began) < ends[-1]:
        send(page, kind, "move", *(float(np.interp(now, ends, axis)) for axis in zip(*way, strict=True)))
        time.sleep(0.004)
    send(page, kind, "up", *way[-1])
    page.until("window.reports.length >= 1")
    page.tab.wait_for_timeout(250)
    return page.tab.evaluate("window.reports")


def off(page, report):
    """The stick's speed over that of the hand as its own events tell it, minus one; nan where a tine was lost."""
    met = [each for each in report["touches"] if each["touches"] > 0]
    firsts = [each["first"] for each in met]
    if len(met) < len(report["touches"]) or firsts != sorted(firsts):
        return np.nan
    stands = page.tab.evaluate(
        "(tines) => tines.map((r) => view.places[r])", [met[0]["tine"], met[-1]["tine"]]
    )
    seen = np.array([each[:2] for each in page.tab.evaluate("window.seen")])
    low, high = sorted(stands)
    inside = (seen[:, 1] > low - 0.015) & (seen[:, 1] < high + 0.015)
    if inside.sum() < 4:  # the browser tells of a fast finger once a frame
        inside[:] = True
    hand = np.polyfit(seen[inside, 0], seen[inside, 1], 1)[0]
    return (stands[1] - stands[0]) / (firsts[-1] - firsts[0]) / hand - 1.0


def stroked(page, kind, speed, repeats):
    """How far off the stick's speed is (repeats,), to and fro; every tine is met in order each time."""
    wrong = []
    for n in range(repeats):
        reports = drawn(page, kind, speed, places=(FROM, TO) if n % 2 == 0 else (TO, FROM))
        assert len(reports) == 1
        assert {each[2] for each in page.tab.evaluate("window.seen")} == {kind}
        wrong.append(off(page, reports[0]))
    print(kind, speed, np.round(wrong, 3))
    assert not np.isnan(wrong).any(), wrong
    return np.abs(wrong)


@pytest.mark.skipif(not STROKES, reason="asks for a machine with nothing else to do: HANDS=20")
@pytest.mark.parametrize("kind", ["mouse", "touch", "pen"])
@pytest.mark.parametrize("speed", [0.2, 0.4, 0.8])
def test_every_tine_is_touched_in_order_at_the_hands_speed(tab, kind, speed):
    wrong = stroked(tab, kind, speed, STROKES)
    seldom = (
        kind == "touch" and speed == 0.8
    )  # the browser tells of it three or four times: 6 and 10 % measured
    assert np.median(wrong) < (8 if seldom else 5) * PERCENT
    assert wrong.max() < (15 if seldom else 10) * PERCENT


def test_a_hand_that_turns_back_makes_a_second_stroke(tab):
    reports = drawn(tab, "mouse", 0.4, places=(FROM, TO, FROM))
    tab.until("window.reports.length >= 2")
    assert [each["direction"] for each in tab.tab.evaluate("window.reports")] == ["forward", "backward"]
    assert all(touch["touches"] > 0 for each in reports for touch in each["touches"])


def test_a_hand_that_goes_on_strokes_the_next_group(tab):
    drawn(tab, "mouse", 0.4, places=(FROM, 0.21), below=(0.02, 0.02))
    tab.until("window.reports.length >= 2")
    assert [each["group"] for each in tab.tab.evaluate("window.reports")] == [0, 1]


def test_a_path_that_falls_leans_and_one_that_is_low_strokes_low(tab):
    for below in [(0.004, 0.004), (0.004, 0.06), (0.06, 0.06)]:
        drawn(tab, "mouse", 0.3, below=below)
    level, falling, low = tab.tab.evaluate("window.asked")
    assert (level["lean"], level["height_mm"]) == (0.0, 0.0)
    high = np.argmax(heard("straight", "bar").row.mounted_hz[:4])
    assert high in (0, 3)  # deeper to the right: towards the high tines if they stand there
    assert falling["lean"] * (1.0 if high == 3 else -1.0) > 0.3
    assert low["lean"] == 0.0
    assert 20.0 <= low["height_mm"] <= 60.0


def test_a_pens_pressure_is_its_bite(tab):
    for force in (0.2, 0.8):
        way = [px(tab, place) for place in (FROM, TO)]
        send(tab, "pen", "down", *way[0], force=force)
        for share in np.linspace(0.0, 1.0, 25):
            send(tab, "pen", "move", *(np.array(way[0]) + share * (np.array(way[1]) - way[0])), force=force)
            time.sleep(0.008)
        send(tab, "pen", "up", *way[1])
        tab.tab.wait_for_timeout(300)
    light, firm = (each["bite_mm"] for each in tab.tab.evaluate("window.asked"))
    assert light == pytest.approx(0.5 + 4.5 * 0.2, abs=0.1)
    assert firm == pytest.approx(0.5 + 4.5 * 0.8, abs=0.1)


def fingers(page, what, *points):
    told = [{"x": x, "y": y, "id": n} for n, (x, y) in points]
    page.devtools.send("Input.dispatchTouchEvent", {"type": what, "touchPoints": told})


def test_two_fingers_stroke_two_groups_at_once(tab):
    tab.tab.evaluate("window.reports.length = 0")
    ways = [[px(tab, FROM), px(tab, 0.12)], [px(tab, 0.215, 0.02), px(tab, 0.135, 0.02)]]
    fingers(tab, "touchStart", *((n, way[0]) for n, way in enumerate(ways)))
    for share in np.linspace(0.0, 1.0, 20):
        at = [(n, np.array(a) + share * (np.array(b) - a)) for n, (a, b) in enumerate(ways)]
        fingers(tab, "touchMove", *((n, tuple(map(float, each))) for n, each in at))
        time.sleep(0.005)
    fingers(tab, "touchEnd")
    tab.until("window.reports.length >= 2")
    told = {each["group"]: each["direction"] for each in tab.tab.evaluate("window.reports")}
    assert told == {0: "forward", 1: "backward"}


def test_a_second_finger_that_rests_is_a_palm(tab):
    first, second = px(tab, 0.3), px(tab, 0.08, 0.03)
    fingers(tab, "touchStart", (0, first))
    fingers(tab, "touchStart", (0, first), (1, second))
    tab.tab.wait_for_timeout(600)
    fingers(tab, "touchEnd")
    tab.tab.wait_for_timeout(100)
    assert tab.tab.evaluate("window.asked") == [
        {"palm": "threads", "down": True},
        {"palm": "threads", "down": False},
    ]
