"""Cosine and sine by way of the half angle."""

from __future__ import annotations

import numpy as np
import pytest

from synth.angles import complex_exp, cos_sin


@pytest.mark.parametrize("shape", [(7,), (3, 4, 5), (0, 2)])
def test_they_have_the_shape_of_the_angles(shape: tuple[int, ...]) -> None:
    cos, sin = cos_sin(np.linspace(-9.0, 9.0, int(np.prod(shape))).reshape(shape))
    assert cos.shape == sin.shape == shape


def test_both_are_right_to_rounding_also_where_the_tangent_has_no_end() -> None:
    turns = np.pi * np.arange(-2000, 2001)
    odd = np.concatenate(
        [turns, turns + 0.5 * np.pi, np.nextafter(turns, np.inf), np.nextafter(turns, -np.inf)]
    )
    angle = np.concatenate([np.random.default_rng(1).uniform(-1e3, 1e3, 100_000), odd, [0.0, 1e-300, 1e-9]])
    cos, sin = cos_sin(angle)
    np.testing.assert_allclose(cos, np.cos(angle), rtol=0.0, atol=1e-15)
    np.testing.assert_allclose(sin, np.sin(angle), rtol=0.0, atol=1e-15)
    np.testing.assert_allclose(cos_sin(np.array([1e-9, -1e-300]))[1], [1e-9, -1e-300], rtol=1e-15)


def test_a_complex_exponential_is_numpys() -> None:
    rng = np.random.default_rng(2)
    exponent = rng.uniform(-30.0, 1.0, (40, 50)) + 1j * rng.uniform(-1e4, 1e4, (40, 50))
    exponent.real[0] = -1e4  # so far gone that nothing is left
    found, plain = complex_exp(exponent), np.exp(exponent)
    np.testing.assert_allclose(found, plain, rtol=2e-15, atol=0.0)
    np.testing.assert_array_equal(found[0], 0.0)
    assert complex_exp(np.array([1j], np.complex64)).dtype == np.complex128
