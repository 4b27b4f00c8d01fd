"""The kinds of arrays that everything passes on, each under one name; shapes stand in the docstrings."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Complex = NDArray[np.complex128]
Indices = NDArray[np.int64]
Bools = NDArray[np.bool_]
Singles = NDArray[np.float32]  # where it is measured to pay: audio and what the bank sums
AnyReal = NDArray[np.floating[Any]]  # of either width
AnyComplex = NDArray[np.complexfloating[Any, Any]]
