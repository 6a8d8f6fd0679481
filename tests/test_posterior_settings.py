"""Size of the voltage-model error against its own definition, worked by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from socband.models import VoltageError, load_cell
from socband.posterior_settings import (
    Settings,
    error_std_v,
    kept_of_error,
    lasting_std_v,
    share_of_full,
)

ERROR = VoltageError(3e-3, 0.01, 0.0, 600.0, 5e-4, temperature_c=(-25.0, 15.0))


def test_error_grows_with_the_distance_from_fitted_temperatures() -> None:
    """At a fitted temperature 1; between, 20 K from both 5/3 and 15 K from one √2; 20 K beyond √5.

    Triangles 3-4-5 and 1-1-√2 of d over 15 K, and 1-2-√5 of d over 10 K.
    """
    factor = ERROR.unfamiliar_factor(np.array([-25.0, 15.0, -5.0, 0.0, 35.0, -45.0]))
    root2, root5 = np.sqrt(2.0), np.sqrt(5.0)
    np.testing.assert_allclose(factor, [1.0, 1.0, 5.0 / 3.0, root2, root5, root5])
    assert ERROR.unfamiliar_factor(15.0) == 1.0


def test_parts_of_the_error_add_as_squares() -> None:
    """3 mV flat and 1 % along 0.4 V per unit of charge: 3-4-5; scaled by 2; 20 K off √5 as much."""
    cell = replace(load_cell("lfp-26650-2ah"), voltage_error=ERROR)
    parts = {"slope_v": 0.4, "c_rate": 0.0, "lag": 0.0}
    assert error_std_v(cell, 1.0, temperature_c=15.0, **parts) == pytest.approx(5e-3)
    assert error_std_v(cell, 2.0, temperature_c=15.0, **parts) == pytest.approx(10e-3)
    far = error_std_v(cell, 1.0, temperature_c=35.0, **parts)
    assert far == pytest.approx(5e-3 * np.sqrt(5.0))


def test_what_passes_and_what_lasts_are_the_whole_error() -> None:
    """3-4-5 again: 0.6 of it lasts, 0.8 passes; both grow with the distance."""
    cell = replace(load_cell("lfp-26650-2ah"), voltage_error=ERROR)
    told = Settings(error_scale=2.0, lasting_share=0.6)
    flat = {"slope_v": 0.0, "c_rate": 0.0, "lag": 0.0, "lasting_share": 0.6}
    for at_c, away in ((15.0, 1.0), (35.0, np.sqrt(5.0))):
        assert lasting_std_v(cell, told, at_c) == pytest.approx(0.6 * 6e-3 * away)
        passing = error_std_v(cell, 2.0, temperature_c=at_c, **flat)
        assert passing == pytest.approx(0.8 * 6e-3 * away)


def test_load_counts_by_the_resistance_at_its_temperature() -> None:
    """Only the current's part: c·k(T)·C-rate, k at the reference temperature being 1."""
    error = replace(ERROR, std_v=0.0, std_soc=0.0, std_v_per_c_rate=0.01, temperature_c=(25.0,))
    cell = replace(load_cell("lfp-26650-2ah"), voltage_error=error)
    parts = {"slope_v": 0.0, "lag": 0.0, "temperature_c": cell.reference_temperature_c}
    assert error_std_v(cell, 1.0, c_rate=0.3, **parts) == pytest.approx(3e-3)


def test_near_full_the_error_is_one_of_its_own() -> None:
    """Half the way into the last 5 % half the doubt of full, and the mean of both rates.

    By hand: exp(-300 (1/2/3000 + 1/2/600)) = exp(-0.3); a memory shorter than full's stays.
    """
    np.testing.assert_allclose(share_of_full(np.array([0.5, 0.95, 0.975, 1.0])), [0, 0, 0.5, 1])
    kept = kept_of_error(300.0, 3000.0, 600.0, np.array([0.0, 0.5, 1.0]))
    np.testing.assert_allclose(kept, np.exp([-0.1, -0.3, -0.5]))
    assert kept_of_error(300.0, 400.0, 600.0, 1.0) == pytest.approx(np.exp(-0.75))
    cell = replace(load_cell("lfp-26650-2ah"), voltage_error=ERROR)
    parts = {"slope_v": 0.0, "c_rate": 0.0, "lag": 0.0, "temperature_c": 15.0}
    assert error_std_v(cell, 2.0, **parts, full_v=8e-3) == pytest.approx(10e-3)  # 6-8-10
