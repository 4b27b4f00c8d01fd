"""The hole for a tine, by how it is fixed and what the bench drills; feet that stand apart on bar and board."""

from __future__ import annotations

import pytest

from synth.design.bench import hole_diameter, thread_of

MM = 1e-3


def one_tine(tree, stock, bench):
    tree["stock"] |= {
        "bare": {"kind": "plain", "diameter_mm": 4.0},
        "cut": {"kind": "plain", "diameter_mm": 4.0, "base_nut": "M4 hex"},
        "odd": {"kind": "plain", "diameter_mm": 4.0, "base_nut": "small"},
    }
    tree["stock"] |= {
        f"{kind} rod": tree["stock"]["bare"] | {"fixing": kind} for kind in ("set screw", "collet")
    }
    tree["stock"]["glued M4"] = {
        "kind": "threaded",
        "thread": "M4",
        "thread_fit": "nominal",
        "fixing": "glued",
    }
    tree["nut"]["small"] = {"mass_g": 0.5, "height_mm": 2.4, "width_mm": 7.0}
    tree["group"] = [{"name": "g", "stock": stock, "start_mm": 100.0, "tine": [{"free_length_mm": 100.0}]}]
    tree["bench"] = bench
    tree.pop("board")
    return tree


@pytest.mark.parametrize(
    ("stock", "bench", "hole"),
    [
        # ISO 273 fine, medium, coarse; ISO 2306
        ("M4", {"hole_fit": "close"}, 4.3),
        ("M4", {}, 4.5),
        ("M4", {"hole_fit": "loose"}, 4.8),
        ("M4", {"holes": "tapping"}, 3.3),
        ("M4", {"holes": "tapping", "hole_fit": "loose"}, 3.3),
        ("M3", {"hole_fit": "loose"}, 3.6),
        ("cut", {}, 4.5),  # a thread is cut on it for its nut
        ("cut", {"holes": "tapping"}, 3.3),
        # beside plain rod, and beside what is glued or screwed in: nothing, a tenth, two
        ("bare", {"hole_fit": "close"}, 4.0),
        ("bare", {}, 4.1),
        ("bare", {"hole_fit": "loose"}, 4.2),
        ("odd", {"hole_fit": "loose"}, 4.2),
        ("glued M4", {"hole_fit": "loose"}, 4.2),
        ("glued M4", {"holes": "tapping"}, 4.1),
        ("set screw rod", {"hole_fit": "loose"}, 4.2),
        ("collet rod", {}, 8.5),  # the body of an ER8
        ("collet rod", {"hole_fit": "loose"}, 8.5),
    ],
)
def test_the_hole_goes_by_the_fixing_the_fit_and_the_drill(build, tree, stock, bench, hole):
    made = build(one_tine(tree, stock, bench))
    assert hole_diameter(made.tines[0], made.bench) == pytest.approx(hole * MM)


@pytest.mark.parametrize(("stock", "thread"), [("M4", "M4"), ("cut", "M4"), ("bare", ""), ("odd", "")])
def test_the_thread_through_the_bar_is_the_rods_or_the_one_cut_for_its_nut(build, tree, stock, thread):
    assert thread_of(build(one_tine(tree, stock, {})).tines[0]) == thread


@pytest.mark.parametrize(
    ("apart", "told"), [(140.0, True), (151.0, False), (166.0, False), (184.0, False), (186.0, True)]
)
def test_feet_a_tenth_nearer_or_farther_on_the_board_than_on_the_bar_are_told(build, tree, apart, told):
    """166 mm apart on the bar; three and four fifths of it along the board's sides make a slope."""
    near, far = tree["board"]["panel"]["feet"]
    far |= {"x_mm": near["x_mm"] + 0.8 * apart, "y_mm": near["y_mm"] - 0.6 * apart}
    words = [each for each in build(tree).warnings if each.startswith("board.panel: feet 1 and 2")]
    assert bool(words) is told
    if told:
        assert words == [
            f"board.panel: feet 1 and 2 are 166 mm apart on the bar but {apart:.0f} mm on the board"
        ]
