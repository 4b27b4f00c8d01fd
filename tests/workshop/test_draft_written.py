"""Which draft is taken of several, and how it is written: every length under its own name in its unit."""

from types import SimpleNamespace

import numpy as np
import pytest

from synth.workshop import draft
from synth.workshop.draft import Draft
from synth.workshop.draft_groups import GroupPlan
from synth.workshop.draft_layout import Layout
from synth.workshop.draft_text import draft_text
from synth.workshop.wishes import StockWish


def test_of_the_layouts_that_are_solved_the_one_with_the_fewest_warnings_is_taken_the_first_of_equals(
    monkeypatch,
):
    """In the order of their rank; solving ends with the first whose warnings nobody can avoid."""
    room = draft
    warned = {0: ("a", "b"), 1: ("a",), 2: ("c",), 3: ("drilled in a bend", "drilled in a bend"), 4: ()}
    solved = []

    def of(order):
        solved.clear()
        monkeypatch.setattr(
            room, "_try", lambda _, __, each, ___: SimpleNamespace(rank=(False, order.index(each)), name=each)
        )
        monkeypatch.setattr(
            room, "_solved",
            lambda _, __, each: solved.append(each.name) or SimpleNamespace(name=each.name,
              warnings=warned[each.name]),
        )  # fmt: skip
        return room._drafted(None).name

    monkeypatch.setattr(room, "plan_groups", lambda _: ())
    monkeypatch.setattr(room, "layouts", lambda *_: (0, 1, 2, 3, 4))
    monkeypatch.setattr(room, "_tree", lambda *_: {})
    monkeypatch.setattr(room, "_instrument", lambda _: None)
    monkeypatch.setattr(room, "tune", lambda _: None)
    assert (of([0, 1, 2, 4, 3]), solved) == (4, [0, 1, 2, 4])
    assert (of([0, 2, 1, 3, 4]), solved) == (2, [0, 2, 1, 3])
    assert (of([3, 0, 1, 2, 4]), solved) == (3, [3])


DRAFT = {
    "name": 'A "draft"',
    "bar": {"material": "mild steel", "path": [{"straight_mm": 508.0}], "supports": [{"at_mm": 101.6, "kind":
      "cord"}]},
    "stock": {"rod1-8in": {"kind": "plain", "diameter_mm": 3.175}},
    "recipe": {"octaves-1": {"members": ["1/1", "2/1"]}},
    "group": [{"name": "D3", "start_mm": 50.8, "spacing_mm": 12.7}, {"name": "A3", "start_mm": 127.0,
      "spacing_mm": 25.4}],
    "pickup": {"kind": "contact", "at_mm": 25.4},
    "board": {"panel": {"kind": "panel", "feet": [{"bar_mm": 50.8, "x_mm": 76.2}]}},
    "bench": {"units": "inch", "paper": "Letter"},
}  # fmt: skip


@pytest.mark.parametrize(("units", "unit"), [("mm", 1.0), ("inch", 25.4)])
def test_a_draft_is_written_with_every_length_under_its_own_name_in_its_unit(units, unit):
    from synth.workshop.length_text import length_words

    wishes = SimpleNamespace(units=units, octaves=2)
    plans = (
        GroupPlan("D3", StockWish("M4", 0.0), ("1/1", "2/1"), 1, 12.7, 203.2, 6.35, 8.0),
        GroupPlan("A3", StockWish("rod1-8in", 3.175), ("1/1", "2/1"), 2, 25.4, 152.4, 12.7, 3.2),
    )  # fmt: skip
    quarrels = tuple(f"quarrel {n}" for n in range(7))
    made = Draft(
        DRAFT,
        wishes,
        plans,
        Layout((), (), 508.0, 26.0, 25.4),
        61.23,
        (101.6, 406.4),
        ("odd",),
        ("thin",),
        quarrels,
    )
    lines = draft_text(made).splitlines()

    def long(mm):
        return length_words(1e-3 * mm, units)

    word, key = ("mm", "mm") if units == "mm" else ("in", "in")

    def written(mm):
        return f"{mm / unit:.6f}".rstrip("0") + ("0" if f"{mm / unit:.6f}".rstrip("0").endswith(".") else "")

    for line in (
        'name = "A \\"draft\\""', "# With all tines on it the bar's first mode up and down is at 61.2 Hz.",
        f"# It stands still at {long(101.6)}, {long(406.4)} {word}.",
        f"    {{ straight_{key} = {written(508.0)} }},", f'    {{ at_{key} = {written(101.6)}, kind = "cord" }},',
        f"diameter_{key} = {written(3.175)}", 'members = ["1/1", "2/1"]', f"start_{key} = {written(50.8)}",
        f"spacing_{key} = {written(25.4)}", f"    {{ bar_{key} = {written(50.8)}, x_{key} = {written(76.2)} }},",
        f"# M4: the longest tine is about {long(203.2)} {word} and swings {long(6.35)} under a",
        f"# stick; the spacing lets it, and a stick pass, and a spanner turn (nut corners {long(8.0)}).",
        f"# rod1-8in: the longest tine is about {long(152.4)} {word} and swings {long(12.7)} under a",
        "# stick; the spacing lets it, and a stick pass.",
          "#   tinewright stroke FILE --group D3 --through panel -o first.wav",
        "# `check` warns: odd", "#   Why it is so: judge it yourself.", "# `check` warns: thin",
        "# 7 quarrels are left, the worst first (`check` says what would settle them):",
    ):  # fmt: skip
        assert line in lines, line
    assert [each for each in lines if each.startswith("#   quarrel")] == [
        f"#   quarrel {n}" for n in range(5)
    ]
    left_out = [each for each in lines if "Higher octaves are left out" in each]
    assert left_out == [
        f"# Higher octaves are left out: they would be shorter than {long(30.0)} {word} or too long below."
    ]


def test_nodes_are_those_of_the_first_mode_that_goes_more_up_and_down_than_aside(monkeypatch):
    """Modes at 0.2 Hz (rigid), 30 (aside), 40 (more aside than up), 55 and 80 Hz (up); on a bar of 0.4 m."""
    place = np.linspace(0.0, 0.4, 2001)
    shapes = np.zeros((2001, 6, 5))
    shapes[:, 2, 0] = 1.0
    shapes[:, 1, 1] = np.cos(2.0 * np.pi * place / 0.4)
    shapes[:, 1, 2], shapes[:, 2, 2] = 0.8 * np.cos(7.0 * place), 0.6 * np.cos(7.0 * place)
    shapes[:, 1, 3], shapes[:, 2, 3] = 0.5, np.cos(2.0 * np.pi * (place - 0.01) / 0.4)
    shapes[:, 2, 4] = np.cos(4.0 * np.pi * place / 0.4)
    asked = {}

    def at(where):
        asked["places"] = where
        return shapes

    hertz = np.array([0.2, 30.0, 40.0, 55.0, 80.0])
    monkeypatch.setattr(draft, "base_frames", lambda *_: "bases")
    monkeypatch.setattr(draft, "nut_inertia", lambda *_: "nuts")
    monkeypatch.setattr(
        draft, "loaded_bar", lambda modes, free, bases, *, nuts: ((2.0 * np.pi * hertz) ** 2, np.eye(5))
    )
    instrument = SimpleNamespace(bar=SimpleNamespace(length=0.4), tines=())
    found, nodes = draft.first_mode_nodes(instrument, SimpleNamespace(modes=None), SimpleNamespace(at=at))
    assert found == pytest.approx(55.0)
    assert nodes == pytest.approx((0.11, 0.31), abs=1e-5)
    assert (asked["places"][0], asked["places"][-1], len(asked["places"])) == (0.0, 0.4, 2001)


def test_a_draft_is_solved_again_where_its_nodes_have_moved_and_told_with_all_that_check_says(monkeypatch):
    """Tuned on its bar; warnings of the design and of the row, every strained stock, quarrels in words."""
    solved = []
    monkeypatch.setattr(draft, "_tree", lambda wishes, plans, layout, supports: {"supports": supports})
    monkeypatch.setattr(
        draft,
        "_instrument",
        lambda tree: SimpleNamespace(bar="bar", warnings=("odd",), supports=tree["supports"]),
    )
    monkeypatch.setattr(draft, "mounting", lambda instrument: f"mounted on {instrument.supports}")
    monkeypatch.setattr(
        draft,
        "tune",
        lambda instrument, how=None: solved.append(how) or SimpleNamespace(warnings=("short",), how=how),
    )
    monkeypatch.setattr(draft, "free_bar", lambda bar: SimpleNamespace(modes="free"))
    monkeypatch.setattr(draft, "first_mode_nodes", lambda *_: (61.5, (0.1, 0.3)))
    monkeypatch.setattr(draft, "find_quarrels", lambda instrument, row: (row.how, "second"))
    monkeypatch.setattr(draft, "usual_strokes", lambda instrument, row, own: ("borne", own))
    monkeypatch.setattr(
        draft,
        "strained",
        lambda instrument, borne: [SimpleNamespace(lines=(f"{each}", "more")) for each in borne],
    )
    monkeypatch.setattr(draft, "sentence", lambda instrument, quarrel: f"words of {quarrel}")
    for stands, again in (((100.0, 300.0), ["mounted on (100.0, 300.0)"]),
                          ((98.0, 300.0), ["mounted on (98.0, 300.0)", "mounted on (100.0, 300.0)"])):  # fmt: skip
        solved.clear()
        monkeypatch.setattr(
            draft, "_supports", lambda wishes, plans, layout, nodes: tuple(round(each, 3) for each in nodes)
        )
        found = draft._solved("wishes", ("plan",), SimpleNamespace(layout="layout", supports=stands))
        assert solved == again
        assert found == Draft(
            {"supports": (100.0, 300.0)}, "wishes", ("plan",), "layout", 61.5, (100.0, 300.0), ("odd", "short"),
            ("borne", "()"), ("words of mounted on (100.0, 300.0)", "words of second"),
        )  # fmt: skip
