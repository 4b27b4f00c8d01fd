"""The watch tells every text that a file comes to have, and what is there only for a moment as unsettled."""

import threading
import time

import pytest

from synth.design.edit import Edit
from synth.design.file import read_text
from synth.errors import InputError
from synth.served import watch as watch_room
from synth.served.serving import Serving
from synth.served.session import Session
from synth.served.watch import FileWatch

from .conftest import DESIGN


class Listener:
    def __init__(self):
        self.told = []
        self.came = threading.Condition()

    def __call__(self, seen, settled):
        with self.came:
            self.told.append((seen, settled))
            self.came.notify_all()

    def wait(self, wanted, seconds=5.0):
        with self.came:
            assert self.came.wait_for(lambda: any(map(wanted, self.told)), seconds), self.told


@pytest.fixture
def watched(tmp_path):
    path, listener = tmp_path / "file.toml", Listener()
    path.write_text("one")
    watch = FileWatch(path, listener)
    watch.start()
    listener.wait(lambda each: each == ("one", True))
    yield path, listener
    watch.stop()


def test_a_new_text_is_told_at_once_and_again_when_it_has_settled(watched):
    path, listener = watched
    began = time.monotonic()
    path.write_text("two")
    listener.wait(lambda each: each == ("two", False))
    assert time.monotonic() - began < 1.0
    listener.wait(lambda each: each == ("two", True))


def test_a_file_that_is_put_in_its_place_is_seen(watched):
    path, listener = watched
    beside = path.with_name("other")
    beside.write_text("six")
    beside.replace(path)
    listener.wait(lambda each: each == ("six", True))


def test_a_text_of_the_same_size_and_time_is_seen_all_the_same(watched):
    import os

    path, listener = watched
    status = path.stat()
    with path.open("r+") as file:
        file.write("uno")
    os.utime(path, ns=(status.st_atime_ns, status.st_mtime_ns))
    listener.wait(lambda each: each[0] == "uno")


def test_a_file_that_goes_and_comes_is_told(watched):
    path, listener = watched
    path.unlink()
    listener.wait(lambda each: isinstance(each[0], InputError) and each[1])
    with listener.came:
        listener.told.clear()  # "one" was told before, too
    path.write_text("one")
    listener.wait(lambda each: each == ("one", True))


def test_a_page_s_change_between_a_look_and_its_telling_is_not_told_as_undone(design, monkeypatch):
    """The change comes while the file's text of before has been read and not yet told."""
    session = Session(design)
    new = DESIGN.replace("spacing_mm = 20.0", "spacing_mm = 18.0")
    changing, looks = [], []

    def change():
        session.change([Edit("group[high].spacing_mm", 18.0)], session.state()["text"])

    def read(path):
        text = read_text(path)
        looks.append(text)
        if not changing:
            changing.append(threading.Thread(target=change))
            changing[0].start()
            changing[0].join(1.0)
        return text

    monkeypatch.setattr(watch_room, "read_text", read)
    watch = FileWatch(design, session.seen, session.lock)
    watch.start()
    end = time.monotonic() + 20.0
    while looks[-2:] != [new, new] and time.monotonic() < end:
        time.sleep(0.02)
    watch.stop()
    assert looks[0] == DESIGN
    assert looks[-2:] == [new, new]
    assert session.history.texts == [DESIGN, new]
    assert session.state()["serial"] == 1


def test_a_text_that_an_editor_saves_again_over_a_page_s_change_is_told_though_the_last_look_saw_it(
    design, monkeypatch
):
    """Both come between two looks: the file says what it said, and the session something else."""
    session, looks = Session(design), []

    def read(path):
        looks.append(read_text(path))
        return looks[-1]

    monkeypatch.setattr(watch_room, "read_text", read)
    watch = FileWatch(design, session.seen, session.lock)
    watch.start()
    end = time.monotonic() + 20.0
    while len(looks) < 3 and time.monotonic() < end:
        time.sleep(0.02)
    with session.lock:  # nothing is looked at
        session.change([Edit("group[high].spacing_mm", 18.0)], session.state()["text"])
        new = session.model.text
        design.write_text(DESIGN, encoding="utf-8")
        seen = len(looks)
    while len(looks) < seen + 2 and time.monotonic() < end:
        time.sleep(0.02)
    watch.stop()
    assert looks[seen:] == [DESIGN] * len(looks[seen:])
    assert session.history.texts == [DESIGN, new, DESIGN]
    assert session.model.text == DESIGN


def test_a_served_design_is_looked_at_under_its_session_s_lock(design, monkeypatch):
    free = []
    serving = Serving(design)

    def ask():
        free.append(serving.session.lock.acquire(blocking=False))
        if free[-1]:
            serving.session.lock.release()

    def read(path):
        asker = threading.Thread(target=ask)
        asker.start()
        asker.join()
        return read_text(path)

    monkeypatch.setattr(watch_room, "read_text", read)
    with serving:
        end = time.monotonic() + 20.0
        while not free and time.monotonic() < end:
            time.sleep(0.02)
    assert free
    assert not any(free)
