"""A distribution that is no named one, as its quantiles: mixtures of others."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from socband.quantity import Distribution

Array = np.ndarray

_FURTHEST, _STEPS = 6.0, 1201  # normal scores: a part's quantiles in steps of a hundredth


@dataclass(frozen=True, eq=False)
class Tabulated(Distribution):
    """Values and how much lies below each: what `ppf` of a `quantity.Quantity` gives, and no more.

    Attributes:
        value: (m,) increasing.
        below: (m,) probability of less, increasing, half of a value's own counted as below it.
    """

    value: Array
    below: Array

    @classmethod
    def mixture(cls, parts: Sequence[tuple[float, Callable[[Array], Array]]]) -> Tabulated:
        """One of several distributions at work, by its probability.

        Args:
            parts: probability and quantile function of each, which may run downwards; the
                probabilities sum to one.
        """
        from scipy.special import ndtr

        edges = np.linspace(-_FURTHEST, _FURTHEST, _STEPS + 1)
        mass = np.diff(ndtr(edges))
        middle = ndtr(0.5 * (edges[1:] + edges[:-1]))
        value = np.concatenate([ppf(middle) for _, ppf in parts])
        share = np.concatenate([probability * mass for probability, _ in parts])
        order = np.argsort(value, kind="stable")
        value, share = value[order], share[order] / share.sum()
        return cls(value, np.cumsum(share) - 0.5 * share)

    def ppf(self, u: Array) -> Array:
        """Quantile function: uniforms in (0, 1) become draws, any shape."""
        return np.interp(u, self.below, self.value)

    @cached_property
    def _moments(self) -> tuple[float, float]:
        share = np.diff(np.concatenate([[0.0], 0.5 * (self.below[1:] + self.below[:-1]), [1.0]]))
        mean = float(share @ self.value)
        return mean, float(share @ np.square(self.value - mean))
