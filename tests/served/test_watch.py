"""The watch tells every text that a file comes to have, and what is there only for a moment as unsettled."""

import threading
import time

import pytest

from synth.errors import InputError
from synth.served.watch import FileWatch


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
