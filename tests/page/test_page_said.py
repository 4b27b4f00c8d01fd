"""What the page says of a stroke, of how loud it is, of a record and of a root: every word from figures by hand."""

from __future__ import annotations

import math

import pytest

pytestmark = pytest.mark.browser


@pytest.fixture
def ask(opened):
    return lambda act, argument=None: opened("straight").tab.evaluate(act, argument)


QUIET = {
    "swings": [], "touching": [], "spl_db": -20.0, "a_db": -30.0, "peak": 0.0, "limited_db": 0.0,
}  # fmt: skip
TOLD = """(words) => { const kept = [drawing.swings, new Map(strains)], lit = [];
    const own = drawing.light; drawing.light = (tines) => lit.push(tines); loudest = -Infinity; const said = [];
    try { for (const data of words) { heard(data); said.push($('said').textContent); } }
    finally { drawing.light = own; drawing.swings = kept[0]; strains.clear(); kept[1].forEach((x, r) =>
      strains.set(r, x)); }
    return [said, lit]; }"""


def touched(*counts, **words):
    touches = [{"tine": 2 + n, "touches": each, "moment": 0.01} for n, each in enumerate(counts)]
    return {"report": {"group": 1, "direction": "backward", "stuck": False, "touches": touches} | words}


def test_a_stroke_is_told_with_how_many_it_met_and_the_loudest_since_the_last(ask):
    loud = [QUIET | {"spl_db": each} for each in (61.2, 73.6, 70.1)]
    name = ask("HEAD.groups[1].name")
    said, lit = ask(TOLD, [
        *loud, touched(3, 0, 1), touched(2, direction="forward"), {**loud[0], **touched(0, 5, stuck=True)},
        touched(0, 0), touched(1, missed=True), touched(1, crowded=True), {"refused": "why"},
    ])  # fmt: skip
    assert said[3:] == [
        f"{name}, backward: 2 of 3 tines, up to 74 dB SPL.",
        f"{name}, forward: 1 of 1 tines.",
        f"{name}, backward: 1 of 2 tines, stuck, up to 61 dB SPL.",
        f"The stick passed over {name}.",
        f"The stick passed over {name}.",
        "Too many sticks at once.",
        "Not played: why",
    ]
    assert lit == [[], [], [], [2, 4], [2], [], [3], [], [2], [2]]
    assert ask(TOLD, [QUIET | {"touching": [[0, [1, 0]], [1, [5]]]}])[1] == [[1, 0, 5]]


@pytest.mark.parametrize(
    ("words", "levels", "limit", "over", "peak"),
    [
        ({}, "silent", "not limiting", False, -120.0),
        ({"spl_db": 81.26, "a_db": 74.6, "peak": 0.5}, "81 dB SPL, 75 dB(A) at ", "not limiting", False, -6.02),
        ({"spl_db": 0.0, "a_db": -9.6, "limited_db": 0.09},
         "0 dB SPL, -10 dB(A) at ", "not limiting", False, -120.0),
        ({"limited_db": 3.26, "peak": 1.0}, "silent", "limiting by 3.3 dB", True, 0.0),
    ],
)  # fmt: skip
def test_levels_are_told_as_they_are_and_so_is_what_the_limiter_takes(ask, words, levels, limit, over, peak):
    act = """(data) => { const kept = drawing.swings; tellLevels(data); drawing.swings = kept; loudest = -Infinity;
        return ['levels', 'limit'].map((id) => $(id).textContent).concat([$('limit').classList.contains('over'),
          $('peak').value, $('peak').min]); }"""
    found = ask(act, QUIET | words)
    distance = f"{ask('HEAD.listener_m'):.1f} m" if levels != "silent" else ""
    assert found[:3] == [levels + distance, limit, over]
    assert float(found[3]) == pytest.approx(max(peak, float(found[4])), abs=0.01)


def test_a_root_is_strained_by_its_own_stroke_as_a_round_rod_is(ask):
    """32 M / (pi d^3): 0.5 N m on 3 mm are 188.6 MPa; of a tine that was passed over nothing is known."""
    act = """(words) => { const kept = new Map(strains), own = HEAD.about[1].root; strains.clear();
        HEAD.about[1].root = { diameter_mm: 3, endurance_mpa: 251.51, yield_mpa: words };
        strained({ touches: [{ tine: 1, touches: 2, moment: 0.5 }, { tine: 0, touches: 0, moment: 9 }] });
        const said = [strainWords(1), strainWords(0)]; HEAD.about[1].root = own; strains.clear();
        kept.forEach((x, r) => strains.set(r, x)); return said; }"""
    stress = 32.0 * 0.5 / (math.pi * 3e-3**3) / 1e6
    assert stress == pytest.approx(188.63, abs=0.01)
    words = "189 MPa at the root, 75 % of what it bears for a million strokes (252 MPa, notch and safety counted), "
    assert ask(act, 188.7) == [f"{words}yield 189 MPa.", "not stroked yet"]
    assert ask(act, 188.5)[0] == f"{words}yield 189 MPa. It would bend for good."


def test_a_tine_is_told_row_by_row(ask):
    act = """([picture, about]) => { const kept = [HEAD.picture[1], HEAD.about[1]];
        Object.assign(HEAD.picture, { 1: { ...kept[0], ...picture } });
        Object.assign(HEAD.about, { 1: { ...kept[1], ...about } });
        const rows = Object.fromEntries(tineRows(1)); [HEAD.picture[1], HEAD.about[1]] = kept; return rows; }"""
    picture = {
        "number": 7,
        "length": 0.11204,
        "diameter": 0.00395,
        "nuts": [{"at": 0.08}, {"at": 0.0604}],
        "hz": 146.834,
    }
    partials = [
        {"plane": "in", "hz": 146.83, "ring_s": 2.449},
        {"plane": "across", "hz": 921.0, "ring_s": 0.81},
    ]
    about = {"stock": "M4", "note": "D3", "cents": -4.6, "partials": partials, "quarrels": ["one", "two"]}
    rows = ask(act, [picture, about])
    assert rows["Tine"] == f"{ask('HEAD.groups[HEAD.picture[1].group].name')} 7: M4"
    assert rows["Pitch"] == "146.83 Hz, D3 \N{MINUS SIGN}5 cents"
    assert rows["Free length"] == "112.0 mm, 3.95 mm thick"
    assert rows["Nuts"] == "at 80.0 mm, at 60.4 mm"
    ringing = next(words for name, words in rows.items() if name.startswith("Partials"))
    assert ringing == "146.8 Hz in, 2.4 s; 921.0 Hz across, 0.8 s"
    assert rows["Quarrels"] == "one; two"
    bare = ask(act, [{"nuts": []}, {"cents": 3.4, "note": "D3", "quarrels": []}])
    assert (bare["Nuts"], bare["Quarrels"]) == ("none above the base", "none")
    assert bare["Pitch"].endswith("D3 +3 cents")


@pytest.mark.parametrize(
    ("sounds", "lines", "said", "disabled"),
    [
        ([1], [{}, {}], "Recorded 3.2 s, 2 strokes and palms.", [False, False]),
        ([1], [], "Recorded 3.2 s, 0 strokes and palms.", [True, False]),
        ([], [{}], "Nothing was recorded.", [True, True]),
    ],
)
def test_a_record_that_ended_can_be_saved_as_far_as_there_is_something(ask, sounds, lines, said, disabled):
    act = """([sounds, lines]) => { const kept = { ...record }, off = ['save-script', 'save-sound'];
        Object.assign(record, { on: true, sounds, lines, from: 10, to: 13.24 }); recordEnded();
        const found = [$('said').textContent, off.map((id) => $(id).disabled), record.on, $('record').textContent];
        Object.assign(record, kept); off.forEach((id) => { $(id).disabled = true; }); return found; }"""
    assert ask(act, [sounds, lines]) == [said, disabled, False, "Record"]


def test_the_controls_are_the_manner_of_a_stroke_and_what_was_chosen_stays(ask):
    act = """() => { const ids = ['stick', 'grip', 'bite', 'tilt'], kept = ids.map((id) => $(id).value);
        $('bite').value = 2.5; $('tilt').value = 55; $('grip').selectedIndex = 1;
        const found = [manner(), $('stick').value, $('grip').value];
        ids.forEach((id, n) => { $(id).value = kept[n]; });
        return found; }"""
    manner, stick, grip = ask(act)
    assert manner == {"stick": stick, "grip": grip, "bite_mm": 2.5, "tilt_deg": 55}
    refill = """([names, value]) => { const select = document.createElement('select');
        select.append(new Option('a'), new Option('b')); select.value = value; refill(select, names);
        return [[...select.options].map((each) => each.value), select.value]; }"""
    assert ask(refill, [["c", "b"], "b"]) == [["c", "b"], "b"]
    assert ask(refill, [["c", "b"], "a"]) == [["c", "b"], "c"]


def test_the_picture_comes_closer_within_bounds_and_pans_in_thousandths(ask):
    act = """([from, factor]) => { const kept = [view.closer, view.pan, $('pan').value]; view.closer = from;
        closer(factor); $('pan').value = 250; panned(); const found = [view.closer, view.pan];
        [view.closer, view.pan, $('pan').value] = kept; return found; }"""
    for start, factor, wanted in ((1.0, 1.5, 1.5), (6.0, 1.5, 8.0), (0.3, 0.5, 0.25)):
        assert ask(act, [start, factor]) == pytest.approx([wanted, 0.25])
