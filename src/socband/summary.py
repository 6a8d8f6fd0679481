"""Results as labelled datasets with CF attributes, and their file on disk.

Everything shown (text, JSON, pictures) is a view of such a dataset. Units are UDUNITS strings and
the attributes follow the CF conventions 1.12.
"""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

if TYPE_CHECKING:
    import xarray as xr

_SCRATCH_LETTERS = 40  # of up to four bytes each; names of files may have 255 bytes
QUANTILES = (0.05, 0.25, 0.5, 0.75, 0.95)

# CF attributes of every variable and coordinate a result may hold.
ATTRIBUTES: dict[str, dict[str, str]] = {
    "time": {"units": "s", "long_name": "time since the start"},
    "hours": {"units": "h", "long_name": "hours from now"},
    "quantile": {"units": "1", "long_name": "probability of a lower value"},
    "member": {"units": "1", "long_name": "member of the ensemble"},
    "soc": {"units": "1", "long_name": "true state of charge"},
    "soc_quantile": {"units": "1", "long_name": "quantiles of the true state of charge"},
    "soc_mean": {"units": "1", "long_name": "mean of the true state of charge"},
    "soc_std": {"units": "1", "long_name": "standard deviation of the true state of charge"},
    "hindsight_soc_quantile": {
        "units": "1",
        "long_name": "quantiles of the true state of charge, looking back from the end",
    },
    "true_soc": {"units": "1", "long_name": "true state of charge, where it is known"},
    "display_soc": {"units": "1", "long_name": "state of charge on the monitor's display"},
    "charge_left_ah": {"units": "A h", "long_name": "charge left in the bank"},
    "lvd_hours": {"units": "h", "long_name": "time until low-voltage disconnect"},
    "voltage_v": {"units": "V", "long_name": "voltage of the bank"},
    "current_a": {"units": "A", "long_name": "current into the bank as the monitor saw it"},
    "temperature_c": {"units": "degC", "long_name": "temperature of the bank"},
    "ess": {"units": "1", "long_name": "effective sample size of the weights"},
    "variance_share": {"units": "1", "long_name": "first-order share of the variance of charge"},
    "variance_together": {
        "units": "1",
        "long_name": "share of the variance of several unknowns together and of none alone",
    },
    "soc_now": {"units": "1", "long_name": "true state of charge now"},
    "lasts_until": {
        "units": "1",
        "long_name": "probability that the bank is still on at that time of day",
    },
    "until_hours": {"units": "h", "long_name": "time until that time of day"},
    "misfit": {
        "units": "1",
        "long_name": "voltage-model error that fits the voltage, in its own deviations",
    },
    "gain_error": {"units": "1", "long_name": "gain error of the monitor"},
    "offset_a": {"units": "A", "long_name": "offset of the shunt"},
    "untracked_a": {"units": "A", "long_name": "current of the untracked load while it draws"},
    "capacity_fraction": {"units": "1", "long_name": "present over rated capacity"},
    "inverter_cutout_hours": {"units": "h", "long_name": "time until the inverter's own cut-out"},
    "first_battery_open_hours": {
        "units": "h",
        "long_name": "time until the first battery of the bank opens",
    },
    "full_hours": {"units": "h", "long_name": "time until the bank is full"},
    "usable_energy_wh": {
        "units": "W h",
        "long_name": "energy the loads get until the disconnect, of sources too",
    },
    "usable_least_ah": {
        "units": "A h",
        "long_name": "of the charge now, what the loads get until the disconnect or the horizon",
    },
    "inverter_lasts_until": {
        "units": "1",
        "long_name": "chance that bank and inverter last until that time of day",
    },
    "served_until": {
        "units": "1",
        "long_name": "chance that the bank lasts, and its inverter where that counts",
    },
    "lvd_quantile_hours": {
        "units": "h",
        "long_name": "quantiles of the time until low-voltage disconnect",
    },
    "off_chance": {"units": "1", "long_name": "chance to last with that load switched off"},
    "off_gain_hours": {"units": "h", "long_name": "time gained by switching that load off"},
    "wake_off_hours": {"units": "h", "long_name": "time to wake on a charger with the loads off"},
    "wake_on_hours": {"units": "h", "long_name": "time to wake on a charger with the loads on"},
    "inverter_survival": {
        "units": "1",
        "long_name": "probability that the bank is on and its inverter has not cut out",
    },
    "inverter_cuts_out": {
        "units": "1",
        "long_name": "probability that the inverter cuts out before that time of day",
    },
    "off_chance_change": {
        "units": "1",
        "long_name": "change of the chance to last by switching that load off",
    },
    "off_inverter_cuts_out": {
        "units": "1",
        "long_name": "chance that the inverter cuts out with that load switched off",
    },
    "until_off": {"long_name": "fewest loads off that are enough for that time of day"},
    "until_chance": {"units": "1", "long_name": "chance to last until then with them off"},
    "heater_before_ah": {
        "units": "A h",
        "long_name": "what the batteries' own heaters took since full",
    },
    "heater_ahead_a": {"units": "A", "long_name": "what they draw on average in the night ahead"},
    "idle_load": {"long_name": "load that is reckoned to idle in the cold"},
    "idle_duty": {"units": "1", "long_name": "share of the time in which it is on, in that cold"},
    "usual_duty": {"units": "1", "long_name": "share of the time in which it is on otherwise"},
    "pulled": {"long_name": "number that the log pulls beyond what the setup holds for possible"},
    "pulled_probability": {"units": "1", "long_name": "probability that it lies there"},
    "pulled_median": {"units": "", "long_name": "its median there; of offset_a in A, else a share"},
    "mark": {"long_name": "evidence that changed the band"},
    "mark_time_s": {"units": "s", "long_name": "time since the start when the band had changed"},
    "mark_before": {"units": "1", "long_name": "width of the 90 % band before the evidence"},
    "mark_after": {"units": "1", "long_name": "width of the 90 % band after the evidence"},
    "estimator": {"long_name": "estimator on the bench"},
    "record": {"long_name": "record on the bench"},
    "fault": {"units": "1", "long_name": "number of the draw of a monitor's faults"},
    "level": {"units": "1", "long_name": "probability of the central interval"},
    "soc_range": {"long_name": "range of the true state of charge, in percent"},
    "pit_bin": {"units": "1", "long_name": "middle of a bin of the probability of the truth"},
    "survival": {"units": "1", "long_name": "probability that the bank is still on"},
}


def with_attributes(dataset: xr.Dataset, title: str, seed: int | None = None) -> xr.Dataset:
    """Add CF attributes: units and long names of variables, title and conventions of the whole."""
    for name, variable in dataset.variables.items():
        for key, value in ATTRIBUTES.get(str(name), {}).items():
            variable.attrs.setdefault(key, value)
    dataset.attrs = {
        "Conventions": "CF-1.12",
        "title": title,
        "source": f"socband {_version()}",
        **dataset.attrs,
    }
    if seed is not None:
        dataset.attrs["seed"] = int(seed)
    return dataset


def _version() -> str:
    from socband import __version__

    return __version__


def quantiles_of(
    values: np.ndarray,
    probabilities: Sequence[float] = QUANTILES,
    weight: np.ndarray | None = None,
) -> np.ndarray:
    """Quantiles of an ensemble along its first axis; infinities sort last and stay infinite.

    Args:
        values: (n, ...) members first; no NaN.
        probabilities: q of them.
        weight: (n,) non-negative, of the members; equal if None.

    Returns:
        (q, ...) by the inverse of the empirical distribution (JCGM 101:2008, 7.5 to 7.7: the r-th
        of the sorted values), which needs no straight line between two of them.
    """
    levels = np.asarray(probabilities)
    n = len(values)
    if weight is None:
        rank = np.clip(_whole(levels * n) - 1, 0, n - 1)
        return np.sort(values, axis=0)[rank]
    order = np.argsort(values, axis=0, kind="stable")
    reached = np.cumsum(np.asarray(weight, dtype=float)[order], axis=0)
    reached /= reached[-1]
    ordered = np.take_along_axis(values, order, axis=0)
    first = [np.argmax(reached >= level - 1e-12, axis=0)[None] for level in levels]
    return np.concatenate([np.take_along_axis(ordered, rank, axis=0) for rank in first])


def _whole(share: np.ndarray) -> np.ndarray:
    """Rounded up, but not for what is a whole number but for the last bits of its product."""
    return np.ceil(share - 1e-9).astype(int)


def coverage_interval(values: np.ndarray, level: float = 0.95) -> tuple[float, float]:
    """Probabilistically symmetric coverage interval of an ensemble (JCGM 101:2008, 7.7)."""
    low, high = quantiles_of(np.asarray(values), (0.5 - level / 2.0, 0.5 + level / 2.0))
    return float(low), float(high)


def shortest_interval(values: np.ndarray, level: float = 0.95) -> tuple[float, float]:
    """Shortest coverage interval of an ensemble (JCGM 101:2008, 7.7.3)."""
    ordered = np.sort(np.asarray(values))
    n = len(ordered)
    inside = min(int(_whole(np.float64(level * n))), n - 1)
    width = ordered[inside:] - ordered[: n - inside]
    best = int(np.argmin(width))
    return float(ordered[best]), float(ordered[best + inside])


def wall_clock(attrs: Mapping[str, Any], hours: float) -> datetime:
    """Time on the wall so many hours after the start of a result.

    Args:
        attrs: of the result: `start` (ISO 8601) and `timezone` (IANA, "" or none if not known), so
            that a clock change on the way moves it.
        hours: elapsed [h]; rounded to the minute.
    """
    start = datetime.fromisoformat(attrs["start"])
    elapsed = timedelta(minutes=round(60.0 * hours))
    if not attrs.get("timezone"):
        return start + elapsed
    from zoneinfo import ZoneInfo

    # datetimes of one zone are added on the wall clock; only in UTC is an hour an hour
    return (start.astimezone(UTC) + elapsed).astimezone(ZoneInfo(attrs["timezone"]))


def short_chance(p: float, draws: int = 200) -> str:
    """A probability no finer than its ensemble, where there is room for few letters: "72 %",
    "<1 %", ">99 %"."""
    return {-1: "<1 %", 1: ">99 %"}.get(beyond_words(p, draws), f"{100 * p:.0f} %")


def beyond_words(p: float, draws: int) -> int:
    """-1 for a probability too small to be named by so many draws, 1 for one too large, else 0."""
    if p <= 0.005 or p < 1.0 / draws:
        return -1
    return int(p >= 0.995 or p > 1.0 - 1.0 / draws)


def as_percentiles(values: Sequence[float]) -> dict[str, float | None]:
    """{"p05": …, "p25": …, …} of five quantiles; None where infinite (beyond the horizon)."""
    return {
        f"p{round(100 * q):02d}": (float(v) if np.isfinite(v) else None)
        for q, v in zip(QUANTILES, values, strict=True)
    }


def save_netcdf(dataset: xr.Dataset, path: Path, command: str) -> None:
    """Write NetCDF4 beside the target, then rename: never half a file.

    Args:
        dataset: the result.
        path: target file.
        command: what was run, for the `history` attribute.
    """
    stamp = datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%SZ")
    write_netcdf(dataset.assign_attrs(history=f"{stamp}: {command}"), path)


def write_netcdf(dataset: xr.Dataset, path: Path) -> None:
    """Write NetCDF4, as it is, beside the target, then rename."""
    # made in memory: the library dies on a full disk, a plain write says so
    content = dataset.to_netcdf(None, engine="h5netcdf")
    with beside(path) as scratch:
        scratch.write_bytes(content)


class beside:
    """A path to write to, renamed to the target at the end, removed if anything fails.

    A link is followed, and stays; the scratch name is no longer than the target's may be. Its
    ending, by which a format is chosen, is that of the name given, not of what a link leads to.
    What the system refuses is said of that name too.
    """

    def __init__(self, path: Path) -> None:
        self.given, self.path = Path(path), Path(os.path.realpath(path))
        name = f".{self.path.stem[:_SCRATCH_LETTERS]}.{os.getpid()}{self.given.suffix}"
        self.scratch = self.path.with_name(name)

    def __enter__(self) -> Path:
        return self.scratch

    def __exit__(self, kind: type | None, error: BaseException | None, *rest: Any) -> None:
        try:
            if kind is None:
                os.replace(self.scratch, self.path)
                return
        except OSError as refused:
            error = refused
            raise
        finally:
            if error is not None:
                name_file(error, self.given, self.scratch)
                self.scratch.unlink(missing_ok=True)


def name_file(error: BaseException, path: Path, scratch: Path | None = None) -> None:
    """Let an error of the system name the file that could not be written.

    A full disk names none, and a scratch file is none that anybody knows.

    Args:
        error: other than OSError is left alone.
        path: as it was given.
        scratch: what was written in its place.
    """
    if isinstance(error, OSError) and error.filename in (None, str(scratch), scratch):
        error.filename = str(path)


def plain(value: Any) -> Any:
    """A value that `json` can write: arrays become lists, non-finite numbers None."""
    if isinstance(value, Mapping):
        return {str(key): plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [plain(item) for item in value]
    if isinstance(value, np.ndarray):
        return plain(value.tolist())
    if isinstance(value, np.generic):
        return plain(value.item())
    if isinstance(value, float) and not np.isfinite(value):
        return None
    return value
