"""Weights and resampling: for the ensemble, the particle filter beside it, and the suspects."""

from __future__ import annotations

import numpy as np

Array = np.ndarray


def normalised(log_weights: Array) -> Array:
    """Weights that sum to 1 from their logarithms."""
    w = np.exp(log_weights - log_weights.max())
    return w / w.sum()


def effective_sample_size(weights: Array) -> Array:
    """Kish's effective sample size (Σw)²/Σw² along the last axis."""
    w = np.asarray(weights, dtype=float)
    return w.sum(axis=-1) ** 2 / (w * w).sum(axis=-1)


def systematic(weights: Array, rng: np.random.Generator, n: int | None = None) -> Array:
    """Systematic resampling: indices of the n kept, each about n·weight times.

    `n` is as many as there are, if not given.

    Kitagawa 1996, J. Comput. Graph. Stat. 5, 1-25. The same rule as filterpy.monte_carlo.
    systematic_resample, which draws from numpy's global state and so cannot be seeded; a test
    holds the two together.
    """
    n = n or len(weights)
    points = (rng.random() + np.arange(n)) / n
    return np.minimum(np.searchsorted(np.cumsum(weights), points, side="right"), len(weights) - 1)
