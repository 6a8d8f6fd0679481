"""What is known of LFP cells before the first record of a new one is seen.

Priors of the fit, scaled by capacity and by the step resistance measured in the records. They are
wide where records can speak and carry the fit where they cannot: constant-current records alone
say nothing of time constants, one temperature nothing of activation energies.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from socband.cell import arrhenius


class Prior(NamedTuple):
    """A log-normal prior (`share`s: logit-normal): median, spread of the logarithm, source."""

    median: float
    spread: float
    source: str


_DYNAMIC = "prior: dynamic records of an open 26650 LFP cell, -25..45 degC (Plett 2015 supplement)"
_BPX = "prior: activation energies 17 to 80 kJ/mol of the open BPX example LFP cell (2022)"
_MEMORY = "prior: RC time constants 10..60 s and 100..1000 s of prismatic cells (memory)"

PRIORS: dict[str, Prior] = {
    "r0": Prior(1.0, 0.15, "prior: the step resistance seen in the records"),
    "r1": Prior(1.2, 0.6, _DYNAMIC),  # over the step resistance
    "r2": Prior(2.0, 0.8, _DYNAMIC),  # over the step resistance
    "tau1_s": Prior(25.0, 0.4, _DYNAMIC + "; " + _MEMORY),
    "tau2_s": Prior(1500.0, 0.6, _DYNAMIC),
    "saturation_1_c_rate": Prior(2.0, 0.8, _DYNAMIC),
    "saturation_lag_c_rate": Prior(0.3, 1.0, _DYNAMIC),
    "decay": Prior(20.0, 1.0, "prior: a turn-over within some per cent of the capacity, assumed"),
    "share0": Prior(0.6, 0.7, _DYNAMIC),
    "share1": Prior(0.3, 1.0, _DYNAMIC),
    "share2": Prior(0.5, 1.0, _DYNAMIC),
    "share_lag": Prior(0.7, 1.0, _DYNAMIC),
    "activation0": Prior(35.0, 0.3, _BPX),
    "activation1": Prior(35.0, 0.3, _BPX),
    "activation2": Prior(30.0, 0.3, _BPX),
    "activation_lag": Prior(40.0, 0.3, _BPX),
    "heat_capacity": Prior(20.0, 0.15, "c_p 999 J/kg/K (BPX, estimated) on 17 to 33 g per Ah"),
    "heat_conductance": Prior(0.06, 0.2, "assumed: 5 to 30 W/m2/K over a cell's surface"),
}

R_SOC = (0.0, 0.05, 0.1, 0.2, 0.35, 0.5, 0.65, 0.8, 0.95, 1.0)
LAG_SOC = (0.0, 0.01, 0.03, 0.06, 0.1, 0.15, 0.2, 0.3, 0.6, 0.95, 1.0)
LAG_MEDIAN = 0.3
LAG_SPREAD = 1.2
R_SPREAD = (0.25, 0.25, 0.25)  # of the logarithm of the factors of R0, R1, R2

# Where the records of a fit move OCV and dU/dT (`identify_parameters`).
MOVES_ABOVE = 0.08
OCV_MOVES_SOC = (0.12, 0.16, *(round(0.05 * k, 2) for k in range(4, 19)), 0.94, 0.97, 1.0)
ENTROPY_MOVES_SOC = (0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)

# Constant current alone: the ohmic part and the slow branch stay flat over the charge, as they are
# in dynamic records; what rises at the low end is the charge transfer, which saturates (exchange
# currents of the open BPX example cell: 0.6 and 1.15 C). Time constants are held.
R_SPREAD_STEADY = (0.1, 0.5, 0.1)
STEADY: dict[str, Prior] = {
    "saturation_1_c_rate": Prior(0.85, 0.3, "prior: exchange currents of the BPX example LFP cell"),
    "tau1_s": Prior(15.0, 0.02, "assumed: held, see notes"),
    "tau2_s": Prior(150.0, 0.02, "assumed: held at a published diffusion time, see notes"),
}

# One temperature: what little the cell warms by its own losses says nothing that could be carried
# to another temperature, and a fit would use it to bend what else it lacks.
HELD = 0.1  # of the spread above


def at_one_temperature(priors: dict[str, Prior]) -> dict[str, Prior]:
    """The priors with all dependence on temperature held at what other cells have."""
    return {
        name: prior._replace(spread=HELD * prior.spread)
        if name.startswith(("share", "activation"))
        else prior
        for name, prior in priors.items()
    }


def factor_at(part: str, temperature_c: float) -> tuple[float, float]:
    """What a temperature makes of a part by the priors, and the spread of its logarithm.

    Args:
        part: "0", "1", "2" or "_lag", as in `share0` and `activation0`.
        temperature_c: [°C]; at 25 °C 1.0 and no spread.
    """
    share, energy = PRIORS["share" + part], PRIORS["activation" + part]
    colder = float(arrhenius(energy.median, temperature_c))
    factor = share.median + (1.0 - share.median) * colder
    by_share = (1.0 - colder) * share.spread * share.median * (1.0 - share.median)
    by_energy = (1.0 - share.median) * colder * float(np.log(colder)) * energy.spread
    return factor, float(np.hypot(by_share, by_energy)) / factor


# Usable capacity over that at 25 °C where records do not tell it [by °C].
ASSUMED_CAPACITY = {-20.0: 0.95, 0.0: 0.98, 25.0: 1.0, 55.0: 1.0}
ASSUMED_CAPACITY_SPREAD = 0.04
ASSUMED_CAPACITY_SOURCE = (
    "assumed: at a low rate as the open 26650 records (0.98 at -25 degC), less for caution;"
    " published minima at C/3: 0.70 at -20, 0.80 at 0 degC, slow part in the resistances"
)


def assumed_fraction(temperature_c: float) -> float:
    """Usable capacity over that at 25 °C, assumed."""
    return float(np.interp(temperature_c, list(ASSUMED_CAPACITY), list(ASSUMED_CAPACITY.values())))


# dU/dT of the open BPX example LFP cell [V/K]: electrode functions, entropy data cited there to
# Gerver & Meyers 2011 (10.1149/1.3591799) and O'Regan et al. 2022. Spread: one tenth mV/K.
ENTROPY_SOC = (0.0, 0.05, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 0.95, 1.0)
ENTROPY_V_PER_K = tuple(
    float(round(1e-3 * v, 6))
    for v in (-.224, -.386, -.488, -.196, -.088, -.061, -.039, -.014, .012, .038, .067, .085, .102)
)  # fmt: skip
ENTROPY_SPREAD = 1e-4
ENTROPY_SOURCE = (
    "open BPX example LFP cell 2022 (Gerver & Meyers 2011, 10.1149/1.3591799; O'Regan et al. 2022)"
)

# Half gap between charge and discharge after long rest: 5..25 mV between the branches (published,
# secondary) are 2.5..12.5 mV of half gap. The two cells measured both ways (26650) have 16 mV where
# the curve is steep; that as a prior would lift the 18650's OCV 14 mV over its published one at
# 20 % charge.
GAP_SOC = (0.0, 0.05, 0.1, 0.2, 0.5, 0.8, 0.9, 0.97, 1.0)
GAP_V = (0.0025, 0.005, 0.0055, 0.0055, 0.005, 0.0045, 0.004, 0.0025, 0.001)
GAP_SPREAD = 0.004
GAP_SOURCE = "assumed from published gaps of 5..25 mV between the branches (secondary source)"

# How far the curves of a fitted cell may shift along the charge (`unknowns.LEAST_SHIFT`), over the
# error along the charge that its fit left (assumed, from three cells).
SHIFT_PER_ERROR = 3.0

# Rows of the computing grid (k/1024) where the curve is steep, so that nothing is lost there.
OCV_SOC = tuple(
    [k / 1024 for k in range(22)]
    + [k / 200 for k in range(5, 40)]
    + [k / 100 for k in range(20, 96)]
    + [k / 200 for k in range(192, 198)]
    + [k / 1024 for k in range(1014, 1025)]
)
