"""Eight numbers at a time: steps that the compiler is given in its own language.

The compiler finds by itself that a loop may take several numbers at once only where it can see that what is written
is not read again, which in one array it hardly can. Here each step says so: it loads all that it works on, works,
and stores. A row is a complex number of each of LANES signals, LANES real parts and then LANES imaginary parts, so
that nothing has to be reordered on the way. Processors with shorter registers take a row in pieces.

In: float32 and complex64 arrays (`add_between`: float64) that stand in memory as their indices count. Nothing is
checked: rows and offsets that lie outside an array are the caller's fault. Out: functions for compiled code.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any, Final, cast

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from synth.frozen import frozen

LANES: Final = 8
ROW: Final = 2 * LANES  # numbers of a row
CONTRACT: Final = ("contract",)  # a product and a sum may be one instruction

_NUMBER: Final = ir.FloatType()
_INDEX: Final = ir.IntType(64)
_VECTOR: Final = ir.VectorType(_NUMBER, LANES)
_cell: Any = cgutils.alloca_once_value


def _step(told: Callable[..., Any]) -> Callable[..., None]:
    """A function for compiled code, from what tells its kinds and writes its code, as numba asks for it."""
    return cast(Callable[..., None], intrinsic(told))


@frozen
class _Complex:
    """A complex number of each lane, in code that is being written."""

    code: Any
    real: Any
    imag: Any

    def __add__(self, other: _Complex) -> _Complex:
        return self._each(self.code.fadd, other)

    def __sub__(self, other: _Complex) -> _Complex:
        return self._each(self.code.fsub, other)

    def __mul__(self, other: _Complex) -> _Complex:
        zero = _everywhere(-0.0)
        return _Complex(self.code, zero, zero).plus(self, other)

    def plus(self, one: _Complex, other: _Complex) -> _Complex:
        """Plus the product of two, in four instructions."""

        def joined(join: Callable[..., Any], x: Any, a: Any, b: Any) -> Any:
            return join(x, self.code.fmul(a, b, flags=CONTRACT), flags=CONTRACT)

        add, subtract = self.code.fadd, self.code.fsub
        real = joined(subtract, joined(add, self.real, one.real, other.real), one.imag, other.imag)
        imag = joined(add, joined(add, self.imag, one.real, other.imag), one.imag, other.real)
        return _Complex(self.code, real, imag)

    def _each(self, join: Callable[..., Any], other: _Complex) -> _Complex:
        real, imag = join(self.real, other.real, flags=CONTRACT), join(self.imag, other.imag, flags=CONTRACT)
        return _Complex(self.code, real, imag)

    def conjugate(self) -> _Complex:
        return _Complex(self.code, self.real, self.code.fneg(self.imag))

    def turned(self, part: int, whole: int) -> _Complex:
        """Times exp(2 pi i part / whole)."""
        if part == 0:
            return self
        if 4 * part == whole:
            return _Complex(self.code, self.code.fneg(self.imag), self.real)
        angle = 2 * math.pi * part / whole
        return self * _Complex(self.code, *(_everywhere(each) for each in (math.cos(angle), math.sin(angle))))


def _everywhere(value: float) -> Any:
    return ir.Constant(_VECTOR, [ir.Constant(_NUMBER, value)] * LANES)


def _spread(code: Any, number: Any, count: int = LANES) -> Any:
    """One number in all lanes."""
    unknown = ir.Constant(ir.VectorType(number.type, count), ir.Undefined)
    one = code.insert_element(unknown, number, ir.Constant(ir.IntType(32), 0))
    return code.shuffle_vector(one, unknown, ir.Constant(ir.VectorType(ir.IntType(32), count), [0] * count))


@frozen
class _Memory:
    """An array's numbers, counted from its first."""

    code: Any
    start: Any

    @classmethod
    def of(cls, context: Any, code: Any, kind: Any, array: Any) -> _Memory:
        data = context.make_array(kind)(context, code, array).data
        return cls(code, code.bitcast(data, _NUMBER.as_pointer()))

    def vector(self, at: Any) -> Any:
        value = self.code.load(self._place(at))
        value.align = 4
        return value

    def put(self, at: Any, value: Any) -> None:
        self.code.store(value, self._place(at)).align = 4

    def row(self, at: Any) -> _Complex:
        return _Complex(self.code, self.vector(at), self.vector(_plus(self.code, at, LANES)))

    def put_row(self, at: Any, value: _Complex) -> None:
        self.put(at, value.real)
        self.put(_plus(self.code, at, LANES), value.imag)

    def everywhere(self, at: Any) -> _Complex:
        """The complex number that stands there, in all lanes."""
        numbers = (self.code.load(self.code.gep(self.start, [_plus(self.code, at, part)])) for part in (0, 1))
        return _Complex(self.code, *(_spread(self.code, each) for each in numbers))

    def _place(self, at: Any) -> Any:
        return self.code.bitcast(self.code.gep(self.start, [at]), _VECTOR.as_pointer())


def _plus(code: Any, index: Any, more: int) -> Any:
    return code.add(index, ir.Constant(_INDEX, more))


def _times(code: Any, index: Any, factor: int) -> Any:
    return code.mul(index, ir.Constant(_INDEX, factor))


def _transformed(values: list[_Complex]) -> list[_Complex]:
    """sum_j x_j exp(2 pi i j k / n) for all k; n a power of two."""
    count = len(values)
    if count == 1:
        return values
    half = count // 2
    pairs = list(zip(values[:half], values[half:], strict=True))
    even = _transformed([one + other for one, other in pairs])
    odd = _transformed([(one - other).turned(j, count) for j, (one, other) in enumerate(pairs)])
    return [each for both in zip(even, odd, strict=True) for each in both]


def _butterflies(radix: int) -> Callable[..., None]:
    """transform(x, first, step): rows first, first + step ... of x become their transform."""

    @_step
    def transform(typing: Any, x: Any, first: Any, step: Any) -> Any:
        def write(context: Any, code: Any, signature: Any, words: Any) -> Any:
            memory = _Memory.of(context, code, signature.args[0], words[0])
            places = _rows(code, words[1], words[2], radix)
            for at, value in zip(places, _transformed([memory.row(at) for at in places]), strict=True):
                memory.put_row(at, value)
            return context.get_dummy_value()

        return types.void(x, types.int64, types.int64), write

    return transform


def _turned_butterflies(radix: int) -> Callable[..., None]:
    """transform(x, first, step, turns, at): the same, all rows but the first times turns[at], turns[at + 1] ..."""

    @_step
    def transform(typing: Any, x: Any, first: Any, step: Any, turns: Any, at: Any) -> Any:
        def write(context: Any, code: Any, signature: Any, words: Any) -> Any:
            memory, turns = (_Memory.of(context, code, signature.args[k], words[k]) for k in (0, 3))
            places = _rows(code, words[1], words[2], radix)
            values = [memory.row(at) for at in places]
            start = _times(code, words[4], 2)
            for j in range(1, radix):
                values[j] *= turns.everywhere(_plus(code, start, 2 * (j - 1)))
            for at, value in zip(places, _transformed(values), strict=True):
                memory.put_row(at, value)
            return context.get_dummy_value()

        return types.void(x, types.int64, types.int64, turns, types.int64), write

    return transform


def _rows(code: Any, first: Any, step: Any, count: int) -> list[Any]:
    """Where rows first, first + step ... begin."""
    start, stride = _times(code, first, ROW), _times(code, step, ROW)
    return [code.add(start, _times(code, stride, j)) for j in range(count)]


transform_4, transform_8, transform_16 = _butterflies(4), _butterflies(8), _butterflies(16)
turn_and_transform_8 = _turned_butterflies(8)


@_step
def mirrored(typing: Any, x: Any, row: Any, mirror: Any, turns: Any, at: Any) -> Any:
    """Of a spectrum's rows a and b, with t = turns[at]: a + b* + i t (a - b*), and its mirror's likewise."""

    def write(context: Any, code: Any, signature: Any, words: Any) -> Any:
        memory, turns = (_Memory.of(context, code, signature.args[k], words[k]) for k in (0, 3))
        one, other = (_times(code, words[k], ROW) for k in (1, 2))
        a, b = memory.row(one), memory.row(other).conjugate()
        both = a + b
        apart = ((a - b) * turns.everywhere(_times(code, words[4], 2))).turned(1, 4)
        memory.put_row(one, both + apart)
        memory.put_row(other, (both - apart).conjugate())
        return context.get_dummy_value()

    return types.void(x, types.int64, types.int64, turns, types.int64), write


@_step
def add_run(
    typing: Any,
    x: Any,
    rows: Any,
    at: Any,
    weights: Any,
    begin: Any,
    end: Any,
    states: Any,
    factors: Any,
    k: Any,
) -> Any:
    """Adds rows k of states and factors, times weights[begin:end], to the rows rows[at], rows[at + 1] ... of x."""

    def write(context: Any, code: Any, signature: Any, words: Any) -> Any:
        memory, weights, states, factors = (
            _Memory.of(context, code, signature.args[k], words[k]) for k in (0, 3, 6, 7)
        )
        rows = context.make_array(signature.args[1])(context, code, words[1]).data
        mine = _times(code, words[8], ROW)
        state = states.row(mine) * factors.row(mine)
        with cgutils.for_range(code, code.sub(words[5], words[4])) as loop:
            row = code.load(code.gep(rows, [code.add(words[2], loop.index)]))
            place = _times(code, row, ROW)
            weight = weights.everywhere(_times(code, code.add(words[4], loop.index), 2))
            memory.put_row(place, memory.row(place).plus(state, weight))
        return context.get_dummy_value()

    index = types.int64
    return types.void(x, rows, index, weights, index, index, states, factors, index), write


@_step
def sum_run(
    typing: Any,
    x: Any,
    real: Any,
    imag: Any,
    stride: Any,
    weights: Any,
    begin: Any,
    end: Any,
    sums: Any,
    to_real: Any,
    to_imag: Any,
) -> Any:
    """LANES complex sums of weights[begin:end] times those at x[real], x[imag] and every stride on, stored in sums.

    What adds up stays in registers: nothing is stored before the end of the run.
    """

    def write(context: Any, code: Any, signature: Any, words: Any) -> Any:
        memory, weights, sums = (_Memory.of(context, code, signature.args[k], words[k]) for k in (0, 4, 7))
        at_start = cast(Any, cgutils).alloca_once_value  # room that is made once
        total = [at_start(code, _everywhere(0.0)) for _ in range(2)]
        with cgutils.for_range(code, code.sub(words[6], words[5])) as loop:
            away = code.mul(loop.index, words[3])
            here = _Complex(code, *(memory.vector(code.add(words[k], away)) for k in (1, 2)))
            weight = weights.everywhere(_times(code, code.add(words[5], loop.index), 2))
            more = _Complex(code, *map(code.load, total)).plus(weight, here)
            for each, place in zip((more.real, more.imag), total, strict=True):
                code.store(each, place)
        for k, place in zip((8, 9), total, strict=True):
            sums.put(words[k], code.load(place))
        return context.get_dummy_value()

    index = types.int64
    return types.void(x, index, index, index, weights, index, index, sums, index, index), write


@_step
def add_modes(
    typing: Any,
    bins: Any,
    real: Any,
    imag: Any,
    weights: Any,
    first: Any,
    states: Any,
    x: Any,
    y: Any,
    count: Any,
) -> Any:
    """Adds to ROW bins, real parts from bins[real] on and imaginary ones from bins[imag] on, `count` states, whose
    parts begin at states[x] and states[y], times their weights, 2 ROW numbers each from weights[first] on.

    Products of real and of imaginary parts add up by themselves: else each would wait for the one before.
    """

    def write(context: Any, code: Any, signature: Any, words: Any) -> Any:
        bins, weights, states = (_Memory.of(context, code, signature.args[k], words[k]) for k in (0, 3, 5))
        found = {n: _cell(code, _everywhere(0.0)) for n in np.ndindex(2, 2, 2)}
        with cgutils.for_range(code, words[8]) as loop:
            line = code.add(words[4], _times(code, loop.index, 2 * ROW))
            numbers = (code.load(code.gep(states.start, [code.add(words[k], loop.index)])) for k in (6, 7))
            state = [_spread(code, each) for each in numbers]
            for part, half in np.ndindex(2, 2):
                weight = weights.vector(_plus(code, line, part * ROW + half * LANES))
                for own in (0, 1):
                    place = found[own, part, half]
                    product = code.fmul(state[own], weight, flags=CONTRACT)
                    code.store(code.fadd(code.load(place), product, flags=CONTRACT), place)
        for half in (0, 1):
            sums = {(own, part): code.load(found[own, part, half]) for own, part in np.ndindex(2, 2)}
            re = code.fsub(sums[0, 0], sums[1, 1], flags=CONTRACT)
            im = code.fadd(sums[0, 1], sums[1, 0], flags=CONTRACT)
            for word, value in ((words[1], re), (words[2], im)):
                to = _plus(code, word, half * LANES)
                bins.put(to, code.fadd(bins.vector(to), value, flags=CONTRACT))
        return context.get_dummy_value()

    index = types.int64
    return types.void(bins, index, index, weights, index, states, index, index, index), write


@_step
def add_between(typing: Any, x: Any, at: Any, weights: Any, row: Any, now: Any, later: Any) -> Any:
    """Adds to x[at] and ROW - 1 after it a row of weights times `now`, and the next row times `later`: doubles."""

    def write(context: Any, code: Any, signature: Any, words: Any) -> Any:
        x, weights = (context.make_array(signature.args[k])(context, code, words[k]).data for k in (0, 2))
        to, first = _doubles(code, x, words[1]), _times(code, words[3], ROW)
        value = _loaded(code, to)
        for share, place in ((words[4], first), (words[5], _plus(code, first, ROW))):
            weight = _loaded(code, _doubles(code, weights, place))
            value = code.fadd(
                value, code.fmul(weight, _spread(code, share, ROW), flags=CONTRACT), flags=CONTRACT
            )
        code.store(value, to).align = 8
        return context.get_dummy_value()

    index, number = types.int64, types.float64
    return types.void(x, index, weights, index, number, number), write


def _doubles(code: Any, start: Any, at: Any) -> Any:
    return code.bitcast(code.gep(start, [at]), ir.VectorType(ir.DoubleType(), ROW).as_pointer())


def _loaded(code: Any, place: Any) -> Any:
    value = code.load(place)
    value.align = 8
    return value


@_step
def transpose(
    typing: Any, source: Any, starts: Any, first: Any, more: Any, target: Any, to: Any, stride: Any
) -> Any:
    """LANES numbers each from source[starts[first + j] + more] on become columns: at target[to + j stride]."""

    def write(context: Any, code: Any, signature: Any, words: Any) -> Any:
        source, target = (_Memory.of(context, code, signature.args[k], words[k]) for k in (0, 4))
        starts = context.make_array(signature.args[1])(context, code, words[1]).data
        begins = [code.load(code.gep(starts, [_plus(code, words[2], j)])) for j in range(LANES)]
        lines = [source.vector(code.add(each, words[3])) for each in begins]
        half = LANES // 2
        for _ in range(LANES.bit_length() - 1):
            pairs = zip(lines[:half], lines[half:], strict=True)
            lines = [each for one, other in pairs for each in _interleaved(code, one, other)]
        for j, line in enumerate(lines):
            target.put(code.add(words[5], _times(code, words[6], j)), line)
        return context.get_dummy_value()

    index = types.int64
    return types.void(source, starts, index, index, target, index, index), write


def _interleaved(code: Any, one: Any, other: Any) -> list[Any]:
    """a0 b0 a1 b1 ... as two vectors."""
    order = [j // 2 + (j % 2) * LANES for j in range(2 * LANES)]
    lanes = ir.VectorType(ir.IntType(32), LANES)
    return [
        code.shuffle_vector(one, other, ir.Constant(lanes, order[part : part + LANES])) for part in (0, LANES)
    ]
