"""Values and wanted vectors of symmetric matrices, against numpy."""

from __future__ import annotations

import numpy as np
import pytest

from synth.vibration import symmetric
from synth.vibration.symmetric import symmetric_modes


@pytest.mark.parametrize(("kind", "digits"), [(np.float64, 1e-12), (np.float32, 2e-5)])
@pytest.mark.parametrize("limits", [(), (-3.0, 4.0), (2.0,), (1e3, 1e4)], ids=str)
@pytest.mark.parametrize("reflections", [1, 7, 256])
def test_a_symmetric_matrix_is_solved_from_its_lower_half(
    kind: type, digits: float, limits: tuple[float, ...], reflections: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All values, and the vectors within the limits; what stands above the diagonal is not read."""
    monkeypatch.setattr(symmetric, "REFLECTIONS", reflections)
    draw = np.random.default_rng(5).normal(size=(60, 60))
    whole = draw + draw.T
    value, told, vector = symmetric_modes((np.tril(whole) + np.triu(draw * 1e3, 1)).astype(kind), *limits)
    assert value.dtype == vector.dtype == kind
    expected, _ = np.linalg.eigh(whole)
    size = np.abs(expected).max()
    np.testing.assert_allclose(value, expected, atol=digits * size)
    low, high = (*limits, -np.inf, np.inf)[:2] if len(limits) != 1 else (limits[0], np.inf)
    assert value[told].tolist() == value[(value >= low) & (value < high)].tolist()
    assert vector.shape == (60, len(value[told]))
    np.testing.assert_allclose(whole @ vector, vector * value[told], atol=20.0 * digits * size)
    np.testing.assert_allclose(vector.T @ vector, np.eye(vector.shape[1]), atol=20.0 * digits)


@pytest.mark.parametrize("count", [1, 2, 3, 300])
def test_equal_values_and_blocks_that_know_nothing_of_each_other_are_solved(count: int) -> None:
    """Where nothing is to be reflected: a diagonal matrix with equal values, and one with a full block in it."""
    whole = np.diag(np.repeat(np.arange(count // 3 + 1.0), 3)[:count])
    whole[: count // 2, : count // 2] += 0.5
    value, told, vector = symmetric_modes(whole.copy())
    assert told == slice(0, count)
    np.testing.assert_allclose(value, np.linalg.eigvalsh(whole), atol=1e-12 * count)
    np.testing.assert_allclose(whole @ vector, vector * value, atol=1e-12 * count)
    np.testing.assert_allclose(vector.T @ vector, np.eye(count), atol=1e-12)


def test_a_matrix_that_is_no_number_is_refused() -> None:
    matrix = np.eye(8)
    matrix[3, 1] = np.nan
    with pytest.raises(np.linalg.LinAlgError):
        symmetric_modes(matrix)
