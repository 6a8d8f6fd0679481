"""Exponential and logarithm as plain arithmetic, so that a loop over members stays vectorised.

The C library's functions are called one number at a time and cost threefold.
Both functions split off the power of two through the bits of the number and sum a short series for
the rest; they are tested against numpy to a few units in the last place.
"""

from __future__ import annotations

import numpy as np
from llvmlite import ir
from numba import njit, types
from numba.extending import intrinsic

_LOG2_E = 1.4426950408889634
_LN2_HIGH = 6.93147180369123816490e-01  # fdlibm's split of ln 2: the first part has trailing zeros
_LN2_LOW = 1.90821492927058770002e-10
_TO_INTEGER = 6755399441055744.0  # 1.5·2^52: adding it leaves the rounded integer in the low bits
_SQRT2 = 1.4142135623730951


@intrinsic
def _bits(typing_context, x):
    """The 64 bits of a double."""

    def build(context, builder, signature, arguments):
        return builder.bitcast(arguments[0], ir.IntType(64))

    return types.uint64(types.float64), build


@intrinsic
def _double(typing_context, x):
    """The double of 64 bits."""

    def build(context, builder, signature, arguments):
        return builder.bitcast(arguments[0], ir.DoubleType())

    return types.float64(types.uint64), build


@intrinsic
def _power_bits(typing_context, x):
    """The integer in the low bits of `x`, moved to where a double keeps its exponent."""

    def build(context, builder, signature, arguments):
        bits = builder.bitcast(arguments[0], ir.IntType(64))
        return builder.shl(bits, ir.Constant(ir.IntType(64), 52))

    return types.uint64(types.float64), build


@intrinsic
def _exponent(typing_context, x):
    """2^52 plus the biased exponent of a positive double, as a double."""

    def build(context, builder, signature, arguments):
        wide = ir.IntType(64)
        bits = builder.bitcast(arguments[0], wide)
        shifted = builder.lshr(bits, ir.Constant(wide, 52))
        return builder.bitcast(
            builder.or_(shifted, ir.Constant(wide, 0x4330000000000000)), ir.DoubleType()
        )

    return types.float64(types.float64), build


@intrinsic
def _mantissa(typing_context, x):
    """The fraction of a positive double as a double in 1..2."""

    def build(context, builder, signature, arguments):
        wide = ir.IntType(64)
        bits = builder.bitcast(arguments[0], wide)
        fraction = builder.and_(bits, ir.Constant(wide, 0x000FFFFFFFFFFFFF))
        return builder.bitcast(
            builder.or_(fraction, ir.Constant(wide, 0x3FF0000000000000)), ir.DoubleType()
        )

    return types.float64(types.float64), build


@njit(inline="always")
def exp_negative(x):
    """exp(x) for x <= 0 (and up to 700); below -700 it stays at exp(-700)."""
    x = max(x, -700.0)
    shifted = x * _LOG2_E + _TO_INTEGER
    power = shifted - _TO_INTEGER
    r = (x - power * _LN2_HIGH) - power * _LN2_LOW  # |r| <= ln(2)/2
    s = 1.0 / 3628800.0 + r * (1.0 / 39916800.0 + r * (1.0 / 479001600.0))
    s = 1.0 / 5040.0 + r * (1.0 / 40320.0 + r * (1.0 / 362880.0 + r * s))
    s = 1.0 / 24.0 + r * (1.0 / 120.0 + r * (1.0 / 720.0 + r * s))
    s = 1.0 + r * (1.0 + r * (0.5 + r * (1.0 / 6.0 + r * s)))
    return _double(_bits(s) + _power_bits(shifted))


@njit(inline="always")
def log_positive(x):
    """log(x) for normal doubles x > 0."""
    power = _exponent(x) - 4503599627371519.0  # 2^52 + 1023
    m = _mantissa(x)
    big = m > _SQRT2
    m = 0.5 * m if big else m
    power = power + 1.0 if big else power
    f = m - 1.0
    r = f / (2.0 + f)  # log(1 + f) = 2 artanh(r), |r| <= 0.172
    y = r * r
    s = 1.0 / 15.0 + y * (1.0 / 17.0 + y * (1.0 / 19.0 + y * (1.0 / 21.0)))
    s = 1.0 / 7.0 + y * (1.0 / 9.0 + y * (1.0 / 11.0 + y * (1.0 / 13.0 + y * s)))
    s = 1.0 / 3.0 + y * (1.0 / 5.0 + y * s)
    return power * _LN2_HIGH + (2.0 * r + (2.0 * r * y * s + power * _LN2_LOW))


@njit(inline="always")
def exp_short(x):
    """exp(x) for -700 <= x <= 0 to 1e-11, relative: the series of `exp_negative`, cut earlier."""
    x = max(x, -700.0)
    shifted = x * _LOG2_E + _TO_INTEGER
    power = shifted - _TO_INTEGER
    r = (x - power * _LN2_HIGH) - power * _LN2_LOW
    s = 1.0 / 40320.0 + r * (1.0 / 362880.0)
    s = 1.0 / 120.0 + r * (1.0 / 720.0 + r * (1.0 / 5040.0 + r * s))
    s = 1.0 + r * (1.0 + r * (0.5 + r * (1.0 / 6.0 + r * (1.0 / 24.0 + r * s))))
    return _double(_bits(s) + _power_bits(shifted))


def _in_powers(function, degree: int) -> tuple[float, ...]:
    """Chebyshev interpolation of a function of y on 0..1, as coefficients of powers of y."""
    y = 0.5 * (np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1)) + 1.0)
    fit = np.polynomial.chebyshev.Chebyshev.fit(y, function(y), degree, domain=[0.0, 1.0])
    power = fit.convert(kind=np.polynomial.Polynomial, domain=[-1, 1], window=[-1, 1])
    return tuple(float(c) for c in power.coef)


_A0, _A1, _A2, _A3, _A4, _A5, _A6, _A7, _A8, _A9, _A10, _A11, _A12 = _in_powers(
    lambda y: np.arcsinh(np.sqrt(y)) / np.sqrt(y), 12
)
_B0, _B1, _B2, _B3, _B4, _B5, _B6, _B7, _B8, _B9, _B10, _B11, _B12 = _in_powers(
    lambda y: 1.0 / np.sqrt(1.0 + y), 12
)


@njit(inline="always")
def asinh_small(q):
    """asinh(q) for |q| <= 1, to 1e-9."""
    y = q * q
    s = _A9 + y * (_A10 + y * (_A11 + y * _A12))
    s = _A5 + y * (_A6 + y * (_A7 + y * (_A8 + y * s)))
    return q * (_A0 + y * (_A1 + y * (_A2 + y * (_A3 + y * (_A4 + y * s)))))


@njit(inline="always")
def asinh_slope_small(q):
    """1/sqrt(1 + q²) for |q| <= 1, to 1e-8."""
    y = q * q
    s = _B9 + y * (_B10 + y * (_B11 + y * _B12))
    s = _B5 + y * (_B6 + y * (_B7 + y * (_B8 + y * s)))
    return _B0 + y * (_B1 + y * (_B2 + y * (_B3 + y * (_B4 + y * s))))
