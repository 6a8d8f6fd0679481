"""The distributions that a number may have: names, parameters, quantile functions.

Names and parameters are those of scipy.stats. The common ones are evaluated here through
scipy.special, because importing scipy.stats costs half a second; some others go through scipy.stats
itself. References: scipy.stats documentation for the parametrisations.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from typing import Any, NamedTuple

import numpy as np

Array = np.ndarray


class _Fast(NamedTuple):
    """A distribution in its standard form (loc 0, scale 1), like scipy.stats' own."""

    shapes: tuple[str, ...]
    valid: Callable[..., bool]
    ppf: Callable[..., Array]
    cdf: Callable[..., Array]
    moments: Callable[..., tuple[float, float]]  # mean, variance


def _special() -> Any:
    import scipy.special

    return scipy.special


def _triang_ppf(u: Array, c: float) -> Array:
    # max() keeps the branch that np.where throws away from taking the root of a negative number.
    left = np.sqrt(np.maximum(c * u, 0.0))
    right = 1.0 - np.sqrt(np.maximum((1.0 - c) * (1.0 - u), 0.0))
    return np.where(u < c, left, right)


def _triang_cdf(x: Array, c: float) -> Array:
    x = np.clip(x, 0.0, 1.0)
    left = x * x / c if c > 0 else np.zeros_like(x)
    right = 1.0 - (1.0 - x) ** 2 / (1.0 - c) if c < 1 else np.ones_like(x)
    return np.where(x < c, left, right)


def _lognorm_cdf(x: Array, s: float) -> Array:
    with np.errstate(divide="ignore"):
        return _special().ndtr(np.log(np.maximum(x, 0.0)) / s)


FAST: dict[str, _Fast] = {
    "norm": _Fast(
        (),
        lambda: True,
        lambda u: _special().ndtri(u),
        lambda x: _special().ndtr(x),
        lambda: (0.0, 1.0),
    ),
    "uniform": _Fast(
        (), lambda: True, lambda u: u, lambda x: np.clip(x, 0.0, 1.0), lambda: (0.5, 1.0 / 12.0)
    ),
    "expon": _Fast(
        (),
        lambda: True,
        lambda u: -_special().log1p(-u),
        lambda x: -np.expm1(-np.maximum(x, 0.0)),
        lambda: (1.0, 1.0),
    ),
    "lognorm": _Fast(
        ("s",),
        lambda s: s > 0,
        lambda u, s: np.exp(s * _special().ndtri(u)),
        _lognorm_cdf,
        lambda s: (math.exp(s * s / 2.0), math.expm1(s * s) * math.exp(s * s)),  # may overflow
    ),
    "triang": _Fast(
        ("c",),
        lambda c: 0 <= c <= 1,
        _triang_ppf,
        _triang_cdf,
        lambda c: ((1.0 + c) / 3.0, (1.0 - c + c * c) / 18.0),
    ),
    "gamma": _Fast(
        ("a",),
        lambda a: a > 0,
        lambda u, a: _special().gammaincinv(a, u),
        lambda x, a: _special().gammainc(a, np.maximum(x, 0.0)),
        lambda a: (a, a),
    ),
    "t": _Fast(
        ("df",),
        lambda df: df > 0,
        lambda u, df: _special().stdtrit(df, u),
        lambda x, df: _special().stdtr(df, x),
        lambda df: (0.0, df / (df - 2.0) if df > 2 else math.inf),
    ),
    "gumbel_l": _Fast(
        (),
        lambda: True,
        lambda u: np.log(-_special().log1p(-u)),
        lambda x: -np.expm1(-np.exp(np.minimum(x, 700.0))),
        lambda: (-np.euler_gamma, math.pi**2 / 6.0),
    ),
    "beta": _Fast(
        ("a", "b"),
        lambda a, b: a > 0 and b > 0,
        lambda u, a, b: _special().betaincinv(a, b, u),
        lambda x, a, b: _special().betainc(a, b, np.clip(x, 0.0, 1.0)),
        lambda a, b: (a / (a + b), a * b / ((a + b) ** 2 * (a + b + 1.0))),
    ),
}

# Evaluated by scipy.stats. Not all of its distributions: some run round a circle, some take minutes
# a draw, some have neither mean nor spread.
SLOW = (
    *("arcsine", "gumbel_r", "halfnorm", "laplace", "logistic", "loguniform"),
    *("rayleigh", "skewnorm", "trapezoid", "truncexpon", "truncnorm", "weibull_min"),
)
# Without a scale these would spread by one ampere, one kelvin, one of anything: the usual default,
# and nothing that anybody meant. A factor or a share (lognorm, beta, uniform) may well go without.
NEED_SCALE = (
    *("norm", "expon", "t", "gumbel_l", "gumbel_r", "halfnorm"),
    *("laplace", "logistic", "rayleigh", "skewnorm"),
)


def shape_names(name: str) -> tuple[str, ...]:
    """Names of the parameters of a distribution beside loc and scale."""
    if name in FAST:
        return FAST[name].shapes
    shapes = _scipy_dist(name).shapes
    return tuple(shapes.replace(" ", "").split(",")) if shapes else ()


def takes(name: str, shapes: Sequence[float]) -> tuple[bool, bool]:
    """Are these shape parameters possible, and if so with a finite mean and spread?"""
    valid = FAST[name].valid if name in FAST else _scipy_dist(name)._argcheck
    possible = bool(np.all(valid(*shapes)))
    return possible, possible and bool(np.all(np.isfinite(moments(name, shapes))))


def ppf(name: str, u: Array, shapes: Sequence[float]) -> Array:
    """Quantile function in the standard form (loc 0, scale 1); u of any shape."""
    fast = FAST.get(name)
    return fast.ppf(u, *shapes) if fast else _scipy_dist(name).ppf(u, *shapes)


def cdf(name: str, x: Array, shapes: Sequence[float]) -> Array:
    """Probability of a value not above x, in the standard form; x of any shape."""
    fast = FAST.get(name)
    return fast.cdf(x, *shapes) if fast else _scipy_dist(name).cdf(x, *shapes)


def moments(name: str, shapes: Sequence[float]) -> tuple[float, float]:
    """Mean and variance in the standard form; not finite where they are, or are beyond any number.

    Args:
        name, shapes: possible ones, see `takes`.
    """
    fast = FAST.get(name)
    try:
        with np.errstate(all="ignore"):
            mean, variance = (
                fast.moments(*shapes) if fast else _scipy_dist(name).stats(*shapes, moments="mv")
            )
    except ArithmeticError:  # a float that overflows, or a difference of two that is none
        return math.nan, math.nan
    return float(mean), float(variance)


def _scipy_dist(name: str) -> Any:
    """One of `SLOW`."""
    import scipy.stats

    return getattr(scipy.stats, name)
