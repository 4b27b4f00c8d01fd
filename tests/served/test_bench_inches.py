"""The bench page of a design in inches: lengths are shown in inches, and sent as the schema has them, in mm."""

import pytest

from synth.served.model import SolvedDesign
from synth.served.serving import Serving
from synth.served.things import things

from .bench_tab import Page

DESIGN = """
name = "Slat"
[bar]
section = { shape = "rectangle", width_in = 1.5, height_in = 0.5 }
path = [{ straight_in = 12.5 }]
supports = [{ at_in = 1.25, kind = "cord" }, { at_in = 11.25, kind = "cord" }]
[[group]]
name = "low"
stock = "#8-32 UNC"
start_in = 2.5
spacing_in = 0.5
[[group.tine]]
free_length_in = 4.5
trim = [{ nut = "#8-32 UNC hex", at_in = 2.5 }]
[[group.tine]]
pitch = "A3"
[board.panel]
kind = "panel"
material = "birch plywood 4 mm"
length_in = 14.0
width_in = 9.0
thickness_in = 0.15625
feet = [{ bar_in = 1.25, x_in = 2.0, y_in = 4.5 }, { bar_in = 11.25, x_in = 12.0, y_in = 4.5 }]
"""


@pytest.fixture(scope="module")
def told():
    return things(SolvedDesign(DESIGN, "slat.toml"))


def fields(node):
    """Every field below a node of what the page is told."""
    if isinstance(node, dict):
        if "slot" in node and "label" in node:
            yield node
        for each in node.values():
            yield from fields(each)
    elif isinstance(node, list):
        for each in node:
            yield from fields(each)


def test_every_length_is_shown_in_inches_as_it_was_written(told):
    """All of them were shown in mm: a start of 63.5."""
    assert told["units"] == "inch"
    lengths = [each for each in fields(told) if each["slot"]["path"].endswith("_mm")]
    assert len(lengths) > 12
    assert {each["unit"] for each in lengths} == {"in"}
    shown = {
        each["slot"]["path"]: each["value"] / each["times"] for each in lengths if each["value"] is not None
    }
    assert shown["group[1].start_mm"] == pytest.approx(2.5)
    assert shown["bar.supports[2].at_mm"] == pytest.approx(11.25)
    assert shown["group[1].tine[1].free_length_mm"] == pytest.approx(4.5)
    assert shown["board.panel.feet[2].x_mm"] == pytest.approx(12.0)


def test_steps_are_such_as_a_rule_in_inches_has(told):
    assert {each["step"] for each in fields(told) if each["unit"] == "in"} <= {0.005, 0.02, 0.05, 0.2}


def test_what_is_no_length_is_shown_as_it_stands(told):
    others = [each for each in fields(told) if not each["slot"]["path"].endswith("_mm")]
    assert others
    assert {each["times"] for each in others} == {1.0}


@pytest.mark.browser
def test_a_place_typed_in_inches_is_written_in_inches_and_told_in_them(browser, tmp_path):
    """Typed and told were mm; what is typed goes into the file as it was meant."""
    path = tmp_path / "slat.toml"
    path.write_text(DESIGN, encoding="utf-8")
    with Serving(path) as serving:
        page = Page(browser, serving)
        page.tab.evaluate("() => choose({ kind: 'group', index: 0 })")
        assert page.field("Start").input_value() == "2.5"
        page.set("Start", "2.75")
        page.until("HEAD.groups[0] && Math.abs(HEAD.picture[0].x - 0.06985) < 1e-9")
        assert "start_in = 2.75" in path.read_text(encoding="utf-8")
        assert page.tab.evaluate("halves(0.0701) / 25.4 * 32") == pytest.approx(88.0)  # 2 3/4 in
        assert page.tab.evaluate("lengthSaid(69.85)") == "2.750 in"
        assert page.tab.evaluate("$('bite-mm').textContent") == "0.079 in"
        page.until("known.told?.model === things.told.model")
        known = page.tab.evaluate("knownOfTine(0).map((each) => each.textContent).join('')")
        assert " in." in known
        assert " mm" not in known
        assert page.complaints == []
        page.tab.close()
