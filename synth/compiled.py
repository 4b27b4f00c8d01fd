"""Compiled functions whose kept code costs time where it cannot be read or written, never the answer.

In: what `numba.njit` takes. Out: the compiled function. numba looks for a folder when a function is defined, reads
from it at the first call and writes to it after compiling; a folder that nobody may write to, a torn file and a
full disk each end in an exception there, torn machine code in a crash. Here the function is compiled again instead.
Parts that only compiled functions call are optimised with these, not before.
This is numba's own folder, whose files it unpickles; in the user's cache of solutions (`synth.cache`) nothing is.
"""

from __future__ import annotations

import contextlib
import functools
import gc
import pickle
import signal
import struct
import sys
import threading
import zlib
from collections.abc import Callable, Iterable, Iterator, Sequence
from pathlib import Path
from types import ModuleType
from typing import Any, Final, TypeVar, cast

import numba
import numpy as np
from numba.core.caching import FunctionCache, IndexDataCacheFile
from numba.core.codegen import CPUCodeLibrary, JITCodeLibrary, JITCPUCodegen
from numba.core.compiler_lock import global_compiler_lock
from numba.core.ir import Inst, Var
from numba.core.registry import CPUDispatcher
from numba.core.runtime.nrt import rtsys
from numba.core.types import BaseFunction, Boolean, Number

_KeptCode: Any = FunctionCache
_KeptFile: Any = IndexDataCacheFile
_SUM: Final = struct.Struct("<I")  # CRC-32 of what follows
Function = TypeVar("Function", bound=Callable[..., Any])


class _Checked(_KeptFile):  # type: ignore[misc]
    """Kept code with its sum, since a processor runs what a torn file says; of other libraries it is other code."""

    def __init__(self, **words: Any) -> None:
        super().__init__(**words)
        self._version = f"{numba.__version__}, numpy {np.__version__}, summed"

    def _save_data(self, name: str, data: Any) -> None:
        content = self._dump(data)
        with self._open_for_write(self._data_path(name)) as file:
            file.write(_SUM.pack(zlib.crc32(content)) + content)

    def _load_data(self, name: str) -> Any:
        with open(self._data_path(name), "rb") as file:
            (told,), content = _SUM.unpack(file.read(_SUM.size)), file.read()
        if zlib.crc32(content) != told:
            raise ValueError("torn code")
        return pickle.loads(content)


class _Forgiving(_KeptCode):  # type: ignore[misc]
    """Kept code that is missed, not missed badly. A torn file can lead its reader to any exception."""

    def __init__(self, function: Any, holds: Sequence[ModuleType]) -> None:
        super().__init__(function)
        others = zlib.crc32(b"".join(Path(str(each.__file__)).read_bytes() for each in holds))
        self._cache_file = _Checked(
            cache_path=self._cache_path,
            filename_base=self._impl.filename_base,
            source_stamp=(self._impl.locator.get_source_stamp(), others),
        )

    def load_overload(self, sig: Any, target_context: Any) -> Any:
        try:
            # numba also imports all it needs to compile, 0.2 s of every process: kept code wants its memory alone
            rtsys.initialize(target_context)
            return self._load_overload(sig, target_context)
        except Exception:
            with contextlib.suppress(Exception):
                self.flush()  # an index that cannot be read could not be added to either
            return None

    def save_overload(self, sig: Any, data: Any) -> None:
        with contextlib.suppress(Exception):
            super().save_overload(sig, data)


class _Nesting(threading.local):
    """How deep this thread is within parts."""

    parts = 0


_NESTING: Final = _Nesting()
# what numba does with each library that it compiles and parts leave to what calls them: what they are part of is
# optimised as a whole, made machine code, and told the environments of all that it holds
_optimised: Any = CPUCodeLibrary._optimize_final_module
_added: Any = JITCPUCodegen._add_module
_made: Any = JITCodeLibrary._finalize_specific
_told: Any = JITCPUCodegen.set_env
_environments: dict[str, Any] = {}  # of parts, by name
_kept: list[Any] = []  # functions whose code is kept, as they were defined


def _optimised_as_a_whole(library: Any) -> None:
    if not _NESTING.parts:
        _optimised(library)


def _added_as_a_whole(codegen: Any, module: Any) -> Any:
    return None if _NESTING.parts else _added(codegen, module)


def _made_as_a_whole(library: Any) -> None:
    if not _NESTING.parts:
        _made(library)


def _told_as_a_whole(codegen: Any, name: str, environment: Any) -> None:
    if _NESTING.parts:
        _environments[name] = environment
    else:
        _told(codegen, name, environment)


CPUCodeLibrary._optimize_final_module = _optimised_as_a_whole  # type: ignore[method-assign]
JITCPUCodegen._add_module = _added_as_a_whole  # type: ignore[method-assign]
JITCodeLibrary._finalize_specific = _made_as_a_whole  # type: ignore[method-assign]
JITCPUCodegen.set_env = _told_as_a_whole  # type: ignore[method-assign]


# an operation on numbers by what does it, its context and the numbers' kinds: numba asks every way it knows to add
# two numbers each time two are added, which took a tenth of all compiling
_known: dict[Any, Any] = {}
_Operation: Any = BaseFunction
_asked: Any = _Operation.get_call_type


def _asked_once(function: Any, context: Any, kinds: Any, words: Any) -> Any:
    if words or not all(isinstance(each, (Number, Boolean)) for each in kinds):
        return _asked(function, context, kinds, words)
    key = (function, context, kinds)
    if key not in _known:
        _known[key] = _asked(function, context, kinds, words)
    return _known[key]


_Operation.get_call_type = _asked_once

_Statement: Any = Inst


def _variables_of(statement: Any, part: Any) -> list[Any]:
    """The variables in a part of a statement, as numba finds them: a million times in the contact alone."""
    found: list[Any] = []
    _gather_variables((part,), found)
    return found


def _gather_variables(parts: Iterable[Any], found: list[Any]) -> None:
    for part in parts:
        kind = _kind(part.__class__)
        if kind is Var:
            found.append(part)
        elif kind is Inst:
            found.extend(part.list_vars())
        elif kind is dict:
            _gather_variables(part.values(), found)
        elif kind is tuple:
            _gather_variables(part, found)


@functools.cache
def _kind(of: Any) -> Any:
    """Which of the kinds that hold variables a type is."""
    kinds = ((Var, Var), (Inst, Inst), ((list, tuple), tuple), (dict, dict))
    return next((kind for kin, kind in kinds if issubclass(of, kin)), None)


_Statement._rec_list_vars = _variables_of


@contextlib.contextmanager
def uncollected() -> Iterator[None]:
    """Compiling makes objects by the million and hardly any rubbish; to look for that took a twentieth of it."""
    was = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was:
            gc.enable()


class _Part(CPUDispatcher):
    """A function that compiled ones call; called from Python it is not compiled.

    Optimising and machine code are left to what calls it: numba does both again at every level, which takes twice
    the time in all. What would let Python call the compiled one takes a third of it.
    """

    def __call__(self, *words: Any) -> Any:
        return self.py_func(*words)

    def compile(self, signature: Any) -> Any:
        _NESTING.parts += 1
        try:
            return super().compile(signature)
        finally:
            _NESTING.parts -= 1


class _Whole(CPUDispatcher):
    """A function by itself, also where a part is the first to call it."""

    def load(self) -> None:
        """What was kept of it, for every kind of arguments: as numba does when it is first called with them."""
        kept, codegen = cast(Any, self)._cache, cast(Any, self.targetctx).codegen()
        with contextlib.suppress(Exception):  # whatever a torn index leads to: a call will see, and compile
            for key in kept._cache_file._load_index():
                with global_compiler_lock:
                    if key == kept._index_key(key[0], codegen) and tuple(key[0]) not in self.overloads:
                        self._take(kept.load_overload(key[0], self.targetctx))

    def _take(self, loaded: Any) -> None:
        if loaded is not None:
            cast(Any, self.targetctx).insert_user_function(
                loaded.entry_point, loaded.fndesc, [loaded.library]
            )
            cast(Any, self).add_overload(loaded)

    def compile(self, signature: Any) -> Any:
        within, _NESTING.parts = _NESTING.parts, 0
        try:
            with uncollected():
                found = super().compile(signature)
            codegen = cast(Any, self.targetctx).codegen()
            for name, environment in list(_environments.items()):
                if codegen._engine.is_symbol_defined(name):
                    _told(codegen, name, environment)
            return found
        finally:
            _NESTING.parts = within


def njit(
    *, cache: bool = False, part: bool = False, holds: Sequence[ModuleType] = (), **options: Any
) -> Callable[[Function], Function]:
    """`numba.njit` with its options. A `part` is called by compiled functions alone.

    `holds` are other modules whose parts the function calls: kept code is only good as long as they are the same,
    and numba looks at the function's own file alone.
    """
    if part:
        options |= {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}

    def compiled(function: Function) -> Function:
        dispatcher = numba.njit(**options)(function)
        dispatcher.__class__ = _Part if part else _Whole
        if cache:
            _check_found_again(function)
            with contextlib.suppress(RuntimeError, OSError):  # no folder that can be written to
                dispatcher._cache = _Forgiving(function, holds)  # as numba's own enable_caching does
                _kept.append(dispatcher)
        return cast(Function, dispatcher)

    return compiled


def _check_found_again(function: Callable[..., Any]) -> None:
    """numba keeps code under all that a function closes over: a compiled function there is another each time."""
    for name, cell in zip(function.__code__.co_freevars, function.__closure__ or (), strict=True):
        with contextlib.suppress(ValueError):  # nothing in it yet
            if isinstance(cell.cell_contents, CPUDispatcher):
                words = f"kept code of {function.__qualname__} would never be found again"
                raise TypeError(f"{words}: define {name} in the module itself")


def load_kept() -> threading.Thread:
    """Load, in a thread of its own, what was kept of the functions defined so far, the latest first.

    Half of that is linking, which lets go of the interpreter. Whoever calls one of them meanwhile waits for the one
    that is being loaded. Not for a process that starts others as copies of itself: they would wait for the thread.
    """

    def load() -> None:
        for each in reversed(_kept):
            each.load()

    thread = threading.Thread(target=load, name="load kept code", daemon=True)
    thread.start()
    return thread


def tell_of_compiling(what: str) -> None:
    """On standard error, before it is done."""
    print(f"compiling {what}; this happens once and takes some seconds", file=sys.stderr)


@contextlib.contextmanager
def told_when_compiling(what: str = "the contact model") -> Iterator[None]:
    """Says so on standard error if anything inside has to be compiled, which takes seconds, once."""
    from numba.core import event

    with event.install_listener("numba:compile", _teller()(what)):
        yield


@functools.cache
def _teller() -> Any:
    """The class of what tells: made once, since a class of its own for each stroke is only freed by and by."""
    from numba.core import event

    class Teller(event.Listener):
        told = False

        def __init__(self, what: str) -> None:
            self.what = what

        def on_start(self, event: Any) -> None:
            if not self.told:
                tell_of_compiling(self.what)
            self.told = True

        def on_end(self, event: Any) -> None:
            pass

    return Teller


@contextlib.contextmanager
def undisturbed() -> Iterator[None]:
    """Signals wait until the block is through: an exception raised within numba's call ends the process instead."""
    if threading.current_thread() is not threading.main_thread():  # signals come to the main thread alone
        yield
        return
    caught: list[tuple[int, Any]] = []
    names = ("SIGINT", "SIGTERM", "SIGHUP")
    numbers = [getattr(signal, name) for name in names if hasattr(signal, name)]
    before = {each: handler for each in numbers if callable(handler := signal.getsignal(each))}
    for each in before:
        signal.signal(each, lambda number, frame: caught.append((number, frame)))
    try:
        yield
    finally:
        for each, handler in before.items():
            signal.signal(each, handler)
    for number, frame in caught[:1]:
        before[signal.Signals(number)](number, frame)
