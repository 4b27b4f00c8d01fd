"""Each number that the bench shows is that of the object it is about, under the key that the file has for it."""

from __future__ import annotations

import copy
import dataclasses
import re
from types import SimpleNamespace

import numpy as np
import pytest
import tomlkit

from synth.design.change import Change
from synth.design.key_path import steps
from synth.doors.cli import run
from synth.page.pack import WHOLE, pack
from synth.playing.stroke import START
from synth.served import listening, search
from synth.served.foresight import foreseen
from synth.served.knowledge import advised, knowledge
from synth.served.model import SolvedDesign
from synth.served.papers import PAPERS, paper_file
from synth.served.things import things
from synth.served.trims import trims
from synth.sound.render import scene
from synth.vibration.quarrels import loaded_shapes
from synth.workshop.strength import digs_in, strength
from synth.workshop.trim_roughness import every_way, row_without_wishes
from tests.everyday import design_tree

from .conftest import DESIGN

# how a field's label begins, and the key that it sets
KEYS = {
    "Name": "name", "Root": "root", "Recipe": "recipe", "Stock": "stock", "Start": "start_mm",
    "Spacing": "spacing_mm", "Order": "order", "Face": "face_deg", "Material": "material", "Width": "width_mm",
    "Height": "height_mm", "Diameter": "diameter_mm", "Wall": "wall_mm", "Length": "length_mm",
    "Thickness": "thickness_mm", "Edges": "edges", "Depth": "depth_mm", "Hole": "hole_diameter_mm",
    "Support": "at_mm", "Kind": "kind", "straight": "straight_mm", "bend": "bend_deg", "radius": "radius_mm",
    "plane": "plane_deg", "on the bar": "bar_mm", "along the board": "x_mm", "across it": "y_mm", "Note": "pitch",
    "Pitch": "pitch_hz", "Free length": "free_length_mm", "Off the recipe": "cents",
}  # fmt: skip
BOX = """
[board.box]
kind = "box"
material = "birch plywood 4 mm"
width_mm = 310.0
length_mm = 420.0
thickness_mm = 4.0
depth_mm = 95.0
hole_diameter_mm = 71.0
feet = [ { bar_mm = 90.0, x_mm = 110.0, y_mm = 120.0 } ]
"""


def shown(model):
    """Every field that a page gets, with where it is shown: (of what, its place from 1, the field)."""
    told = things(model)
    lists = [
        *(("tine", n, each["fields"]) for n, each in enumerate(told["tines"], 1)),
        *((f"group[{n}]", n, each["fields"]) for n, each in enumerate(told["groups"], 1)),
        ("bar", 0, told["bar"]["fields"]),
        *((f"bar.supports[{n}]", n, each) for n, each in enumerate(told["bar"]["supports"], 1)),
        *((f"board.{name}", 0, each["fields"]) for name, each in told["boards"].items()),
        *(
            (f"board.{name}.feet[{n}]", n, foot)
            for name, each in told["boards"].items()
            for n, foot in enumerate(each["feet"], 1)
        ),
    ]
    return [(place, number, field) for place, number, fields in lists for field in fields]


def key_of(field):
    return field["slot"]["inner"] or re.split(r"[.]", field["slot"]["path"])[-1]


def label_key(label):
    """The key that a label means: of "Piece 2, radius" what follows the comma, of "Foot 1 across it" the rest."""
    words = re.sub(r"^(Piece \d+, |Foot \d+ )", "", label)
    words = re.sub(r"^(Support) \d+$|^(Kind) of \d+$", lambda found: found[1] or found[2], words)
    return KEYS[words]


@pytest.fixture(params=["slat", "box", *range(8)], ids=str)
def model(request, slat):
    if request.param == "slat":
        return slat
    if request.param == "box":
        return SolvedDesign(DESIGN + BOX, "slat.toml")
    return SolvedDesign(tomlkit.dumps(design_tree(request.param)), "everyday.toml")


def test_a_label_means_the_key_that_it_sets_and_shows_what_stands_there(model):
    design, seen = model.tree, 0
    for place, number, field in shown(model):
        wanted = label_key(field["label"])
        assert key_of(field) in (wanted, "root_hz" if wanted == "root" else wanted), field
        if number:
            assert re.search(rf"\b{number}\b", field["label"]) or "," in field["label"] or place[:4] != "bar."
        if place != "tine":
            assert field["slot"]["path"].startswith(place) or "board" in place, field
        stands = design
        try:
            for step in steps(field["slot"]["path"], design):
                stands = stands[step]
        except (KeyError, IndexError):
            continue  # a default, or an inch
        if not isinstance(stands, list | dict) and field["label"] not in ("Pitch", "Free length"):
            seen += 1
            wanted = stands * 25.4 if "_in" in str(step) else stands
            assert field["value"] == (pytest.approx(wanted) if isinstance(wanted, float) else wanted), field
        assert field["unit"] == {"mm": "mm", "deg": "°", "hz": "Hz"}.get(
            key_of(field).rsplit("_")[-1], field["unit"]
        )
    assert seen > 8


def test_a_tine_shows_what_it_is_and_where_its_nuts_are(model):
    row = model.row
    for n, told in enumerate(things(model)["tines"]):
        by_label = {each["label"]: each["value"] for each in told["fields"]}
        assert by_label["Stock"] == model.instrument.tines[n].rod.name
        if "Pitch" in by_label:
            assert by_label["Pitch"] == pytest.approx(row.mounted_hz[n], abs=1e-3)
            assert by_label["Free length"] == pytest.approx(1e3 * row.length[n], abs=0.01)
        nuts = [(each["nut"], each["at_mm"]) for each in told["nuts"]["placed"]]
        assert nuts == [(each.nut.name, pytest.approx(1e3 * each.position, abs=1e-3)) for each in row.trim[n]]


def test_what_a_tine_bears_is_told_number_by_number(slat):
    """Shares to break and to bend, and the bite that is borne a million times: of the stick that is worst."""
    sticks = [each for each in slat.instrument.sticks.values() if not digs_in(each)]
    found = [each for stick in sticks for each in strength(slat.instrument, slat.row.modes, stick)]
    told = knowledge(slat)["strength"]["tines"]
    for tine, own in enumerate(told):
        worst = max((each for each in found if each.tine == tine), key=lambda each: each.endurance_share)
        assert own == {
            "stick": worst.stick,
            "endurance_share": worst.endurance_share,
            "yield_share": worst.yield_share,
            "bite_million_mm": pytest.approx(1e3 * worst.bite_million),
        }
        assert worst.bite_million < 0.99 * worst.bite_once


def test_what_is_known_besides_is_what_check_says(slat):
    """Warnings of the design and of the row; sums; the loss; who goes first, at which stroke."""
    from synth.workshop.overview import boards_words, loss_words, totals, totals_words

    warned = copy.copy(slat)
    warned.instrument = dataclasses.replace(slat.instrument, warnings=("of the design",))
    warned.row = dataclasses.replace(slat.row, warnings=("of the row",))
    told = knowledge(warned)
    assert told["warnings"] == ["of the design", "of the row"]
    assert told["quarrel_count"] == len(slat.quarrels)
    assert told["totals"] == totals_words(totals(slat.instrument, slat.row), "mm")
    assert told["losses"] == loss_words(slat.instrument, slat.row)
    assert advised(slat)["boards"] == boards_words(slat.instrument, slat.row)
    worst = max(
        (
            each
            for stick in slat.instrument.sticks.values()
            if not digs_in(stick)
            for each in strength(slat.instrument, slat.row.modes, stick)
        ),
        key=lambda each: each.yield_share,
    )
    tine = slat.instrument.tines[worst.tine]
    first = f"{slat.instrument.groups[tine.group].name}.{tine.number} ({100 * worst.yield_share:.0f} % under "
    assert told["strength"]["first_to_go"].startswith(f"First to bend for good: {first}{worst.stick})")
    assert told["strength"]["stroke"] == "a stroke at 500 mm/s with a bite of 2 mm"


def test_a_quarrel_is_drawn_in_the_direction_in_which_the_bar_moves(slat):
    """The shape of the bar's mode along its strongest direction, at 193 places."""
    shapes, _ = loaded_shapes(slat.instrument, slat.row)
    places = np.linspace(0.0, 0.42, 193)
    assert slat.quarrels
    for told, quarrel in zip(knowledge(slat)["quarrels"], slat.quarrels, strict=True):
        motion = shapes.motion[:, :3, quarrel.bar_mode]
        energy = (motion**2).sum(axis=0)
        assert np.sort(energy)[-2] < 0.5 * energy.max()
        most = motion[:, np.flatnonzero(energy == energy.max())[0]]
        wanted = np.interp(places, shapes.position, most) / np.abs(most).max()
        assert told["bar_shape"] == pytest.approx(wanted, abs=6e-4)
        assert told["severity"] == quarrel.severity
        assert told["partial"] == quarrel.partial


def test_advice_is_numbered_as_the_quarrels_it_settles(slat):
    from synth.design.change import words
    from synth.vibration.solve import solve_advice

    advice = solve_advice(slat.design, slat.instrument, slat.row, slat.quarrels)
    told = advised(slat)["remedies"]
    for n, own in enumerate(told):
        assert [each["words"] for each in own] == [
            "; ".join(words(slat.instrument, each.change)) for each in advice.of(n)
        ]


@pytest.mark.parametrize("tine", range(6))
def test_nuts_where_they_are_foresee_what_is(slat, tine):
    """Of a length that is given, and of one that follows from the pitch: to the hertz on the bar, not in a vice."""
    there = [{"nut": each.nut.name, "at_mm": 1e3 * each.position} for each in slat.row.trim[tine]]
    ahead = foreseen(slat, tine, there)
    assert ahead["hz"] == pytest.approx(slat.row.mounted_hz[tine], rel=2e-6)
    assert ahead["length_mm"] == pytest.approx(1e3 * slat.row.length[tine], rel=2e-6)


def test_a_way_to_trim_is_told_with_what_a_millimetre_does(slat):
    ways = every_way(slat.instrument, row_without_wishes(slat.instrument), 2).found.solutions
    told = trims(slat, 2)["ways"]
    assert len(told) == min(len(ways), 10)
    for own, way in zip(told, ways, strict=False):
        figure = float(re.search(r": ([\d.]+) cents a mm$", own["words"])[1])
        assert figure == pytest.approx(1e-3 * way.unforgiving, abs=0.006)
        assert 0.5 < figure < 100.0
        assert ("(locked)" in own["words"]) == way.locked


def test_a_search_moves_groups_and_supports_as_far_as_the_command_does(slat, monkeypatch):
    from synth.doors.cli.suggest import command

    asked = []
    monkeypatch.setattr(
        search, "search", lambda ground, allowed, plan, *, tries: asked.append(allowed) or iter(())
    )
    search.better(slat, still=lambda: True)
    usual = {each.name: each.default for each in command.params}
    assert usual["move_mm"] != usual["supports_mm"]
    assert asked
    assert {1e3 * each.move for each in asked} == {usual["move_mm"]}
    assert {1e3 * each.supports for each in asked} == {usual["supports_mm"]}


def test_papers_are_as_large_as_the_bench_prints_and_of_what_they_say():
    model = SolvedDesign(DESIGN + '\n[bench]\npaper = "Letter"\n', "slat.toml")
    for file in ("cutlist.pdf", "template.pdf"):
        boxes = set(re.findall(rb"/MediaBox \[([^\]]*)\]", paper_file(model, file)[0]))
        assert len(boxes) == 1
        assert sorted(round(float(each)) for each in boxes.pop().split()) == [0, 0, 612, 792], file
    for file, words in (("cutlist.html", "Cut list"), ("sheet.html", "Tuning sheet")):
        assert words in paper_file(model, file)[0].decode("utf-8")


def test_only_what_is_better_is_found_the_best_first_each_with_its_own_figures(slat, monkeypatch):
    now = sum(each.severity for each in slat.quarrels)
    moves = {share: Change(starts=((0, 50.0 + 10.0 * share),)) for share in (0.9, 1.0, 0.4, 1.5)}
    solved = {share: SimpleNamespace(severity=share * now, change=move) for share, move in moves.items()}
    for number, each in enumerate(solved.values(), 1):
        each.quarrels = slat.quarrels[:1] * number
    monkeypatch.setattr(search, "search", lambda *_, **__: iter(()))
    monkeypatch.setattr(search, "shortlist", lambda *_: [*solved, None])
    monkeypatch.setattr(search, "verdict", lambda _, share: solved.get(share))
    told = search.better(slat, still=lambda: True)
    assert (told["severity"], told["quarrels"]) == (pytest.approx(now), len(slat.quarrels))
    assert [(each["severity"], each["quarrels"]) for each in told["found"]] == [
        (pytest.approx(0.4 * now), 3),
        (pytest.approx(0.9 * now), 1),
    ]
    assert [each["edits"] for each in told["found"]] == [
        [{"path": "group[1].start_mm", "value": at}] for at in (54.0, 59.0)
    ]
    assert "54" in told["found"][0]["words"]


@pytest.mark.parametrize(
    ("asked", "heard"), [("bar", ("bar", "pickup")), ("pickup", ("pickup", "bar")), ("panel", ("panel",))]
)
def test_what_a_page_plays_is_each_thing_as_it_is_heard_by_itself(slat, asked, heard):
    """To the byte: the pickup beside the bar listens as a pickup does."""
    plain = pack([scene(slat.instrument, each) for each in heard], quality=WHOLE)
    assert slat.packet(asked).content == plain.blob.content()
    assert [each["name"] for each in slat.packet(asked).head["radiators"]] == list(heard)


def test_every_paper_is_what_the_command_of_its_name_writes(slat, design, tmp_path):
    """To the byte: as cut, with its nuts, on its board, on the paper of the bench."""
    for command in ("cutlist", "template"):
        assert run([command, str(design), "-o", str(tmp_path / "papers")]) == 0
    for command, kinds in (("drawing", ("svg", "pdf")), ("map", ("svg",))):
        for kind in kinds:
            path = tmp_path / "papers" / f"{command}.{kind}"
            assert run([command, str(design), "-o", str(path)]) == 0
    for file in PAPERS:
        wanted = (tmp_path / "papers" / file).read_bytes()
        # the moment, and names of matplotlib's own
        plain = [
            re.sub(rb"<dc:date>.*|id=\"[^\"]*\"|#\w+|D:\d{14}|/ID\s*\[[^]]*\]", b"", each)
            for each in (paper_file(slat, file)[0], wanted)
        ]
        assert plain[0] == plain[1], file


def test_a_gesture_reaches_the_contact_with_every_field_that_was_sent(slat, monkeypatch):
    """Nothing is rendered: what each version is to play, and through what, is held against what the page sent."""
    asked = []
    monkeypatch.setattr(
        listening, "render_variants", lambda variants, **how: asked.append((variants, how)) or ([], [])
    )
    sent = {
        "group": "high",
        "stick": "birch",
        "direction": "backward",
        "speed_mm_s": 310.0,
        "bite_mm": 1.7,
        "tilt_deg": 20.0,
        "skew_deg": 3.0,
        "height_mm": 11.0,
        "lean": -0.3,
        "pressure_n": 0.13,
        "grip": "firm",
    }
    with pytest.raises(IndexError):
        listening.replayed({"now": slat}, sent, "panel")
    ((variant,), how) = asked[0][0], asked[0][1]
    assert (variant.through, variant.instrument, how["seconds"]) == ("panel", slat.instrument, 4.0)
    stroke = variant.stroke
    assert (stroke.group, stroke.direction, stroke.start) == (1, "backward", pytest.approx(START))
    assert stroke.stick == slat.instrument.sticks["birch"]
    numbers = (
        stroke.speed,
        stroke.bite,
        stroke.height,
        stroke.lean,
        stroke.pressure,
        stroke.tilt,
        stroke.skew,
    )
    assert numbers == pytest.approx((0.31, 1.7e-3, 11e-3, -0.3, 0.13, np.radians(20.0), np.radians(3.0)))
    assert (stroke.grip, stroke.hand) == ("firm", "exact")


def test_a_text_of_another_writer_is_not_ours_and_is_copied(design):
    from synth.design.edit import Edit
    from synth.served.session import Session

    session = Session(design)
    other = DESIGN.replace("# flat", "# by another")
    design.write_text(other, encoding="utf-8")
    session.seen(other, True)
    assert not session.history.ours(other)
    session.change([Edit("group[high].spacing_mm", 18.0)], session.state()["text"])
    assert (design.parent / "slat.toml.bak").read_text(encoding="utf-8") == other


def test_a_changed_design_is_told_under_its_own_name(slat):
    moved = SolvedDesign(DESIGN.replace("at_mm = 30.0", "at_mm = 31.0"), "slat.toml")
    for tell in (things, knowledge, advised):
        assert tell(moved)["model"] == moved.name != slat.name
    assert dataclasses.asdict(slat.instrument.bar.supports[0])["position"] == pytest.approx(0.030)
