"""LAPACK called without Python's lock, against numpy."""

import threading
import time

import numpy as np
import pytest

from synth.vibration.lapack import pivoted_root, solve_positive


@pytest.fixture
def rng() -> np.random.Generator:
    return np.random.default_rng(3)


@pytest.mark.parametrize(("n", "columns"), [(1, 1), (5, 2), (300, 41)])
def test_a_positive_matrix_is_solved_for_several_right_hand_sides(
    n: int, columns: int, rng: np.random.Generator
) -> None:
    draw, right = rng.normal(size=(n, n)), rng.normal(size=(n, columns))
    whole = draw @ draw.T / n + np.eye(n)
    before = right.copy()
    found = solve_positive(whole.copy(), right)
    np.testing.assert_allclose(found, np.linalg.solve(whole, right), rtol=0.0, atol=1e-12)
    np.testing.assert_array_equal(right, before)


def test_a_matrix_that_is_not_positive_is_refused() -> None:
    with pytest.raises(np.linalg.LinAlgError):
        solve_positive(np.diag([1.0, -1.0, 2.0]), np.ones((3, 1)))


@pytest.mark.parametrize("rank", [0, 1, 7, 40])
def test_the_root_of_a_matrix_of_few_dimensions_has_as_many_columns(
    rank: int, rng: np.random.Generator
) -> None:
    """Each row apart, as pivots put them in another order: diagonals from 1e-4 to 1e4."""
    draw = rng.normal(size=(40, rank)) * np.geomspace(1e-2, 1e2, 40)[rng.permutation(40), None]
    whole = draw @ draw.T
    root = pivoted_root(whole.copy(), 1e-9)
    assert root.shape == (40, rank)
    np.testing.assert_allclose(root @ root.T, whole, atol=1e-9, rtol=1e-9)


def test_what_is_fainter_is_left_out_of_a_root(rng: np.random.Generator) -> None:
    direction = np.linalg.qr(rng.normal(size=(30, 30)))[0]
    value = np.geomspace(1.0, 1e-14, 30)
    whole = (direction * value) @ direction.T
    roots = {faint: pivoted_root(whole.copy(), faint) for faint in (1e-3, 1e-6, 1e-9)}
    for faint, root in roots.items():
        left = whole - root @ root.T
        assert np.max(np.abs(np.diag(left))) <= faint + 1e-15
        # one column less would leave more on the diagonal
        assert np.max(np.diag(whole - root[:, :-1] @ root[:, :-1].T)) > faint
    assert len({root.shape[1] for root in roots.values()}) == 3


def test_other_threads_go_on_meanwhile() -> None:
    """As they do not beside scipy's own function, which this one is called instead of."""
    whole, done, turns = np.eye(1500) * 2.0 + 1.0 / 1500.0, threading.Event(), 0

    def solve() -> None:
        solve_positive(whole, np.ones((1500, 800)))
        done.set()

    working = threading.Thread(target=solve)
    working.start()
    while not done.is_set():
        time.sleep(1e-4)
        turns += 1
    working.join()
    assert turns > 20
