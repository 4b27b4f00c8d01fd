"""Solved instruments are kept whole, read back at once, and never trusted when torn."""

from __future__ import annotations

import dataclasses
import enum
import json
import math
import os
import random
import subprocess
import sys
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import NamedTuple

import numpy as np
import pytest

from synth import cache
from synth.design.file import load
from synth.design.resolve import resolve
from synth.files import PREFIX
from synth.vibration.frame import FrameModes
from synth.vibration.solve import solve_row

SYNTH = Path(__file__).parents[1] / "synth"
TWO_TINES = Path(__file__).parents[0] / "data" / "two-tines.toml"


class StickKind(enum.StrEnum):
    """A word of a kind of its own."""

    WOOD = "wood"


@dataclass(frozen=True)
class Rating:
    """Of two things."""

    one: object
    other: object


@dataclass(frozen=True)
class Nothing:
    """Not of the package, and so never restored."""


@pytest.fixture(autouse=True)
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    monkeypatch.setenv(cache.FOLDER_VARIABLE, str(tmp_path / "kept"))
    return tmp_path / "kept"


def modes(seed: int = 1) -> FrameModes:
    rng = np.random.default_rng(seed)
    return FrameModes(rng.standard_normal(37), rng.standard_normal((500, 37)))


def forbidden() -> FrameModes:
    raise AssertionError("this was to be read, not solved")


def test_what_was_solved_once_is_read_the_next_time_and_cannot_be_written_to() -> None:
    solved = cache.cached("modes", (1, 2.5), modes)
    again = cache.cached("modes", (1, 2.5), forbidden)
    np.testing.assert_array_equal(again.shape, solved.shape)
    np.testing.assert_array_equal(again.frequency, solved.frequency)
    with pytest.raises(ValueError, match="read-only"):
        again.shape[0, 0] = 1.0


def test_all_that_solutions_are_made_of_comes_back_the_same() -> None:
    value = FrameModes(
        np.array([1 + 2j, np.nan], dtype=np.complex64),  # type: ignore[arg-type]
        {"empty": np.zeros((0, 3)), "words": ("a", None, True, -np.inf, (np.int64(3),)), "whole": modes()},  # type: ignore[arg-type]
    )
    cache.cached("odd", 1, lambda: value)
    back = cache.cached("odd", 1, forbidden)
    np.testing.assert_array_equal(back.frequency, value.frequency)
    assert back.frequency.dtype == np.complex64
    assert back.shape["words"] == ("a", None, True, -np.inf, (3,))  # type: ignore[index,call-overload]
    assert back.shape["empty"].shape == (0, 3)  # type: ignore[index,call-overload]
    assert isinstance(back.shape["whole"], FrameModes)  # type: ignore[index,call-overload]


@pytest.mark.parametrize(
    "other",
    [
        (1.0, np.arange(3.0)),
        (1.0 + 1e-15, np.arange(3.0)),
        (1.0, np.arange(3.0)[::-1]),
        (1.0, np.arange(3)),
        (1.0, np.arange(3.0)[:, None]),
    ],
    ids=["same", "a digit", "an order", "a kind", "a shape"],
)
def test_another_question_is_another_file(
    other: tuple[float, np.ndarray], request: pytest.FixtureRequest
) -> None:
    same = cache.fingerprint((1.0, np.arange(3.0))) == cache.fingerprint(other)
    assert same == request.node.callspec.id.startswith("same")


def plainly(value: object) -> str:
    """What a fingerprint is of, as a file would hold it: a tree in JSON, and the arrays' bytes."""
    arrays: list[np.ndarray] = []
    words = json.dumps(cache._plain(value, arrays), sort_keys=True)
    return words + "".join(f"{each.dtype.str}{each.shape}{each.tobytes().hex()}" for each in arrays)


class Count(int):
    """A number of a kind of its own."""


class Pair(NamedTuple):
    """A tuple of a kind of its own."""

    one: object
    other: object


def anything(draw: random.Random, depth: int = 3) -> object:
    """Something that a solution may depend on, and more often than not like something else."""
    number = draw.choice([0, 1, 1.0, -0.0, 0.0, 0.1, math.nan, math.inf, True, None, Count(1)])
    word = draw.choice(["", "1", "1.0", " ", "( )", "a b", "é", "True", StickKind("wood"), "wood"])
    array = draw.choice(
        [np.arange(2.0), np.arange(2), np.arange(2.0)[::-1], np.arange(4.0)[::2], np.ones((1, 2))]
    )
    if depth == 0 or draw.random() < 0.3:
        return draw.choice([number, word, array, np.float64(0.1), np.int64(1)])
    parts = [anything(draw, depth - 1) for _ in range(draw.randrange(3))]
    twice = anything(draw, depth - 1)
    other = parts[0] if parts else twice
    kinds = (parts, tuple(parts), dict(zip("ab", parts, strict=False)), Pair(twice, other), [twice, other])
    return draw.choice([*kinds, Nothing(), Rating(twice, twice), Rating(twice, other)])


def test_two_have_one_fingerprint_where_a_file_would_hold_the_same_and_only_there() -> None:
    draw = random.Random(5)
    several = [anything(draw) for _ in range(3000)]
    told = [(plainly(each), cache.fingerprint(each)) for each in several]
    different = {words for words, _ in told}
    assert 500 < len(different) < 2500  # both happen
    assert len(set(told)) == len(different) == len({found for _, found in told})


@pytest.mark.parametrize("value", [{1, 2}, b"1", object(), 1j, np.array([None])[0:0].dtype])
def test_of_what_cannot_be_kept_there_is_no_fingerprint(value: object) -> None:
    with pytest.raises(TypeError, match="cannot be kept"):
        cache.fingerprint((1.0, value))


def test_the_words_of_a_long_tuple_are_kept_for_that_tuple_alone() -> None:
    """Also where another takes the place in memory of one that is gone, and beside equal ones."""
    fingers = [cache.fingerprint((tuple(Rating(n, each) for each in range(20)), 1.0)) for n in range(50)]
    assert len(set(fingers)) == 50
    kept = tuple(Rating(7, each) for each in range(20))
    for _ in range(2):
        assert cache.fingerprint((kept, 1.0)) == fingers[7]
    assert cache.fingerprint((kept[:-1], 1.0)) != fingers[7] != cache.fingerprint((kept, 2.0))
    assert cache.fingerprint((list(kept), 1.0)) == fingers[7]
    assert cache.fingerprint(kept) == cache.fingerprint(tuple(Rating(7, each) for each in range(20)))


def test_a_clamp_that_loses_more_at_high_pitch_is_another_row(folder: Path) -> None:
    instrument = resolve(load(TWO_TINES))
    rising = dataclasses.replace(
        instrument,
        tines=tuple(
            dataclasses.replace(each, root=dataclasses.replace(each.root, loss_slope=1.0))
            for each in instrument.tines
        ),
    )
    flat, steep = solve_row(instrument), solve_row(rising)
    assert len(list(folder.iterdir())) == 2
    high = (flat.modes.frequency > 1500.0) & (flat.modes.frequency < 4000.0)
    assert np.any(high)
    assert np.all(steep.modes.decay[high] < 0.8 * flat.modes.decay[high])
    np.testing.assert_allclose(steep.length, flat.length, rtol=1e-12)


def test_a_solution_depends_on_the_source_of_every_room_that_solves() -> None:
    names = {path.relative_to(SYNTH).as_posix() for path in cache._sources()}
    assert {"air.py", "units.py", "design/resolve.py", "vibration/tine.py", "sound/radiator/bar.py"} <= names
    assert all((SYNTH / each).is_file() for each in names)


def test_another_version_of_the_program_does_not_trust_the_old_one(monkeypatch: pytest.MonkeyPatch) -> None:
    before = cache.fingerprint(1)
    monkeypatch.setattr(cache, "_program", lambda: b"another")
    assert cache.fingerprint(1) != before


def test_fresh_solves_again_and_keeps_that() -> None:
    cache.cached("modes", 1, modes)
    other = cache.cached("modes", 1, lambda: modes(2), fresh=True)
    np.testing.assert_array_equal(cache.cached("modes", 1, forbidden).frequency, other.frequency)


def _torn(data: bytes) -> bytes:
    return data[: len(data) // 2]


def _zeroed(data: bytes) -> bytes:
    return data[:-5000] + bytes(5000)


def _flipped(data: bytes) -> bytes:
    middle = len(data) - 70_000
    return data[:middle] + bytes([data[middle] ^ 1]) + data[middle + 1 :]


def _beheaded(data: bytes) -> bytes:
    return b"x" * 40 + data[40:]


@pytest.mark.parametrize(
    "damage",
    [
        _torn,
        _zeroed,
        _flipped,
        _beheaded,
        lambda data: b"",
        lambda data: data + b"more",
        lambda data: data[:10],
    ],
)
def test_a_damaged_file_is_noticed_and_solved_again(folder: Path, damage: Callable[[bytes], bytes]) -> None:
    solved = cache.cached("modes", 1, modes)
    (path,) = folder.glob("modes-*.kept")
    path.write_bytes(damage(path.read_bytes()))
    asked = []
    again = cache.cached("modes", 1, lambda: asked.append(1) or modes())
    assert asked == [1]
    np.testing.assert_array_equal(again.shape, solved.shape)
    cache.cached("modes", 1, forbidden)


def test_a_file_cannot_ask_for_anything_but_the_packages_own_types(folder: Path) -> None:
    folder.mkdir()
    for type_name in ("os:system", "synth.cache:cached", "subprocess:Popen"):
        tree = {"type": type_name, "fields": {}}
        cache.write(folder / "evil.kept", modes())
        data = (folder / "evil.kept").read_bytes()
        header = json.dumps({"tree": tree, "arrays": [], "size": 0, "crc": 0}).encode()
        front = cache._FRONT.pack(cache.MAGIC, len(header), zlib.crc32(header))
        (folder / "evil.kept").write_bytes(front + header)
        assert data != front + header
        with pytest.raises((ValueError, TypeError)):
            cache.read(folder / "evil.kept")


def test_what_cannot_be_kept_is_told_to_the_developer() -> None:
    with pytest.raises(TypeError, match="cannot be kept"):
        cache.cached("modes", 1, lambda: dataclasses.replace(modes(), shape=object()))  # type: ignore[arg-type]


def test_a_folder_that_cannot_be_made_costs_only_time(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "a file").write_text("in the way")
    monkeypatch.setenv(cache.FOLDER_VARIABLE, str(tmp_path / "a file" / "below"))
    np.testing.assert_array_equal(cache.cached("modes", 1, modes).frequency, modes().frequency)


@pytest.mark.skipif(getattr(os, "geteuid", lambda: 0)() == 0, reason="root writes everywhere")
def test_a_folder_that_cannot_be_written_to_costs_only_time(folder: Path) -> None:
    folder.mkdir(mode=0o500)
    np.testing.assert_array_equal(cache.cached("modes", 1, modes).frequency, modes().frequency)


def test_what_was_mapped_stays_readable_while_the_file_is_replaced(folder: Path) -> None:
    cache.cached("modes", 1, modes)
    mapped = cache.cached("modes", 1, forbidden)
    cache.cached("modes", 1, lambda: modes(2), fresh=True)
    np.testing.assert_array_equal(mapped.shape, modes().shape)


def test_the_folder_forgets_what_was_not_used_longest(folder: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for number in (1, 2, 3):
        cache.cached("modes", number, modes)
        for path in folder.glob("*.kept"):
            os.utime(path, (path.stat().st_atime, path.stat().st_mtime - 100.0))
    cache.cached("modes", 1, forbidden)  # used: now the newest
    size = sum(path.stat().st_size for path in folder.iterdir())
    monkeypatch.setattr(cache, "LARGEST", size)
    cache.cached("modes", 4, modes)
    cache.cached("modes", 1, forbidden)
    assert len(list(folder.glob("*.kept"))) == 3
    with pytest.raises(AssertionError):
        cache.cached("modes", 2, forbidden)


def test_the_folder_is_looked_through_once_in_a_while_and_after_a_great_file_at_once(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """In a folder of thousands that takes longer than what is kept took to solve."""
    looked: list[Path] = []
    monkeypatch.setattr(cache, "_make_room", looked.append)
    monkeypatch.setattr(cache, "LARGEST", 1 << 50)
    for number in range(60):
        cache.cached("numbers", number, lambda: (1.0, 2.0))
    assert not looked
    (size,) = {path.stat().st_size for path in folder.iterdir()}
    monkeypatch.setattr(cache, "LARGEST", 64 * 8 * size)  # every eighth of them
    for number in range(60, 360):
        cache.cached("numbers", number, lambda: (1.0, 2.0))
    assert 10 < len(looked) < 80
    monkeypatch.setattr(cache, "LARGEST", 64 * size)
    cache.cached("numbers", 360, lambda: (1.0, 2.0))
    assert looked[-1] == max(folder.iterdir(), key=lambda path: path.stat().st_mtime_ns)


def test_looking_through_the_folder_sweeps_what_a_killed_process_left(
    folder: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(cache, "LARGEST", 1 << 50)
    cache.cached("modes", 1, modes)
    left = folder / f"{PREFIX}half.kept"
    left.write_bytes(b"half")
    os.utime(left, (0.0, 0.0))
    cache.cached("modes", 2, modes)
    assert left.exists()
    monkeypatch.setattr(cache, "LARGEST", 1 << 16)
    cache.cached("modes", 3, modes)
    assert not left.exists()


def test_what_is_mapped_is_not_taken_for_a_loaded_library(folder: Path) -> None:
    """threadpoolctl takes any mapped file with ".so" in its name, and stumbles where its path is not ASCII."""
    from threadpoolctl import ThreadpoolController

    cache.cached("modes", 1, modes)
    mapped = cache.cached("modes", 1, forbidden)
    maps = Path("/proc/self/maps").read_bytes() if Path("/proc/self/maps").exists() else b""
    assert not [
        found for found in ThreadpoolController._PATH_RE.findall(maps) if str(folder).encode() in found
    ], mapped


WRITER = """
import sys, numpy as np
from synth import cache
from synth.vibration.frame import FrameModes
for _ in range(40):
    found = cache.cached("modes", 1, lambda: FrameModes(np.arange(1e4), np.ones((1000, 40))),
        fresh=sys.argv[1] == "write")
    assert found.shape.sum() == 40000.0 and found.frequency[-1] == 9999.0
"""


def test_two_processes_may_write_and_two_read_the_same_at_once(folder: Path) -> None:
    root = Path(__file__).parents[1]
    jobs = [
        subprocess.Popen([sys.executable, "-c", WRITER, job], cwd=root, stderr=subprocess.PIPE, text=True)
        for job in ("write", "write", "read", "read")
    ]
    said = [job.communicate()[1] for job in jobs]
    assert [job.returncode for job in jobs] == [0] * 4, said
    assert [path.name for path in folder.iterdir() if path.name.startswith(".")] == []


def test_another_program_has_another_fingerprint_whatever_file_of_it_was_changed(tmp_path, monkeypatch):
    """By what stands in every file that solves: a changed line is enough, in any of them."""
    files = [tmp_path / name for name in ("one.py", "two.py")]
    found = []
    for texts in (("a = 1", "b = 2"), ("a = 1", "b = 3"), ("a = 2", "b = 2")):
        for path, text in zip(files, texts, strict=True):
            path.write_text(text)
        monkeypatch.setattr(cache, "_sources", lambda: files)
        cache._program.cache_clear()
        found.append(cache.fingerprint(1.0))
    monkeypatch.undo()
    cache._program.cache_clear()
    assert len(set(found)) == 3
    names = {path.relative_to(Path(cache.__file__).parent).parts[0] for path in cache._sources()}
    assert {"air.py", "units.py", "design", "vibration", "playing", "sound", "workshop"} <= names
