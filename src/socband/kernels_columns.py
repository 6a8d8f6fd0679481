"""Columns of the arrays that go into the forward kernels and come out of them."""

from __future__ import annotations

# Columns of `limits` (n, L_COUNT): volts per cell, bank amperes.
(
    L_DISCONNECT,
    L_DELAY,
    L_CUTOUT,
    L_CUTOUT_DELAY,
    L_LEAD,  # connection resistance over cells in series [ohm]
    L_FULL_V,
    L_FULL_A,
    L_FULL_S,
    L_COUNT,
) = range(9)

# Columns of `source_kind` (S, Q_COUNT).
Q_POWER, Q_CURRENT_LIMIT, Q_VOLTAGE_LIMIT, Q_IDLE_SOC, Q_RESUME_SOC, Q_COUNT = range(6)

# Columns of the report, one row per member.
(
    O_LVD,  # [s] disconnect, inf if not within the horizon
    O_WHICH,  # 1 low-voltage disconnect, 2 every battery's own BMS
    O_INVERTER,  # [s] inverter cut-out
    O_FIRST_BMS,  # [s] first battery that opened
    O_FULL,  # [s] full
    O_CHARGE,  # [Ah] net into the bank
    O_LOAD_J,  # per cell in series: taken by loads
    O_SOURCE_J,  # brought by sources
    O_LOSS_J,  # lost in leads and connections
    O_BATTERY_J,  # put into the batteries at their own terminals
    O_STEPS,
    O_SOC,  # mean true charge at the end
    O_OUT,  # [Ah] taken by loads
    O_TEMPERATURE,  # [°C] of the coldest battery at the end
    O_COUNT,
) = range(15)
