"""What brings charge: solar panels, a vehicle's DC-DC converter, a shore charger.

Solar power is a half-sine between sunrise and sunset, times the panels' performance ratio and the
share that clouds let through, one draw a member. A charger gives its power or current in its hours.
Each holds the bank at most at its voltage limit (the current tapers), may idle above a charge
threshold, charges nothing while every battery is too cold, and may not be there at all. In the
kernel they hold their power for a slot of a quarter of an hour, its mean taken exactly.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from socband.demand import seconds_between, spans_ahead
from socband.kernels_columns import (
    Q_COUNT,
    Q_CURRENT_LIMIT,
    Q_IDLE_SOC,
    Q_POWER,
    Q_RESUME_SOC,
    Q_VOLTAGE_LIMIT,
)
from socband.unknowns import uniforms

if TYPE_CHECKING:
    from socband.site import Setup, Source

Array = np.ndarray

SLOT_S = 900.0
IDLE_GAP = 0.05  # assumed: an idling charger resumes 5 % below its threshold


@dataclass(frozen=True)
class Sources:
    """Every source of every member, in the kernel's layout, in the order of voltage limits.

    Attributes:
        names: (S,).
        scale: (n, S) nominal power over cells in series [W], or current [A].
        kind: (S, Q_COUNT); see `kernels_columns`.
        shape: (S, K) share of the nominal in slots of `slot_s` from now.
        slot_s: [s].
    """

    names: tuple[str, ...]
    scale: Array
    kind: Array
    shape: Array
    slot_s: float = SLOT_S

    @classmethod
    def none(cls, n: int) -> Sources:
        """No source at all."""
        return cls((), np.zeros((n, 0)), np.zeros((0, Q_COUNT)), np.zeros((0, 1)))

    @classmethod
    def from_setup(
        cls, setup: Setup, n: int, seed: int, now: datetime, horizon_s: float
    ) -> Sources:
        """The sources of a setup file, drawn for n members."""
        if not setup.sources:
            return cls.none(n)
        series = setup.bank.cells_in_series
        columns = [_column(source, n, seed, now, horizon_s, series) for source in setup.sources]
        order = np.argsort([kind[Q_VOLTAGE_LIMIT] for _, kind, _ in columns], kind="stable")
        return cls(
            tuple(setup.sources[k].name for k in order),
            np.ascontiguousarray(np.stack([columns[k][0] for k in order], axis=1)),
            np.stack([columns[k][1] for k in order]),
            np.stack([columns[k][2] for k in order]),
        )


def _column(
    source: Source, n: int, seed: int, now: datetime, horizon_s: float, series: int
) -> tuple[Array, Array, Array]:
    """Scale (n,), kind (Q_COUNT,) and shape (K,) of one source."""

    def draw(key: str, quantity) -> Array:
        return quantity.ppf(uniforms(seed, f"sources.{source.name}.{key}", n))

    power = source.power_w is not None
    scale = draw("power_w", source.power_w) / series if power else draw("c", source.current_a)
    if source.kind == "solar":
        scale = scale * draw("performance_ratio", source.performance_ratio)
        scale = scale * draw("clearness", source.clearness)
        shape = half_sine_slots(source, now, horizon_s)
    else:
        shape = _share_of_slots(spans_ahead(source.hours, now, horizon_s), horizon_s)
    present = uniforms(seed, f"sources.{source.name}.presence", n) < source.probability
    limit_a = np.inf if source.current_limit_a is None else source.current_limit_a
    limit_v = source.voltage_limit_v / series
    always = source.idle_above_soc is None or source.idle_above_soc >= 1.0
    idle = np.inf if always else source.idle_above_soc
    kind = np.zeros(Q_COUNT)
    kind[Q_POWER] = float(power)
    kind[Q_CURRENT_LIMIT], kind[Q_VOLTAGE_LIMIT] = limit_a, limit_v
    kind[Q_IDLE_SOC], kind[Q_RESUME_SOC] = idle, idle - IDLE_GAP
    return scale * present, kind, shape


def _slots(horizon_s: float) -> Array:
    """Edges of the slots [s]."""
    return SLOT_S * np.arange(int(np.ceil(horizon_s / SLOT_S)) + 1)


def half_sine_slots(source: Source, now: datetime, horizon_s: float) -> Array:
    """(K,) mean of the half-sine between sunrise and sunset over each slot, 0..1.

    The mean over a slot is taken from the integral, D/π·(1 − cos(π·x/D)) at x after sunrise, so a
    day's sum is exactly 2/π of its length.
    """
    edges = _slots(horizon_s)
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    gathered = np.zeros(len(edges))
    for day in range(-1, int(horizon_s / 86400.0) + 2):
        rise, sets = (
            seconds_between(now, midnight + timedelta(days=day, minutes=clock.minute))
            for clock in (source.sunrise, source.sunset)
        )
        length = sets - rise
        x = np.clip(edges - rise, 0.0, length)
        gathered += length / np.pi * (1.0 - np.cos(np.pi * x / length))
    return np.diff(gathered) / SLOT_S


def _share_of_slots(spans: Array, horizon_s: float) -> Array:
    """(K,) share of each slot that lies within the spans."""
    edges = _slots(horizon_s)
    inside = np.zeros(len(edges))
    for start, end in spans:
        inside += np.clip(edges, start, end) - start
    return np.diff(inside) / SLOT_S
