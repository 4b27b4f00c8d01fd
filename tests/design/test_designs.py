"""Every design that ships is one that can be built, in the scenario invented for the demo."""

from pathlib import Path

import pytest

from synth.design.file import load, read_toml
from synth.design.resolve import resolve

FOLDER = Path(__file__).resolve().parents[2] / "designs"  # stroke scripts lie beside the designs
DESIGNS = [path for path in sorted(FOLDER.glob("*.toml")) if "bar" in read_toml(path)]


def shipped(name):
    return resolve(load(next(path for path in DESIGNS if path.stem == name)))


@pytest.mark.parametrize("path", DESIGNS, ids=lambda path: path.stem)
def test_every_shipped_design_resolves(path):
    instrument = resolve(load(path), str(path))
    assert instrument.tines
    assert "invented" in path.read_text(encoding="utf-8").lower()


def test_the_test_piece_is_one_group_of_six_on_an_offcut():
    instrument = shipped("test-piece")
    assert [group.count for group in instrument.groups] == [6]
    assert instrument.bar.length <= 0.3


def test_the_rail_is_a_straight_bar_of_seven_groups_of_nine_with_five_boards_and_four_sticks():
    instrument = shipped("quay-rail")
    assert [group.count for group in instrument.groups] == [9] * 7
    assert len(instrument.bar.path) == 1
    assert set(instrument.boards) == {"panel", "box", "spruce", "foam", "steel"}
    assert set(instrument.sticks) == {"birch", "bamboo", "brass", "nylon"}
    assert instrument.warnings == ()


def test_the_hoop_is_three_quarters_of_a_ring_with_twelve_groups():
    instrument = shipped("lantern-hoop")
    assert len(instrument.groups) == 12
    assert sum(getattr(each, "angle", 0.0) for each in instrument.bar.path) == pytest.approx(4.71238898)


@pytest.mark.parametrize("name", ["quay-rail", "lantern-hoop"])
def test_every_group_holds_octaves_fifths_and_doubled_members_of_its_root(name):
    instrument = shipped(name)
    for group in instrument.groups:
        ratios = [round(t.goal.frequency / group.root_hz, 6) for t in instrument.tines[group.tines]]
        assert 1.0 in ratios
        assert 2.0 in ratios
        assert 1.5 in ratios
        assert len(set(ratios)) < len(ratios)


def test_notes_of_the_rail_rise_and_belong_to_a_pentatonic_d_minor():
    notes = [group.midi_note for group in shipped("quay-rail").groups]
    assert notes == sorted(notes)
    assert {note % 12 for note in notes} == {2, 5, 7, 9, 0}  # D F G A C
