"""Look-ups in the cell's tables for eight members at once, compiled.

A row of a table holds eight columns and, beside them, how far each is from the next row: one cache
line of single-precision numbers. One look-up reads the row as two vectors, goes along a straight
line in all columns at a time, and turns eight members' rows round so that each column of eight
members can be stored as one vector: two loads a member in place of two for each column, and no
store of single numbers.
"""

from __future__ import annotations

import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

_WORD = ir.IntType(64)
_EIGHT = ir.VectorType(ir.FloatType(), 8)
COLUMNS = 8


def aligned_zeros(shape: tuple[int, ...], dtype: type = np.float64) -> np.ndarray:
    """Zeros that begin with a cache line, so that eight numbers never lie in two of them."""
    size = int(np.prod(shape)) * np.dtype(dtype).itemsize
    room = np.zeros(size + 64, np.uint8)
    start = -room.ctypes.data % 64
    return room[start : start + size].view(dtype).reshape(shape)


def with_rises(table: np.ndarray) -> np.ndarray:
    """(k - 1, 16) float32: a table of (k, 8), and beside each row its way to the next."""
    both = aligned_zeros((len(table) - 1, 2 * COLUMNS), np.float32)
    both[:, :COLUMNS] = table[:-1]
    both[:, COLUMNS:] = np.diff(table, axis=0)
    return both


def _mask(places: list[int]) -> ir.Constant:
    return ir.Constant(ir.VectorType(ir.IntType(32), 8), places)


def _turned(builder, rows: list) -> list:
    """Columns of an 8 × 8 matrix given as eight vectors: pairs, then fours, then halves."""
    pairs = []
    for a, b in zip(rows[0::2], rows[1::2], strict=True):
        pairs.append(
            [
                builder.shuffle_vector(a, b, _mask([s + k for k in (0, 8, 1, 9, 4, 12, 5, 13)]))
                for s in (0, 2)
            ]
        )
    fours = {}  # [half][column modulo 4]
    for half in range(2):
        first, second = pairs[2 * half : 2 * half + 2]
        for column in range(4):
            mask = _mask([2 * (column % 2) + k for k in (0, 1, 8, 9, 4, 5, 12, 13)])
            high = column // 2
            fours[half, column] = builder.shuffle_vector(first[high], second[high], mask)
    columns = []
    for column in range(COLUMNS):
        start = 4 * (column // 4)
        mask = _mask([start + k for k in (0, 1, 2, 3, 8, 9, 10, 11)])
        columns.append(builder.shuffle_vector(fours[0, column % 4], fours[1, column % 4], mask))
    return columns


def look_up_eight(wanted: tuple[int, ...], beyond: int = -1, rise: int = -1):
    """A compiled function f(w, k, row, share, free, table, out).

    It looks places k..k+7 up and stores column c of `wanted` from w[out + c·LANES + k] on, where
    the distance LANES between rows is that of `row`.

    Args:
        wanted: columns to be stored.
        beyond: the column that goes on as a straight line beyond the table's ends, if any: it is
            taken at w[free + k] between the two rows, the others at w[share + k] in 0..1.
        rise: the column in whose place the rise of `beyond` from one row to the next is stored.
    """

    @intrinsic
    def look_up(typing_context, w, k, row, share, free, table, out):
        def build(context, builder, signature, arguments):
            types_, (w_, k_, row_, share_, free_, table_, out_) = signature.args, arguments
            data = context.make_array(types_[0])(context, builder, w_).data
            line = context.make_array(types_[2])(context, builder, row_)
            lanes = cgutils.unpack_tuple(builder, line.shape)[0]
            rows = context.make_array(types_[5])(context, builder, table_).data
            k_, share_, free_, out_ = (
                context.cast(builder, value, kind, types.intp)
                for value, kind in zip(
                    (k_, share_, free_, out_),
                    (types_[1], types_[3], types_[4], types_[6]),
                    strict=True,
                )
            )
            found = []
            for place in range(8):
                at = builder.add(k_, ir.Constant(_WORD, place))
                first = builder.mul(builder.load(builder.gep(line.data, [at])),
                                    ir.Constant(_WORD, 2 * COLUMNS))  # fmt: skip
                low, change = (
                    builder.load(
                        builder.bitcast(
                            builder.gep(rows, [builder.add(first, ir.Constant(_WORD, step))]),
                            _EIGHT.as_pointer(),
                        ),
                        align=4,
                    )
                    for step in (0, COLUMNS)
                )
                single = builder.load(builder.gep(data, [builder.add(share_, at)]))
                empty = ir.Constant(_EIGHT, ir.Undefined)
                seed = builder.insert_element(empty, single, ir.Constant(ir.IntType(32), 0))
                between = builder.shuffle_vector(seed, empty, _mask([0] * 8))
                if beyond >= 0:
                    loose = builder.load(builder.gep(data, [builder.add(free_, at)]))
                    between = builder.insert_element(
                        between, loose, ir.Constant(ir.IntType(32), beyond)
                    )
                value = builder.fadd(
                    low, builder.fmul(between, change, flags=("contract",)), flags=("contract",)
                )
                if rise >= 0:
                    mask = list(range(8))
                    mask[rise] = 8 + beyond
                    value = builder.shuffle_vector(value, change, _mask(mask))
                found.append(value)
            columns = _turned(builder, found)
            for column in wanted:
                distance = builder.mul(lanes, ir.Constant(_WORD, column))
                at = builder.add(builder.add(out_, distance), k_)
                target = builder.bitcast(builder.gep(data, [at]), _EIGHT.as_pointer())
                builder.store(columns[column], target, align=4)
            return context.get_dummy_value()

        return types.void(w, k, row, share, free, table, out), build

    return look_up
