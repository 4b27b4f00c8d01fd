"""Of one group, the second: every command that can be asked for one tells its own tines and nothing of others."""

import pytest

from synth.workshop import check_screen, group_sounds

TINES = [("aside", 1), ("aside", 2)]


@pytest.fixture
def decided(monkeypatch):
    """Three decisions, of the first group, of both and of the second."""
    found = [
        check_screen.Decision(kind, groups, [kind])
        for kind, groups in (("low", (0,)), ("both", (0, 1)), ("aside", (1,)))
    ]
    monkeypatch.setattr(check_screen, "decisions", lambda *_: found)


def test_check_tells_its_tines_its_line_and_what_concerns_it(slat, decided):
    whole, own = slat.data("check"), slat.data("check", "--group", "Aside")
    assert own["tines"] == whole["tines"][3:]
    assert [(each["group"], each["number"]) for each in own["tines"]] == TINES
    assert own["groups"] == whole["groups"][1:]
    assert [each["kind"] for each in whole["decide"]] == ["low", "both", "aside"]
    assert [each["kind"] for each in own["decide"]] == ["both", "aside"]
    assert own["quarrels"] == [each for each in whole["quarrels"] if each["group"] == "aside"]
    assert own["totals"] == whole["totals"]  # of the instrument


@pytest.mark.parametrize(("words", "asked"), [(("--group", "aside"), [1]), ((), [0, 1])])
def test_check_strokes_it_alone_for_the_ear(slat, decided, monkeypatch, words, asked):
    given = []

    def heard(scene, groups):
        given.append((scene.through, list(groups)))
        return iter(())

    monkeypatch.setattr(group_sounds, "group_sounds", heard)
    assert slat.data("check", "--ear", *words)["ear"] in ([], None)
    assert given == [("bar", asked)]


def test_strength_tells_its_tines(slat):
    whole = slat.data("strength", "--stick", "birch")
    part = slat.data("strength", "--stick", "birch", "--group", "aside")
    assert [(each["group"], each["tine"]) for each in part["tines"]] == TINES
    assert part["tines"] == whole["tines"][3:]


def test_trim_looks_for_the_wishes_of_its_tines(slat):
    from synth.doors.cli.trim import _wishing
    from synth.errors import InputError

    assert _wishing(slat.instrument, None) == _wishing(slat.instrument, "low") == [2]
    with pytest.raises(InputError, match="no tine of the group 'aside' has a wish"):
        _wishing(slat.instrument, "aside")
