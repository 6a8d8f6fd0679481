"""The band over a recorded log, beside what the monitor would have displayed.

The log is what the monitor saw: its current carries the monitor's errors, its voltage does not. The
setup's `present` section describes the moment at which the log begins.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.cell import temperature_factors
from socband.display_off import DisplayOff, display_off
from socband.evidence import Evidence
from socband.models import CellModel
from socband.monitor import counted_soc
from socband.narrowing import (
    MOST_MISFIT,
    MOST_STRAINED,
    Mark,
    marks,
    strained_share,
)
from socband.posterior import Settings
from socband.posterior_log import Conditioned, lead_ohm, posterior_of_log
from socband.prior_of_log import START_DRAWS
from socband.pulled import pulled_by_log, pulled_json, with_pulled
from socband.site import Setup
from socband.summary import as_percentiles, plain, quantiles_of, with_attributes
from socband.track import MOST_IN_GAP, Track, moment_of_present
from socband.unknowns import Members, Unknowns, score_matrix

if TYPE_CHECKING:
    import xarray as xr

    from socband.logs import Log

LEARNED = 0.5  # share of its prior deviation at which something counts as learned (assumed)
GAP_ROWS = 10.0  # usual steps without a row make a gap (assumed, as in `log_check`)


def replay(
    setup: Setup,
    cell: CellModel,
    log: Log,
    settings: Settings,
    evidence: Sequence[Evidence] = (),
    step_s: float = 60.0,
    progress: Callable[[int, int], None] | None = None,
) -> xr.Dataset:
    """Condition the ensemble on a log.

    Arguments and errors are those of `posterior_log.posterior_of_log`.

    Returns:
        Dataset over `time` (ends of steps): soc_quantile, soc_mean, soc_std, ess, display_soc,
        current_a, voltage_v, temperature_c, `misfit` (see `Posterior`), true_soc where the log has
        it; over `member` at its end soc, offset_a, gain_error, untracked_a, capacity_fraction and
        `unseen_a`, the current that the display misses on average over a day, offset and untracked
        load together, positive = the display shows too much; over `mark` where evidence arrived;
        over `pulled` those of `PULLABLE` that the log pulls beyond what the setup holds for
        possible: `pulled_probability` that they lie there, and `pulled_median` of where.
        Attributes: `strained_share` (see `narrowing`), `told_apart` (whether offset and untracked
        load can be), `usual_step_hours`, `longest_gap_hours` and `gap_from_hours` of the log, and
        those of `track.moment_of_present`, with `present_display_soc` (NaN if not said); and
        `display_off_at_hours` and so on (see `DisplayOff`) where that is told.
    """
    moment = moment_of_present(log, setup, at_end=False)
    known = posterior_of_log(setup, cell, log, settings, evidence, step_s, progress)
    setup, track, posterior = known.setup, known.track, known.posterior
    display = displayed(setup, log, track.time_s)
    found = marks(
        track,
        posterior,
        cell,
        evidence,
        settings.probabilities.index(0.05),
        settings.probabilities.index(0.95),
    )
    dataset = _dataset(known, log, display, settings, found, evidence)
    display_soc = setup.present.display_soc
    moment["present_display_soc"] = np.nan if display_soc is None else display_soc
    moment["strained_share"] = strained_share(posterior, settings.resolved(cell).error_scale)
    if moment["strained_share"] <= MOST_STRAINED:  # else the band is no measure of the display
        moment |= _off_since(track, cell, posterior.members, known.stated, dataset)
    return dataset.assign_attrs(moment)


def displayed(setup: Setup, log: Log, at_s: np.ndarray) -> np.ndarray:
    """What the monitor would display at the times `at_s`, or NaN if its start is not known.

    It counts each row's own current since the row before, over a gap too, as a counter does that
    hears of no other current; the band instead takes the mean of both sides and its doubt
    (`Track.from_log`), so behind a gap the two may part. Over a gap in which that current would
    move much of the bank nobody knows what was counted: the display stands still there.
    """
    if setup.present.display_soc is None:
        return np.full(len(at_s), np.nan)
    monitor = setup.monitor
    silent_s = np.diff(log.time_s, prepend=log.time_s[0])
    most_as = MOST_IN_GAP * 3600.0 * setup.bank.rated_capacity_ah
    unknown = silent_s > GAP_ROWS * np.median(silent_s[1:])
    unknown &= np.abs(log.current_a) * silent_s > most_as
    shown = counted_soc(
        log.time_s,
        np.where(unknown, 0.0, log.current_a),
        np.where(unknown, 0.0, log.voltage_v),  # nor is it full for being silent
        start_soc=setup.present.display_soc,
        assumed_capacity_ah=monitor.assumed_capacity_ah.median,
        assumed_charge_efficiency=monitor.assumed_charge_efficiency.median,
        dead_band_a=monitor.dead_band_a.median,
        above_v=monitor.re_zero.above_v.median,
        below_a=monitor.re_zero.below_a.median,
        for_s=monitor.re_zero.for_s.median,
    )
    return np.interp(at_s, log.time_s, shown)


def _dataset(
    known: Conditioned,
    log: Log,
    display: np.ndarray,
    settings: Settings,
    found: Sequence[Mark],
    evidence: Sequence[Evidence],
) -> xr.Dataset:
    import xarray as xr

    setup, track, stated, _, posterior = known
    members = posterior.members
    before = stated.members(score_matrix(settings.seed, START_DRAWS))
    share = np.array([p.hours.fraction for p in stated.patterns])[members.untracked_pattern]
    silent_s = np.diff(log.time_s)
    longest = int(np.argmax(silent_s))
    bank = track.scale
    current_a = track.current_a / bank.cell_per_bank
    lead_v = lead_ohm(setup) * current_a  # the track is the cells' own
    variables = {
        "soc_quantile": (("time", "quantile"), posterior.quantiles),
        "soc_mean": ("time", posterior.mean),
        "soc_std": ("time", posterior.std),
        "ess": ("time", posterior.ess),
        "misfit": ("time", posterior.misfit),
        "display_soc": ("time", display),
        "current_a": ("time", current_a),
        "voltage_v": ("time", track.voltage_v * bank.cells_in_series + lead_v),
        "temperature_c": ("time", track.temperature_c),
        "offset_a": ("member", members.offset_a),
        "gain_error": ("member", members.gain_error),
        "untracked_a": ("member", members.untracked_a),
        "unseen_a": (
            "member",
            members.offset_a + share * members.untracked_a,
            {"units": "A", "long_name": "current that the display misses, mean of a day"},
        ),
        "capacity_fraction": ("member", members.capacity_fraction),
        "soc": ("member", members.soc),
    }
    if posterior.hindsight_quantiles is not None:
        variables["hindsight_soc_quantile"] = (("time", "quantile"), posterior.hindsight_quantiles)
    for name in ("time_s", "before", "after"):
        variables[f"mark_{name}"] = ("mark", np.array([getattr(m, name) for m in found]))
    if log.true_soc is not None:
        true_soc = np.interp(track.time_s, log.time_s, log.true_soc)
        variables["true_soc"] = ("time", true_soc)
    dataset = xr.Dataset(
        variables,
        coords={
            "time": posterior.time_s,
            "quantile": list(settings.probabilities),
            "mark": np.array([m.kind for m in found], dtype=str),
        },
        attrs={
            "rated_capacity_ah": setup.bank.rated_capacity_ah,
            "members": settings.members,
            "log": log.name,
            "told_apart": int(_told_apart(members, before)),
            "usual_step_hours": float(np.median(silent_s)) / 3600.0,
            "longest_gap_hours": float(silent_s[longest]) / 3600.0,
            "gap_from_hours": float(log.time_s[longest]) / 3600.0,
        },
    )
    dataset = with_pulled(dataset, pulled_by_log(known, settings.seed, evidence))
    return with_attributes(dataset, f"Band on the charge: {setup.about.title}", settings.seed)


def _off_since(
    track: Track, cell: CellModel, members: Members, stated: Unknowns, dataset: xr.Dataset
) -> dict[str, Any]:
    """Attributes `display_off_...` of where the display came off; none where it did bit by bit."""
    dt_h = np.diff(track.time_s, prepend=0.0) / 3600.0
    seen_a = dataset["current_a"].values
    factor = float(temperature_factors(cell, np.average(track.temperature_c, weights=dt_h))[4])
    held_ah = members.capacity_fraction * dataset.attrs["rated_capacity_ah"] * factor
    drew_h = (track.patterns_on(stated.patterns) @ dt_h)[members.untracked_pattern]
    seen_ah = float(dt_h @ seen_a) - members.offset_a * dt_h.sum()
    true_ah = seen_ah / (1.0 + members.gain_error) - members.untracked_a * drew_h
    start_soc = np.clip(members.soc - true_ah / held_ah, 0.0, 1.0)
    band = dataset["soc_quantile"].sel(quantile=[0.05, 0.5, 0.95]).values
    found = display_off(track.time_s, dataset["display_soc"].values, band, start_soc)
    return {} if found is None else {f"display_off_{k}": v for k, v in found._asdict().items()}


def _told_apart(members: Members, before: Members) -> bool:
    """Does what was seen say of the display's drift which part is offset and which is load?

    A log knows their sum. The parts are told apart where there is but one, or where of each much
    more is known than before.
    """
    pairs = [(getattr(members, n), getattr(before, n)) for n in ("offset_a", "untracked_a")]
    if any(np.ptp(prior) == 0.0 for _, prior in pairs):
        return True
    return all(float(now.std()) < LEARNED * float(prior.std()) for now, prior in pairs)


def replay_json(dataset: xr.Dataset) -> dict[str, Any]:
    """A replayed log as one object of plain numbers."""
    quantile = dataset["soc_quantile"].sel(quantile=[0.05, 0.25, 0.5, 0.75, 0.95]).values
    result = {
        "soc": as_percentiles(quantile[-1]),
        "display_soc": dataset["display_soc"].values[-1],
        "offset_a": as_percentiles(quantiles_of(dataset["offset_a"].values)),
        "untracked_a": as_percentiles(quantiles_of(dataset["untracked_a"].values)),
        "unseen_a": as_percentiles(quantiles_of(dataset["unseen_a"].values)),
        "told_apart": bool(dataset.attrs["told_apart"]),
        "voltage_misfit": {
            "at_end": dataset["misfit"].values[-1],
            "worst": dataset["misfit"].values[np.argmax(np.abs(dataset["misfit"].values))],
            "too_large": MOST_MISFIT,
            "strained_share": dataset.attrs["strained_share"],
            "strained_from": MOST_STRAINED,
        },
        "pulled_beyond_setup": pulled_json(dataset),
        "longest_gap_hours": dataset.attrs["longest_gap_hours"],
        "display_off": None
        if "display_off_by" not in dataset.attrs
        else {name: dataset.attrs[f"display_off_{name}"] for name in DisplayOff._fields},
        "present_taken_at": "the log's first row",
        "untracked_none": float(np.mean(dataset["untracked_a"].values == 0.0)),
        "band": {
            "time_s": dataset["time"].values,
            "p05": quantile[:, 0],
            "p50": quantile[:, 2],
            "p95": quantile[:, 4],
            "display": dataset["display_soc"].values,
        },
        "marks": [
            {"time_s": at, "kind": kind, "width_before": before, "width_after": after}
            for at, kind, before, after in zip(
                *(dataset[n].values for n in ("mark_time_s", "mark", "mark_before", "mark_after")),
                strict=True,
            )
        ],
        "members": dataset.attrs["members"],
        "seed": dataset.attrs["seed"],
    }
    if "hindsight_soc_quantile" in dataset:
        looking_back = dataset["hindsight_soc_quantile"].sel(quantile=[0.05, 0.5, 0.95]).values
        result["hindsight_band"] = dict(zip(("p05", "p50", "p95"), looking_back.T, strict=True))
    if "true_soc" in dataset:
        true = dataset["true_soc"].values
        result["true_soc"] = true[-1]
        inside = (true >= quantile[:, 0]) & (true <= quantile[:, 4])
        result["inside_90"] = {"at_end": bool(inside[-1]), "share_of_time": float(inside.mean())}
    return plain(result)
