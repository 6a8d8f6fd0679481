"""The band over a recorded log, beside what the monitor would have displayed.

The log is what the monitor saw: its current carries the monitor's errors, its voltage does not. The
setup's `present` section describes the moment at which the log begins.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.errors import InputError, Problem
from socband.evidence import CapacityTest, Evidence, RestedVoltage
from socband.models import CellModel
from socband.monitor import counted_soc
from socband.narrowing import (
    MOST_MISFIT,
    MOST_STRAINED,
    Mark,
    marks,
    pulled_beyond,
    row_of,
    strained_share,
)
from socband.posterior import Posterior, Settings, condition
from socband.quantity import Quantity
from socband.site import Setup
from socband.site_check import RESTED_V, bank_voltage_problems
from socband.site_fields import ClockTime
from socband.snapshot import MOST_DEVIATIONS, doubts_about, take_snapshot
from socband.summary import as_percentiles, plain, quantiles_of, with_attributes
from socband.track import SENSOR_STD_K, Scale, Track, hour_of_first_row, moment_of_present
from socband.unknowns import Members, Unknowns

if TYPE_CHECKING:
    import xarray as xr

    from socband.logs import Log

START_DRAWS = 4000
# Fewer effective members than these behind a piece of evidence, and it contradicts the log: one in
# a thousand (assumed), as of a sharp reading 3 standard deviations off; and never one alone.
LEAST_SHARE, LEAST_MEMBERS = 1e-3, 2.0
# A voltage taken by hand after a rest, and the log's own rows just before (assumed): a meter, leads
# and a small load make less.
JUST_BEFORE_S, MOST_AT_REST_C, MOST_APART_V = 300.0, 0.05, 0.03
LEARNED = 0.5  # share of its prior deviation at which something counts as learned (assumed)
# Where more than that share of the members lie beyond this share of what was thought of a number,
# at either end, the log is said to pull it there; both assumed. What else can explain a log (a load
# in place of a lost capacity) may well hold the others.
PULLED_SHARE, PULLED = 0.2, 0.01
PULLABLE = ("capacity_fraction", "offset_a", "gain_error")


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

    Args:
        setup, cell: the bank.
        log: at bank level, as the monitor saw it.
        settings: of the conditioning.
        evidence: beyond the log.
        step_s: the log is coarsened to steps of this length.
        progress: see `posterior.condition`.

    Raises:
        InputError: evidence from outside the log, or such that hardly any member explains.

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
        those of `track.moment_of_present`, with `present_display_soc` (NaN if not said).
    """
    _check_pieces(setup, log, evidence)
    scale = Scale.of(setup.bank.cells_in_series, setup.bank.rated_capacity_ah, cell)
    ambient_c = setup.ambient.temperature_c.median
    hour, moment = hour_of_first_row(log, setup), moment_of_present(log, setup, at_end=False)
    # the log's own clock goes before the setup's, also for what drew before its first row
    present = replace(setup.present, clock=ClockTime.from_hour(hour))
    setup = replace(setup, present=present)
    track = Track.from_log(log, cell, scale, ambient_c, step_s, hour)
    unknowns = start_of_log(setup, cell, settings.seed, measured=log.temperature_c is not None)
    posterior = condition(track, cell, unknowns, settings, evidence, progress)
    _refuse_contradictions(posterior, evidence, settings.members, setup, cell)
    display = displayed(setup, log, track.time_s)
    found = marks(
        track,
        posterior,
        cell,
        evidence,
        settings.probabilities.index(0.05),
        settings.probabilities.index(0.95),
    )
    dataset = _dataset(setup, log, track, posterior, display, settings, found, unknowns, evidence)
    display_soc = setup.present.display_soc
    moment["present_display_soc"] = np.nan if display_soc is None else display_soc
    strained = strained_share(posterior, settings.resolved(cell).error_scale)
    return dataset.assign_attrs(moment | {"strained_share": strained})


def _check_pieces(setup: Setup, log: Log, evidence: Sequence[Evidence]) -> None:
    end_h = log.time_s[-1] / 3600.0
    problems = [
        Problem(
            "--evidence",
            f"{piece.label} at {piece.time_s / 3600.0:g} h",
            f"a time within the log, 0 to {end_h:.4g} h",
        )
        for piece in evidence
        if not 0.0 <= piece.time_s <= log.time_s[-1] * (1.0 + 1e-9)
    ]
    for piece in evidence:
        if isinstance(piece, RestedVoltage):
            problems += bank_voltage_problems(
                "--evidence rested", piece.voltage_v, setup.bank.cells_in_series, RESTED_V
            ) or _rest_against_log(setup, log, piece)
    if problems:
        raise InputError(problems)


def _rest_against_log(setup: Setup, log: Log, piece: RestedVoltage) -> list[Problem]:
    """Was there a rest, and did the log see that voltage too?"""
    rows = slice(*np.searchsorted(log.time_s, piece.time_s + np.array([-JUST_BEFORE_S, 1.0])))
    if rows.start == rows.stop:
        return []  # the log is silent then
    amps, volts = float(np.mean(log.current_a[rows])), float(np.mean(log.voltage_v[rows]))
    hour, where = f"at {piece.time_s / 3600.0:.4g} h", "--evidence rested"
    most_a = MOST_AT_REST_C * setup.bank.rated_capacity_ah
    if abs(amps) > most_a:
        found = f"a rested voltage {hour}, where the log has {amps:+.3g} A"
        return [Problem(where, found, f"at most {most_a:g} A in a rest", "is the time right?")]
    most_v = MOST_APART_V * setup.bank.cells_in_series
    if abs(piece.voltage_v - volts) > most_v:
        found = f"{piece.voltage_v:g} V {hour}, where the log has {volts:.4g} V at {amps:+.2g} A"
        return [Problem(where, found, f"at most {most_v:g} V apart", "is the time right?")]
    return []


def _refuse_contradictions(
    posterior: Posterior,
    evidence: Sequence[Evidence],
    members: int,
    setup: Setup,
    cell: CellModel,
) -> None:
    """Evidence that next to no member explains contradicts the log and the setup, as in
    `snapshot`."""
    least = max(LEAST_MEMBERS, LEAST_SHARE * members)
    problems = []
    for row in sorted({row_of(posterior.time_s, piece) for piece in evidence}):
        if posterior.ess[max(row, 0)] < least or posterior.missed.get(row, 0.0) > MOST_DEVIATIONS:
            pieces = [p for p in evidence if row_of(posterior.time_s, p) == row]
            what = ", ".join(f"{p.label} at {p.time_s / 3600.0:.4g} h" for p in pieces)
            problems.append(
                Problem(
                    "--evidence",
                    f"{what}, which hardly any bank explains that the log and the monitor's errors "
                    "allow",
                    "readings that fit together, or wider uncertainties",
                    f"is the time right? {doubts_about(pieces, setup, cell)}".strip(),
                )
            )
    if problems:
        raise InputError(problems)


def start_of_log(setup: Setup, cell: CellModel, seed: int, measured: bool) -> Unknowns:
    """The prior at the first row of a log, from what the display said then.

    Args:
        measured: the log has temperatures, so that only a sensor's error remains unknown.
    """
    start = take_snapshot(setup, cell, START_DRAWS, seed).members.soc
    mean, std = float(start.mean()), max(float(start.std()), 1e-4)
    # The snapshot's draws as a beta distribution of the same mean and variance, within 0..1.
    mean = float(np.clip(mean, 1e-3, 1.0 - 1e-3))
    size = max(mean * (1.0 - mean) / std**2 - 1.0, 0.5)
    soc = Quantity.from_dist("beta", a=mean * size, b=(1.0 - mean) * size)
    unknowns = Unknowns.from_setup(setup, soc, cell)
    if measured:
        source = "assumed: where it is glued"
        sensor = Quantity.from_dist("norm", loc=0.0, scale=SENSOR_STD_K, source=source)
        unknowns = replace(unknowns, temperature_offset_k=sensor)
    return unknowns


def displayed(setup: Setup, log: Log, at_s: np.ndarray) -> np.ndarray:
    """What the monitor would display at the times `at_s`, or NaN if its start is not known.

    It counts each row's own current since the row before, over a gap too, as a counter does that
    hears of no other current; the band instead takes the mean of both sides and its doubt
    (`Track.from_log`), so behind a gap the two may part.
    """
    if setup.present.display_soc is None:
        return np.full(len(at_s), np.nan)
    monitor = setup.monitor
    shown = counted_soc(
        log.time_s,
        log.current_a,
        log.voltage_v,
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
    setup: Setup,
    log: Log,
    track: Track,
    posterior: Posterior,
    display: np.ndarray,
    settings: Settings,
    found: Sequence[Mark],
    unknowns: Unknowns,
    evidence: Sequence[Evidence],
) -> xr.Dataset:
    import xarray as xr

    members, before = posterior.members, unknowns.draw(START_DRAWS, settings.seed)
    shares = {n: _share_beyond(getattr(members, n), getattr(before, n)) for n in PULLABLE}
    if any(isinstance(piece, CapacityTest) for piece in evidence):
        del shares["capacity_fraction"]  # whatever the setup holds of it, it has been measured
    pulled = {name: each for name, each in shares.items() if each[0] > PULLED_SHARE}
    share = np.array([p.hours.fraction for p in unknowns.patterns])[members.untracked_pattern]
    silent_s = np.diff(log.time_s)
    longest = int(np.argmax(silent_s))
    bank = track.scale
    variables = {
        "soc_quantile": (("time", "quantile"), posterior.quantiles),
        "soc_mean": ("time", posterior.mean),
        "soc_std": ("time", posterior.std),
        "ess": ("time", posterior.ess),
        "misfit": ("time", posterior.misfit),
        "display_soc": ("time", display),
        "current_a": ("time", track.current_a / bank.cell_per_bank),
        "voltage_v": ("time", track.voltage_v * bank.cells_in_series),
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
    variables["pulled_probability"] = ("pulled", np.array([p for p, _ in pulled.values()]))
    variables["pulled_median"] = ("pulled", np.array([to for _, to in pulled.values()]))
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
            "pulled": np.array([*pulled], dtype=str),
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
    return with_attributes(dataset, f"Band on the charge: {setup.about.title}", settings.seed)


def _told_apart(members: Members, before: Members) -> bool:
    """Does what was seen say of the display's drift which part is offset and which is load?

    A log knows their sum. The parts are told apart where there is but one, or where of each much
    more is known than before.
    """
    pairs = [(getattr(members, n), getattr(before, n)) for n in ("offset_a", "untracked_a")]
    if any(np.ptp(prior) == 0.0 for _, prior in pairs):
        return True
    return all(float(now.std()) < LEARNED * float(prior.std()) for now, prior in pairs)


def _share_beyond(now: np.ndarray, before: np.ndarray) -> tuple[float, float]:
    """Share of the members where hardly anybody looked for a number, and their median of it."""
    low, high = np.quantile(before, [PULLED, 1.0 - PULLED])
    beyond = now[(now < low) | (now > high)] if low < high else now[:0]
    return len(beyond) / len(now), float(np.median(beyond)) if len(beyond) else float("nan")


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
        "pulled_beyond_setup": {
            str(name): {"probability": float(p), "median": float(to)}
            for name, p, to in pulled_beyond(dataset)
        },
        "longest_gap_hours": dataset.attrs["longest_gap_hours"],
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
