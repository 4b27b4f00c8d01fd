"""Recipes whose members say more than an interval, groups that have single tines otherwise, stock by pitch."""

import tomllib

import pytest

from synth.design.decode import decode
from synth.design.edit import Edit, edited
from synth.design.instrument import PlacedNut
from synth.design.resolve import resolve
from synth.design.schema import Design
from synth.errors import InputError
from synth.vibration.trimming.answers import trim_edits

TEXT = """
[bar]
section = { shape = "rectangle", width_mm = 25.0, height_mm = 20.0 }
path = [{ straight_mm = 400.0 }]

[recipe.drone]
members = [
    "2/1",                                                 # stands last
    { interval = "1/1", cents = 2, stock = "M5", split_cents = 7 },
    { interval = "3/2", trim_to = { partial = 2, ratio = 6.0, nut = "M4 hex" } },
]

[[group]]            # low
name = "low"
root = "D3"
recipe = "drone"
order = "rising"
stock = [{ below = "D3", use = "M6" }, { below = "D4", use = "M4" }, { use = "M3" }]
start_mm = 40.0

# the second tine of this one is otherwise
[[group]]
name = "high"
root_hz = 300.0
recipe = "drone"
stock = "M4"
start_mm = 200.0
change = [{ tine = 1, stock = "M3", cents = -10 }]

# what one hears
[listener]
distance_m = 2.0
"""


def made(text=TEXT):
    return resolve(decode(tomllib.loads(text), Design))


def test_a_member_that_is_a_table_gives_interval_offset_stock_and_how_it_is_held():
    low = made().tines[:3]
    d3 = 440.0 * 2.0 ** (-19 / 12)
    assert [t.goal.frequency for t in low] == pytest.approx([d3 * 2 ** (2 / 1200), 1.5 * d3, 2.0 * d3])
    assert [t.split for t in low] == pytest.approx([2 ** (7 / 1200), 2 ** (3 / 1200), 2 ** (3 / 1200)])
    assert [None if t.wish is None else t.wish.ratio for t in low] == [None, 6.0, None]


def test_the_stock_of_a_group_goes_by_the_pitch_of_the_tine_unless_it_has_its_own():
    low = made().tines[:3]
    assert [t.rod.name for t in low] == ["M5", "M4", "M3"]  # D4 itself is not below D4
    own = "recipe.drone.members[2].stock"
    assert [t.written.stock for t in low] == [own, "group[1].stock[2].use", "group[1].stock[3].use"]
    wider = made(TEXT.replace('{ below = "D4"', '{ below = "Eb4"')).tines[:3]
    assert [t.rod.name for t in wider] == ["M5", "M4", "M4"]


def test_a_group_has_a_tine_of_its_recipe_otherwise_by_the_number_it_stands_at():
    first, second, third = made().tines[3:]
    assert first.goal.frequency == pytest.approx(600.0 * 2 ** (-10 / 1200))
    assert (first.rod.name, second.rod.name, third.rod.name) == ("M3", "M5", "M4")
    assert first.written.stock == "group[2].change[1].stock"
    wish = 'trim_to = { partial = 3, ratio = 17.0, nut = "M3 hex" }'
    again = made(TEXT.replace("tine = 1, stock", f"tine = 3, {wish}, stock"))
    assert (again.tines[5].wish.partial, again.tines[5].wish.ratio, again.tines[5].rod.name) == (
        3,
        17.0,
        "M3",
    )
    assert again.tines[1].wish.partial == 2  # the other group follows the recipe still


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("tine = 1, stock", "tine = 4, stock", "group[2].change[1].tine: no tine 4; it has 3"),
        ("cents = -10 }]", "cents = -10 }, { tine = 1 }]", "group[2].change[2].tine: tine 1 is changed twice"),
        ("cents = -10 }]", "cents = -101 }]", "group[2].change[1].cents: -101 is not possible"),
        (", { use = \"M3\" }]", "]", "group[1].stock: no stock is named for 293.66 Hz; end with { use = ... }"),
        ("tine = 1, stock", "tine = 3, stock", "group[2].change[1]: the nut 'M4 hex' does not fit: the rod 'M3'"),
        ("below = \"D4\", use", "below = \"H4\", use", "group[1].stock[2].below: 'H4' is not a note name"),
        ("use = \"M4\" }", "use = \"M44\" }", "group[1].stock[2].use: 'M44' is not in stock; did you mean"),
        ("interval = \"1/1\", cents", "cents", "recipe.drone.members[2]: the key 'interval' is missing"),
        ("interval = \"1/1\"", "interval = \"1/x\"", "recipe.drone.members[2]: '1/x' is not an interval"),
        ("interval = \"1/1\"", "intervall = \"1/1\"", "recipe.drone.members[2]: unknown key 'intervall'"),
    ],
)  # fmt: skip
def test_what_cannot_be_is_refused_at_its_place(old, new, said):
    assert old in TEXT
    with pytest.raises(InputError) as refused:
        made(TEXT.replace(old, new))
    assert str(refused.value).startswith(said)


def test_a_change_belongs_to_a_recipe():
    with pytest.raises(InputError, match=r"group\[2\]\.change\[1\]: only a recipe's tines are changed"):
        made(TEXT.replace('root_hz = 300.0\nrecipe = "drone"', "tine = [{ pitch_hz = 300.0 }]"))


def test_nuts_of_a_recipes_wish_go_into_the_group_and_the_recipe_keeps_it_for_the_others():
    before = made()
    nut = before.nuts["M4 hex"]
    chosen = {1: [PlacedNut(nut, 0.03)], 5: [PlacedNut(nut, 0.02)]}
    new = edited(TEXT, trim_edits(before, chosen))
    after = made(new)
    for index, (was, now) in enumerate(zip(before.tines, after.tines, strict=True)):
        assert [each.position for each in now.trim] == pytest.approx(
            [each.position for each in chosen.get(index, ())]
        )
        assert now.wish == (None if index in chosen else was.wish)
        assert (now.rod, now.goal, now.position) == (
            was.rod,
            was.goal,
            was.position,
        )
    kept = [line for line in TEXT.splitlines() if line and not line.startswith("change")]
    assert [line for line in new.splitlines() if line in kept] == kept
    assert new.index("[[group.change]]") < new.index("# the second tine of this one is otherwise")
    one_more = edited(
        new, [Edit("group[low].change[1].stock", "M4"), Edit("group[high].change[+]", {"tine": 2})]
    )
    assert made(one_more).tines[1].rod.name == "M4"


def test_paths_lead_into_members_and_rules():
    new = edited(TEXT, [Edit("recipe.drone.members[2].cents", 5.0), Edit("group[1].stock[1].use", "M5")])
    assert "cents = 5.0, stock" in new
    assert '[{ below = "D3", use = "M5" }' in new
