"""Functions of LAPACK as scipy brings them, called so that other threads go on meanwhile.

In: arrays that are contiguous; Fortran takes their rows for columns. scipy's own functions (scipy.linalg, and the
lower ones in scipy.linalg.lapack) keep Python's lock while they work, so that two threads take turns. The addresses
are those that scipy publishes for such calls, in scipy.linalg.cython_lapack.
"""

from __future__ import annotations

import ctypes
import functools
from collections.abc import Callable
from typing import Any

import numpy as np

from synth.arrays import Array


def solve_positive(matrix: Array, right: Array) -> Array:
    """x (n, r) of A x = right, A (n, n) symmetric and positive, by Cholesky's factor; `matrix` is overwritten.

    Raises `LinAlgError` where the matrix is not positive.
    """
    found = np.array(right.T, order="C")
    n = len(matrix)
    if call("posv", matrix.dtype, b"L", n, len(found), matrix, n, found, n):
        raise np.linalg.LinAlgError("no positive matrix")
    return found.T


def pivoted_root(matrix: Array, faint: float) -> Array:
    """U (n, r) with U U^T = A (n, n), symmetric and without negative values, but for what is fainter.

    Cholesky's factor, what is largest on the diagonal first, until nothing there is above `faint` (N. J. Higham, in
    Reliable Numerical Computation, Oxford 1990, 161; from memory). `matrix` is overwritten.
    """
    n = len(matrix)
    pivot, rank, work = np.empty(n, dtype=np.intc), np.zeros(1, dtype=np.intc), np.empty(2 * n)
    call("pstrf", matrix.dtype, b"L", n, matrix, n, pivot, rank, np.array([faint]), work)
    root = np.empty((n, int(rank[0])))
    root[pivot - 1] = np.triu(matrix[: root.shape[1]]).T
    return root


def call(name: str, kind: np.dtype[Any], *words: Any) -> int:
    """What LAPACK's function of this name for numbers of this kind tells at its end: 0 where all went well."""
    told = ctypes.c_int(0)
    given: list[Any] = [
        ctypes.byref(ctypes.c_int(each))
        if isinstance(each, int)
        else each.ctypes
        if isinstance(each, np.ndarray)
        else each
        for each in words
    ]
    letters = sum(isinstance(each, bytes) for each in words)
    _function(("s" if kind == np.float32 else "d") + name, letters, len(words) - letters + 1)(
        *given, ctypes.byref(told)
    )
    return told.value


@functools.cache
def _function(name: str, letters: int, others: int) -> Callable[..., None]:
    from scipy.linalg import cython_lapack

    pointer, told = ctypes.pythonapi.PyCapsule_GetPointer, ctypes.pythonapi.PyCapsule_GetName
    pointer.restype, pointer.argtypes = ctypes.c_void_p, [ctypes.py_object, ctypes.c_char_p]
    told.restype, told.argtypes = ctypes.c_char_p, [ctypes.py_object]
    capsule = cython_lapack.__pyx_capi__[name]
    function = ctypes.CFUNCTYPE(None, *[ctypes.c_char_p] * letters, *[ctypes.c_void_p] * others)
    return function(pointer(capsule, told(capsule)))
