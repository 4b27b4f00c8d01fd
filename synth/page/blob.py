"""Arrays as the bytes that a page carries: as they are, or as complex numbers of few digits.

In: arrays by name. Out: one compressed string and, for every array, where it lies and what it is. Kinds:

    f8 f4 i8    as they are; integers of eight bytes travel as four
    z           complex rows (V, 2, M) over their largest value: a power of two for both parts of a number, an
                integer for each, of as many bits as are asked for

Powers, first bytes and second bytes lie apart from each other: like things beside like ones pack better, and the
lesser part of a number is mostly zeros.
"""

from __future__ import annotations

import base64
import gzip
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from synth.frozen import frozen

Values = NDArray[Any]

_TYPES: Final = {"f8": "<f8", "f4": "<f4", "i8": "<i4"}
ALIGNED: Final = 8  # bytes
HIGHEST: Final = 100
LOWEST: Final = -30  # power of two: what is less than a thousand millionth of its row is nothing


class Blob:
    """Bytes that grow by arrays."""

    def __init__(self) -> None:
        self._parts: list[bytes] = []
        self._size = 0

    def put(self, array: Any, kind: str) -> dict[str, Any]:
        """Adds an array as f8, f4 or i8; gives what a reader must know of it."""
        values = np.ascontiguousarray(array)
        at = self._add(values.astype(_TYPES[kind]).tobytes())
        return {"kind": kind, "shape": list(values.shape), "at": at}

    def put_rounded(self, few: Rounded) -> dict[str, Any]:
        """Adds complex rows."""
        raw = few.number.view(np.uint8).reshape(-1, 2)
        planes = [few.power.tobytes(), raw[:, 0].tobytes(), raw[:, 1].tobytes()]
        return {
            "kind": "z",
            "shape": list(few.number.shape),
            "bits": few.bits,
            "scale": self._add(few.scale.tobytes()),
            "at": self._add(b"".join(planes)),
        }

    def text(self) -> str:
        """All of it, compressed, in letters."""
        return packed(self.content())

    def content(self) -> bytes:
        """All of it."""
        return b"".join(self._parts)

    def _add(self, data: bytes) -> int:
        at = self._size
        data += b"\0" * (-len(data) % ALIGNED)
        self._parts.append(data)
        self._size += len(data)
        return at


def packed(data: bytes) -> str:
    """Compressed, in letters; the same bytes every time."""
    return base64.b64encode(gzip.compress(data, 9, mtime=0)).decode("ascii")


@frozen
class Rounded:
    """Complex rows of few digits: number 2^(power - bits) scale."""

    scale: NDArray[np.float32]  # (V,)
    power: NDArray[np.int8]  # (V, M)
    number: NDArray[np.int16]  # (V, 2, M)
    bits: int

    def values(self) -> NDArray[np.float32]:
        """(V, 2, M) as a reader has them."""
        step = np.exp2(self.power.astype(np.float32) - self.bits)[:, None]
        return np.asarray(self.number * step * self.scale[:, None, None], dtype=np.float32)


def rounded(values: Values, bits: int, step: Values) -> Rounded:
    """Rows (V, 2, M) to so many bits of the greater part of each number, 14 at most, not below a step (V, M)."""
    largest = np.abs(values).max(axis=(1, 2), initial=0.0)
    scale = np.where(largest > 0.0, largest, 1.0).astype("<f4")
    relative = values / scale[:, None, None]
    coarsest = np.floor(np.log2(np.maximum(step / scale[:, None], 2.0**LOWEST))) + bits
    power = np.clip(np.maximum(np.frexp(np.abs(relative).max(axis=1))[1], coarsest), LOWEST, HIGHEST)
    number = np.rint(relative * np.exp2(bits - power.astype(float))[:, None])
    return Rounded(scale, power.astype("<i1"), number.astype("<i2"), bits)
