"""Eight members looked up at once, against indexing and straight lines in numpy."""

from __future__ import annotations

import numpy as np
import pytest
from numba import njit

from socband.kernels_lookup import aligned_zeros, look_up_eight, with_rises

LANES = 24
NEAR = {"rtol": 0, "atol": 2e-6}  # single precision, of sums of a few units
ALL = look_up_eight(tuple(range(8)))
SOME = look_up_eight((1, 4, 6), 4, 6)


@njit(error_model="numpy")
def _all(w, rows, table):
    for k in range(0, LANES, 8):
        ALL(w, k, rows, 0, 0, table, 2 * LANES)


@njit(error_model="numpy")
def _some(w, rows, table):
    for k in range(0, LANES, 8):
        SOME(w, k, rows, 0, LANES, table, 2 * LANES)


@pytest.fixture
def looked_up():
    rng = np.random.default_rng(3)
    table = rng.normal(size=(33, 8))
    w = aligned_zeros((10 * LANES,), np.float32)
    w[: 2 * LANES] = rng.uniform(-1.0, 2.0, 2 * LANES)
    rows = rng.integers(0, 32, LANES)
    return w, rows, table


def test_every_column_on_a_straight_line(looked_up):
    w, rows, table = looked_up
    _all(w, rows, with_rises(table))
    want = table[rows] + w[:LANES, None] * (table[rows + 1] - table[rows])
    np.testing.assert_allclose(w[2 * LANES :].reshape(8, LANES).T, want, **NEAR)


def test_wanted_columns_only_one_beyond_its_end_and_its_rise(looked_up):
    w, rows, table = looked_up
    _some(w, rows, with_rises(table))
    got = w[2 * LANES :].reshape(8, LANES)
    rise = table[rows + 1] - table[rows]
    np.testing.assert_allclose(got[1], table[rows, 1] + w[:LANES] * rise[:, 1], **NEAR)
    np.testing.assert_allclose(got[4], table[rows, 4] + w[LANES : 2 * LANES] * rise[:, 4], **NEAR)
    np.testing.assert_allclose(got[6], rise[:, 4], **NEAR)
    assert not got[[0, 2, 3, 5, 7]].any()


def test_a_row_lies_in_one_cache_line():
    for _ in range(5):
        assert aligned_zeros((7, 8)).ctypes.data % 64 == 0
        assert with_rises(np.zeros((7, 8))).ctypes.data % 64 == 0
