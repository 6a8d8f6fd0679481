"""Quantities against scipy.stats, which defines what their names and parameters mean."""

from __future__ import annotations

import subprocess
import sys

import numpy as np
import pytest
import scipy.stats
from hypothesis import given, settings
from hypothesis import strategies as st

from socband.errors import InputError
from socband.quantity import Quantity

# name, shape parameters: those with a path of their own, and some that go through scipy.stats
CASES = [
    ("norm", {}),
    ("uniform", {}),
    ("expon", {}),
    ("lognorm", {"s": 0.4}),
    ("triang", {"c": 0.3}),
    ("triang", {"c": 0.0}),
    ("triang", {"c": 1.0}),
    ("gamma", {"a": 2.5}),
    ("beta", {"a": 2.0, "b": 5.0}),
    ("t", {"df": 5.0}),
    ("truncnorm", {"a": -1.0, "b": 2.0}),
    ("weibull_min", {"c": 1.7}),
    ("arcsine", {}),
    ("gumbel_l", {}),
    ("gumbel_r", {}),
    ("halfnorm", {}),
    ("laplace", {}),
    ("logistic", {}),
    ("loguniform", {"a": 0.1, "b": 2.0}),
    ("rayleigh", {}),
    ("skewnorm", {"a": 3.0}),
    ("trapezoid", {"c": 0.3, "d": 0.5}),
    ("truncexpon", {"b": 2.0}),
]
U = np.concatenate([[1e-12, 1e-6], np.linspace(0.001, 0.999, 199), [1 - 1e-6, 1 - 1e-12]])


@pytest.mark.parametrize(("name", "shapes"), CASES)
def test_equals_scipy_stats(name: str, shapes: dict[str, float]) -> None:
    ours = Quantity.from_dist(name, loc=-0.7, scale=2.3, **shapes)
    theirs = getattr(scipy.stats, name)(loc=-0.7, scale=2.3, **shapes)
    np.testing.assert_allclose(ours.ppf(U), theirs.ppf(U), rtol=1e-9, atol=1e-12)
    x = theirs.ppf(np.linspace(0.01, 0.99, 50))
    np.testing.assert_allclose(ours.cdf(x), theirs.cdf(x), rtol=1e-9, atol=1e-12)
    assert ours.mean == pytest.approx(theirs.mean(), rel=1e-10)
    assert ours.std == pytest.approx(theirs.std(), rel=1e-10)
    assert ours.interval(0.9) == pytest.approx(theirs.interval(0.9), rel=1e-9)


def test_every_distribution_taken_is_among_the_cases() -> None:
    from socband.distributions import FAST, SLOW

    assert {name for name, _ in CASES} == {*FAST, *SLOW}


def test_another_distribution_would_be_noticed() -> None:
    ours = Quantity.from_dist("norm", loc=0.0, scale=1.0)
    assert not np.allclose(ours.ppf(U), scipy.stats.logistic.ppf(U), rtol=1e-2)


def test_truncation_is_the_renormalised_distribution() -> None:
    """Source: scipy.stats.truncnorm, which takes its limits in standard deviations."""
    ours = Quantity.from_dist("norm", loc=0.98, scale=0.03).within(0.0, 1.0)
    theirs = scipy.stats.truncnorm((0.0 - 0.98) / 0.03, (1.0 - 0.98) / 0.03, loc=0.98, scale=0.03)
    assert ours.is_truncated
    np.testing.assert_allclose(ours.ppf(U), theirs.ppf(U), rtol=1e-9)
    assert ours.mean == pytest.approx(theirs.mean(), rel=1e-8)
    assert ours.std == pytest.approx(theirs.std(), rel=1e-6)
    assert ours.ppf(U).max() <= 1.0


@given(loc=st.floats(-1e3, 1e3), scale=st.floats(1e-3, 1e3), u=st.floats(1e-9, 1.0 - 1e-9))
@settings(max_examples=60, deadline=None)
def test_cdf_undoes_ppf(loc: float, scale: float, u: float) -> None:
    for name in ("norm", "uniform", "expon"):
        quantity = Quantity.from_dist(name, loc=loc, scale=scale)
        # the rounding of x alone moves the cdf by its density times the spacing of floats at x
        slack = 4.0 * np.spacing(abs(loc) + 40.0 * scale) / scale
        assert float(quantity.cdf(quantity.ppf(u))) == pytest.approx(u, rel=1e-9, abs=slack)


def test_fixed_number() -> None:
    quantity = Quantity.from_value({"value": 0.5, "source": "data sheet"})
    assert quantity.is_fixed
    assert (quantity.mean, quantity.std, quantity.median) == (0.5, 0.0, 0.5)
    np.testing.assert_array_equal(quantity.ppf(np.full((2, 3), 0.3)), np.full((2, 3), 0.5))
    assert quantity.source == "data sheet"
    assert quantity.describe("A") == "0.5 A"


@pytest.mark.parametrize(
    "raw",
    [3.5, {"value": 2.0, "source": "x"}, {"dist": "beta", "a": 2, "b": 3, "loc": 0, "scale": 1}],
)
def test_to_value_is_read_back(raw: object) -> None:
    quantity = Quantity.from_value(raw)
    assert Quantity.from_value(quantity.to_value()) == quantity


@pytest.mark.parametrize(
    ("raw", "where", "says"),
    [
        ("12", "x", "a number, or a table"),
        (True, "x", "a number, or a table"),
        (float("nan"), "x", "a finite number"),
        (float("inf"), "x", "a finite number"),
        ({"dist": "normal"}, "x.dist", "did you mean 'norm'?"),
        ({"dist": "unifrom"}, "x.dist", "did you mean 'uniform'?"),
        ({"dist": "poisson", "mu": 3}, "x.dist", "continuous distribution"),
        ({"dist": "studentized_range", "k": 3, "df": 10}, "x.dist", "taken here"),
        ({"dist": "cauchy"}, "x.dist", "taken here"),
        ({"dist": 3}, "x.dist", "continuous distribution"),
        ({"dist": "norm", "sclae": 1}, "x.sclae", "did you mean 'scale'?"),
        ({"dist": "norm", "scale": 0}, "x.scale", "above 0"),
        ({"dist": "norm", "scale": -1}, "x.scale", "above 0"),
        ({"dist": "norm", "loc": "a"}, "x.loc", "a finite number"),
        ({"dist": "lognorm"}, "x", "`s` as well"),
        ({"dist": "norm", "loc": 0.1}, "x", "`scale` as well"),
        ({"dist": "t", "df": 3}, "x", "`scale` as well"),
        ({"dist": "beta", "a": -1, "b": 2}, "x", "shape parameters that beta can take"),
        ({"dist": "t", "df": -3, "scale": 1}, "x", "shape parameters that t can take"),
        ({"dist": "t", "df": 2, "scale": 1}, "x", "t can take, with a finite spread"),
        ({"dist": "lognorm", "s": -1}, "x", "shape parameters that lognorm can take"),
        # variances beyond any float: e^1600, 5000!, 1e400
        ({"dist": "lognorm", "s": 40}, "x", "lognorm can take, with a finite spread"),
        ({"dist": "lognorm", "s": 1e200}, "x", "lognorm can take, with a finite spread"),
        ({"dist": "weibull_min", "c": 4e-4}, "x", "weibull_min can take, with a finite spread"),
        ({"dist": "beta", "a": 1e-320, "b": 1e-320}, "x", "beta can take, with a finite spread"),
        ({"dist": "norm", "scale": 1e200}, "x.scale", "a scale with which norm has a finite"),
        ({"vale": 1}, "x", "did you mean 'value'?"),
        ({"dist": "norm", "value": 1}, "x", "either `dist` or `value`"),
        ({"value": 1, "source": 3}, "x.source", "text"),
    ],
)
def test_wrong_values_say_where_and_what(raw: object, where: str, says: str) -> None:
    with pytest.raises(InputError) as caught:
        Quantity.from_value(raw, "x")
    (problem,) = caught.value.problems
    assert problem.where == where
    assert says in str(problem)


def test_all_problems_of_a_table_at_once() -> None:
    with pytest.raises(InputError) as caught:
        Quantity.from_value({"dist": "norm", "lco": 1, "scale": "wide", "source": 1}, "x")
    assert {p.where for p in caught.value.problems} == {"x.lco", "x.scale", "x.source"}


def test_a_distribution_mostly_outside_its_limits_is_an_error() -> None:
    with pytest.raises(InputError, match="lies there"):
        Quantity.from_dist("norm", loc=62.0, scale=5.0).within(0.0, 1.0)


def test_common_distributions_do_not_import_scipy_stats() -> None:
    """Importing scipy.stats costs half a second; the command must not pay for a normal."""
    code = (
        "import sys; from socband.quantity import Quantity as Q; "
        "q = Q.from_dist('norm', scale=0.5).within(-1, 1); q.ppf([0.2]); q.mean; "
        "Q.from_dist('lognorm', s=0.3).describe(); "
        "assert 'scipy.stats' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


@pytest.mark.parametrize(
    ("value", "core"),
    [
        ({"dist": "norm", "loc": 3.0, "scale": 2.0}, 2.0),  # its own deviation
        ({"dist": "uniform", "loc": 0.0, "scale": 1.0}, 12.0**-0.5),  # that is less than 0.3413
        (
            {"dist": "t", "df": 2.5, "loc": 0.0, "scale": 1.0},
            scipy.stats.t(2.5).ppf(scipy.stats.norm.cdf(1)),
        ),
        (4.0, 0.0),
    ],
)
def test_core_deviation_leaves_the_tails_out(value, core):
    """Against scipy.stats; this t has a standard deviation of 2.2."""
    assert Quantity.from_value(value).core_std == pytest.approx(core, rel=1e-9)
