"""How large the voltage-model error of a run of `posterior` will be over its next steps."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from socband import kernels as k
from socband.cell import diffusion_current, surface_soc
from socband.kernels_layout import MINUTE_S
from socband.posterior_settings import error_std_v, kept_of_error, share_of_full

if TYPE_CHECKING:
    from socband.track import Track

Array = np.ndarray


def steps_in_a_minute(track: Track) -> int:
    """How many usual steps of a track a minute holds, at least one."""
    return max(1, round(MINUTE_S / float(np.median(track.dt_s))))


def foresee(run: Any, state: Array, weights: Array, first: int, last: int) -> None:
    """Set the size of the voltage-model error for the coming steps, one for all members.

    It follows the slope of the OCV curve at the surface charge, averaged over where the ensemble
    is now, and how far the surface lags; once a minute where steps are shorter. All later runs over
    these steps (moves) meet the same numbers.

    Args:
        run: of `posterior`; its `drive` is filled.
        state: (STATE_ROWS, n) before the first of the steps.
        weights: (n,) of the members.
        first, last: the steps, the last not included.
    """
    track, cell, n_grid = run.track, run.cell, len(run.table) - 1
    part, count = slice(first, last), last - first
    every = steps_in_a_minute(track)
    at = np.minimum(np.arange(every // 2, count + every // 2, every), count - 1)
    moved = np.cumsum(track.current_a[part] * track.dt_s[part]) / (3600.0 * cell.capacity_ah)
    soc = np.clip(state[k.Z] + moved[at][:, None], 1e-3, 1.0 - 1e-3)  # (minutes, n)
    slow_a = diffusion_current(track.drive[k.RC2_MEAN, part], track.drive[k.RC3_MEAN, part])[at]
    temperature_c = track.temperature_c[part][at]
    surface = surface_soc(cell, soc, slow_a[:, None], temperature_c[:, None])
    row = np.minimum((surface * n_grid).astype(np.int64), n_grid - 1)
    slope_v = (run.table[row + 1, k.OCV] - run.table[row, k.OCV]) * n_grid
    near_full = share_of_full(surface)
    full_v = np.sqrt(np.square(slope_v * near_full) @ weights) * run.settings.full_std_soc
    error_v = error_std_v(
        cell,
        run.error_scale,
        np.sqrt(slope_v**2 @ weights),
        np.abs(slow_a) / cell.capacity_ah,
        np.abs(surface - soc) @ weights,
        temperature_c,
        full_v,
        run.lasting_share,
    )
    run.drive[k.SIGMA_E_V, part] = np.repeat(error_v, every)[:count]
    run.drive[k.KEEP_E, part] = kept_of_error(
        track.dt_s[part],
        run.tau_e_s,
        run.settings.full_memory_s,
        np.repeat(near_full @ weights, every)[:count],
    )
