"""What brings charge: solar, a vehicle's DC-DC converter, a shore charger."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:
    from socband.site import Setup

Array = np.ndarray

SLOT_S = 900.0


@dataclass(frozen=True)
class Sources:
    """Every source of every member, in the kernel's layout; power is over cells in series.

    Attributes:
        names: (S,).
        scale: (n, S) nominal power over cells in series [W], or current [A].
        kind: (S, Q_COUNT); see `kernels_forward`.
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
        return cls((), np.zeros((n, 0)), np.zeros((0, 5)), np.zeros((0, 1)))

    @classmethod
    def from_setup(
        cls, setup: Setup, n: int, seed: int, now: datetime, horizon_s: float
    ) -> Sources:
        """The sources of a setup file, drawn for n members."""
        return cls.none(n)
