"""Compiled code that cannot be kept costs time, never the answer."""

import contextlib
import errno
import gc
import random
import threading
from types import SimpleNamespace

import numba
import numpy as np
import pytest
from numba.core import config
from numba.core.compiler import run_frontend
from numba.core.ir import Assign, Expr, Inst, Stmt, Var

from synth import compiled as room
from synth.compiled import njit, undisturbed


def plus(a, b):
    return a + 2 * b


@pytest.fixture
def folder(tmp_path, monkeypatch):
    monkeypatch.setattr(config, "CACHE_DIR", str(tmp_path / "kept"))
    return tmp_path / "kept"


def hits(function):
    return sum(function.stats.cache_hits.values())


def compiled():
    return njit(cache=True, nogil=True)(plus)


def test_what_was_compiled_is_kept_and_taken(folder):
    assert compiled()(1, 2) == 5
    again = compiled()
    assert again(1, 2) == 5
    assert hits(again) == 1


def test_code_that_no_other_process_would_find_again_is_not_kept(folder):
    """What a compiled function is called by a closure is in numba's key; numbers there are the same everywhere."""
    part, number = njit(part=True)(plus), 3

    def outer(a):
        return part(a, number)

    def harmless(a):
        return a + number

    with pytest.raises(TypeError, match="outer would never be found again: define part in the module"):
        njit(cache=True)(outer)
    assert njit()(outer)(1) == 7
    assert njit(cache=True)(harmless)(1) == 4


@pytest.mark.parametrize("which", ["*.nbi", "*.nbc", "*"])
@pytest.mark.parametrize("seed", range(4))
def test_a_torn_or_scribbled_file_is_compiled_again_and_put_right(folder, which, seed):
    draw = random.Random(f"{which}{seed}")
    assert compiled()(1, 2) == 5
    torn = list(folder.rglob(which if "." in which else "*.nb?"))
    assert torn
    for path in torn:
        data = path.read_bytes()
        cut = draw.randrange(
            min(200, len(data))
        )  # in the frame of the pickle: of machine code nothing can be told
        path.write_bytes(data[:cut] + (draw.randbytes(40) if seed % 2 else b""))
    assert compiled()(1, 2) == 5
    again = compiled()
    assert again(1, 2) == 5
    assert hits(again) == 1


def loaded(monkeypatch):
    """A function as in a new process, after what was kept has been loaded."""
    monkeypatch.setattr(room, "_kept", [])
    function = compiled()
    room.load_kept().join()
    return function


def test_what_was_kept_is_loaded_ahead_for_each_kind_of_arguments(folder, monkeypatch):
    first = compiled()
    assert (first(1, 2), first(1.5, 2.0)) == (5, 5.5)
    function = loaded(monkeypatch)
    assert [str(each) for each in function.overloads] == [str(each) for each in first.overloads]
    assert (function(1, 2), function(1.5, 2.0), function(1j, 2)) == (5, 5.5, 4 + 1j)
    assert hits(function) == 0  # nothing was looked for again,
    assert sum(function.stats.cache_misses.values()) == 1  # and only what had not been kept was compiled


@pytest.mark.parametrize("which", ["*.nbi", "*.nbc"])
def test_nothing_torn_is_loaded_ahead_and_nothing_compiled_then(folder, monkeypatch, which):
    assert compiled()(1, 2) == 5
    for path in folder.rglob(which):
        path.write_bytes(path.read_bytes()[:-20])
    function = loaded(monkeypatch)
    assert function.overloads == {}
    assert not function.stats.cache_misses
    assert function(1, 2) == 5


def test_code_of_another_body_or_another_machine_is_not_loaded_ahead(folder, monkeypatch):
    assert compiled()(1, 2) == 5
    monkeypatch.setattr(room._KeptCode, "_index_key", lambda self, kinds, codegen: (kinds, "another", ()))
    assert loaded(monkeypatch).overloads == {}


def test_who_calls_while_it_is_loaded_has_the_same_function(folder, monkeypatch):
    assert compiled()(1, 2) == 5
    monkeypatch.setattr(room, "_kept", [])
    for _ in range(20):
        function = compiled()
        thread = room.load_kept()
        assert function(1, 2) == 5
        thread.join()
        assert len(function.overloads) == 1
        assert not function.stats.cache_misses


@pytest.mark.parametrize("share", [0.02, 0.3, 0.6, 0.95])
def test_machine_code_with_a_bit_turned_over_is_not_run(folder, share):
    assert compiled()(1, 2) == 5
    (kept,) = folder.rglob("*.nbc")
    data = bytearray(kept.read_bytes())
    data[int(share * len(data))] ^= 1
    kept.write_bytes(data)
    again = compiled()
    assert again(1, 2) == 5
    assert hits(again) == 0
    assert hits_after_that() == 1


def hits_after_that():
    function = compiled()
    function(1, 2)
    return hits(function)


@pytest.mark.parametrize("library", ["numba", "numpy"])
def test_code_of_another_version_is_compiled_again(folder, monkeypatch, library):
    assert compiled()(1, 2) == 5
    monkeypatch.setattr(f"{library}.__version__", "0.0.1")
    again = compiled()
    assert again(1, 2) == 5
    assert hits(again) == 0
    assert hits_after_that() == 1


def test_a_folder_that_cannot_be_had_is_done_without(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("in the way")
    monkeypatch.setattr(config, "CACHE_DIR", str(tmp_path / "file" / "below"))
    for locator in numba.core.caching.CacheImpl._locator_classes:
        monkeypatch.setattr(locator, "from_function", classmethod(lambda cls, *_: None))
    assert compiled()(1, 2) == 5


def test_a_full_disk_is_done_without(folder, monkeypatch):
    def full(*_):
        raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr(numba.core.caching.IndexDataCacheFile, "_save_data", full)
    assert compiled()(1, 2) == 5
    assert compiled()(1, 2) == 5


def test_a_signal_waits_for_the_end_of_the_block_and_is_not_lost():
    import signal

    went = []

    def interrupted():
        with undisturbed():
            signal.raise_signal(signal.SIGINT)
            went.append("on")

    with pytest.raises(KeyboardInterrupt):
        interrupted()
    assert went == ["on"]
    assert signal.getsignal(signal.SIGINT) is signal.default_int_handler


@njit(forceinline=True, part=True)
def doubled(values, place):
    values[place] *= 2.0
    return values[place]


def total(values):
    found = 0.0
    for place in range(len(values)):
        found += doubled(values, place)
    return found


def test_a_part_is_what_it_is_in_python_alone_and_within_compiled_code(folder):
    whole = njit(cache=True)(total)
    plain, mixed, kept = (np.array([1.0, 2.5, -4.0]) for _ in range(3))
    assert total(plain) == whole(mixed) == njit(cache=True)(total)(kept) == -1.0  # the last from the folder
    assert plain.tolist() == mixed.tolist() == kept.tolist() == [2.0, 5.0, -8.0]
    assert doubled(plain, 1) == 10.0  # Python's own


@pytest.fixture
def optimised(monkeypatch):
    """The names of what is optimised, by thread."""
    names, real = [], room._optimised

    def note(library):
        names.append((threading.current_thread().name, library.name.split(".")[-1]))
        real(library)

    monkeypatch.setattr(room, "_optimised", note)
    return names


def test_a_part_is_optimised_with_what_calls_it_and_not_before(optimised):
    @njit(part=True)
    def inner(x):
        return x + 1.0

    def outer(x):
        return inner(x)

    assert njit()(outer)(1.0) == 2.0
    assert [name for _, name in optimised if name in ("inner", "outer")] == ["outer"]


def test_what_an_operation_on_numbers_is_is_asked_once_for_each_kind_of_them(monkeypatch):
    """Whole numbers, fractions and single ones stay what they are; what cannot be done is refused each time."""
    asked, real = [], room._asked

    def note(function, context, kinds, words):
        asked.append((str(function), kinds))
        return real(function, context, kinds, words)

    monkeypatch.setattr(room, "_asked", note)
    monkeypatch.setattr(room, "_known", {})

    def sums(a, b):
        return a * b + a * b + a * b, a // b

    found = {kind: njit()(sums)(kind(7), kind(2)) for kind in (int, float, np.float32)}
    assert {kind: tuple(map(type, each)) for kind, each in found.items()} == {
        int: (int, int),
        float: (float, float),
        np.float32: (float, float),  # as Python gets them
    }
    assert [*found.values()] == [(42, 3), (42.0, 3.0), (42.0, 3.0)]
    assert njit()(sums)(np.float32(0.1), np.float32(0.3))[0] == np.float32(0.1) * np.float32(0.3) * 3
    of_numbers = [each for each in asked if all(isinstance(kind, numba.types.Number) for kind in each[1])]
    assert len(of_numbers) == len(set(of_numbers)) > 0
    for _ in range(2):
        with pytest.raises(numba.TypingError):
            njit()(lambda a, b: a << b)(1.5, 2.5)


def test_code_that_holds_parts_of_another_file_is_compiled_again_where_that_file_has_changed(
    folder, tmp_path
):
    other = SimpleNamespace(__file__=str(tmp_path / "other.py"))
    for text, kept in (("1", 0), ("1", 1), ("2", 0), ("2", 1)):
        (tmp_path / "other.py").write_text(text)
        function = njit(cache=True, holds=(other,))(plus)
        assert function(1, 2) == 5
        assert hits(function) == kept


def plain_variables(part):
    """The variables in a part of a statement, written down plainly."""
    if isinstance(part, Var):
        return [part]
    if isinstance(part, Inst):
        return part.list_vars()
    if isinstance(part, (list, tuple, dict)):
        parts = part.values() if isinstance(part, dict) else part
        return [each for inner in parts for each in plain_variables(inner)]
    return []


def test_the_variables_of_a_statement_are_found_in_their_order():
    def function(rows, n, *more, last=1.5):
        total, (one, other) = 0.0, rows[0]
        for i in range(n):
            total += function_of(rows[i : i + 2, None], one, key=other) if more else last
        rows[n, :] = {"a": total, n: one}
        yield [total, one, (other, -last)]
        del total

    def function_of(*words, **named):
        return words, named

    statements = [
        each
        for block in run_frontend(function).blocks.values()
        for each in block.body
        if isinstance(each, Stmt)
    ]
    assert len(statements) > 40
    for each in statements:
        part = each.value if isinstance(each, Assign) else each
        assert each.list_vars() == plain_variables(each.__dict__)
        if isinstance(part, Expr):
            assert part.list_vars() == plain_variables(part._kws)
    assert sum(len(each.list_vars()) for each in statements) > 80


def test_rubbish_is_collected_again_after_compiling_and_where_that_fails():
    for function, word in ((lambda x: x + 1, 1), (lambda x: x.no_such_thing, 1)):
        with contextlib.suppress(numba.TypingError):
            njit()(function)(word)
        assert gc.isenabled()


def test_a_part_is_made_machine_code_with_what_calls_it_and_not_before(monkeypatch):
    made, real = [], room._made

    def note(library):
        made.append(library.name.split(".")[-1])
        real(library)

    monkeypatch.setattr(room, "_made", note)

    @njit(part=True)
    def least(x):
        return x + 1.0

    @njit(part=True)
    def less(x):
        return least(x) * 2.0

    def most(x):
        return less(x) - least(x)

    def other(x):
        return less(x)

    assert (njit()(most)(1.0), njit()(other)(1.0)) == (2.0, 4.0)
    assert [name for name in made if name in ("least", "less", "most", "other")] == ["most", "other"]


def test_a_function_by_itself_is_whole_where_a_part_is_the_first_to_call_it():
    @njit()
    def alone(x):
        return x + 1.0

    @njit(part=True)
    def inner(x):
        return alone(x) * 2.0

    assert njit()(lambda x: inner(x))(1.0) == 4.0
    assert alone(1.0) == 2.0


def test_what_a_part_raises_or_says_comes_through_what_calls_it(capfd):
    @njit(part=True)
    def inner(x):
        print("at", x, (1, "two"))
        if x < 0.0:
            raise ValueError("below")
        return x

    whole, another = njit()(lambda x: inner(x)), njit()(lambda x: inner(x) + 1.0)
    assert (whole(1.0), another(1.0)) == (1.0, 2.0)
    for each in (whole, another):
        with pytest.raises(ValueError, match="below"):
            each(-1.0)
    assert capfd.readouterr().out.count("at 1.0 (1, 'two')") == 2


def test_two_threads_that_compile_do_not_leave_each_other_unoptimised(optimised):
    def worker():
        for number in range(3):
            calling(float(number))

    def calling(number):
        inner = njit(part=True)(lambda x: x + number)
        assert njit()(lambda x: inner(x))(1.0) == 1.0 + number

    def alone(values):
        return values[0] + 0.5

    thread = threading.Thread(target=worker)
    thread.start()
    for _ in range(3):
        assert njit()(alone)(np.ones(4)) == 1.5
    thread.join()
    main = threading.current_thread().name
    assert [name for where, name in optimised if where == main].count("alone") == 3
