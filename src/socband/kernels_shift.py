"""Where a cell's own curves stand on its model's, compiled: `cell.stands_at`, in both its forms."""

from __future__ import annotations

from numba import njit

from socband.cell import TAPER
from socband.kernels_jit import OPEN

# as the loop of the filter that it is put into
_VECTOR = njit(
    cache=True, nogil=True, error_model="numpy", _nrt=False, no_cfunc_wrapper=True,
    forceinline=True, fastmath={"contract", "nsz"},
)  # fmt: skip


@OPEN
def stands_at(z, shift):
    """As a forecast has it: the shift fades out towards full, and from the left towards empty."""
    full = (1.0 - z) * (1.0 / TAPER)
    empty = z * (1.0 / TAPER) if shift > 0.0 else 1.0
    at = z + shift * min(max(min(full, empty), 0.0), 1.0)
    near_full = (full > 0.0) & (full < 1.0)
    slope = max(1.0 - shift * (1.0 / TAPER), 0.0) if near_full else 1.0
    near_empty = (empty > 0.0) & (empty < 1.0)
    return at, 1.0 + shift * (1.0 / TAPER) if near_empty else slope


@_VECTOR
def stands_in_filter(z, shift):
    """As the filter has it: where empty lies is part of the doubt, and there the shift stays."""
    full = (1.0 - z) * (1.0 / TAPER)
    near_full = (full > 0.0) & (full < 1.0)
    slope = 1.0 - shift * (1.0 / TAPER) if near_full else 1.0
    return z + shift * min(max(full, 0.0), 1.0), slope
