"""What the bench's scripts hand on, each to the place it is meant for: asked of one open page."""

from __future__ import annotations

import json

import pytest

from .bench_tab import PEN, asked, edits

pytestmark = pytest.mark.browser


@pytest.mark.parametrize(
    ("slot", "value", "wanted"),
    [
        ({"path": "a.b"}, 3.0, [{"path": "a.b", "value": 3.0}]),
        (
            {"path": "group[1].change[+]", "inner": "cents", "besides": {"tine": 2}},
            5.0,
            [{"path": "group[1].change[+]", "value": {"tine": 2, "cents": 5.0}}],
        ),
        ({"path": "t.pitch", "instead_of": "free_length_mm"}, "D3",
         [{"path": "t.pitch", "value": "D3", "instead_of": "free_length_mm"}]),
        ({"path": "t.trim", "also_gone": "t.trim_to"}, [],
         [{"path": "t.trim", "value": []}, {"path": "t.trim_to", "value": None}]),
    ],
)  # fmt: skip
def test_a_value_goes_where_its_slot_says_with_all_that_the_slot_says(bench, slot, value, wanted):
    plain = {"path": "", "inner": "", "besides": {}, "instead_of": "", "also_gone": ""}
    found = edits(bench, "([slot, value]) => set(editsOf(slot, value))", [{**plain, **slot}, value])
    assert found == wanted


def test_every_line_of_every_thing_writes_what_is_set_in_it_to_its_own_key(bench):
    """A number as a number, nothing as nothing, a word as it is written."""
    act = """([field, words]) => { const line = fieldLine(field);
        const control = line.querySelector('input, select');
        if (control.tagName === 'SELECT') control.append(new Option(words, words));
        control.value = words; control.dispatchEvent(new Event('change')); }"""
    told = bench.tab.evaluate("things.told")
    boards = told["boards"].values()
    fields = [
        field
        for lines in (
            *(each["fields"] for each in told["tines"]), *(each["fields"] for each in told["groups"]),
            told["bar"]["fields"], *told["bar"]["supports"], *(each["fields"] for each in boards),
            *(foot for each in boards for foot in each["feet"]),
        )
        for field in lines
    ]  # fmt: skip
    assert len(fields) > 40
    seen = {json.dumps(field["slot"]): field for field in fields}
    for field in seen.values():
        slot = field["slot"]
        value = 33.25 if field["step"] else "other"
        (found,) = edits(bench, act, [field, str(value)])
        inside = {**slot["besides"], slot["inner"]: value} if slot["inner"] else value
        assert (found["path"], found["value"]) == (slot["path"], inside)
        if slot["instead_of"]:
            assert found["instead_of"] == slot["instead_of"]
    number = next(field for field in fields if field["step"] and not field["slot"]["inner"])
    assert edits(bench, act, [number, ""])[0]["value"] is None


def test_a_step_of_the_keyboard_is_the_step_that_the_field_has(bench):
    act = """(step) => { const control = typed(10, step);
        for (const key of ['ArrowUp', 'ArrowUp', 'ArrowDown', 'ArrowUp']) control.dispatchEvent(
          new KeyboardEvent('keydown', { key }));
        clearTimeout(control.resting); return control.value; }"""
    for step in (0.1, 0.5, 5.0):
        assert float(bench.tab.evaluate(act, step)) == pytest.approx(10.0 + 2.0 * step)


def test_a_support_is_taken_away_or_put_in_the_middle(bench):
    press = "(name) => [...barLines()].find((each) => each.textContent === name).click()"
    for number in (1, 2):
        path = f"bar.supports[{number}]"
        assert edits(bench, press, f"Take support {number} away") == [{"path": path, "value": None}]
    assert edits(bench, press, "Add a support in the middle") == [
        {"path": "bar.supports[+]", "value": {"at_mm": 210, "kind": "cord"}}
    ]


NUTS = [{"nut": "M4 hex", "at_mm": 60.0}, {"nut": "M4 thin", "at_mm": 90.0}]


def tine_of(**words):
    """A tine's nuts as the server tells them, set into the page for an act."""
    nuts = {
        "slot": {"path": "group[1].tine[2].trim", "inner": "", "besides": {}, "instead_of": "", "also_gone": ""},
        "placed": NUTS, "places": [], "wish": "", "stays": False,
    } | words  # fmt: skip
    return f"""(argument) => {{ const kept = things.told.tines[1].nuts;
        things.told.tines[1].nuts = {json.dumps(nuts)};
        try {{ return (ACT)(argument); }} finally {{ things.told.tines[1].nuts = kept; }} }}"""


def test_a_nut_is_taken_off_added_or_moved_where_its_list_stands(bench):
    path = "group[1].tine[2].trim"
    off = "(k) => nutLines(1, k, things.told.tines[1].nuts.placed[k])[0].querySelector('button').click()"
    for k in (0, 1):
        (found,) = edits(bench, tine_of().replace("ACT", off), k)
        assert found == {"path": path, "value": [NUTS[1 - k]]}
    add = """(name) => { const kinds = addNut(1).querySelector('select');
        kinds.append(new Option(name, name)); kinds.value = name; kinds.dispatchEvent(new Event('change')); }"""
    (found,) = edits(bench, tine_of().replace("ACT", add), "M4 hex")
    middle = 0.6 * 120.0  # of this tine's length, between the two that are there
    assert found == {"path": path, "value": [NUTS[0], {"nut": "M4 hex", "at_mm": middle}, NUTS[1]]}
    move = "([k, to]) => moveNut(1, k, to)"
    (found,) = edits(bench, tine_of().replace("ACT", move), [0, 99.5])
    assert found == {"path": path, "value": [NUTS[1], {**NUTS[0], "at_mm": 99.5}]}
    places = [f"{path}[1].at_mm", f"{path}[2].at_mm"]
    assert edits(bench, tine_of(places=places).replace("ACT", move), [1, 99.5]) == [
        {"path": places[1], "value": 99.5}
    ]
    assert asked(bench, tine_of().replace("ACT", move), [1, 90.0]) == []
    (foreseen,) = asked(bench, tine_of().replace("ACT", "() => foresee(1, things.told.tines[1].nuts.placed)"),
                        foresee={"hz": 1, "length_mm": 1, "ratios": [], "nearest": [], "cents": []})  # fmt: skip
    assert foreseen[1] == {"model": bench.tab.evaluate("HEAD.model"), "tine": 1, "nuts": NUTS}


def test_what_a_nut_would_do_is_told_figure_by_figure(bench):
    told = {
        "hz": 221.237, "length_mm": 119.504, "ratios": [6.02, 17.5], "nearest": [6, 18], "cents": [5.76, -48.8],
    }  # fmt: skip
    bench.tab.evaluate("(told) => tellForeseen(told)", told)
    assert bench.tab.evaluate("$('foreseen').textContent") == (
        "221.24 Hz, 119.50 mm long; overtones 6.020 (+6 cents from 6), 17.500 (\N{MINUS SIGN}49 cents from 18)"
    )


def test_what_is_dragged_goes_as_far_as_the_hand_from_where_it_was(bench):
    """By 20 mm along the bar: a support and a whole group from its first tine on; a nut to a height on its tine."""
    act = """([found, way]) => { const at = (x) => drawing.axisAt(x);
        drag.at = held(found, at(0.2)); dragged(at(0.2 + way)); return dropped(); }"""
    assert edits(bench, act, [{"kind": "support", "n": 1}, 0.02]) == [
        {"path": "bar.supports[2].at_mm", "value": 401.0}  # 15 in and 20 mm, to the next half
    ]
    assert edits(bench, act, [{"kind": "group", "g": 1}, -0.02]) == [
        {"path": "group[2].start_mm", "value": 170.0}
    ]
    assert edits(bench, act, [{"kind": "group", "g": 0}, 0.02]) == [
        {"path": "group[1].start_mm", "value": 70.0}
    ]
    assert asked(bench, act, [{"kind": "group", "g": 0}, 0.0]) == []
    nut = """(share) => { drag.at = held({ kind: 'nut', r: 1, k: 0 }, [0, 0]);
        drag.at.to = undefined; const { clamps, tips } = view;
        dragged([0, 1].map((n) => clamps[1][n] + share * (tips[1][n] - clamps[1][n])));
        ahead.asked = null; return dropped(); }"""
    found = asked(bench, nut, 0.75)
    (change,) = [body for name, body in found if name == "change"]
    free = 1e3 * bench.tab.evaluate("view.lengths[1]")
    assert [(each["path"], each["value"]) for each in change["edits"]] == [
        ("group[1].tine[2].trim[1].at_mm", round(2.0 * 0.75 * free) / 2.0)
    ]


def test_nothing_is_held_of_a_model_that_is_no_longer_told_of(bench):
    act = """() => { const { told } = things; things.told = { ...told, model: 'another' };
        $('instrument').setPointerCapture = () => {};
        const box = $('instrument').getBoundingClientRect(); const { px } = supportHandles()[0];
        document.body.classList.add('changing');
        const press = () => { $('instrument').dispatchEvent(new PointerEvent('pointerdown', {
          clientX: box.left + px[0], clientY: box.top + px[1], bubbles: true, pointerType: 'mouse' }));
          const { at } = drag; drag.at = null; return at; };
        const other = press(); things.told = told; const own = press();
        document.body.classList.remove('changing'); delete $('instrument').setPointerCapture;
        return [other, own?.kind, own?.n]; }"""
    assert bench.tab.evaluate(act) == [None, "support", 0]


MARKED = f"""(what) => {{ {PEN} const mine = Object.create(Marks.prototype);
    mine.drawing = {{ pen, axisAt: (x) => drawing.axisAt(x) }}; mine.ghost(what); return drawn; }}"""


def test_the_ghost_of_what_is_dragged_stands_where_it_would_go(bench):
    def lines(what):
        return [each[1:] for each in bench.tab.evaluate(MARKED, what) if each[0] == "moveTo"]

    def at(place):
        x, y = bench.tab.evaluate("(x) => view.px(drawing.axisAt(x))", place)
        return [pytest.approx(x), pytest.approx(y - 16)]

    assert lines({"kind": "support", "to": 100.0, "from": 0.03}) == [at(0.1)]
    assert lines({"kind": "group", "to": 150.0, "from": 0.19, "g": 1}) == [at(0.15), at(0.17), at(0.19)]
    assert lines({"kind": "group", "from": 0.19, "g": 1}) == []
    (box,) = [each for each in bench.tab.evaluate(MARKED, {"kind": "nut", "to": 60.0, "r": 1, "from": 0.0})
              if each[0] == "strokeRect"]  # fmt: skip
    x, y = bench.tab.evaluate("view.px([0, 1].map((n) => view.clamps[1][n] + (0.06 / view.lengths[1])"
                              " * (view.tips[1][n] - view.clamps[1][n])))")  # fmt: skip
    assert box[1:] == [pytest.approx(x - 7, abs=1e-3), pytest.approx(y - 5, abs=1e-3), 14, 10]


def test_a_mode_of_the_bar_is_drawn_across_it_whichever_way_the_bar_goes(bench):
    """20 px at its greatest, at right angles to the bar, up where it moves up."""
    act = """([slope, much]) => { const mine = Object.create(Marks.prototype);
        mine.drawing = { axisAt: (x) => [x, slope * x] };
        const [at, on, off] = [view.px([0.21, slope * 0.21]), mine.moved(0.5, 0), mine.moved(0.5, much)];
        return [at, on, off]; }"""
    for slope in (0.0, 0.8, -0.8):
        at, on, off = bench.tab.evaluate(act, [slope, 0.5])
        assert on == pytest.approx(at)
        way = (off[0] - at[0], off[1] - at[1])
        assert way[0] ** 2 + way[1] ** 2 == pytest.approx(100.0)
        assert way[0] * 1.0 - way[1] * slope == pytest.approx(0.0, abs=1e-6)  # y counts downwards on a screen
        assert way[1] < 0.0


def test_a_foot_is_drawn_where_it_stands_and_goes_with_the_hand(bench):
    """A board 400 by 300 seen from above, width up: feet at 110, 120 and 247, 130."""
    circles = """() => [...boardPlan(things.told.boards.panel).querySelectorAll('circle')].map((each) =>
        [Number(each.getAttribute('cx')), Number(each.getAttribute('cy'))])"""
    assert bench.tab.evaluate(circles) == [[110, 180], [247, 170]]
    act = """async ([dx, dy]) => { const { feet, length_mm: length, width_mm: width } = things.told.boards.panel;
        const [, x, y] = feet[1]; const foot = shape('circle', {}); foot.setPointerCapture = () => {};
        const plan = { getBoundingClientRect: () => ({ width: 200, height: 200 }) };
        const event = (clientX, clientY) => ({ clientX, clientY, pointerId: 1, preventDefault: () => {} });
        dragFoot(event(10, 10), { plan, foot, x, y, length, width });
        foot.onpointermove(event(10 + dx, 10 + dy));
        window.where = [foot.getAttribute('cx'), foot.getAttribute('cy')].map(Number);
        await foot.onpointerup(); }"""
    assert edits(bench, act, [10, -20]) == [
        {"path": "board.panel.feet[2].x_mm", "value": 267},  # a px of the plan is 2 mm of the board
        {"path": "board.panel.feet[2].y_mm", "value": 170},
    ]
    assert bench.tab.evaluate("window.where") == [267, 130]
    assert asked(bench, act, [0, 0]) == []


KNOWN = {
    "quarrels": [
        {"words": f"quarrel {n}", "tine": n % 2, "partial": 1, "bar_hz": 1.0, "cents": 1.0, "bar_shape": []}
        for n in range(3)
    ],
    "quarrel_count": 5,
    "warnings": ["one", "two"],
    "totals": "TOTALS",
    "losses": "LOSSES",
    "strength": {
        "stroke": "STROKE",
        "first_to_go": "FIRST",
        "method": "METHOD",
        "tines": [
            {"stick": "birch", "endurance_share": 1.3, "yield_share": 0.4, "bite_million_mm": 1.26},
            {"stick": "brass", "endurance_share": 0.5, "yield_share": 1.2, "bite_million_mm": None},
        ],
    },
}


def test_what_is_known_is_counted_and_stands_with_its_own_remedies(bench):
    act = """async ([told, advice]) => { const model = HEAD.model; const kept = { ...known };
        const plainly = window.fetch;
        window.fetch = async (name) => new Response(JSON.stringify(name.startsWith('know') ? told : advice));
        try {
          await askKnown(); clearTimeout(known.timer); const past = [known.past, known.quarrelling];
          await askAdvice(model);
          return [past, $('known-head').textContent,
            [...$('known-body').querySelectorAll('[data-part=quarrels] li')]
            .map((each) => [...each.querySelectorAll('button')].map((button) => button.textContent)),
            $('known-body').textContent, [0, 1].map((r) => knownOfTine(r).map((each) => each.textContent))];
        } finally { window.fetch = plainly; Object.assign(known, kept); showKnown(); } }"""
    advice = {"boards": ["BOARD"], "remedies": [[{"words": f"do {n}", "edits": []}] for n in range(3)]}
    past, head, buttons, body, tines = bench.tab.evaluate(act, [KNOWN, advice])
    assert past == [[0], [0, 1]]
    assert head == "5 quarrels, 1 tines past endurance, 2 warnings"
    assert buttons == [["Draw it", f"Try: do {n}"] for n in range(3)]
    for words in (
        "TOTALS",
        "LOSSES",
        "STROKE",
        "FIRST",
        "METHOD",
        "BOARD",
        "and 2 more, milder",
        "one",
        "two",
    ):
        assert words in body
    assert tines[0][0] == (
        "Past its endurance: 130 % of what its root bears for a million strokes, under birch; deepest bite for a "
        "million: 1.3 mm."
    )
    assert tines[1][0].startswith("50 % of what its root bears for a million strokes, under brass; deepest")
    assert tines[1][0].endswith("over 20 mm.")
    assert (tines[0][1:], tines[1][1:]) == (
        [" Quarrel: quarrel 0.", " Quarrel: quarrel 2."],
        [" Quarrel: quarrel 1."],
    )


def test_better_ways_are_told_from_what_is_to_what_would_be_and_tried_as_they_are(bench):
    act = """(told) => { showKnown(); tellBetter(told);
        window.told = [...$('better').querySelectorAll('li')].map((each) => each.textContent);
        $('better').querySelectorAll('button')[1].click(); }"""
    found = [
        {"severity": 1.25, "quarrels": 2, "words": "move", "edits": [{"path": "a", "value": 1}]},
        {"severity": 3.5, "quarrels": 4, "words": "turn", "edits": [{"path": "b", "value": 2}]},
    ]
    bench.tab.evaluate(
        "() => { known.told.quarrel_count ||= 1; }"
    )  # so that there is something to be better than
    assert edits(bench, act, {"severity": 9.04, "found": found}) == [{"path": "b", "value": 2}]
    assert bench.tab.evaluate("window.told") == [
        "severity 9.0 → 1.3, 2 quarrels. Try: move",
        "severity 9.0 → 3.5, 4 quarrels. Try: turn",
    ]
