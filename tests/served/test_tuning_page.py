"""The tuner's page: what is told is shown large, nothing moves, one key is pressed back, nothing else is served."""

from __future__ import annotations

import http.client
import json
import os
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from synth.doors.tuner_words import what_it_says
from synth.errors import InputError
from synth.served.address import Address, for_a_phone
from synth.served.server import Ask
from synth.served.serving import tuner_served
from synth.served.tuning_page import TuningAnswers, TuningFeed, tuning_reply

TAP: dict[str, Any] = {
    "kind": "tap",
    "at_s": 3.2,
    "look_s": 0.5,
    "name": "D3.12",
    "group": "D3",
    "tine": 12,
    "fixing": "nut",
    "sounds_hz": 146.1,
    "cents": -12.3,
    "cents_sd": 0.4,
    "turns": 0.35,
    "shorten_mm": 0.17,
    "units": "mm",
    "in_tune": False,
    "taken": False,
    "may_be": ["D3.12"],
    "reason": None,
    "planes_hz": [146.1],
    "beat_hz": None,
    "beat_cents": None,
    "overtone": 6.2,
    "overtone_cents": -3.0,
    "moved_cents": None,
    "advice": ["moved -2.0 cents since the last round"],
}
NEXT: dict[str, Any] = {"kind": "next", "name": "D3.13", "target_hz": 146.83, "done": 11, "of": 112}
RIGHT = TAP | {"cents": 0.4, "in_tune": True, "turns": 0.01, "advice": []}
OPEN = TAP | {
    "name": None,
    "cents": None,
    "cents_sd": None,
    "turns": None,
    "shorten_mm": None,
    "in_tune": None,
    "may_be": ["D3.12", "D3.13", "Fis4.2"],
    "reason": "cannot tell which of 3",
    "advice": ["if it was D3.12: -4.1 cents", "if it was D3.13: -4.1 cents", "if it was Fis4.2: +85.0 cents"],
}
SAID = {"kind": "said", "words": "the tap at 3.20 s is D3.12's already"}
PHONE = {"width": 390, "height": 844}
SECRET = "tests-have-no-secret-to-keep-from-anyone"
ROWS = ("tine", "cents", "sure", "way", "reason", "foot", "next", "done", "announced")


@pytest.fixture
def feed() -> TuningFeed:
    return TuningFeed("Quay <rail>", what_it_says)


@pytest.fixture
def address(feed: TuningFeed) -> Iterator[Address]:
    with tuner_served(feed, Address(0, SECRET)) as at:
        yield at


def asked(at: Address, method: str, name: str, body: Any = None, secret: str = SECRET) -> tuple[int, str]:
    connection = http.client.HTTPConnection(at.host, at.port, timeout=10)
    content = None if body is None else json.dumps(body)
    connection.request(method, f"/{secret}/{name}", content, {"Content-Type": "application/json"})
    answer = connection.getresponse()
    found = answer.status, answer.read(100_000).decode() if name != "tuning" else ""
    connection.close()
    return found


def test_the_state_holds_the_last_of_each_kind_with_its_words(feed: TuningFeed) -> None:
    feed.take([NEXT])
    feed.take([TAP, NEXT | {"done": 12}])
    state = feed.state()
    assert json.loads(json.dumps(state)) == state
    assert state["next"]["done"] == 12
    assert state["tap"]["words"] == "D3.12 -12.3 cents +-0.4: 0.35 turns up"
    feed.take([SAID])
    assert feed.state()["said"] == SAID
    with feed.hub.listening() as told:
        feed.take([RIGHT])
        assert feed.state()["said"] is None  # it was of the tap before
        assert '"in_tune": true' in next(told)


def test_a_page_presses_its_one_key_and_no_other(feed: TuningFeed) -> None:
    answering = TuningAnswers(feed)
    assert answering("POST", Ask(("press",), body={"key": "y"})).status == 200
    assert feed.pressed() == "y"
    assert feed.pressed() == ""
    for key in ("q", "c", "yy", None, 3):
        with pytest.raises(InputError, match="no key of this page"):
            answering("POST", Ask(("press",), body={"key": key}))
    assert feed.pressed() == ""


def test_the_tuner_alone_is_served_and_only_with_the_secret(address: Address) -> None:
    assert asked(address, "GET", "")[0] == 200
    assert asked(address, "GET", "", secret="a-guess")[0] == 403
    assert asked(address, "POST", "press", {"key": "y"}, secret="a-guess")[0] == 403
    assert asked(address, "POST", "press", {"key": "y"})[0] == 200
    for name in ("change", "put_back", "keep", "recall"):
        assert asked(address, "POST", name, {})[0] == 404, name
    for name in ("model", "papers", "things", "tune", "../../etc/passwd"):
        assert asked(address, "GET", name)[0] == 404, name


def test_names_are_no_markup_and_without_a_tuner_the_page_says_how_to_begin(feed: TuningFeed) -> None:
    page = tuning_reply(feed).content.decode()
    assert "Quay &lt;rail&gt;" in page
    assert "<rail>" not in page
    assert "@" not in page.split("<script>")[0].replace("@media", "")
    nobody = tuning_reply(None).content.decode()
    assert '<body class="">' in nobody


def test_a_phone_gets_an_address_of_this_machine_or_a_reason() -> None:
    try:
        at = for_a_phone()
    except InputError:
        return  # in no network
    assert not at.host.startswith("127.")
    assert at.words.startswith(f"http://{at.host}:")
    assert len(at.secret) >= 24


def opened(browser: Any, at: Address, size: dict[str, int]) -> Any:
    tab = browser.new_page(viewport=size)
    tab.complaints = []
    tab.on("pageerror", lambda error: tab.complaints.append(str(error)))
    tab.goto(at.words)
    until(tab, "document.getElementById('link').textContent === 'listening'")
    return tab


def until(tab: Any, code: str) -> None:
    """Polled from outside: the page's own policy lets nothing be compiled in it."""
    for _ in range(500):
        if tab.evaluate(code):
            return
        tab.wait_for_timeout(20)
    raise AssertionError(f"after 10 s it is still not true: {code}")


def shown(tab: Any, name: str) -> str:
    return str(tab.evaluate(f"document.getElementById('{name}').textContent"))


def places(tab: Any) -> dict[str, list[float]]:
    """Where each row begins and ends."""
    found: dict[str, list[float]] = tab.evaluate(
        "(names) => Object.fromEntries(names.map((name) => {"
        " const { top, bottom } = document.getElementById(name).getBoundingClientRect();"
        " return [name, [top, bottom]]; }))",
        list(ROWS),
    )
    return found


def overflows(tab: Any) -> list[str]:
    """What is wider than its room or leaves the screen."""
    found: list[str] = tab.evaluate(
        "(names) => names.filter((name) => { const each = document.getElementById(name);"
        " const { left, right, bottom } = each.getBoundingClientRect();"
        " return each.scrollWidth > each.clientWidth + 1 || left < 0 || right > innerWidth + .5"
        " || bottom > innerHeight + .5; })",
        [each for each in ROWS if each != "done"],
    )
    return found


@pytest.mark.browser
def test_a_phone_shows_what_is_told_large_and_nothing_moves(
    browser: Any, feed: TuningFeed, address: Address
) -> None:
    tab = opened(browser, address, PHONE)
    before = places(tab)
    for message, tine, cents, turns in (
        (TAP, "D3.12", "−12.3", "0.35\nturns up"),
        (RIGHT, "D3.12", "+0.4", "in tune"),
        (TAP | {"cents": 104.6, "turns": -11.25, "shorten_mm": -5.6}, "D3.12", "+105", "11.25\nturns down"),
        (TAP | {"turns": None, "fixing": "glued"}, "D3.12", "−12.3", "0.17 mm\noff its tip"),
        (OPEN, "D3.12 or D3.13 or Fis4.2", "–", ""),
    ):
        feed.take([message, NEXT])
        until(tab, f"document.getElementById('turns').textContent === {json.dumps(turns)}")
        assert shown(tab, "tine") == tine
        assert shown(tab, "cents") == cents
        for name, edges in places(tab).items():
            assert edges == pytest.approx(before[name], abs=0.5), (name, message)
        assert overflows(tab) == [], message
    assert shown(tab, "next") == "Next D3.13, 146.8 Hz"
    assert shown(tab, "count") == "11 of 112"
    assert "if it was D3.13" in shown(tab, "reason")
    assert "cannot tell which of 3" in shown(tab, "words")
    tab.focus("#announced")
    tab.keyboard.press("Enter")
    for _ in range(100):
        if key := feed.pressed():
            break
        tab.wait_for_timeout(20)
    assert key == "y"
    feed.take([SAID])
    until(tab, f"document.getElementById('reason').textContent === {json.dumps(SAID['words'])}")
    assert tab.complaints == []
    tab.close()


@pytest.mark.browser
def test_a_tuners_page_that_the_browser_kept_listens_again(
    browser: Any, feed: TuningFeed, address: Address
) -> None:
    """As with the button back (HTML standard, 7.4): once, whatever else was under way."""
    tab = opened(browser, address, PHONE)
    aside = "(name) => { window.dispatchEvent(new PageTransitionEvent(name, { persisted: true })); }"
    until(tab, "events.readyState === 1")
    tab.evaluate("window.first = events")
    tab.evaluate(aside, "pagehide")
    feed.take([TAP, NEXT])
    tab.wait_for_timeout(100)
    assert shown(tab, "cents") != "−12.3"
    tab.evaluate(aside, "pageshow")
    until(tab, "document.getElementById('cents').textContent === '−12.3'")
    assert tab.evaluate("[window.first.readyState, events.readyState]") == [2, 1]
    tab.close()


@pytest.mark.browser
def test_figures_are_read_from_two_metres(browser: Any, feed: TuningFeed, address: Address) -> None:
    """A telephone's 390 px are some 65 mm: 20 minutes of arc at 2 m are 12 mm, 70 px; capitals are 0.7 em."""
    tab = opened(browser, address, PHONE)
    feed.take([TAP, NEXT])
    until(tab, "document.getElementById('cents').textContent === '−12.3'")

    def type_px(name: str) -> float:
        return float(
            tab.evaluate(f"parseFloat(getComputedStyle(document.getElementById('{name}')).fontSize)")
        )

    assert 0.7 * type_px("cents") > 70.0
    assert 0.7 * type_px("arrow") > 70.0
    assert 0.7 * type_px("tine") > 45.0  # 13 minutes of arc: still read
    assert tab.evaluate("getComputedStyle(document.getElementById('arrow')).color") == "rgb(138, 61, 12)"
    tab.set_viewport_size({"width": 844, "height": 390})
    assert overflows(tab) == []
    tab.close()


@pytest.mark.browser
def test_axe_finds_nothing_serious_on_the_tuners_page(
    browser: Any, feed: TuningFeed, address: Address
) -> None:
    """axe-core (Deque Systems, MPL 2.0) is a tool of this test alone."""
    place = os.environ.get("AXE_CORE")
    if place is None or not Path(place).exists():
        pytest.skip("axe-core is not here: AXE_CORE names its axe.min.js (.ci/run fetches it by npm)")
    tab = opened(browser, address, PHONE)
    tab.evaluate(Path(place).read_text(encoding="utf-8") + "\n;0")
    for message in (TAP, RIGHT, OPEN):
        feed.take([message, NEXT])
        until(tab, f"document.getElementById('words').textContent === {json.dumps(what_it_says(message))}")
        found = tab.evaluate(
            "axe.run().then(({ violations }) => violations.map((each) => "
            "[each.impact, each.id, each.nodes.map((node) => node.html)]))"
        )
        assert [each for each in found if each[0] in ("serious", "critical")] == []
    tab.close()
