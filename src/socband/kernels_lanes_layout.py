"""Where the lanes' numbers lie, how a member's begin, and what is made of them at the end.

Two flat arrays, row after row of `LANES` members: clocks, charge, temperature and what adds up over
the night in double precision; in single precision, of which a vector holds twice as many numbers,
all that is worked out anew in every step.
"""

from __future__ import annotations

import numpy as np
from numba import njit

from socband.cell import ENTROPY, FAST_SHARE, GAP, LAG, OCV, R0, R1, R2, SLOPE, SLOW_SHARE
from socband.kernels_bank import (
    B_CAPACITY,
    B_DIFFUSION,
    B_LEAD,
    B_PARALLEL,
    B_RESISTANCE,
    B_SHIFT,
    FINEST_S,
    FIRST_S,
    LONGEST_S,
    S_H,
    S_I1,
    S_I2,
    S_I3,
    S_SOC,
    S_T,
    VOLT_STEP,
    W_CAPACITY,
    W_K0,
    W_K1,
    W_K2,
    W_LAG,
)
from socband.kernels_columns import (
    L_CUTOUT,
    L_CUTOUT_DELAY,
    L_DELAY,
    L_DISCONNECT,
    L_LEAD,
    O_BATTERY_J,
    O_CHARGE,
    O_COUNT,
    O_FIRST_BMS,
    O_FULL,
    O_INVERTER,
    O_LOAD_J,
    O_LOSS_J,
    O_LVD,
    O_OUT,
    O_SOC,
    O_STEPS,
    O_TEMPERATURE,
    O_WHICH,
)
from socband.kernels_demand import (
    D_COUNT,
    INTERVALS,
    N_COUNT,
)
from socband.kernels_lookup import aligned_zeros

# Whole vectors of sixteen; and no power of two, or rows that are written and rows that are read lie
# a multiple of 4 kB apart, which the processor takes for the same place and waits.
LANES = 80
NULL_S = 1e-9
SIGHT_S = 1e-3  # as near as single precision sees the moment of a crossing
MOST_TRIES = 50.0  # a step is taken back so often and no more, whatever the limits do
STORE, EVENTS, FLIPPED = 1, 2, 4  # what a lane wants attention for, added up

# Where the rows of the lanes' arrays begin. Flat arrays with constant distances between rows are
# what lets the compiler see that they do not overlap. First the one in double precision ...
(
    Z, ZS, T, TS,  # charge and temperature, and where the step began
    NOW, DT, EVENT, STOP,  # clock, step, events
    P, A,  # loads
    BELOW0, BELOW1, DELAY0, DELAY1,  # since when limits are undercut
    GRID, OUT_AS, LOAD_J, LOSS_J, SERVED, DRAWN, SHIFT, AT, COOL,
    STEPS, DISCONNECT, CUTOUT,  # steps less rounds so far, when limits tripped
    SIZE,
) = range(0, 27 * LANES, LANES)  # fmt: skip
# ... then the one in single precision.
(
    I1, I2, I3, H, I1S, I2S, I3S, HS,  # state, and where the step began
    GRADE, CAP, SPAN,  # next step's grade, cap on it, this step
    QA, PAR, LEAD, RF, DF, WARM,  # what a member is
    PS, AS,  # loads
    E, R0N, R1N, RDN, REST, STEEP, ID,  # evaluated: see `settle`
    ES, R0S,  # where the step began
    VD, VC, WAS0, WAS1, IS0, IS1,  # limits, 1 if undercut as the step began, and as it ended
    TOTAL, UMEAN, POWERED, ENOUGH, TRIES, KEPT, HEAT,
    ALONG, Y0, Y1,  # within a step; see `branches`
    SHARE, FREE, SHARE_T, LAGR,  # places in the tables, surface lag
    X0, X1, X2, Q0, Q1, D0, D1,  # what functions are taken of, side by side
    MEAN, _M1, _M2, _M3, _M4, _M5, _M6, _M7,  # looked up at the mean charge,
    FACTOR, _F1, _F2, _F3, _F4,  # at the temperature,
    SURF, _S1, _S2, _S3, _S4, _S5, _S6, _S7,  # at the surface charge
    SIZE_SINGLE,
) = range(0, 77 * LANES, LANES)  # fmt: skip
# where a column of the look-up at the mean charge stands, and so on
M_OCV, M_GAP, M_LAG = (MEAN + column * LANES for column in (OCV, GAP, LAG))
F_K0, F_K1, F_K2, F_LAG, F_CAPACITY = (
    FACTOR + column * LANES for column in (W_K0, W_K1, W_K2, W_LAG, W_CAPACITY)
)
S_OCV, S_GAP, S_ENTROPY, S_R0, S_R1, S_R2, S_RISE = (
    SURF + column * LANES for column in (OCV, GAP, ENTROPY, R0, R1, R2, SLOPE)
)

# A number written out in a formula is in double precision and would make the whole of it so.
single = np.float32
ZERO, HALF, ONE, THREE = (single(x) for x in (0.0, 0.5, 1.0, 3.0))
FIRST_SINGLE, LONGEST_SINGLE = single(FIRST_S), single(LONGEST_S)
FINEST_SINGLE, VOLT_STEP_SINGLE = single(FINEST_S), single(VOLT_STEP)
LEAST, ROWS = single(1e-12), single(1024.0)
SLOW, FAST = (single(x) for x in (SLOW_SHARE, FAST_SHARE))

VECTOR = njit(
    cache=True,
    nogil=True,
    error_model="numpy",
    fastmath={"contract", "nsz"},
    _nrt=False,
    no_cpython_wrapper=True,
    no_cfunc_wrapper=True,
    forceinline=True,
)


def starts(state0: np.ndarray, battery: np.ndarray, limits: np.ndarray) -> tuple[np.ndarray, ...]:
    """Every member's rows as its night begins, (n + 1, rows) in double and in single precision.

    A null step will look everything up. The last row is that of a lane without a member, whose
    steps mean nothing.
    """
    n = len(limits)
    doubles = np.zeros((n + 1, SIZE // LANES))
    singles = np.zeros((n + 1, SIZE_SINGLE // LANES), np.float32)
    for row, value in (
        (Z, 0.5), (AT, 0.5), (EVENT, np.inf), (GRID, np.inf), (BELOW0, np.inf), (BELOW1, np.inf),
        (DISCONNECT, np.inf), (CUTOUT, np.inf),
    ):  # fmt: skip
        doubles[:, row // LANES] = value
    for row, value in (
        (QA, 1.0), (PAR, 1.0), (F_CAPACITY, 1.0), (R0N, 1e-3), (GRADE, 300.0), (CAP, 300.0),
        (E, 3.3), (REST, 3.3),  # any: no current flows
        (VD, -1.0), (VC, -1.0),
    ):  # fmt: skip
        singles[:, row // LANES] = value
    state, own = state0[:, 0], battery[:, 0]
    for row, value in (
        (Z, state[:, S_SOC]), (T, state[:, S_T]), (SHIFT, own[:, B_SHIFT]), (EVENT, NULL_S),
        (DELAY0, limits[:, L_DELAY]), (DELAY1, limits[:, L_CUTOUT_DELAY]),
    ):  # fmt: skip
        doubles[:n, row // LANES] = value
    for row, value in (
        (I1, state[:, S_I1]), (I2, state[:, S_I2]), (I3, state[:, S_I3]), (H, state[:, S_H]),
        (ID, SLOW_SHARE * state[:, S_I2] + FAST_SHARE * state[:, S_I3]), (WARM, state[:, S_T]),
        (QA, 1.0 / (3600.0 * own[:, B_CAPACITY])), (PAR, 1.0 / own[:, B_PARALLEL]),
        (RF, own[:, B_RESISTANCE]), (DF, own[:, B_DIFFUSION]), (GRADE, NULL_S),
        (LEAD, own[:, B_LEAD] + limits[:, L_LEAD]),
        (VD, limits[:, L_DISCONNECT]), (VC, limits[:, L_CUTOUT]),
    ):  # fmt: skip
        singles[:n, row // LANES] = value
    return doubles, singles


def report_of(ends: np.ndarray) -> np.ndarray:
    """(n, O_COUNT) what became of the members, from their rows at the end."""
    report = np.zeros((len(ends), O_COUNT))
    out_ah = ends[:, OUT_AS // LANES] / 3600.0
    load_j, loss_j = ends[:, LOAD_J // LANES], ends[:, LOSS_J // LANES]
    for column, value in (
        (O_SOC, ends[:, Z // LANES] - ends[:, SHIFT // LANES]), (O_CHARGE, -out_ah),
        (O_OUT, out_ah), (O_LOAD_J, load_j), (O_LOSS_J, loss_j), (O_BATTERY_J, -load_j - loss_j),
        (O_STEPS, ends[:, STEPS // LANES]), (O_TEMPERATURE, ends[:, T // LANES]),
        (O_LVD, ends[:, DISCONNECT // LANES]), (O_INVERTER, ends[:, CUTOUT // LANES]),
        (O_WHICH, np.isfinite(ends[:, DISCONNECT // LANES])), (O_FIRST_BMS, np.inf),
        (O_FULL, np.inf),
    ):  # fmt: skip
        report[:, column] = value
    return report


def room_of(loads: int) -> tuple[np.ndarray, ...]:
    """Arrays to work in, for one call at a time."""
    return (
        aligned_zeros((SIZE,)),
        aligned_zeros((SIZE_SINGLE,), np.float32),
        aligned_zeros((LANES,), np.int64),  # rows of the tables
        aligned_zeros((LANES,), np.int64),
        aligned_zeros((LANES,), np.int64),  # what lanes want
        np.zeros(LANES + 1, np.int64),  # lanes that want to store, that have events
        np.zeros(LANES + 1, np.int64),
        np.zeros(LANES, np.int64),  # member on the lane, or -1
        np.zeros(LANES, np.int64),  # the next moment of the grid
        np.zeros(LANES * loads, np.uint64),
        np.zeros((LANES * loads, D_COUNT)),
        aligned_zeros((LANES * INTERVALS, N_COUNT)),
        np.zeros(LANES, np.int64),  # row of the interval now
    )
