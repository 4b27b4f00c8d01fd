"""What the tuner's page makes of each thing that the tuner tells: arrows, turns or millimetres, names, notes."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import pytest

from synth.doors.tuner_words import what_it_says
from synth.served.address import Address
from synth.served.serving import tuner_served
from synth.served.tuning_page import TuningFeed

pytestmark = pytest.mark.browser
TAP: dict[str, Any] = {
    "name": "D3.12", "may_be": ["D3.12"], "cents": -12.34, "cents_sd": 0.46, "turns": 0.354, "shorten_mm": 0.17,
    "units": "mm", "fixing": "nut", "in_tune": False, "reason": None, "advice": [], "words": "said",
}  # fmt: skip
OPEN = TAP | {"name": None, "cents": None, "cents_sd": None, "turns": None, "in_tune": None, "reason": "why"}
PLAYED = ("tine", "cents", "sure", "arrow", "turns", "reason", "words")


@pytest.fixture(scope="module")
def tab(browser: Any) -> Iterator[Any]:
    with tuner_served(TuningFeed("Quay", what_it_says), Address(0, "tests-have-no-secret-to-keep")) as at:
        page = browser.new_page()
        page.goto(at.words)
        yield page
        page.close()


def shown(tab: Any, **told: Any) -> dict[str, Any]:
    plain = {"name": "Quay", "tap": None, "next": None, "offer": None}
    found: dict[str, Any] = tab.evaluate(
        """([told, names]) => { show(told); return { ...Object.fromEntries(names.map((name) => [name,
          $(name).textContent])), disabled: $('announced').disabled, body: document.body.className.split(' ')
          .filter((each) => ['right', 'off'].includes(each)), done: [$('done').value, $('done').max],
          long: $('tine').style.getPropertyValue('--long') }; }""",
        [plain | told, [*PLAYED, "next", "count", "instrument"]],
    )
    return found


@pytest.mark.parametrize(
    ("words", "arrow", "turns", "body"),
    [
        ({}, "\N{BLACK UP-POINTING TRIANGLE}", "0.35\nturns up", ["off"]),
        ({"turns": -11.25, "shorten_mm": -5.6}, "\N{BLACK DOWN-POINTING TRIANGLE}", "11.25\nturns down", ["off"]),
        ({"in_tune": True}, "=", "in tune", ["right"]),
        ({"in_tune": True, "shorten_mm": -0.01, "turns": -0.01}, "=", "in tune", ["right"]),
        ({"turns": None}, "\N{BLACK UP-POINTING TRIANGLE}", "0.17 mm\nshorter", ["off"]),
        ({"turns": None, "shorten_mm": -0.256}, "\N{BLACK DOWN-POINTING TRIANGLE}", "0.26 mm\nlonger", ["off"]),
        ({"turns": None, "units": "inch"}, "\N{BLACK UP-POINTING TRIANGLE}", "0.007 in\nshorter", ["off"]),
        ({"turns": None, "fixing": "glued"}, "\N{BLACK UP-POINTING TRIANGLE}", "0.17 mm\noff its tip", ["off"]),
        ({"turns": None, "fixing": "glued", "shorten_mm": -0.1}, "\N{BLACK DOWN-POINTING TRIANGLE}",
         "0.10 mm\ntoo short", ["off"]),
    ],
)  # fmt: skip
def test_the_way_to_go_is_an_arrow_and_so_many_turns_or_millimetres(
    tab: Any, words: dict[str, Any], arrow: str, turns: str, body: list[str]
) -> None:
    found = shown(tab, tap=TAP | words)
    assert (found["arrow"], found["turns"], found["body"]) == (arrow, turns, body)


def test_what_is_not_known_is_no_figure_and_can_be_announced(tab: Any) -> None:
    may_be = ["D3.12", "D3.13", "D3.14", "D3.15"]
    found = shown(tab, tap=OPEN | {"may_be": may_be, "advice": ["if one", "if other"]})
    assert [found[each] for each in PLAYED] == [
        "D3.12 or D3.13 or D3.14", "\N{EN DASH}", "", "", "", "why\nif one\nif other", "said",
    ]  # fmt: skip
    assert (found["disabled"], found["body"], found["long"]) == (False, [], "23")
    nothing = shown(tab, tap=OPEN | {"may_be": []})
    assert (nothing["tine"], nothing["disabled"], nothing["long"]) == ("?", True, "5")
    assert shown(tab, tap=TAP)["disabled"] is True


@pytest.mark.parametrize(
    ("cents", "words"),
    [
        (-12.34, "\N{MINUS SIGN}12.3"), (0.0, "+0.0"), (99.94, "+99.9"), (99.96, "+100"),
        (-104.6, "\N{MINUS SIGN}105"),
    ],
)  # fmt: skip
def test_cents_have_a_sign_and_a_tenth_below_a_hundred(tab: Any, cents: float, words: str) -> None:
    found = shown(tab, tap=TAP | {"cents": cents})
    assert (found["cents"], found["sure"]) == (words, "cents, \N{PLUS-MINUS SIGN} 0.5")


def test_what_comes_next_and_an_offer_that_nothing_stands_before(tab: Any) -> None:
    following = {"name": "D3.13", "target_hz": 146.83, "done": 11, "of": 112}
    found = shown(tab, next=following, tap=TAP, offer={"words": "offered"})
    assert (found["next"], found["count"], found["done"]) == ("Next D3.13, 146.8 Hz", "11 of 112", [11, 112])
    assert (found["reason"], found["instrument"]) == ("offered", "Quay")
    assert shown(tab, tap=TAP | {"advice": ["mind"]}, offer={"words": "offered"})["reason"] == "mind"
    assert shown(tab, tap=TAP | {"reason": "why"}, offer={"words": "offered"})["reason"] == "why"
    end = shown(tab, next=following | {"name": None, "done": 0, "of": 0})
    assert (end["next"], end["count"], end["done"]) == ("All are in tune", "0 of 0", [0, 1])
