"""Where the compiled filter finds its numbers: rows, columns and positions of its arrays."""

from __future__ import annotations

from socband.cell import ENTROPY, LAG, OCV, R0, R1, R2  # noqa: F401  (columns of its table)
from socband.cell import GAP as HYST  # noqa: F401

# rows of the state matrix (rows, n)
Z, I1, I2, E, B, H, LOGLIK = range(7)
P0 = 7  # 15 rows: the upper triangle of P, row by row over (z, i1, i2, e, b)
STATE_ROWS = P0 + 15
STATE = ("z", "i1", "i2", "e", "b")

# rows of the parameter matrix (rows, n)
GAIN, UNTRACKED_A, CAPACITY_AH, RESISTANCE, DIFFUSION, TEMPERATURE_K, VOLTAGE_V, SHIFT = range(8)
FAST_START_A = 8  # the fast diffusion mode when the log began
HYSTERESIS, DECAY = 9, 10  # factors on the half gap, and on how soon a branch is reached
CURVE_V = 11  # the first of the rows that say, node by node, what lies on top of the OCV
CURVE_NODES = 9  # evenly over 0..1 of charge
PARAMETER_ROWS = CURVE_V + CURVE_NODES

# rows of the drive (rows, t): what the seen current alone does, worked out on the log's own rows,
# and the voltage-model error, the same for all members: its standard deviation, and what it keeps
# of itself over the step
SEEN_A, RC1_BEFORE, RC1_END, RC1_MEAN, RC2_BEFORE, RC2_END, RC2_MEAN, HYST_KEEP, HYST_ADD = range(9)
# the fast mode of the diffusion current, and what the step's mean holds of where it started
RC3_END, RC3_MEAN, RC3_LEFT = 9, 10, 11
SIGMA_E_V, KEEP_E = 12, 13
DRIVE_ROWS = 14

# entries of the vector of numbers common to all members
(
    TAU1_S,
    TAU2_S,
    SAT1_C,
    SAT_LAG_C,
    GAMMA,
    T_REF_C,
    CELL_CAPACITY_AH,
    EFFICIENCY,
    NOISE_V,
    BIAS_WALK_A,
    OUTLIER_SIGMA,
    T_GRID_START_C,
    T_GRID_STEP_K,
    LEAK_PER_S,  # self-discharge, share of the capacity
    MINUTE_NOISE_V,  # of what models leave from one minute to the next; NOISE_V is the meter's
) = range(15)
COMMON_SIZE = 15
MINUTE_S = 60.0  # within which what a model leaves hardly moves: shorter steps know no more

# columns of the table of temperature factors, in the order of `cell.temperature_factors`
F_K0, F_K1, F_K2, F_LAG, F_CAPACITY = range(5)
