"""What is the display not seeing? Posterior probability of each cause, and what tells them apart.

A cause is a hypothesis with its own prior (`causes`); exactly one is at work. A log enters through
`suspects_model` (voltage and full-to-full balance), readings by hand through `suspects_draws`; both
may be missing, and then the prior is what is left. Which causes the evidence cannot tell apart is
asked of noise-free data: what one cause predicts is fitted with the other, and the expected log
Bayes factor says how strongly such a log would speak against it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.balance import Balance, balance_of, drift_current, full_rows, start_hour
from socband.causes import (
    CAUSES,
    UNITS,
    ZERO_SHARE,
    CauseSettings,
    Hypothesis,
    P,
    hypotheses,
    size_of,
)
from socband.suspects_design import LogColumns, ModelSettings
from socband.suspects_draws import Draws, Meters, log_density, log_weights, predictions
from socband.suspects_fit import Fit, fit, reference
from socband.suspects_model import C_START, Likelihood, Yardstick

if TYPE_CHECKING:
    import xarray as xr

    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

SIZE_QUANTILES = (0.05, 0.5, 0.95)
SHOWN = 0.05  # causes less probable than this are not compared with one another
SEPARATE_NATS = float(np.log(20.0))  # two causes count as told apart from 20 : 1 on
LEAST_EFFECTIVE = 25.0


@dataclass(frozen=True)
class Options:
    """All settings: what is believed before, how the log is read, how good the meters are."""

    causes: CauseSettings = field(default_factory=CauseSettings)
    model: ModelSettings = field(default_factory=ModelSettings)
    meters: Meters = field(default_factory=Meters)


DEFAULTS = Options()


@dataclass(frozen=True)
class LogFits:
    """Every hypothesis fitted to one log.

    Attributes:
        columns, yardstick, start_score: of the log.
        likelihoods, fits: one for each hypothesis.
        balance: intervals between fulls, as the monitor and the cells declare them.
        rows: row numbers of those fulls.
    """

    columns: LogColumns
    yardstick: Yardstick
    start_score: float | None
    likelihoods: tuple[Likelihood, ...]
    fits: tuple[Fit, ...]
    balance: Balance
    rows: Array


@dataclass(frozen=True)
class Verdict:
    """The posterior over causes.

    Attributes:
        draws: equally weighted draws of everything.
        probability: cause -> posterior probability.
        prior: cause -> prior probability.
        size: cause -> (3,) quantiles of its size, NaN where it was not drawn.
        effective: effective number of draws under the readings.
        fits: of the log, or None.
    """

    draws: Draws
    probability: dict[str, float]
    prior: dict[str, float]
    size: dict[str, Array]
    effective: float
    fits: LogFits | None


def fit_log(
    log: Log,
    setup: Setup,
    cell: CellModel,
    causes: CauseSettings,
    model: ModelSettings,
    seed: int,
) -> tuple[list[Hypothesis], LogFits]:
    """Fit every hypothesis to a log."""
    rng = np.random.default_rng([seed, 7])
    columns = LogColumns(log, setup, cell, model)
    yardstick, score = reference(columns, causes, rng)
    dt_s = np.diff(log.time_s)
    zero_share = float(np.sum(dt_s * (log.current_a[1:] == 0.0)) / np.sum(dt_s))
    all_of_them = hypotheses(setup, causes, zero_share=zero_share)
    likelihoods, fits = [], []
    for hypothesis in all_of_them:
        design = columns.design(hypothesis, causes)
        likelihoods.append(Likelihood(design, hypothesis, columns, causes, yardstick))
        fits.append(fit(likelihoods[-1], rng, model.draws, score))
    rows = full_rows(log, columns.true_rule)
    balance = balance_of(log, rows)
    return all_of_them, LogFits(
        columns, yardstick, score, tuple(likelihoods), tuple(fits), balance, rows
    )


def judge(
    setup: Setup,
    cell: CellModel,
    log: Log | None,
    readings: Mapping[str, float],
    seed: int = 0,
    members: int = 20000,
    options: Options = DEFAULTS,
) -> Verdict:
    """The posterior over causes.

    Args:
        setup, cell: the bank and the monitor.
        log: of the monitor, or None.
        readings: by hand; see `readings.KINDS`.
        seed: of everything random.
        members: draws in all.
        options: see there.
    """
    causes, model, meters = options.causes, options.model, options.meters
    rng = np.random.default_rng([seed, 8])
    if log is None:
        all_of_them, fits = hypotheses(setup, causes), None
        evidence = np.zeros(len(all_of_them))
    else:
        all_of_them, fits = fit_log(log, setup, cell, causes, model, seed)
        evidence = np.array([one.log_evidence for one in fits.fits])
    weight = np.log([h.weight for h in all_of_them]) + evidence
    draws, log_weight = _draw(
        all_of_them, fits, weight, setup, cell, readings, members, causes, rng
    )
    log_weight = log_weight + log_weights(draws, readings, setup, cell, meters)
    share = np.exp(log_weight - log_weight.max())
    share /= share.sum()
    name_of = draws.causes
    present = sorted({h.cause for h in all_of_them}, key=CAUSES.index)
    probability = {name: float(share[name_of == name].sum()) for name in present}
    prior = {n: float(sum(h.weight for h in all_of_them if h.cause == n)) for n in present}
    sizes = {}
    for name in present:
        mine = name_of == name
        size = size_of(name, draws.values[:, mine], setup, draws.shortfall[mine])
        sizes[name] = _weighted_quantiles(size, share[mine])
    cumulative = np.cumsum(share)
    points = (rng.random() + np.arange(4000)) / 4000
    keep = np.minimum(np.searchsorted(cumulative, points * cumulative[-1]), len(share) - 1)
    return Verdict(
        draws=draws.take(keep),
        probability=probability,
        prior=prior,
        size=sizes,
        effective=float(1.0 / np.sum(share**2)),
        fits=fits,
    )


def _draw(
    all_of_them: list[Hypothesis],
    fits: LogFits | None,
    log_weight: Array,
    setup: Setup,
    cell: CellModel,
    readings: Mapping[str, float],
    members: int,
    causes: CauseSettings,
    rng: np.random.Generator,
) -> tuple[Draws, Array]:
    """Draws of every hypothesis, as many of each cause, with their log weights."""
    shapes = {h.cause: sum(o.cause == h.cause for o in all_of_them) for h in all_of_them}
    index, values, soc, shortfall, display, weights = [], [], [], [], [], []
    rated = setup.bank.rated_capacity_ah
    for j, hypothesis in enumerate(all_of_them):
        n = max(members // (len(shapes) * shapes[hypothesis.cause]), 60)
        free = hypothesis.free
        scores = rng.standard_normal((len(free), n))
        if fits is not None:
            fitted = fits.fits[j].scores
            known = np.any(fitted != 0.0, axis=1)
            scores[known] = fitted[:, rng.integers(0, fitted.shape[1], n)][known]
        v = hypothesis.values(scores)
        if fits is not None:
            now, missing, shown = _from_log(fits.likelihoods[j], v, rated)
            # a full charge is not exactly full, and the trajectory carries no noise of its own
            now = now + causes.full_std * rng.standard_normal(n)
        else:
            now, missing = _from_display(hypothesis, v, setup, cell, readings, causes, rng)
            shown = np.full(n, np.nan)
        index.append(np.full(n, j))
        values.append(v)
        soc.append(now)
        shortfall.append(missing)
        display.append(shown)
        weights.append(np.full(n, log_weight[j] - np.log(n)))
    zero = ZERO_SHARE if fits is None else fits.likelihoods[0].design.zero_share
    if fits is None:
        hour = setup.present.clock.minute / 60.0
    else:
        track = fits.columns.track
        hour = float((track.hour[-1] + track.dt_s[-1] / 7200.0) % 24.0)
    return (
        Draws(
            hypotheses=tuple(all_of_them),
            index=np.concatenate(index),
            values=np.concatenate(values, axis=1),
            soc=np.concatenate(soc),
            shortfall=np.concatenate(shortfall),
            display_soc=np.concatenate(display),
            clock_hour=hour,
            zero_share=zero,
        ),
        np.concatenate(weights),
    )


def _from_log(likelihood: Likelihood, v: Array, rated_ah: float) -> tuple[Array, Array, Array]:
    """Charge now, shortfall at the last false full, and the display, at the end of the log."""
    d = likelihood.design
    coefficient = likelihood.coefficients(v)

    def charge(columns: Array, hours: Array) -> Array:
        return coefficient[C_START][:, None] + likelihood.net_charge(coefficient, columns, hours)

    soc = charge(d.end_soc_ah[:, None], np.array([d.end_soc_hours]))[:, 0]
    n = v.shape[1]
    shortfall = np.zeros(n)
    if likelihood.at_events:
        at = charge(d.event_ah, d.event_hours)
        shortfall = np.clip(1.0 - at.mean(axis=1), 0.0, 1.0)
    shown = np.full(n, np.nan)
    if d.declared:
        counted = v[P["efficiency_setting"]] * d.end_in_ah - d.end_out_ah
        shown = np.minimum(1.0 + counted / (v[P["capacity_setting"]] * rated_ah), 1.0)
    return soc, shortfall, shown


def _from_display(
    hypothesis: Hypothesis,
    v: Array,
    setup: Setup,
    cell: CellModel,
    readings: Mapping[str, float],
    causes: CauseSettings,
    rng: np.random.Generator,
) -> tuple[Array, Array]:
    """Charge now without a log, by the closed form of `snapshot`, and the shortfall."""
    present, n = setup.present, v.shape[1]
    display = readings.get("display_soc", None)
    display = present.display_soc if display is None else display / 100.0
    shortfall = np.zeros(n)
    if hypothesis.cause == "false_rezero":
        drawn = causes.shortfall_mean + causes.shortfall_std * rng.standard_normal(n)
        shortfall = np.abs(drawn)
    if display is None:
        return rng.random(n), shortfall
    hours = (
        np.full(n, readings["since_full"])
        if "since_full" in readings
        else present.hours_since_full.ppf(rng.random(n))
    )
    rated = setup.bank.rated_capacity_ah
    seen_ah = (display - 1.0) * v[P["capacity_setting"]] * rated
    true_ah = (seen_ah - v[P["offset_a"]] * hours) / (1.0 + v[P["gain"]])
    true_ah -= v[P["untracked_a"]] * hours * hypothesis.hours.fraction
    true_ah -= v[P["standby_a"]] * hours * ZERO_SHARE
    soc = 1.0 - shortfall + true_ah / (rated * v[P["capacity_fraction"]])
    soc -= cell.self_discharge_per_day * hours / 24.0
    return np.clip(soc, 0.0, 1.0), shortfall


def _weighted_quantiles(x: Array, weight: Array) -> Array:
    if weight.sum() <= 0.0:
        return np.full(len(SIZE_QUANTILES), np.nan)
    order = np.argsort(x)
    cumulative = np.cumsum(weight[order])
    rank = np.searchsorted(cumulative, np.array(SIZE_QUANTILES) * cumulative[-1])
    return x[order][np.minimum(rank, len(x) - 1)]


# ---------------------------------------------------------------- what cannot be told apart


def expected_log_bayes(
    verdict: Verdict,
    setup: Setup,
    cell: CellModel,
    readings: Mapping[str, float],
    seed: int = 0,
    options: Options = DEFAULTS,
) -> tuple[list[str], Array]:
    """How strongly data of one cause would speak against another [nats].

    Args:
        verdict: of `judge`.

    Returns:
        The causes compared (probability of `SHOWN` or more), and (m, m): row = the cause that made
        the data, column = the cause they are fitted with; zero on the diagonal.
    """
    causes, meters = options.causes, options.meters
    names = [n for n, p in verdict.probability.items() if p >= SHOWN]
    matrix = np.zeros((len(names), len(names)))
    draws = verdict.draws
    name_of = draws.causes
    rng = np.random.default_rng([seed, 9])
    heads = {}
    for name in names:
        members = np.flatnonzero(name_of == name)
        heads[name] = int(np.bincount(draws.index[members]).argmax())
    for a, made_by in enumerate(names):
        mine = np.flatnonzero(name_of == made_by)
        typical = draws.take(mine[[len(mine) // 2]])
        for b, fitted_with in enumerate(names):
            if a != b and verdict.fits is not None:
                evidence = [
                    _evidence_of_made_data(verdict.fits, heads[made_by], heads[n], causes, rng)
                    for n in (made_by, fitted_with)
                ]
                matrix[a, b] += evidence[0] - evidence[1]
            theirs = draws.take(np.flatnonzero(name_of == fitted_with))
            for reading, (mean, _) in predictions(typical, readings, setup, cell, meters).items():
                own = predictions(draws.take(mine), readings, setup, cell, meters)[reading]
                other = predictions(theirs, readings, setup, cell, meters)[reading]
                matrix[a, b] += _log_mean(log_density(mean[0], own))
                matrix[a, b] -= _log_mean(log_density(mean[0], other))
    return names, matrix


def _evidence_of_made_data(
    fits: LogFits, maker: int, reader: int, causes: CauseSettings, rng: np.random.Generator
) -> float:
    """Log evidence of hypothesis `reader` for noise-free data of hypothesis `maker`."""
    source, target = fits.likelihoods[maker], fits.likelihoods[reader]
    best = fits.fits[maker].best
    white, _, _ = source.residuals(best)
    made_v = source.voltage_v - _unwhitened(white[0], source)
    changes: dict[str, Any] = {"voltage_v": made_v}
    if source.balance.size == target.balance.size:
        coefficient = source.coefficients(best)
        d = source.design
        changes["balance"] = source.net_charge(coefficient, d.balance_ah, d.balance_hours)[0]
    trial = Likelihood(
        target.design, target.hypothesis, fits.columns, causes, fits.yardstick, **changes
    )
    return fit(trial, rng, 100, fits.start_score).log_evidence


def _unwhitened(white: Array, likelihood: Likelihood) -> Array:
    """Residual voltages [V] from whitened ones: the recursion backwards."""
    carry, std = likelihood.design.carry, likelihood.yardstick.std_v
    x = np.empty(len(white))
    before = 0.0
    for k in range(len(white)):
        before = carry[k] * before + np.sqrt(1.0 - carry[k] ** 2) * white[k]
        x[k] = before
    return x * std


def _log_mean(x: Array) -> float:
    top = x.max()
    return float(top + np.log(np.mean(np.exp(x - top))))


# ---------------------------------------------------------------- the result as a dataset


def drift_per_day(cause: str, size: Array, verdict: Verdict, setup: Setup) -> Array:
    """Error of the display that grows per day, 0..1 per day, positive = the display is too high.

    Args:
        size: in the unit of the cause; any shape.
    """
    rated = setup.bank.rated_capacity_ah
    depth, filled = _daily_use(verdict, rated)
    if cause in ("untracked_steady", "offset"):
        return 24.0 * size / rated
    if cause == "untracked_hours":
        heads = verdict.draws.index[verdict.draws.causes == cause]
        hours = [verdict.draws.hypotheses[j].hours.fraction for j in heads]
        return 24.0 * size / rated * (float(np.mean(hours)) if hours else 1.0)
    if cause == "dead_band":
        return 24.0 * size * verdict.draws.zero_share / rated
    if cause == "gain":
        return -depth * size
    if cause in ("lost_capacity", "missing_battery"):
        return depth * (1.0 / (1.0 + size) - 1.0)
    if cause == "capacity_setting":
        return depth * size / (1.0 + size)
    if cause == "efficiency_setting":
        return filled * (size - 1.0)
    if cause == "false_rezero":
        return size
    return np.zeros_like(size)


def _daily_use(verdict: Verdict, rated_ah: float) -> tuple[float, float]:
    """Share of the capacity taken out and put in per day; 0.3 where no log says (assumed)."""
    if verdict.fits is None:
        return 0.3, 0.3
    columns = verdict.fits.columns
    dt_h = columns.track.dt_s / 3600.0
    days = max(columns.track.time_s[-1] / 86400.0, 0.1)
    out = float(np.sum(np.maximum(-columns.seen, 0.0) * dt_h))
    into = float(np.sum(np.maximum(columns.seen, 0.0) * dt_h))
    return out / rated_ah / days, into / rated_ah / days


def suspects(
    setup: Setup,
    cell: CellModel,
    log: Log | None,
    readings: Mapping[str, float],
    seed: int = 0,
    members: int = 20000,
    options: Options = DEFAULTS,
) -> xr.Dataset:
    """Ranked causes, what cannot be told apart, and what to measure next, as a dataset.

    Args:
        setup, cell: the bank and the monitor.
        log: of the monitor, or None.
        readings: by hand; see `readings.KINDS`.
        seed: of everything random; same seed, same numbers.
        members: draws in all.
        options: see there.
    """
    import xarray as xr

    from socband.balance import balance_dataset
    from socband.next_measurement import rank_tests
    from socband.summary import with_attributes

    verdict = judge(setup, cell, log, readings, seed, members, options)
    order = sorted(verdict.probability, key=lambda n: -verdict.probability[n])
    sizes = np.stack([verdict.size[n] for n in order])
    drifts = np.stack([np.sort(drift_per_day(n, verdict.size[n], verdict, setup)) for n in order])
    names, bayes = expected_log_bayes(verdict, setup, cell, readings, seed, options)
    apart = np.full((len(order), len(order)), np.nan)
    for i, a in enumerate(names):
        for j, b in enumerate(names):
            apart[order.index(a), order.index(b)] = bayes[i, j]
    when = {}
    for hypothesis_index in verdict.draws.index[verdict.draws.causes == "untracked_hours"]:
        detail = verdict.draws.hypotheses[hypothesis_index].detail
        when[detail] = when.get(detail, 0) + 1
    best_hours = max(when, key=lambda key: when[key]) if when else ""
    tests = rank_tests(verdict, setup, cell, readings, seed, options.meters)
    data = {
        "probability": ("cause", [verdict.probability[n] for n in order],
                        {"units": "1", "long_name": "posterior probability of the cause"}),
        "prior": ("cause", [verdict.prior[n] for n in order],
                  {"units": "1", "long_name": "prior probability (assumed)"}),
        "size": (("cause", "size_quantile"), sizes,
                 {"units": "see variable unit", "long_name": "size of the cause if it is the one"}),
        "unit": ("cause", [UNITS[n] for n in order]),
        "drift_per_day": (("cause", "size_quantile"), drifts,
                          {"units": "d-1", "long_name": "growth of the display's error"}),
        "log_bayes": (("cause", "against"), apart,
                      {"units": "1", "long_name": "expected log Bayes factor of such evidence"}),
        "gain_bits": ("test", [t.gain_bits for t in tests],
                      {"units": "bit", "long_name": "expected information about the cause"}),
        "gain_error_bits": ("test", [t.error_bits for t in tests],
                            {"units": "bit", "long_name": "standard error of it"}),
        "minutes": ("test", [t.minutes for t in tests],
                    {"units": "min", "long_name": "work it takes"}),
        "waiting_hours": ("test", [t.waiting_hours for t in tests],
                          {"units": "h", "long_name": "waiting it takes besides"}),
    }  # fmt: skip
    dataset = xr.Dataset(
        data,
        coords={
            "cause": order,
            "against": order,
            "size_quantile": list(SIZE_QUANTILES),
            "test": [t.key for t in tests],
        },
    )
    if verdict.fits is not None:
        rated = setup.bank.rated_capacity_ah
        dataset = dataset.merge(balance_dataset(verdict.fits.balance, rated))
        if len(verdict.fits.balance):
            drift, std = drift_current(verdict.fits.balance, options.causes.full_std * rated)
            dataset.attrs |= {"drift_a": drift, "drift_std_a": std}
        dataset.attrs["log_days"] = float(log.time_s[-1] / 86400.0)
        dataset.attrs["declared_fulls"] = int(verdict.fits.likelihoods[0].design.declared)
    dataset.attrs |= {
        "untracked_hours": best_hours,
        "rated_capacity_ah": float(setup.bank.rated_capacity_ah),
        "readings": ", ".join(f"{k}={v:g}" for k, v in readings.items()),
        "effective_draws": verdict.effective,
        "soc_p05": float(np.quantile(verdict.draws.soc, 0.05)),
        "soc_p50": float(np.quantile(verdict.draws.soc, 0.5)),
        "soc_p95": float(np.quantile(verdict.draws.soc, 0.95)),
        "clock_hour_start": 0.0 if log is None else start_hour(log),
    }
    return with_attributes(dataset, f"what the display does not see: {setup.about.title}", seed)
