"""numba's own compiled functions as one WebAssembly module, so that the page has no second source of its physics.

In: compiled functions, each with its signature. Out: the bytes of a module, and how its functions are called.

A function that allocates nothing, raises nothing and counts no references (`synth.playing.contact.compiled`) needs
no runtime. Its LLVM text, as numba made it for this machine without wrappers for Python, is taken, triple and data
layout are exchanged, all functions are linked into one, and llvmlite, which numba brings, emits an object. A
browser instantiates that as it is: it imports memory, a stack pointer, and exp, cos and the like.

Arguments are those of numba's own convention: the address of the result, 0, then every argument, an array as

    0, 0, items (i64), bytes of one (i64), address, shape (i64 each), strides (i64 each)

and a named tuple as its members. `Export.arguments` lists them so that the page need not know.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any, Final

from synth.compiled import uncollected
from synth.errors import InputError
from synth.frozen import frozen

TRIPLE: Final = "wasm32-unknown-unknown"
LAYOUT: Final = "e-m:e-p:32:32-p10:8:8-p20:8:8-i64:64-i128:128-n32:64-S128-ni:1:10:20"
FEATURES: Final = "+simd128,+bulk-memory"
TRIED: Final = "numba 0.68 with llvmlite 0.50"
PARTS: Final = re.compile(r"(?m)^(?=define |declare |attributes |!|@)")
# by which Python and C would call
NO_WRAPPERS: Final = {"no_cpython_wrapper": True, "no_cfunc_wrapper": True}


@frozen
class Source:
    """A compiled function (numba's dispatcher) and the types of its arguments by their names."""

    name: str
    function: Any
    arguments: Mapping[str, Any]


@frozen
class Export:
    """What a function of the module takes, by name and kind: `f8` and `i8` numbers, `f8[2]` and so on arrays."""

    name: str
    arguments: tuple[tuple[str, str], ...]


def module(sources: Sequence[Source]) -> bytes:
    """All functions in one module. Raises `InputError` where these versions of numba and llvmlite cannot."""
    return linked(texts(sources))


def texts(sources: Sequence[Source]) -> list[str]:
    """Each function's LLVM text for the browser's machine. Raises as `module` does."""
    with _told_in_a_line(), uncollected():
        return [_retargeted(each) for each in sources]


def linked(functions: Sequence[str]) -> bytes:
    """One module of such texts. Raises as `module` does."""
    with _told_in_a_line():
        return _emitted(functions)


@contextmanager
def _told_in_a_line() -> Iterator[None]:
    import llvmlite
    import numba

    try:
        yield
    except Exception as failure:  # whatever a version does otherwise shows as some exception
        raise InputError(
            f"numba {numba.__version__} with llvmlite {llvmlite.__version__} cannot compile for a page "
            f"({str(failure).splitlines()[0] if str(failure) else type(failure).__name__})",
            remedy=f"{TRIED} can",
        ) from failure


def export(source: Source) -> Export:
    """How the page calls it."""
    return Export(source.name, tuple(_flat(source.arguments)))


def _flat(arguments: Mapping[str, Any]) -> list[tuple[str, str]]:
    from numba import types

    flat: list[tuple[str, str]] = []
    for name, kind in arguments.items():
        if isinstance(kind, types.NamedTuple):
            inner = dict(zip(kind.fields, kind.types, strict=True))
            flat += [(f"{name}.{each}", word) for each, word in _flat(inner)]
        elif isinstance(kind, types.Array):
            flat.append((name, f"{_word(kind.dtype)}[{kind.ndim}]"))
        else:
            flat.append((name, _word(kind)))
    return flat


def _word(kind: Any) -> str:
    """`f8`, `f4`, `i8`."""
    return f"{kind.name[0]}{kind.bitwidth // 8}"


def _retargeted(source: Source) -> str:
    """The LLVM text of a function for the browser's machine, exported by its name."""
    from numba import njit

    fresh = njit(**_options(source.function))(source.function.py_func)  # kept code has no text any more
    fresh.compile(tuple(source.arguments.values()))
    text = _bare(fresh.inspect_llvm(fresh.signatures[-1]))
    text = re.sub(r'"target-cpu"="[^"]*"|"target-features"="[^"]*"|"tune-cpu"="[^"]*"', "", text)
    text = re.sub(r'target datalayout = ".*"', f'target datalayout = "{LAYOUT}"', text)
    text = re.sub(r'target triple = ".*"', f'target triple = "{TRIPLE}"', text)
    return _named(text, source)


def _options(function: Any) -> dict[str, Any]:
    own = {key: value for key, value in function.targetoptions.items() if key != "nopython"}
    return own | NO_WRAPPERS


def _bare(text: str) -> str:
    """What counts references does nothing."""
    kept = []
    for part in PARTS.split(text):
        head = part.split("{")[0]
        counting = re.search(r"@(NRT_(?:in|de)cref)\(", head) if part.startswith("define") else None
        kept.append(f"define internal void @{counting[1]}(ptr %x) {{\n  ret void\n}}\n" if counting else part)
    return "".join(kept).replace("= common local_unnamed_addr global", "= internal global")


def _named(text: str, source: Source) -> str:
    """The function itself under its own name; everything else stays inside."""
    defined = re.findall(r"(?m)^define (?!internal|linkonce_odr)[^\n]*?@([\w.$]+)\(", text)
    mine = next(each for each in defined if source.function.py_func.__name__ in each)
    text = re.sub(rf"@{re.escape(mine)}\b", f"@{source.name}", text)
    for other in defined:
        if other != mine:
            text = re.sub(rf"(?m)^define ([^\n]*@{re.escape(other)}\()", r"define internal \1", text)
    return text


def _emitted(functions: Sequence[str]) -> bytes:
    import llvmlite.binding as llvm

    llvm.initialize_all_targets()
    llvm.initialize_all_asmprinters()
    whole = llvm.parse_assembly(functions[0])
    for text in functions[1:]:
        whole.link_in(llvm.parse_assembly(text))
    machine = llvm.Target.from_triple(TRIPLE).create_target_machine(
        opt=3, features=FEATURES, reloc="static", codemodel="default"
    )
    builder = llvm.create_pass_builder(machine, llvm.create_pipeline_tuning_options(speed_level=3))
    builder.getModulePassManager().run(whole, builder)
    whole = llvm.parse_assembly(_exported(str(whole)))
    whole.verify()
    return bytes(machine.emit_object(whole))


def _exported(text: str) -> str:
    return re.sub(
        r"(?m)^(define (?!internal)[^\n]*?@([\w.$]+)\([^\n]*?)( local_unnamed_addr)?( #\d+)?( \{)$",
        r'\1 "wasm-export-name"="\2"\5',
        text,
    )
