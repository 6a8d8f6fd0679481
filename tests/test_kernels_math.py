"""The compiled filter's own exponential and logarithm, against numpy's."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from socband.kernels_math import (
    asinh_slope_small,
    asinh_small,
    exp_negative,
    exp_short,
    log_positive,
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


@njit(error_model="numpy")
def _short(x):
    out = np.empty_like(x)
    for i in range(len(x)):
        out[i] = exp_short(x[i])
    return out


def test_short_exponential() -> None:
    """The shorter series: 1e-11, and exact where nothing decays."""
    x = np.concatenate([-np.geomspace(1e-18, 699.0, 200_001), [0.0]])
    np.testing.assert_allclose(_short(x), np.exp(x), rtol=1e-11, atol=0)
    assert (_short(np.zeros(3)) == 1.0).all()
    # its cut must show, or the bound above says nothing
    assert np.max(np.abs(_short(x) / np.exp(x) - 1.0)) > 1e-13


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


@njit(error_model="numpy")
def _small(x, slope):
    out = np.empty_like(x)
    for i in range(len(x)):
        out[i] = asinh_slope_small(x[i]) if slope else asinh_small(x[i])
    return out


def test_small_inverse_hyperbolic_sine() -> None:
    """The polynomials for currents below saturation: asinh to 1e-9, its slope to 1e-8."""
    x = np.linspace(0.0, 1.0, 50_001)
    np.testing.assert_allclose(_small(x, False), np.arcsinh(x), rtol=1e-9, atol=0)
    np.testing.assert_allclose(_small(x, True), 1.0 / np.sqrt(1.0 + x * x), rtol=1e-8, atol=0)
