"""What the page knows is what the commands say; what it proposes is what the file would say then."""

from __future__ import annotations

import json

import numpy as np
import pytest
import tomlkit

from synth.design.change import Change, in_design
from synth.design.edit import Edit, edited, edited_design
from synth.doors.cli import run
from synth.errors import InputError
from synth.interface.opened import OpenDesign
from synth.served.foresight import foreseen
from synth.served.knowledge import advised, board_knowledge, change_edits, knowledge
from synth.served.listening import replayed
from synth.served.model import SolvedDesign
from synth.served.papers import PAPERS, paper_file
from synth.served.search import better
from synth.served.things import things
from synth.served.trims import trims
from synth.sound.render import scene
from synth.units import MM, cents
from synth.vibration.solve import solve_quarrels
from synth.workshop.strength import strength
from tests.everyday import design_of, design_tree

from .conftest import DESIGN


@pytest.fixture(scope="module")
def told(slat):
    return json.loads(json.dumps(knowledge(slat)))


def test_a_tine_bears_what_strength_says_of_the_worst_stick(slat, told):
    found = [
        each
        for stick in slat.instrument.sticks.values()
        for each in strength(slat.instrument, slat.row.modes, stick)
    ]
    for r, own in enumerate(told["strength"]["tines"]):
        worst = max((each for each in found if each.tine == r), key=lambda each: each.endurance_share)
        assert own["stick"] == worst.stick
        assert own["endurance_share"] == pytest.approx(worst.endurance_share)
        assert own["yield_share"] == pytest.approx(worst.yield_share)


def test_quarrels_are_those_of_check_with_their_cents_and_the_bars_shape():
    tree = next(tree for tree in map(design_tree, range(30)) if solve_quarrels(*_solved(tree)))
    model = SolvedDesign(tomlkit.dumps(tree), "everyday.toml")
    told = knowledge(model)["quarrels"]
    for own, quarrel in zip(told, model.quarrels, strict=False):
        assert own["cents"] == pytest.approx(cents(quarrel.shift))
        assert (own["tine"], own["bar_hz"], own["partial_hz"]) == (
            quarrel.tine,
            quarrel.bar_hz,
            quarrel.partial_hz,
        )
        assert np.abs(own["bar_shape"]).max() == pytest.approx(1.0, abs=0.2)


def _solved(tree):
    model = SolvedDesign(tomlkit.dumps(tree), "everyday.toml")
    return model.instrument, model.row


@pytest.mark.parametrize("seed", range(10))
def test_edits_of_a_change_make_the_design_that_the_change_makes(seed):
    tree = design_tree(seed)
    model = SolvedDesign(tomlkit.dumps(tree), "everyday.toml")
    section = model.instrument.bar.section
    larger = type(section)(section.shape, section.width * 1.25, section.height * 1.25, section.wall)
    start = round(model.design.group[0].start_mm) + 2.0
    change = Change(starts=((0, start),), supports=((0, 33.0),), section=larger, kind="clamp")
    edits = [Edit(each["path"], each["value"]) for each in change_edits(model, change)]
    made = edited_design(model.tree, edits)
    wanted = in_design(design_of(tree), change)
    _alike(made, wanted)


def _alike(one, other):
    """The same but for the rounding of inches."""
    import msgspec

    def numbers(node, where=""):
        if isinstance(node, dict):
            for key, each in node.items():
                yield from numbers(each, f"{where}.{key}")
        elif isinstance(node, list):
            for n, each in enumerate(node):
                yield from numbers(each, f"{where}[{n}]")
        else:
            yield where, node

    left, right = (dict(numbers(msgspec.to_builtins(each, enc_hook=float))) for each in (one, other))
    assert left.keys() == right.keys()
    for key, value in left.items():
        assert value == (pytest.approx(right[key], rel=1e-5) if isinstance(value, float) else right[key]), key


def test_a_nut_elsewhere_is_foreseen_as_the_whole_solution_has_it(slat):
    """Of a given length, and of a given pitch, whose length moves with the nut."""
    for tine, path in ((1, "group[low].tine[2].trim[1].at_mm"), (2, None)):
        ahead = foreseen(slat, tine, [{"nut": "M4 hex", "at_mm": 52.0}])
        edits = (
            [Edit(path, 52.0)]
            if path
            else [Edit("group[low].tine[3].trim", [{"nut": "M4 hex", "at_mm": 52.0}], instead_of="trim_to")]
        )
        then = SolvedDesign(edited(slat.text, edits), "slat.toml")
        assert cents(ahead["hz"] / then.row.mounted_hz[tine]) == pytest.approx(0.0, abs=2.0)
        assert ahead["length_mm"] == pytest.approx(then.row.length[tine] / MM, abs=0.1)
        hertz = then.row.modes.frequency[tine, 0]
        there = then.row.modes.exists[tine]
        ratios = (hertz[there][1:4] / hertz[0]).tolist()
        assert ahead["ratios"] == pytest.approx(ratios, rel=1e-3)
        assert ahead["cents"] == pytest.approx(
            [cents(each / near) for each, near in zip(ahead["ratios"], ahead["nearest"], strict=True)]
        )


def test_a_nut_off_its_tine_is_refused(slat):
    for nuts in ([{"nut": "M4 hex", "at_mm": 200.0}], [{"nut": "M9", "at_mm": 20.0}], [{"nut": "M4 hex"}]):
        with pytest.raises(InputError):
            foreseen(slat, 1, nuts)
    with pytest.raises(InputError, match="no such tine"):
        foreseen(slat, 99, [])


@pytest.mark.parametrize("file", PAPERS)
def test_every_paper_opens(slat, file):
    content, kind = paper_file(slat, file)
    starts = {"application/pdf": b"%PDF", "image/svg+xml": b"<"}
    assert content.startswith(starts.get(kind, b""))
    assert len(content) > 300


def test_another_paper_is_refused(slat):
    with pytest.raises(InputError, match="no paper"):
        paper_file(slat, "../slat.toml")


def test_a_board_is_told_of(slat):
    told = board_knowledge(slat, "panel")
    assert told["path"] == "board.panel"
    assert told["words"].startswith("panel: panel of birch plywood 4 mm")
    with pytest.raises(InputError):
        board_knowledge(slat, "../x")


def test_advice_comes_with_edits_that_settle(slat):
    told = advised(slat)
    assert told["model"] == slat.name
    assert len(told["remedies"]) == min(len(slat.quarrels), 40)


def test_a_search_finds_what_is_better_and_says_how(slat):
    tree = next(tree for tree in map(design_tree, range(30)) if len(solve_quarrels(*_solved(tree))) > 3)
    model = SolvedDesign(tomlkit.dumps(tree), "everyday.toml")
    told = better(model, still=lambda: True)
    assert told["severity"] > 0.0
    for each in told["found"]:
        edits = [Edit(one["path"], one["value"]) for one in each["edits"]]
        then = SolvedDesign(edited(model.text, edits), "everyday.toml")
        assert sum(one.severity for one in then.quarrels) == pytest.approx(each["severity"], rel=0.05)
        assert each["severity"] < told["severity"]


def test_a_search_is_given_up_when_the_design_changes():
    tree = next(tree for tree in map(design_tree, range(30)) if len(solve_quarrels(*_solved(tree))) > 3)
    looks = iter([True] * 5)
    with pytest.raises(InputError, match="changed while"):
        better(SolvedDesign(tomlkit.dumps(tree), "everyday.toml"), still=lambda: next(looks, False))


STROKE = {
    "group": "low",
    "direction": "backward",
    "stick": "birch",
    "grip": "usual",
    "speed_mm_s": 400.0,
    "bite_mm": 2.0,
}


def test_a_gesture_is_replayed_as_stroke_renders_it(slat):
    import base64
    import io

    import soundfile

    from synth.sound.audio import FULL_SCALE

    heavier = SolvedDesign(DESIGN.replace("height_mm = 12.0", "height_mm = 20.0"), "slat.toml")
    told = replayed({"thin": slat, "thick": heavier}, STROKE, "bar").sounds()
    assert [each["name"] for each in told["sounds"]] == ["thin", "thick"]
    for model, own in zip((slat, heavier), told["sounds"], strict=True):
        samples, rate = soundfile.read(io.BytesIO(base64.b64decode(own["flac"])))
        plain = OpenDesign(model.design).stroke(
            "low", direction="backward", stick="birch", speed_mm_s=400.0, bite_mm=2.0, seconds=4.0
        )
        true = plain.pressure_pa.T / FULL_SCALE
        heard = samples * own["true"]
        gain = np.abs(heard).max() / np.abs(true).max()
        np.testing.assert_allclose(heard / gain, true, atol=2e-4 * np.abs(true).max())
        assert rate == 48_000
    first, second = told["sounds"]
    peak = [
        np.abs(soundfile.read(io.BytesIO(base64.b64decode(each["flac"])))[0]).max()
        for each in (first, second)
    ]
    assert first["true"] * peak[0] != pytest.approx(
        second["true"] * peak[1], rel=0.05
    )  # one gain: levels stay apart
    assert first["changes"] == []
    lines = "\n".join(second["changes"])
    was, now = (float(each.row.mounted_hz[0]) for each in (slat, heavier))
    assert f"{was:.2f} > {now:.2f}" in lines  # from the first to the second, not the other way
    assert "against version=thin:" in lines


def test_what_cannot_be_played_is_left_out_and_said(slat):
    without = SolvedDesign(DESIGN.replace('name = "low"', 'name = "deep"'), "slat.toml")
    found = replayed({"as it is": slat, "renamed": without}, STROKE, "bar")
    assert [each["name"] for each in found.sounds()["left"]] == ["renamed"]
    assert "there is no group 'low'" in found.sounds()["left"][0]["words"]
    with pytest.raises(InputError):
        replayed({"renamed": without}, STROKE, "bar")
    for wrong in (
        {**STROKE, "speed_mm_s": "fast"},
        {**STROKE, "grip": "loose"},
        {**STROKE, "bite_mm": 1e9},
        {},
    ):
        with pytest.raises(InputError):
            replayed({"as it is": slat}, wrong, "bar")


def test_the_page_to_listen_has_the_blind_test(slat):
    page = replayed({"one": slat, "two": slat}, STROKE, "bar").page()
    assert "class Abx" in page
    assert "Content-Security-Policy" in page


def test_a_packet_has_what_the_scene_has(slat):
    packet = slat.packet("bar")
    assert [each["name"] for each in packet.head["radiators"]] == ["bar", "pickup"]
    assert packet.head["listening"] == ["bar", "pickup", "panel"]
    told = packet.head["banks"][0]["pole"]
    values = np.frombuffer(packet.content, "<f8", count=int(np.prod(told["shape"])), offset=told["at"])
    pole = scene(slat.instrument, "bar").model.pole
    np.testing.assert_array_equal(values.reshape(told["shape"]), [pole.real, pole.imag])
    framed = packet.framed()
    length = int.from_bytes(framed[:4], "little")
    assert json.loads(framed[4 : 4 + length])["model"] == slat.name
    assert framed[4 + length :] == packet.content
    assert [each["name"] for each in slat.packet("panel").head["radiators"]] == ["panel"]


@pytest.mark.parametrize("seed", range(6))
def test_any_everyday_design_is_told_in_json(seed):
    """Bent bars, inches, wishes, tines on other faces: header, things and knowledge are plain, nothing is nan."""
    model = SolvedDesign(tomlkit.dumps(design_tree(seed)), "everyday.toml")
    packet = model.packet("bar")
    for told in (packet.head, things(model), knowledge(model), model.packet("pickup").head):
        assert json.loads(json.dumps(told, allow_nan=False))
    assert len(knowledge(model)["strength"]["tines"]) == len(model.instrument.tines)


def test_every_way_of_a_wished_nut_is_offered_as_trim_finds_them(slat, tmp_path, capsys):
    """The same places as the command's, and putting one in meets the wish."""
    path = tmp_path / "slat.toml"
    path.write_text(DESIGN, encoding="utf-8")
    assert run(["trim", str(path), "--json"]) == 0
    command = json.loads(capsys.readouterr().out)
    choices = (command if isinstance(command, list) else command["tines"])[0]["choices"]
    told = trims(slat, 2)
    assert 1 <= len(told["ways"]) <= 10
    for own, other in zip(told["ways"], choices, strict=False):
        for nut in other["nuts"]:
            assert f"{nut['nut']} at {nut['at_mm']:.2f} mm" in own["words"]
    for way in told["ways"][:3]:
        edits = [
            Edit(each["path"], each["value"], comment=each["comment"], instead_of=each["instead_of"])
            for each in way["edits"]
        ]
        then = SolvedDesign(edited(slat.text, edits), "slat.toml")
        assert "brings partial 2 to 6" in then.text
        hertz = then.row.modes.frequency[2, 0]
        assert hertz[1] / hertz[0] == pytest.approx(6.0, rel=2e-3)
    with pytest.raises(InputError, match="no wish"):
        trims(slat, 0)
