"""Arrays as the bytes that a page carries: as they are, or halved with a scale for every row.

In: arrays by name. Out: one compressed string and, for every array, where it lies and what it is. Kinds:

    f8 f4 i8    as they are; integers of eight bytes travel as four
    h, h7 ...   complex rows (V, 2, M) over their largest value in IEEE half precision, both parts of a number
                rounded alike, to 11 bits of the greater, or as many as the figure says

Halves are split into their first and second bytes: equal things lie beside each other, and pack better.
"""

from __future__ import annotations

import base64
import gzip
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Array = NDArray[Any]

_TYPES: Final = {"f8": "<f8", "f4": "<f4", "i8": "<i4"}
ALIGNED: Final = 8  # bytes
BITS: Final = 11  # of half precision


class Blob:
    """Bytes that grow by arrays."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._size = 0

    def put(self, array: Any, kind: str) -> dict[str, Any]:
        """Adds an array; gives what a reader must know of it."""
        values = np.ascontiguousarray(array)
        told: dict[str, Any] = {"kind": kind, "shape": list(values.shape)}
        if kind in _TYPES:
            told["at"] = self._add(values.astype(_TYPES[kind]).tobytes())
            return told
        scale, halved = halved_rows(values, kind)
        told["kind"] = "h"
        told["scale"] = self._add(scale.astype("<f4").tobytes())
        raw = np.frombuffer(halved.tobytes(), np.uint8).reshape(-1, halved.dtype.itemsize)
        told["at"] = self._add(np.ascontiguousarray(raw.T).tobytes())
        return told

    def text(self) -> str:
        """All of it, compressed, in letters."""
        return packed(b"".join(self._parts))

    def _add(self, data: bytes) -> int:
        at = self._size
        data += b"\0" * (-len(data) % ALIGNED)
        self._parts.append(data)
        self._size += len(data)
        return at


def packed(data: bytes) -> str:
    """Compressed, in letters; the same bytes every time."""
    return base64.b64encode(gzip.compress(data, 9, mtime=0)).decode("ascii")


def halved_rows(values: Array, kind: str) -> tuple[Array, Array]:
    """Scales (V,) and the rows (V, 2, M) over them."""
    largest = np.abs(values).max(axis=(1, 2), initial=0.0)
    scale = np.where(largest > 0.0, largest, 1.0).astype("<f4")
    relative = values / scale[:, None, None]
    step = 2.0 ** (np.frexp(np.abs(relative).max(axis=1, keepdims=True))[1] - (int(kind[1:] or BITS)))
    return scale, (np.rint(relative / step) * step).astype("<f2")


def restored(values: Array, kind: str) -> NDArray[np.float32]:
    """What a reader makes of an array that was put in as `kind`."""
    if kind in _TYPES:
        return values.astype(np.float32)
    scale, halved = halved_rows(values, kind)
    return np.asarray(halved.astype(np.float32) * scale[:, None, None], dtype=np.float32)
