"""The file is the truth: changes go into it, come out of it, and none is lost."""

from __future__ import annotations

import errno
import json
import time

import numpy as np
import pytest

from synth.design.edit import Edit
from synth.errors import InputError
from synth.served import session as room
from synth.served.model import name_of_text
from synth.served.session import Session

from .conftest import DESIGN


@pytest.fixture
def session(design):
    return Session(design)


def on(session):
    return session.state()["text"]


def backups(session):
    return sorted(each.name for each in session.path.parent.glob("*.bak*"))


def test_a_change_is_written_and_the_words_around_it_stay(session):
    session.change([Edit("group[high].spacing_mm", 18.0)], on(session))
    assert session.path.read_text() == DESIGN.replace("spacing_mm = 20.0", "spacing_mm = 18.0")
    assert session.model.design.group[1].spacing_mm == 18.0


def test_only_what_nobody_can_get_back_is_copied(session):
    for spacing in (18.0, 17.0, 16.0):
        session.change([Edit("group[high].spacing_mm", spacing)], on(session))
    assert backups(session) == ["slat.toml.bak"]
    assert (session.path.parent / "slat.toml.bak").read_text() == DESIGN
    other = session.path.read_text().replace("# a trial", "# mine")
    session.path.write_text(other)
    session.seen(other, True)
    session.change([Edit("group[high].spacing_mm", 19.0)], on(session))
    assert backups(session) == ["slat.toml.bak", "slat.toml.bak2"]
    assert (session.path.parent / "slat.toml.bak2").read_text() == other


def test_back_to_the_opening_and_forth_again(session):
    for spacing in (18.0, 17.0):
        session.change([Edit("group[high].spacing_mm", spacing)], on(session))
    last = session.path.read_text()
    session.back(on(session))
    session.back(on(session))
    assert session.path.read_text() == DESIGN
    assert (session.state()["undo"], session.state()["redo"]) == (0, 2)
    with pytest.raises(InputError, match="nothing more"):
        session.back(on(session))
    session.forth(on(session))
    session.forth(on(session))
    assert session.path.read_text() == last


def test_what_another_writer_saved_is_taken_back_too(session):
    other = DESIGN.replace("spacing_mm = 20.0", "spacing_mm = 21.0")
    session.path.write_text(other)
    session.seen(other, False)
    assert session.model.design.group[1].spacing_mm == 21.0
    session.back(on(session))
    assert session.path.read_text() == DESIGN
    assert [(session.path.parent / each).read_text() for each in backups(session)] == [other]


def test_a_change_decided_on_another_text_is_refused(session):
    known = on(session)
    session.change([Edit("group[high].spacing_mm", 18.0)], known)
    with pytest.raises(InputError, match="changed elsewhere"):
        session.change([Edit("group[low].spacing_mm", 16.0)], known)
    assert "spacing_mm = 17.0" in session.path.read_text()


def saved(session, *changes):
    """The file as another program saves it, and as the watch sees it."""
    text = session.path.read_text()
    for old, new in changes:
        assert old in text
        text = text.replace(old, new, 1)
    session.path.write_text(text)
    session.seen(text, False)
    assert session.state()["text"] == name_of_text(text)


MORE = '[[group]]\nname = "middle"\nstart_mm = 150.0\nstock = "M4"\n[[group.tine]]\nfree_length_mm = 99.0\n\n'
FIRST = '{ at_mm = 30.0, kind = "rubber" }, # near\n'


@pytest.mark.parametrize(
    ("edit", "between"),
    [
        (Edit("group[2].start_mm", 195.0), ('[[group]]\nname = "high"', MORE + '[[group]]\nname = "high"')),
        (Edit("group[2].start_mm", 195.0), ("start_mm = 190.0", "start_mm = 191.0")),
        (Edit("group[2].start_mm", 195.0), ('name = "high"', 'name = "higher"')),
        (Edit("bar.supports[1].at_mm", 32.0), (FIRST, '{ at_mm = 20.0, kind = "cord" },\n    ' + FIRST)),
        (Edit("bar.supports[2].at_mm", 380.0), (f"{FIRST}    ", "")),
        (Edit("bar.supports[2]", None), ("at_in = 15.0", "at_in = 15.5")),
        (Edit("bar.supports[+]", {"at_mm": 210.0, "kind": "cord"}), ("at_in = 15.0", "at_in = 15.5")),
        (Edit("bar.supports[2].at_mm", 380.0), ("at_in = 15.0", "at_mm = 381.0")),
        (Edit("group[1].tine[2].free_length_mm", 119.0), ("[[group.tine]]\nfree_length_mm = 150.0\n", "")),
    ],
)  # fmt: skip
def test_a_change_of_what_is_no_longer_as_it_was_drawn_is_refused(session, edit, between):
    """The page knows of the text, but the field that was touched was drawn before: it would hit the neighbour."""
    drawn = on(session)
    saved(session, between)
    with pytest.raises(InputError, match="changed since it was shown"):
        session.change([Edit("bar.section.height_mm", 13.0), edit], on(session), drawn)
    assert session.path.read_text() == session.model.text == DESIGN.replace(*between)


@pytest.mark.parametrize(
    ("edit", "there"),
    [
        (Edit("group[2].start_mm", 195.0), "start_mm = 195.0"),
        (Edit("bar.supports[1].at_mm", 32.0), "at_mm = 32.0"),
        (Edit("bar.supports[+]", {"at_mm": 210.0, "kind": "cord"}), "at_mm = 210.0"),
        (Edit("group[2].change[+]", {"tine": 2, "cents": 5.0}), "cents = 5.0"),
        (Edit("group[2].face_deg", 90.0), "face_deg = 90.0"),
    ],
)
def test_a_change_of_what_stands_as_it_was_drawn_is_written_beside_the_other(session, edit, there):
    drawn = on(session)
    saved(session, ("# flat", "# flatter"), ("spacing_mm = 20.0", "spacing_mm = 21.0"))
    session.change([edit], on(session), drawn)
    text = session.path.read_text()
    assert there in text
    assert "# flatter" in text
    assert "spacing_mm = 21.0" in text


def test_a_change_of_what_was_drawn_too_long_ago_to_be_known_is_refused(session):
    saved(session, ("# flat", "# flatter"))
    with pytest.raises(InputError, match="changed since it was shown"):
        session.change([Edit("group[2].start_mm", 195.0)], on(session), "no text that is known")


def test_a_save_that_the_watch_has_not_seen_yet_is_not_written_over(session):
    other = DESIGN.replace("# flat", "# flatter")
    session.path.write_text(other)
    with pytest.raises(InputError, match="has been changed since it was read"):
        session.change([Edit("group[high].spacing_mm", 18.0)], on(session))
    assert session.path.read_text() == other


def test_what_cannot_be_built_is_refused_and_nothing_written(session):
    with pytest.raises(InputError, match="off the bar's end"):
        session.change([Edit("group[high].start_mm", 900.0)], on(session))
    assert session.path.read_text() == DESIGN
    assert backups(session) == []


def test_a_mistake_counts_once_the_file_has_settled_and_the_last_good_state_stays(session):
    good = session.model.name
    wrong = DESIGN.replace('root = "A3"', 'root = "H3"')
    session.seen(wrong, False)
    assert session.state()["mistake"] is None
    session.seen(wrong, True)
    state = session.state()
    assert state["mistake"]["line"] == DESIGN[: DESIGN.index("root =")].count("\n") + 1
    assert state["model"] == good
    for edit in (
        Edit("group[high].spacing_mm", 18.0),
        Edit("group[high].root", "A3"),
    ):  # even one that mends it
        with pytest.raises(InputError, match="the file has a mistake"):
            session.change([edit], on(session))


def test_a_mistake_is_taken_back_and_kept_as_a_copy(session):
    wrong = DESIGN.replace('root = "A3"', 'root = "H3"')
    session.path.write_text(wrong)
    session.seen(wrong, True)
    session.back(on(session))
    assert session.path.read_text() == DESIGN
    assert session.state()["mistake"] is None
    assert [(session.path.parent / each).read_text() for each in backups(session)] == [wrong]


def test_a_file_that_is_gone_is_told_and_put_back(session):
    session.path.unlink()
    session.seen(InputError("there is no such file"), True)
    assert session.state()["gone"] == "there is no such file"
    with pytest.raises(InputError, match="no such file"):
        session.change([Edit("group[high].spacing_mm", 18.0)], on(session))
    session.put_back()
    assert session.path.read_text() == DESIGN
    assert session.state()["gone"] == ""
    with pytest.raises(InputError, match="the file is there"):
        session.put_back()


def test_pages_are_told_of_every_change_that_counts_and_of_nothing_else(session):
    """By the serial number of what was told: a half-written file, and what is known, are no news."""
    told = [session.state()["serial"]]

    def seen(text, settled=True):
        session.seen(text, settled)
        told.append(session.state()["serial"])

    other, wrong = DESIGN.replace("spacing_mm = 20.0", "spacing_mm = 21.0"), DESIGN.replace('"A3"', '"H3"')
    seen(DESIGN)
    seen(other, settled=False)  # whole and new: it need not settle
    seen(wrong, settled=False)
    seen(wrong)
    seen(InputError("there is no such file"), settled=False)
    seen(InputError("there is no such file"))
    seen(InputError("there is no such file"))
    seen(wrong)
    seen(other)
    assert np.diff(told).tolist() == [0, 1, 0, 1, 0, 1, 0, 1, 1]
    assert session.state()["mistake"] is None
    with session.hub.listening() as news:
        session.seen(DESIGN, True)
        assert f'"serial": {told[-1] + 1}' in next(iter(news))


def test_a_text_over_which_the_program_fails_is_told_as_a_mistake_and_the_next_one_is_taken(
    session, monkeypatch, capsys
):
    other = DESIGN.replace("# a trial", "# mine")

    def failing(*_):
        raise ZeroDivisionError

    session.path.write_text(other)
    with monkeypatch.context() as patched:
        patched.setattr(room, "SolvedDesign", failing)
        session.seen(other, False)
        session.seen(other, True)
    assert session.state()["mistake"] == {"words": "the program failed; its terminal says where", "line": 0}
    assert capsys.readouterr().err.count("Traceback") == 1
    third = DESIGN.replace("# a trial", "# yours")
    session.path.write_text(third)
    session.seen(third, True)
    assert session.state()["mistake"] is None
    assert session.model.text == third


class Contended:
    """A lock for which somebody else comes first."""

    def __init__(self, lock, others):
        self.lock, self.others = lock, others

    def __enter__(self):
        others, self.others = self.others, []
        for each in others:
            each()
        return self.lock.__enter__()

    def __exit__(self, *how):
        return self.lock.__exit__(*how)


@pytest.mark.parametrize("way", ["back", "forth"])
def test_what_is_gone_back_to_is_looked_up_once_nobody_else_can_move(session, way):
    """Others go two steps first, to a text that is again the one which this page knew."""
    for spacing in (18.0, 20.0):
        session.change([Edit("group[high].spacing_mm", spacing)], on(session))
    if way == "forth":
        session.back(on(session))
        session.back(on(session))
    assert session.path.read_text() == DESIGN
    texts, text, go = list(session.history.texts), on(session), getattr(session, way)
    session.lock = Contended(session.lock, [lambda: go(on(session))] * 2)
    with pytest.raises(InputError, match="nothing more"):
        go(text)
    assert session.history.texts == texts
    assert session.history.at == (0 if way == "back" else 2)
    assert session.path.read_text() == DESIGN


def test_over_a_mistake_the_last_good_text_is_put_back(session):
    wrong = DESIGN.replace('root = "A3"', 'root = "H3"')
    session.path.write_text(wrong)
    session.seen(wrong, True)
    assert session.state()["undo"] == 1  # the mistake itself can be taken back
    session.path.unlink()
    session.seen(InputError("there is no such file"), True)
    session.put_back()
    assert session.path.read_text() == DESIGN
    assert session.state()["mistake"] is None
    assert session.state()["undo"] == 0


def test_a_full_disk_changes_nothing(session, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("pathlib.Path.write_bytes", full)
    with pytest.raises(InputError, match="is the disk full"):
        session.change([Edit("group[high].spacing_mm", 18.0)], on(session))
    monkeypatch.undo()
    assert session.path.read_text() == DESIGN
    assert session.state()["undo"] == 0
    session.change([Edit("group[high].spacing_mm", 18.0)], on(session))


def test_versions_are_kept_recalled_and_solved_once(session):
    session.keep("first")
    session.change([Edit("group[high].spacing_mm", 18.0)], on(session))
    assert session.version("first").text == DESIGN
    assert session.version("first") is session.version("first")
    assert session.version("") is session.model
    session.put(session.version("first").text, on(session))
    assert session.path.read_text() == DESIGN
    assert session.state()["undo"] == 2


def test_what_a_page_keeps_is_what_it_shows_though_the_file_says_more_since(session):
    shown = session.model.name
    session.change([Edit("group[high].spacing_mm", 18.0)], on(session))
    session.keep("as heard", shown)
    session.keep("as it stands")
    assert session.version("as heard").text == DESIGN
    assert session.version("as it stands").text == session.path.read_text()
    with pytest.raises(InputError, match="this state of the design is gone"):
        session.keep("lost", "no model that is known")


def test_every_change_is_told_to_all_who_listen(session):
    with session.hub.listening() as told:
        session.change([Edit("group[high].spacing_mm", 18.0)], on(session))
        began = time.monotonic()
        event = next(told)
        assert time.monotonic() - began < 1.0
    assert event.startswith("event: state\ndata: {")
    assert session.model.name in event


def test_states_are_numbered_in_the_order_in_which_they_came(session):
    with session.hub.listening() as told:
        for spacing in (18.0, 17.0, 16.0):
            session.change([Edit("group[high].spacing_mm", spacing)], on(session))
        events = [json.loads(next(told).split("data: ")[1]) for _ in range(3)]
    assert [each["serial"] for each in events] == [1, 2, 3]
    assert [each["undo"] for each in events] == [1, 2, 3]
    assert {each["server"] for each in events} == {session.state()["server"]}
    assert Session(session.path).state()["server"] != session.state()["server"]


def test_of_the_models_that_a_page_may_ask_for_the_one_longest_ago_is_forgotten(session, monkeypatch):
    """Two are remembered: of three, the first that was stood on again outlasts the one between."""
    monkeypatch.setattr(room, "REMEMBERED", 2)
    first = session.model.name
    between = session.change([Edit("group[high].spacing_mm", 18.0)], on(session)).name
    session.back(on(session))
    last = session.change([Edit("group[high].spacing_mm", 17.0)], on(session)).name
    assert (session.named(first).name, session.named(last).name) == (first, last)
    with pytest.raises(InputError, match="this state of the design is gone"):
        session.named(between)


def test_over_a_mistake_the_last_good_text_is_what_is_kept_as_a_version(session):
    session.path.write_text("[bar", encoding="utf-8")
    session.seen("[bar", settled=True)
    assert session.state()["mistake"] is not None
    session.keep("good")
    assert session.versions.text("good") == DESIGN
