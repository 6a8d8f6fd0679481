"""The compiled filter's own exponential and logarithm, against numpy's."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from socband.kernels_math import (
    asinh_single,
    asinh_slope_single,
    exp_negative,
    exp_short,
    exp_single,
    log_positive,
    log_single,
)

FEW_ULP = 1e-15  # four and a half units in the last place of a double


@njit(error_model="numpy")
def _over(x, logarithm):
    out = np.empty_like(x)
    for i in range(len(x)):
        out[i] = log_positive(x[i]) if logarithm else exp_negative(x[i])
    return out


def test_exponential() -> None:
    """From -0 to -699: relative error of a few units in the last place; 1 exactly at 0."""
    x = np.concatenate([-np.geomspace(1e-18, 699.0, 200_001), [0.0, -0.0]])
    np.testing.assert_allclose(_over(x, False), np.exp(x), rtol=FEW_ULP, atol=0)
    assert (_over(np.zeros(3), False) == 1.0).all()


def _each(function, x):
    """A function of one number over an array, compiled."""

    @njit(error_model="numpy")
    def over(x):
        out = np.empty_like(x)
        for i in range(len(x)):
            out[i] = function(x[i])
        return out

    return over(x)


def test_short_exponential() -> None:
    """The shorter series: 1e-11, and exact where nothing decays."""
    x = np.concatenate([-np.geomspace(1e-18, 699.0, 200_001), [0.0]])
    got = _each(exp_short, x)
    np.testing.assert_allclose(got, np.exp(x), rtol=1e-11, atol=0)
    assert got[-1] == 1.0
    assert _each(exp_short, np.array([-1e9])) == pytest.approx(np.exp(-700.0), rel=1e-9)
    # its cut must show, or the bound above says nothing
    assert np.max(np.abs(got / np.exp(x) - 1.0)) > 1e-13


SINGLE = 2e-7  # three units in the last place of a single


@pytest.mark.parametrize(
    ("function", "truth", "x"),
    [
        (exp_single, np.exp, -np.geomspace(1e-12, 86.0, 200_001)),
        (log_single, np.log, np.geomspace(1.5, 1e30, 200_001)),
        (asinh_single, np.arcsinh, np.linspace(1e-6, 1.0, 50_001)),
        (asinh_slope_single, lambda q: 1.0 / np.sqrt(1.0 + q * q), np.linspace(0.0, 1.0, 50_001)),
    ],
    ids=["exp", "log", "asinh", "its slope"],
)
def test_single_precision(function, truth, x) -> None:
    """The lanes' functions over the range that they are used on, against numpy in double."""
    x = x.astype(np.float32)
    got = _each(function, x)
    assert got.dtype == np.float32
    np.testing.assert_allclose(got, truth(x.astype(float)), rtol=SINGLE, atol=0)


def test_single_exponential_at_its_ends() -> None:
    """Exact where nothing decays; a harmless zero far below, without wrapping round."""
    got = _each(exp_single, np.array([0.0, -0.0, -1e30, -np.inf], np.float32))
    np.testing.assert_array_equal(got[:2], 1.0)
    np.testing.assert_allclose(got[2:], np.exp(-87.0), rtol=1e-6)


def test_exponential_stops_at_the_end_of_its_range() -> None:
    """Far below, it stays at exp(-700), a harmless zero, and does not wrap round."""
    assert _over(np.array([-1e4, -1e300]), False) == pytest.approx(np.exp(-700.0), rel=1e-12)


def test_logarithm() -> None:
    """All normal doubles, and close to 1 from both sides."""
    near = np.geomspace(1e-16, 0.9, 50_001)
    x = np.concatenate([np.geomspace(1e-300, 1e300, 200_001), 1.0 + near, 1.0 - near, [1.0]])
    np.testing.assert_allclose(_over(x, True), np.log(x), rtol=FEW_ULP, atol=1e-16)


def test_inverse_hyperbolic_sine_from_it() -> None:
    """How the filter forms asinh: absolute error below 1e-13 where currents lie."""
    y = np.concatenate([[0.0], np.geomspace(1e-12, 1e4, 50_001)])
    asinh = _over(y + np.sqrt(1.0 + y * y), True)
    np.testing.assert_allclose(asinh, np.arcsinh(y), rtol=0, atol=1e-13)
