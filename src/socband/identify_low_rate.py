"""What is doubtful about low-rate branches: too fast, not whole, or not of one cell."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import product

import numpy as np

from socband.identify_anchor import FLAT_V
from socband.identify_ocv import Branch

# Faster than this the voltage is far from rest (assumed; C/20 is usual, C/10 the fastest in use).
_FAST_C_RATE = 0.12
# A low-rate discharge falls through this within its last per cent; one that ends above it left some
# of the charge in the cell, above `FLAT_V` perhaps half of it.
_EMPTY_V = 2.95
_SOME_LEFT, _MUCH_LEFT = 0.1, 0.5  # of the capacity, one standard deviation (assumed)
_APART = 0.04  # relative, two measured capacities of one cell at one temperature (assumed)
_SAME_K = 5.0


def doubts_of_branches(branches: Sequence[Branch]) -> tuple[float, list[str]]:
    """Relative doubt of the capacity that low-rate branches tell, and what is to be said of it.

    Args:
        branches: all of them; the discharges tell the capacity where there are any.
    """
    doubt, notes = 0.0, []
    for branch in branches:
        rate = abs(branch.current_a) / branch.capacity_ah
        if rate > _FAST_C_RATE:
            notes.append(
                f"{branch.name} ran at {rate:.2g}C: too fast for a low-rate branch (C/20 or"
                " slower), its voltages are far from rest"
            )
    down = [b for b in branches if b.current_a < 0]
    for branch in down:
        end_v = float(branch.voltage_v[np.isfinite(branch.voltage_v)][0])
        if end_v > _EMPTY_V:
            left = _MUCH_LEFT if end_v > FLAT_V else _SOME_LEFT
            doubt = max(doubt, left)
            notes.append(
                f"{branch.name} ends at {end_v:.2f} V and did not empty the cell: the capacity is"
                f" more than the {branch.capacity_ah:.4g} Ah it gave, ± {100 * left:.0f} % is a"
                " guess, and so is every true charge counted in it"
            )
    up = [b for b in branches if b.current_a > 0]
    for one, other in product(down, up):
        if one.moved_ah is None or other.moved_ah is None:
            continue
        same = abs(one.temperature_c - other.temperature_c) < _SAME_K
        apart = abs(np.log(other.moved_ah / one.moved_ah))
        if same and apart > _APART:
            doubt = max(doubt, float(apart))
            notes.append(
                f"{one.name} gave {one.moved_ah:.4g} Ah and {other.name} took {other.moved_ah:.4g}:"
                " not both are whole, or one current is off; the capacity is known as badly as"
                " they agree"
            )
    return doubt, notes
