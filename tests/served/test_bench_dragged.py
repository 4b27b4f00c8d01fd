"""What the bench's hands hold and where they take it, on bars, tines and boards that are made up for it."""

from __future__ import annotations

import pytest

from .bench_tab import asked, edits

pytestmark = pytest.mark.browser

# a bar that turns a corner, 0.4 m along; a tine of 0.1 m that leans 3 to 4
MADE_UP = """(argument) => {
    const kept = { bar: view.bar, clamps: view.clamps, tips: view.tips, lengths: view.lengths };
    const [length, groups, picture, bars] = [HEAD.bar.length, HEAD.groups, HEAD.picture, HEAD.bar.supports];
    Object.assign(view, { bar: [[0, 0], [0.2, 0], [0.2, 0.2]], clamps: [[0, 0], [0.1, 0.02]],
      tips: [[0, 0.1], [0.16, 0.10]], lengths: [0.1, 0.1] });
    const { foresee: foreseeing } = window;
    try { HEAD.bar.length = 0.4; return (ACT)(argument); }
    finally { Object.assign(view, kept); Object.assign(HEAD.bar, { length, supports: bars });
      Object.assign(HEAD, { groups, picture }); window.foresee = foreseeing; drag.at = null; } }"""


@pytest.fixture
def ask(bench):
    return lambda act, argument=None: bench.tab.evaluate(MADE_UP.replace("ACT", act), argument)


@pytest.mark.parametrize(
    ("point", "place"),
    [([0.05, 0.01], 0.05), ([0.23, 0.15], 0.35), ([-0.1, 0.02], 0.0), ([0.21, 0.4], 0.4), ([0.19, 0.04], 0.24)],
)  # fmt: skip
def test_a_place_on_a_bent_bar_is_the_nearest(ask, point, place):
    assert ask("(point) => placeOnBar(point)", point) == pytest.approx(place)


@pytest.mark.parametrize(
    ("point", "to"),
    [([0.13, 0.03], 26.0), ([0.1, 0.0703], 40.0), ([0.3, 0.3], 100.0), ([0.0, 0.0], 1.0), ([0.1604, 0.02], 36.0)],
)  # fmt: skip
def test_a_nut_goes_along_its_own_tine_however_it_leans(ask, point, to):
    """0.6 of what the hand goes aside and 0.8 of what it rises, in half millimetres, no further than its tip."""
    act = """(point) => { const seen = []; window.foresee = (...how) => seen.push(how);
        drag.at = held({ kind: 'nut', r: 1, k: 0 }, point); dragged(point); return [drag.at.to, seen[0][0]]; }"""
    assert ask(
        act.replace("held({ kind: 'nut', r: 1, k: 0 }, point)", "{ kind: 'nut', r: 1, k: 0 }"), point
    ) == [to, 1]


def test_what_is_held_is_held_where_it_is(ask):
    """A group at its tine that is first along the bar, whichever is its first; the hand where it took hold."""
    act = """(point) => { Object.assign(HEAD, { groups: [{ tines: [1, 0] }],
          picture: [{ x: 0.07, nuts: [{ at: 0.01 }, { at: 0.04 }] }, { x: 0.12, nuts: [] }] });
        HEAD.bar.supports = [0.03, 0.33];
        return [held({ kind: 'group', g: 0 }, point), held({ kind: 'support', n: 1 }, point),
          held({ kind: 'nut', r: 0, k: 1 }, point)].map(({ from, grip, first }) => [from, grip ?? null,
            first ?? null]); }"""
    assert ask(act, [0.05, 0.01]) == [[0.07, pytest.approx(0.05), 1], [0.33, pytest.approx(0.05), None],
                                      [0.04, None, None]]  # fmt: skip


@pytest.mark.parametrize(("px", "near", "found"), [([0, 0], 12, "b"), ([0, 0], 5, None), ([40, 0], 12, "c")])
def test_a_hand_takes_what_is_nearest_and_near_enough(bench, px, near, found):
    act = """([px, near]) => { const own = ['nutHandles', 'supportHandles', 'groupHandles'];
        const kept = own.map((name) => window[name]);
        const places = [[{ name: 'a', px: [0, 9] }], [{ name: 'b', px: [6, 0] }], [{ name: 'c', px: [36, -3] }]];
        own.forEach((name, n) => { window[name] = () => places[n]; });
        try { return handleAt(px, near)?.name ?? null; } finally { own.forEach((name, n) => { window[name] =
          kept[n]; }); } }"""
    assert bench.tab.evaluate(act, [px, near]) == found


FOOT = """([length, width, size, moves]) => {
    const plain = { inner: '', besides: {}, instead_of: '', also_gone: '' };
    const drawn = [], foot = { setPointerCapture: () => {}, setAttribute: (...how) => drawn.push(how) };
    const plan = { getBoundingClientRect: () => ({ width: size[0], height: size[1] }) };
    const [x, y] = [{ value: 50, slot: { path: 'x', ...plain } }, { value: 20, slot: { path: 'y', ...plain } }];
    dragFoot({ preventDefault: () => {}, pointerId: 1, clientX: 10, clientY: 10 }, { plan, foot, x, y, length,
      width });
    for (const [clientX, clientY] of moves) foot.onpointermove({ clientX, clientY });
    window.drawn = drawn; return foot.onpointerup(); }"""


@pytest.mark.parametrize(
    ("size", "move", "x", "y"),
    [
        ([400, 100], [30.3, 5.0], 70.5, 25.0),  # one pixel a millimetre: by the narrower way
        ([400, 200], [30.0, 16.0], 60.0, 17.0),  # two
        ([400, 200], [900.0, 900.0], 200.0, 0.0),
        ([400, 200], [-900.0, -900.0], 0.0, 100.0),
    ],
)
def test_a_foot_is_taken_along_and_across_its_board_and_no_further(bench, size, move, x, y):
    assert edits(bench, FOOT, [200.0, 100.0, size, [[11, 12], move]]) == [
        {"path": "x", "value": x}, {"path": "y", "value": y},
    ]  # fmt: skip
    assert bench.tab.evaluate("window.drawn.slice(-2)") == [["cx", x], ["cy", 100.0 - y]]
    assert bench.tab.evaluate("$('foreseen').textContent") == f"{x:g} mm along the board, {y:g} mm across it"


def test_a_foot_that_is_let_go_where_it_was_changes_nothing(bench):
    assert asked(bench, FOOT, [200.0, 100.0, [400, 200], [[90, 40], [10.2, 9.9]]]) == []


def test_a_change_says_on_which_text_it_was_decided(bench):
    act = """async () => { const kept = bench.state, sent = [], own = window.fetch;
        bench.state = { ...kept, text: 'the text', model: 'the model' };
        window.fetch = async (name, how) => { sent.push([name, how.method, JSON.parse(how.body)]);
          return new Response(JSON.stringify({ ...kept, serial: kept.serial + 1 })); };
        try { return [await changed('change', { edits: [] }), sent]; }
        finally { window.fetch = own; bench.state = kept; } }"""
    assert bench.tab.evaluate(act) == [True, [["change", "POST", {"on": "the text", "edits": []}]]]


def test_what_is_as_usual_is_no_word(bench):
    """A choice that is not made says nothing when it is left so, and its word when it is made."""
    act = """(word) => {
        const control = fieldLine({ label: 'L', value: null, unit: '', hint: '', step: 0, among: '',
          choices: ['one', 'two'], slot: { path: 'p', inner: '', besides: {}, instead_of: '', also_gone: '' } })
          .querySelector('select');
        control.value = word; control.dispatchEvent(new Event('change')); }"""
    assert asked(bench, act, "") == []
    assert edits(bench, act, "two") == [{"path": "p", "value": "two"}]
