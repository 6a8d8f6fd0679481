"""Intervals of an ensemble against JCGM 101:2008 (GUM Supplement 1), and the files they go to.

The cases of the standard run through the very sampling (`uniforms`, `Quantity.ppf`) and interval
code that the answers use. "seen" means quoted in third-party files, "memory" recalled without
seeing, "computed" worked out apart from this project. Tolerances are five standard errors of the
Monte Carlo run itself, plus half of the last digit that the standard prints.
"""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import pytest

from socband.quantity import Quantity
from socband.summary import (
    as_percentiles,
    beside,
    coverage_interval,
    plain,
    quantiles_of,
    save_netcdf,
    shortest_interval,
    wall_clock,
    with_attributes,
)
from socband.unknowns import uniforms

N = 400_000


def drawn(name: str, dist: str, **parameters: float) -> np.ndarray:
    return Quantity.from_dist(dist, **parameters).ppf(uniforms(2008, name, N))


def rectangular(name: str, std: float) -> np.ndarray:
    half = std * np.sqrt(3.0)
    return drawn(name, "uniform", loc=-half, scale=2.0 * half)


def quantile_error(values: np.ndarray, p: float) -> float:
    """Standard error of a quantile: sqrt(p(1-p)/n) over the density there, from the draws."""
    low, high = np.quantile(values, [p - 0.002, p + 0.002])
    return np.sqrt(p * (1 - p) / len(values)) * (high - low) / 0.004


def assert_case(
    y: np.ndarray, mean: float, std: float, interval: tuple[float, float], digit: float
) -> None:
    n = len(y)
    assert abs(y.mean() - mean) < 5 * std / np.sqrt(n) + digit / 2
    kurtosis = np.mean(((y - y.mean()) / y.std()) ** 4)
    assert abs(y.std() - std) < 5 * std * np.sqrt((kurtosis - 1) / 4 / n) + digit / 2
    for value, wanted, p in zip(coverage_interval(y, 0.95), interval, (0.025, 0.975), strict=True):
        assert abs(value - wanted) < 5 * quantile_error(y, p) + digit / 2


def test_jcgm_101_case_9_2_2() -> None:
    """Sum of four N(0, 1): u 2.00, ±3.92 (seen; 2·1.959964 = 3.9199 computed)."""
    y = sum(drawn(f"x{i}", "norm", loc=0.0, scale=1.0) for i in range(4))
    assert_case(y, 0.0, 2.0, (-3.9199, 3.9199), 1e-4)


def test_jcgm_101_case_9_2_3() -> None:
    """Sum of four rectangular, u = 1 each: u 2.00, ±3.88 (seen); exact 2√3(2-(3/5)^¼)."""
    y = sum(rectangular(f"x{i}", 1.0) for i in range(4))
    end = 2.0 * np.sqrt(3.0) * (2.0 - 0.6**0.25)
    assert end == pytest.approx(3.8794, abs=5e-5)
    assert_case(y, 0.0, 2.0, (-end, end), 0.0)


def test_jcgm_101_case_9_2_4() -> None:
    """The same with one u = 10: u 10.1 (seen), ±17.0 (memory); 10.147, ±17.01 (computed)."""
    y = sum(rectangular(f"x{i}", 10.0 if i == 3 else 1.0) for i in range(4))
    assert_case(y, 0.0, np.sqrt(103.0), (-17.01, 17.01), 0.01)
    assert round(coverage_interval(y)[1], 1) == 17.0


def test_jcgm_101_case_9_3() -> None:
    """Mass calibration: 1.2340, u 0.0755, [1.0844, 1.3836] (computed); second order 0.0750 (seen).

    The published Monte Carlo run: 1.2341, 0.0754, [1.0834, 1.3825] (memory).
    """
    m_r = drawn("m_R", "norm", loc=100_000.0, scale=0.050)
    dm = drawn("dm_R", "norm", loc=1.234, scale=0.020)
    air = drawn("rho_a", "uniform", loc=1.10, scale=0.20)
    rho_w = drawn("rho_W", "uniform", loc=7000.0, scale=2000.0)
    rho_r = drawn("rho_R", "uniform", loc=7950.0, scale=100.0)
    y = (m_r + dm) * (1.0 + (air - 1.2) * (1.0 / rho_w - 1.0 / rho_r)) - 100_000.0
    assert_case(y, 1.2340, 0.0755, (1.0844, 1.3836), 2e-4)
    # negative: the first-order uncertainty 0.0539 (seen) is another number altogether
    assert abs(y.std() - 0.0539) > 0.02


def test_shortest_interval() -> None:
    """NPL DEM-ES-011 §9.2: ln X, X ~ U(0.1, 1.1): shortest 95 % [-1.895, 0.095] (seen).

    It ends at the largest value, where the density is highest; the symmetric one is longer.
    """
    y = np.log(drawn("X", "uniform", loc=0.1, scale=1.0))
    low, high = shortest_interval(y, 0.95)
    assert low == pytest.approx(-1.895, abs=5 * quantile_error(y, 0.05) + 5e-4)
    assert high == pytest.approx(0.095, abs=1e-3)
    assert abs(y.mean() + 0.665) < 5 * 0.606 / np.sqrt(N) + 5e-4
    wide = coverage_interval(y, 0.95)
    assert wide[1] - wide[0] > high - low
    # of a symmetric distribution the two agree
    x = drawn("Z", "norm", loc=0.0, scale=1.0)
    short, usual = shortest_interval(x), coverage_interval(x)
    np.testing.assert_allclose(short, usual, atol=0.1)
    assert short[1] - short[0] <= usual[1] - usual[0]


def test_quantiles_are_sorted_values() -> None:
    """The r-th of the sorted values (JCGM 101, 7.5-7.7), infinities included and last."""
    values = np.array([3.0, np.inf, 1.0, 2.0, np.inf])
    assert quantiles_of(values, (0.2, 0.21, 0.5, 0.6, 0.61)).tolist() == [1, 2, 3, 3, np.inf]
    assert as_percentiles(quantiles_of(values)) == {
        "p05": 1.0,
        "p25": 2.0,
        "p50": 3.0,
        "p75": None,
        "p95": None,
    }
    grid = np.arange(1000.0).reshape(100, 10)
    assert quantiles_of(grid, (0.5,)).shape == (1, 10)


def test_the_interval_of_the_standard_by_its_ranks() -> None:
    """JCGM 101:2008, 7.7.2: q = pM, r = (M - q)/2, from the r-th to the (r + q)-th value (memory).

    In floating point 0.5 - 0.95/2 is a little more than 0.025, which must not cost a rank.
    """
    for m, p in ((4000, 0.95), (4000, 0.9), (1000, 0.99), (100, 0.9)):
        q = round(p * m)
        r = (m - q) // 2
        assert coverage_interval(np.arange(1.0, m + 1.0), p) == (r, r + q)
    # 0.07 * 100 is 7.000000000000001: seven apart, not eight
    low, high = shortest_interval(np.arange(1.0, 101.0), 0.07)
    assert high - low == 7.0


def test_hours_are_hours_across_a_clock_change() -> None:
    """Vienna, 2026-10-24 and 2026-03-28: clocks change in the night (tz database)."""
    autumn = {"start": "2026-10-24T21:30+02:00", "timezone": "Europe/Vienna"}
    assert f"{wall_clock(autumn, 4.0):%H:%M}" == "01:30"
    assert f"{wall_clock(autumn, 22.0):%d %H:%M}" == "25 18:30"
    spring = {"start": "2026-03-28T21:30+01:00", "timezone": "Europe/Vienna"}
    assert f"{wall_clock(spring, 22.0):%d %H:%M}" == "29 20:30"
    for unsaid in ({"start": "2026-10-24T21:30"}, {"start": "2026-10-24T21:30", "timezone": ""}):
        assert f"{wall_clock(unsaid, 22.0):%d %H:%M}" == "25 19:30"


def test_netcdf_has_cf_attributes_and_is_whole_or_absent(tmp_path: Path) -> None:
    import xarray as xr

    dataset = xr.Dataset(
        {"soc_mean": ("time", [0.5, 0.4]), "charge_left_ah": ("member", [1.0, 2.0, 3.0])},
        coords={"time": [0.0, 60.0]},
    )
    target = tmp_path / "out.nc"
    save_netcdf(with_attributes(dataset, "a title", seed=4), target, "socband test")
    with xr.open_dataset(target, engine="h5netcdf", decode_times=False) as read:
        assert read.attrs["Conventions"].startswith("CF-1")
        assert read.attrs["title"] == "a title"
        assert read.attrs["seed"] == 4
        assert read.attrs["history"].endswith("socband test")
        assert read["charge_left_ah"].attrs == {
            "units": "A h",
            "long_name": "charge left in the bank",
        }
        np.testing.assert_array_equal(read["soc_mean"], [0.5, 0.4])
    assert list(tmp_path.iterdir()) == [target]

    def fail_half_way() -> None:
        with beside(target) as scratch:
            scratch.write_text("half")
            raise ZeroDivisionError

    with pytest.raises(ZeroDivisionError):
        fail_half_way()
    assert list(tmp_path.iterdir()) == [target]
    with xr.open_dataset(target, engine="h5netcdf", decode_times=False) as read:
        assert read.sizes["member"] == 3


def test_a_link_is_followed_and_long_names_are_no_longer(tmp_path: Path) -> None:
    """Names of files have 255 bytes at most; the name beside the target has no more than it."""
    there = tmp_path / "there"
    there.mkdir()
    (tmp_path / "link.nc").symlink_to(there / "real.nc")
    for letters in ("n" * 252, "ö" * 126):
        for target in (tmp_path / f"{letters}.nc", tmp_path / "link.nc"):
            with beside(target) as scratch:
                scratch.write_text(letters)
            assert target.read_text() == letters
    assert (tmp_path / "link.nc").is_symlink()
    assert [path.name for path in there.iterdir()] == ["real.nc"]


def test_marks_of_a_replay_say_what_they_are() -> None:
    import xarray as xr

    names = ("mark_time_s", "mark_before", "mark_after")
    made = xr.Dataset({n: ("mark", [1.0]) for n in names}, coords={"mark": ["a full charge"]})
    marked = with_attributes(made, "marks")
    assert all({"units", "long_name"} <= set(marked[name].attrs) for name in names)
    assert "long_name" in marked["mark"].attrs


def test_plain_makes_json_of_anything() -> None:
    value: Mapping[str, object] = {
        "a": np.float64(1.5),
        "b": np.array([1.0, np.nan, np.inf]),
        "c": (np.int64(3), np.bool_(True)),
    }
    text = json.dumps(plain(value), allow_nan=False)
    assert json.loads(text) == {"a": 1.5, "b": [1.0, None, None], "c": [3, True]}
