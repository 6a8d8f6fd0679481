"""A number that may be known only as a distribution.

`Quantity` is what stands in a setup file or a cell model file: a bare number (exactly known), a
table `{value = 0.5, source = "..."}`, or a distribution by its scipy.stats name with scipy's own
parameter names, `{dist = "norm", loc = 0.0, scale = 0.08}`; see `distributions`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np

from socband import distributions
from socband.errors import InputError, Problem, did_you_mean, shown

Array = np.ndarray


class Distribution:
    """What follows from a quantile function and two moments, whatever the distribution."""

    _moments: tuple[float, float]  # mean, variance

    def ppf(self, u: Any) -> Array:
        """Quantile function."""
        raise NotImplementedError

    @property
    def mean(self) -> float:
        """Expected value (of a truncated distribution by quadrature)."""
        return self._moments[0]

    @property
    def std(self) -> float:
        """Standard deviation; 0 if fixed."""
        return math.sqrt(self._moments[1])

    @property
    def core_std(self) -> float:
        """Half the width of the middle 68.3 %, where that is less than `std`: without the tails."""
        low, high = self.interval(_WITHIN_ONE_STD)
        return min(self.std, 0.5 * (high - low))

    @property
    def median(self) -> float:
        """The middle value."""
        return float(self.ppf(0.5))

    def interval(self, level: float = 0.9) -> tuple[float, float]:
        """Probabilistically symmetric coverage interval (JCGM 101:2008, 3.15)."""
        low, high = self.ppf(np.array([0.5 - level / 2.0, 0.5 + level / 2.0]))
        return float(low), float(high)


@dataclass(frozen=True)
class Quantity(Distribution):
    """A number, exactly known or as a distribution; hashable and immutable.

    Attributes:
        dist: "" for an exactly known number, else a continuous distribution's scipy.stats name.
        parameters: sorted (name, value) pairs, `loc` and `scale` included; `("value", x)` if fixed.
        source: where the number comes from, "" if not said.
        low, high: physical limits; a distribution is truncated (renormalised) to them.
    """

    dist: str
    parameters: tuple[tuple[str, float], ...]
    source: str = ""
    low: float = -math.inf
    high: float = math.inf

    @classmethod
    def from_number(cls, value: float, source: str = "") -> Quantity:
        """An exactly known number."""
        return cls("", (("value", float(value)),), source)

    @classmethod
    def from_dist(cls, dist: str, source: str = "", **parameters: float) -> Quantity:
        """A distribution by its scipy.stats name, e.g. `from_dist("norm", loc=0, scale=0.08)`.

        Raises:
            InputError: unknown distribution or parameters it cannot take.
        """
        return cls.from_value({"dist": dist, "source": source, **parameters})

    @classmethod
    def from_value(cls, raw: object, where: str = "") -> Quantity:
        """From what a TOML file holds: a number, or a table with `dist` or `value`.

        Args:
            raw: number or table.
            where: key path for the error message.

        Raises:
            InputError: with every problem of this one value.
        """
        if isinstance(raw, Quantity):
            return raw
        if isinstance(raw, Mapping):
            return cls._from_table(raw, where)
        return cls.from_number(_number(raw, where, _EXPECTED))

    @classmethod
    def _from_table(cls, raw: Mapping[str, Any], where: str) -> Quantity:
        source = raw.get("source", "")
        problems = []
        if not isinstance(source, str):
            problems.append(Problem(_join(where, "source"), shown(source), "text"))
        if ("dist" in raw) == ("value" in raw):
            found = shown(dict(raw))
            wrong = [key for key in raw if key not in ("dist", "value", "source")]
            hint = did_you_mean(wrong[0], ("dist", "value")) if wrong else ""
            problems.append(Problem(where, found, "a table with either `dist` or `value`", hint))
            raise InputError(problems)
        names = ("value",) if "value" in raw else _parameter_names(raw["dist"], where)
        values = {}
        for key, value in raw.items():
            if key in ("dist", "source"):
                continue
            if key not in names:
                allowed = ", ".join(("dist", *names, "source") if "dist" in raw else names)
                hint = did_you_mean(key, [*names, "source"], listed=0)
                problems.append(Problem(_join(where, key), "an unknown key", allowed, hint))
                continue
            try:
                values[key] = _number(value, _join(where, key), "a finite number")
            except InputError as error:
                problems.extend(error.problems)
        if "dist" in raw:
            usual = {"loc": 0.0}
            if raw["dist"] not in distributions.NEED_SCALE:
                usual["scale"] = 1.0
            values = {**usual, **values} if not problems else values
            missing = [name for name in names if name not in values]
            if not problems and missing:
                need = ", ".join(f"`{name}`" for name in missing)
                problems.append(Problem(where, shown(dict(raw)), f"{need} as well"))
            if not problems:
                problems.extend(_bad_parameters(raw["dist"], names, values, where))
        if problems:
            raise InputError(problems)
        return cls(raw.get("dist", ""), tuple(sorted(values.items())), source)

    # ------------------------------------------------------------------ what it is

    @property
    def is_fixed(self) -> bool:
        """Exactly known?"""
        return not self.dist

    @cached_property
    def _values(self) -> dict[str, float]:
        return dict(self.parameters)

    @cached_property
    def _shape_values(self) -> tuple[float, ...]:
        return tuple(self._values[n] for n in distributions.shape_names(self.dist))

    @property
    def is_truncated(self) -> bool:
        """Do the limits cut off a part of the distribution?"""
        return not self.is_fixed and self._inside != (0.0, 1.0)

    @cached_property
    def _inside(self) -> tuple[float, float]:
        """Probability below `low` and below `high`, before truncation."""
        return float(self._raw_cdf(self.low)), float(self._raw_cdf(self.high))

    def within(self, low: float = -math.inf, high: float = math.inf) -> Quantity:
        """The same quantity with physical limits; see `low` and `high`.

        Raises:
            InputError: a fixed number outside them, or a distribution mostly outside them.
        """
        limited = replace(self, low=max(low, self.low), high=min(high, self.high))
        expected = _range_text(limited.low, limited.high)
        if self.is_fixed:
            value = self._values["value"]
            if not limited.low <= value <= limited.high:
                raise InputError(Problem("", f"{value:g}", expected))
        else:
            below, above = limited._inside
            if above - below < 0.5:
                found = f"{self._dist_text()}, of which {above - below:.0%} lies there"
                raise InputError(Problem("", found, expected))
        return limited

    # ------------------------------------------------------------------ numbers

    def _raw_ppf(self, u: Array) -> Array:
        loc, scale = self._values["loc"], self._values["scale"]
        return loc + scale * distributions.ppf(self.dist, u, self._shape_values)

    def _raw_cdf(self, x: Any) -> Array:
        loc, scale = self._values["loc"], self._values["scale"]
        standard = (np.asarray(x, dtype=float) - loc) / scale
        return distributions.cdf(self.dist, standard, self._shape_values)

    def ppf(self, u: Any) -> Array:
        """Quantile function: uniforms in (0, 1) become draws.

        Args:
            u: probabilities, any shape.

        Returns:
            float64 array of the same shape.
        """
        u = np.asarray(u, dtype=float)
        if self.is_fixed:
            return np.full(u.shape, self._values["value"])
        below, above = self._inside
        if (below, above) == (0.0, 1.0):
            return np.asarray(self._raw_ppf(u), dtype=float)
        drawn = self._raw_ppf(below + u * (above - below))
        return np.clip(drawn, self.low, self.high)  # against rounding at the edges only

    def cdf(self, x: Any) -> Array:
        """Probability of a value not above `x`; any shape."""
        x = np.asarray(x, dtype=float)
        if self.is_fixed:
            return (x >= self._values["value"]).astype(float)
        below, above = self._inside
        return np.clip((self._raw_cdf(x) - below) / (above - below), 0.0, 1.0)

    @cached_property
    def _moments(self) -> tuple[float, float]:
        if self.is_fixed:
            return self._values["value"], 0.0
        if self.is_truncated:
            # Mean over u of the quantile function, substituted u = s³(10−15s+6s²) so that the
            # integrand dies out at both ends, where the quantile function may run to infinity.
            nodes, weights = np.polynomial.legendre.leggauss(200)
            s = 0.5 * (nodes + 1.0)
            u = s**3 * (10.0 - 15.0 * s + 6.0 * s * s)
            weights = 0.5 * weights * 30.0 * s * s * (1.0 - s) ** 2
            x = self.ppf(u)
            mean = float(np.sum(weights * x))
            return mean, float(np.sum(weights * (x - mean) ** 2))
        loc, scale = self._values["loc"], self._values["scale"]
        mean, variance = distributions.moments(self.dist, self._shape_values)
        return loc + scale * mean, scale * scale * variance

    # ------------------------------------------------------------------ words

    def describe(self, unit: str = "") -> str:
        """In words: "0.5 A", or "0.05 A, 90 % within 0.02 to 0.08 A"."""
        tail = f" {unit}" if unit else ""
        if self.is_fixed:
            return f"{self._values['value']:.4g}{tail}"
        low, high = self.interval(0.9)
        return f"{self.median:.3g}{tail}, 90 % within {low:.3g} to {high:.3g}{tail}"

    def _dist_text(self) -> str:
        return f"{self.dist}({', '.join(f'{k}={v:g}' for k, v in self.parameters)})"

    def to_value(self) -> float | dict[str, Any]:
        """What `from_value` reads back as this quantity: a number or a table."""
        if self.is_fixed and not self.source:
            return self._values["value"]
        table: dict[str, Any] = {"dist": self.dist} if self.dist else {}
        table.update(self.parameters)
        if self.source:
            table["source"] = self.source
        return table


_WITHIN_ONE_STD = math.erf(math.sqrt(0.5))  # of a normal
STD_IN_HALF_BAND = 1.645  # deviations of a normal in half the width of its 90 % band
_EXPECTED = 'a number, or a table such as {dist = "norm", loc = 0.0, scale = 0.1}'


def _join(where: str, key: str) -> str:
    return f"{where}.{key}" if where else key


def _number(raw: object, where: str, expected: str) -> float:
    if isinstance(raw, bool) or not isinstance(raw, int | float | np.integer | np.floating):
        raise InputError(Problem(where, shown(raw), expected))
    if not -1e300 < raw < 1e300:  # a whole number may be too large for a float
        raise InputError(Problem(where, shown(raw), "a finite number"))
    return float(raw)


def _range_text(low: float, high: float) -> str:
    if math.isinf(high):
        return f"at least {low:g}"
    if math.isinf(low):
        return f"at most {high:g}"
    return f"between {low:g} and {high:g}"


def _parameter_names(name: object, where: str) -> tuple[str, ...]:
    expected = "the scipy.stats name of a continuous distribution that is taken here"
    if not isinstance(name, str):
        raise InputError(Problem(_join(where, "dist"), shown(name), expected))
    known = (*distributions.FAST, *distributions.SLOW)
    if name not in known:
        hint = did_you_mean(name, known, listed=30)
        if name.casefold() in ("normal", "gaussian", "gauss"):
            hint = "did you mean 'norm'?"
        raise InputError(Problem(_join(where, "dist"), shown(name), expected, hint))
    return (*distributions.shape_names(name), "loc", "scale")


def _bad_parameters(
    name: str, names: tuple[str, ...], values: dict[str, float], where: str
) -> list[Problem]:
    if values["scale"] <= 0:
        expected = "a number above 0"
        return [Problem(_join(where, "scale"), f"{values['scale']:g}", expected)]
    shapes = tuple(values[n] for n in names if n not in ("loc", "scale"))
    possible, finite = distributions.takes(name, shapes)
    if finite:
        mean, variance = distributions.moments(name, shapes)
        loc, scale = values["loc"], values["scale"]
        if math.isfinite(loc + scale * mean) and math.isfinite(scale * scale * variance):
            return []
        expected = f"a scale with which {name} has a finite spread"
        return [Problem(_join(where, "scale"), f"{scale:g}", expected)]
    given = ", ".join(f"{n} = {values[n]:g}" for n in names if n not in ("loc", "scale"))
    expected = f"shape parameters that {name} can take" + ", with a finite spread" * possible
    return [Problem(where, given, expected)]
