"""A cell on which everything is linear, so that textbook closed forms are exact. For tests only."""

from __future__ import annotations

from dataclasses import replace

from socband.models import CellModel, Curve, TemperatureCurve, VoltageError, load_cell

SLOPE_V = 0.5  # dOCV/dz, constant
EMPTY_V = 3.0


def straight_cell(
    *,
    std_v: float = 0.004,
    tau_s: float = 900.0,
    noise_v: float = 0.002,
    r0_ohm: float = 0.02,
    capacity_ah: float = 2.0,
) -> CellModel:
    """U = 3.0 + 0.5·z + R0·I + e: no lag, no hysteresis, no branches, no temperature."""
    base = load_cell("lfp-18650-2ah")
    flat = dict(soc=(0.0, 1.0), share=1.0, activation_kj_mol=0.0)
    resistance = replace(base.r0, factor=(1.0, 1.0), **flat)
    return replace(
        base,
        name="straight",
        title="a straight line (test)",
        capacity_ah=capacity_ah,
        ocv=Curve((0.0, 1.0), (EMPTY_V, EMPTY_V + SLOPE_V)),
        hysteresis=Curve((0.0, 1.0), (0.0, 0.0)),
        entropy=Curve((0.0, 1.0), (0.0, 0.0)),
        r0=replace(resistance, ref_ohm=r0_ohm),
        r1=replace(resistance, ref_ohm=1e-12),
        r2=replace(resistance, ref_ohm=1e-12),
        saturation_1_c_rate=1e6,
        lag=replace(base.lag, value=(0.0, 0.0), saturation_c_rate=1e6, **flat),
        capacity_temperature=TemperatureCurve((-40.0, 60.0), (1.0, 1.0)),
        coulombic_efficiency=1.0,
        self_discharge_per_day=0.0,
        voltage_error=VoltageError(std_v, 0.0, 0.0, tau_s, noise_v),
        calibration=None,
    )
