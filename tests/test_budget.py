"""Variance shares against functions whose Sobol indices are known exactly."""

from __future__ import annotations

import numpy as np
import pytest

from socband.budget import first_order_share, share_std, variance_shares
from socband.unknowns import uniforms

N = 60_000


def inputs(count: int) -> list[np.ndarray]:
    return [uniforms(1, f"x{i}", N) for i in range(count)]


def standard_error(share: float) -> float:
    """Of a correlation ratio: about 2·sqrt(share)·(1-share)/sqrt(n), and of order groups/n at 0."""
    return 2.0 * np.sqrt(share) * (1.0 - share) / np.sqrt(N) + 25 / N


def test_ishigami() -> None:
    """a = 7, b = 0.1: S 0.3139, 0.4424, 0 (exact, computed; Ishigami & Homma 1990).

    Slices cannot follow the second input within them: of sin² over 2π in 25 slices they lose
    about 2 %, of 100 slices about 0.1 %; so 100 slices here.
    """
    x = [np.pi * (2.0 * u - 1.0) for u in inputs(3)]
    y = np.sin(x[0]) + 7.0 * np.sin(x[1]) ** 2 + 0.1 * x[2] ** 4 * np.sin(x[0])
    for values, exact in zip(x, (0.3139, 0.4424, 0.0), strict=True):
        found = first_order_share(values, y, slices=100)
        assert abs(found - exact) < 5 * standard_error(exact) + 0.002
        assert abs(first_order_share(values, y) - exact) < 5 * standard_error(exact) + 0.02


def test_sobol_g() -> None:
    """a = (0, 1, 4.5, 9, 99, …): S 0.71619, 0.17905, 0.02368, 0.00716, 7.2e-5 (computed)."""
    a = np.array([0.0, 1.0, 4.5, 9.0, 99.0, 99.0, 99.0, 99.0])
    x = inputs(8)
    y = np.prod([(np.abs(4 * u - 2) + c) / (1 + c) for u, c in zip(x, a, strict=True)], axis=0)
    shares = variance_shares({f"x{i}": u for i, u in enumerate(x)}, y)
    assert list(shares)[:4] == ["x0", "x1", "x2", "x3"]  # largest first
    exact = (0.71619, 0.17905, 0.02368, 0.00716, 7.2e-5)
    for i, wanted in enumerate(exact):
        assert abs(shares[f"x{i}"] - wanted) < 5 * standard_error(wanted) + 0.005 * wanted


def test_agrees_with_scipys_own_indices() -> None:
    """An independent implementation on another function: scipy.stats.sobol_indices."""
    from scipy import stats

    def f(x: np.ndarray) -> np.ndarray:
        return x[0] + 0.5 * x[1] ** 2 + x[0] * x[2]

    reference = stats.sobol_indices(
        func=f, n=2**13, dists=[stats.uniform()] * 3, rng=np.random.default_rng(0)
    )
    x = inputs(3)
    for values, exact in zip(x, reference.first_order, strict=True):
        assert first_order_share(values, f(np.array(x))) == pytest.approx(exact, abs=0.02)


def test_spikes_constants_and_nothing() -> None:
    """A value that repeats stays in one slice; what does not vary explains nothing."""
    u, v = inputs(2)
    spike = np.where(u < 0.7, 0.0, u)
    y = np.where(u < 0.7, 0.0, 1.0) + 0.1 * v
    exact = 0.21 / (0.21 + 0.01 / 12)
    assert first_order_share(spike, y) == pytest.approx(exact, abs=0.002)
    assert first_order_share(np.zeros(N), y) == 0.0
    assert first_order_share(u, np.ones(N)) == 0.0
    assert first_order_share(v, u) < 5 * 25 / N


def test_the_standard_error_of_a_share_is_what_other_members_make_of_it() -> None:
    """y = x + noise, share 0.2: over 200 samples of 1000 against the mean stated error. A deviation
    of 200 is known to 5 %, one jackknife of 20 blocks to 16 %: five standard errors are 26 %. Where
    each draw comes three times the error is that of a third of the members."""
    rng = np.random.default_rng(3)
    for n, copies in ((1000, 1), (3000, 3)):
        found, stated = [], []
        for _ in range(200):
            x = rng.standard_normal(n // copies)
            y = x + 2.0 * rng.standard_normal(n // copies)
            x, y = np.repeat(x, copies), np.repeat(y, copies)
            found.append(first_order_share(x, y))
            stated.append(share_std(x, y))
        assert np.sqrt(np.mean(np.square(stated))) == pytest.approx(np.std(found), rel=0.26)
    assert share_std(x, np.ones(n)) == 0.0
    assert np.isnan(share_std(x[:30], y[:30]))  # ten draws are too few for it
