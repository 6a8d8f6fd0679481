"""Exponential and logarithm as plain arithmetic, so that a loop over members stays vectorised.

The C library's functions are called one number at a time and cost threefold. These split off the
power of two through the bits of the number and sum a short series for the rest; they are tested
against numpy, those in double precision to a few units in the last place.
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
_LN2 = 0.6931471805599453
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


def _fitted(function, low: float, high: float, degree: int) -> tuple[float, ...]:
    """Chebyshev interpolation of a function on low..high, as coefficients of powers."""
    middle, half = 0.5 * (high + low), 0.5 * (high - low)
    x = middle + half * np.cos(np.pi * (np.arange(degree + 1) + 0.5) / (degree + 1))
    fit = np.polynomial.chebyshev.Chebyshev.fit(x, function(x), degree, domain=[low, high])
    return tuple(float(c) for c in fit.convert(kind=np.polynomial.Polynomial).coef)


_EXP = _fitted(np.exp, -0.3466, 0.3466, 6)
_EXP_SHORT = (1.0, *_fitted(lambda r: np.expm1(r) / r, -0.3466, 0.3466, 7))
_ASINH = _fitted(lambda y: np.arcsinh(np.sqrt(y)) / np.sqrt(y), 0.0, 1.0, 8)
_ASINH_SLOPE = _fitted(lambda y: 1.0 / np.sqrt(1.0 + y), 0.0, 1.0, 8)
_ARTANH = _fitted(lambda y: np.arctanh(np.sqrt(y)) / np.sqrt(y), 1e-9, 0.0401, 3)
_WORD = {ir.FloatType(): ir.IntType(32), ir.DoubleType(): ir.IntType(64)}
_FRACTION_BITS = {ir.FloatType(): 23, ir.DoubleType(): 52}


def _plus(builder, a, b):
    return builder.fadd(a, b, flags=("contract",))


def _times(builder, a, b):
    return builder.fmul(a, b, flags=("contract",))


def _series(builder, x, coefficients: tuple[float, ...]):
    """The sum of c_n·xⁿ."""
    s = x.type(coefficients[-1])
    for c in coefficients[-2::-1]:
        s = _plus(builder, x.type(c), _times(builder, x, s))
    return s


def _written_out(number: types.Float, build):
    """A function of one number, the instructions of which `build(builder, x)` writes.

    To write them down outright compiles in a tenth of the time that the same formula takes as
    Python, where every operation of every copy is looked up by its types.
    """

    @intrinsic
    def function(typing_context, x):
        def generate(context, builder, signature, arguments):
            return build(builder, context.cast(builder, arguments[0], signature.args[0], number))

        return number(number), generate

    return function


def _exp(least: float, ln2: tuple[float, float], coefficients: tuple[float, ...]):
    def build(builder, x):
        kind = x.type
        word, bits = _WORD[kind], _FRACTION_BITS[kind]
        x = builder.select(builder.fcmp_ordered(">", x, kind(least)), x, kind(least))
        to_integer = kind(1.5 * 2.0**bits)  # added, it leaves the rounded integer in the low bits
        shifted = _plus(builder, _times(builder, x, kind(_LOG2_E)), to_integer)
        power = builder.fsub(shifted, to_integer)
        r = x
        for part in ln2:
            r = _plus(builder, r, _times(builder, power, kind(-part)))
        whole = builder.bitcast(_series(builder, r, coefficients), word)
        raised = builder.shl(builder.bitcast(shifted, word), word(bits))
        return builder.bitcast(builder.add(whole, raised), kind)

    return build


def _asinh(builder, q):
    return _times(builder, q, _series(builder, _times(builder, q, q), _ASINH))


def _asinh_slope(builder, q):
    return _series(builder, _times(builder, q, q), _ASINH_SLOPE)


def _log(builder, x):
    word, one = _WORD[x.type], x.type(1.0)
    lowest = word(0x3F400000)  # 0.75: the fraction then lies in 0.75..1.5
    shifted = builder.sub(builder.bitcast(x, word), lowest)
    power = builder.sitofp(builder.ashr(shifted, word(23)), x.type)
    inside = builder.and_(shifted, word(0x007FFFFF))
    m = builder.bitcast(builder.add(inside, lowest), x.type)
    r = builder.fdiv(builder.fsub(m, one), builder.fadd(m, one))  # log m = 2 artanh r, |r| <= 0.2
    s = _times(builder, r, _series(builder, _times(builder, r, r), _ARTANH))
    return _plus(builder, _times(builder, power, x.type(_LN2)), builder.fadd(s, s))


# exp(x) for x <= 0 to 1e-10, relative; below -700 it stays at exp(-700)
exp_short = _written_out(types.float64, _exp(-700.0, (_LN2_HIGH, _LN2_LOW), _EXP_SHORT))
# In single precision, all to 2e-7, relative. exp(x) for x <= 0, from -87 on; log(x) for normal x;
# asinh(q) and 1/sqrt(1 + q²) for 0 <= q <= 1.
exp_single = _written_out(types.float32, _exp(-87.0, (0.693359375, -2.12194440e-4), _EXP))
log_single = _written_out(types.float32, _log)
asinh_single = _written_out(types.float32, _asinh)
asinh_slope_single = _written_out(types.float32, _asinh_slope)
