"""What is the display not seeing? Posterior probability of each cause, and what tells them apart.

A cause is a hypothesis with its own prior (`causes`); exactly one is at work. A log enters through
`suspects_model` (voltage and full-to-full balance), readings by hand through `suspects_draws`; both
may be missing, and then the prior is what is left. Which causes the evidence cannot tell apart is
asked of noise-free data: what one cause predicts is fitted with the other, and the expected log
Bayes factor says how strongly such a log would speak against it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from socband.balance import drift_current, true_full_std
from socband.causes import UNITS
from socband.causes_stated import STATED_DETAIL
from socband.site_check import sound_capacity_settings_ah
from socband.suspects_draws import ASSUMED_HOURS, log_density, predictions
from socband.suspects_fit import fit
from socband.suspects_judge import (
    DEFAULTS,
    SIZE_QUANTILES,
    LogFits,
    Options,
    Verdict,
    fit_log,
    judge,
)
from socband.suspects_model import Likelihood
from socband.suspects_refuse import MISFIT
from socband.track import moment_of_present

if TYPE_CHECKING:
    import xarray as xr

    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup
    from socband.site_parts import Bank

__all__ = ["DEFAULTS", "Options", "Verdict", "expected_log_bayes", "fit_log", "judge", "suspects"]

Array = np.ndarray

ASSUMED_USE = 0.3  # of the capacity a day, out and in (assumed)
# So many times as likely as before must hours be to be told, by so many draws at least (assumed).
CLEARLY_LIKELIER, LEAST_DRAWS_OF_HOURS = 4.0, 50
_NEARLY = 0.999  # of what is printed: rounding is no age
SHOWN = 0.05  # causes less probable than this are not compared with one another


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
    meters = options.meters
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
                    _evidence_of_made_data(verdict.fits, heads[made_by], heads[n], rng)
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
    fits: LogFits, maker: int, reader: int, rng: np.random.Generator
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
        target.design, target.hypothesis, fits.columns, target.causes, fits.yardstick, **changes
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


def drift_per_day(cause: str, verdict: Verdict, setup: Setup) -> Array:
    """Error of the display that grows per day, 0..1 per day, positive = the display is too high.

    What grows with use and not with time does so by a day's use; what a false full brings, it
    brings once.

    Returns:
        (3,) in the order of the quantiles of the cause's size.
    """
    size = verdict.size[cause]
    rated = setup.bank.rated_capacity_ah
    depth, filled = _daily_use(verdict, rated)
    if cause in ("untracked_steady", "offset"):
        return 24.0 * size / rated
    if cause == "untracked_hours":
        return 24.0 * verdict.untracked_mean_a / rated
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


def readings_that_do_not_fit(
    verdict: Verdict,
    setup: Setup,
    cell: CellModel,
    readings: Mapping[str, float],
    options: Options = DEFAULTS,
) -> list[str]:
    """Readings that not one draw of the leading cause comes within `MISFIT` deviations of.

    Only one cause is ever at work here: two at once, or a slip of a reading, would otherwise pass
    for one of them, seen clearly.
    """
    leading = max(verdict.probability, key=lambda name: verdict.probability[name])
    mine = verdict.draws.take(np.flatnonzero(verdict.draws.causes == leading))
    said = predictions(mine, readings, setup, cell, options.meters)
    return [
        name
        for name, (mean, std) in said.items()
        if np.min(np.abs(readings[name] - mean) / std) > MISFIT
    ]


def _daily_use(verdict: Verdict, rated_ah: float) -> tuple[float, float]:
    """Share of the capacity taken out and put in per day; `ASSUMED_USE` where no log says."""
    if verdict.fits is None:
        return ASSUMED_USE, ASSUMED_USE
    columns = verdict.fits.columns
    dt_h = columns.track.dt_s / 3600.0
    days = max(columns.track.time_s[-1] / 86400.0, 0.1)
    out = float(np.sum(np.maximum(-columns.seen, 0.0) * dt_h))
    into = float(np.sum(np.maximum(columns.seen, 0.0) * dt_h))
    return out / rated_ah / days, into / rated_ah / days


def _assumed(readings: Mapping[str, float]) -> list[str]:
    """Hours that readings go with and that nobody gave, as "name=hours assumed"."""
    return [
        f"{name}_hours={hours:g} assumed"
        for name, hours in ASSUMED_HOURS.items()
        if name in readings and f"{name}_hours" not in readings
    ]


def likely_hours(verdict: Verdict) -> str:
    """In which of the windows tried an untracked load draws, where what is known clearly speaks
    for one of them; else ""."""
    draws = verdict.draws
    mine = np.flatnonzero(draws.causes == "untracked_hours")
    # resampling leaves the same draw more than once: so few say nothing of the hours
    if len(np.unique(draws.origin[mine])) < LEAST_DRAWS_OF_HOURS:
        return ""
    count = np.bincount(draws.index[mine], minlength=len(draws.hypotheses))
    best = draws.hypotheses[count.argmax()]
    whole = sum(h.weight for h in draws.hypotheses if h.cause == best.cause)
    likelier = count.max() / len(mine) / (best.weight / whole)
    stated = best.detail == STATED_DETAIL
    return str(best.hours) if stated or likelier >= CLEARLY_LIKELIER else ""


def _stated(verdict: Verdict) -> dict[str, list[str]]:
    """Causes of which the setup file states one as a fact: `facts`, and `otherwise` those of which
    most of what is left is another than the stated one."""
    draws, found = verdict.draws, {"facts": [], "otherwise": []}
    for j, one in enumerate(draws.hypotheses):
        if not one.nothing_else or one.cause == "none":
            continue
        mine = draws.index[draws.causes == one.cause]
        other = mine.size and np.mean(mine == j) < 0.5
        found["otherwise" if other else "facts"].append(one.cause)
    return found


def _expected_capacity_ah(bank: Bank) -> Array:
    """(3,) quantiles of what the setup expects the bank to hold [Ah]."""
    low, high = bank.capacity_fraction.interval(0.9)
    return bank.rated_capacity_ah * np.array([low, bank.capacity_fraction.median, high])


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
        members: draws in all; more where readings are rare, see `judge`.
        options: see there.
    """
    import xarray as xr

    from socband.balance import balance_dataset
    from socband.next_measurement import pair_bits, rank_tests
    from socband.summary import with_attributes

    verdict = judge(setup, cell, log, readings, seed, members, options)
    order = sorted(verdict.probability, key=lambda n: -verdict.probability[n])
    sizes = np.stack([verdict.size[n] for n in order])
    drifts = np.stack([np.sort(drift_per_day(n, verdict, setup)) for n in order])
    names, bayes = expected_log_bayes(verdict, setup, cell, readings, seed, options)
    apart = np.full((len(order), len(order)), np.nan)
    for i, a in enumerate(names):
        for j, b in enumerate(names):
            apart[order.index(a), order.index(b)] = bayes[i, j]
    tests = rank_tests(verdict, setup, cell, readings, seed, options.meters)
    misfits = readings_that_do_not_fit(verdict, setup, cell, readings, options)
    data = {
        "probability": ("cause", [verdict.probability[n] for n in order],
                        {"units": "1", "long_name": "posterior probability of the cause"}),
        "prior": ("cause", [verdict.prior[n] for n in order],
                  {"units": "1", "long_name": "prior probability (assumed)"}),
        "size": (("cause", "size_quantile"), sizes,
                 {"units": "see variable unit", "long_name": "size of the cause if it is the one"}),
        "last_shortfall": ("size_quantile", verdict.last_shortfall,
                           {"units": "1", "long_name": "missing at the log's last false full"}),
        "unit": ("cause", [UNITS[n] for n in order]),
        "drift_per_day": (("cause", "size_quantile"), drifts,
                          {"units": "d-1", "long_name": "growth of the display's error; of a "
                           "false full the error that each brings"}),
        "log_bayes": (("cause", "against"), apart,
                      {"units": "1", "long_name": "expected log Bayes factor of such evidence"}),
        "pair_bits": (("cause", "against", "test"),
                      pair_bits(verdict, setup, cell, tests, order, seed, options.meters),
                      {"units": "bit", "long_name": "what the test tells of the pair alone"}),
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
            full_std = true_full_std(cell, options.causes.full_std)
            drift, std = drift_current(verdict.fits.balance, full_std * rated)
            dataset.attrs |= {"drift_a": drift, "drift_std_a": std}
        dataset.attrs |= moment_of_present(log, setup, at_end=True)
        dataset.attrs["log_days"] = float(log.time_s[-1] / 86400.0)
        dataset.attrs["declared_fulls"] = int(verdict.fits.likelihoods[0].design.declared)
        dataset.attrs["false_fulls"] = int(verdict.fits.likelihoods[0].design.event_hours.size)
    # the causes may be asked about for a bank that has died; its charge then is no question
    soc = verdict.draws.soc
    now = soc[soc > 0.0] if log is None and np.any(soc > 0.0) else soc
    rated = setup.bank.rated_capacity_ah
    used, charged = _daily_use(verdict, rated)
    dataset.attrs |= {
        "untracked_hours": likely_hours(verdict),
        **{f"stated_{key}": "; ".join(names) for key, names in _stated(verdict).items()},
        "rated_is_sound_setting": int(sound_capacity_settings_ah(setup.bank)[1] >= _NEARLY * rated),
        **{
            f"holds_{key}_ah": float(ah)
            for key, ah in zip(
                ("p05", "p50", "p95"), _expected_capacity_ah(setup.bank), strict=True
            )
        },
        "used_per_day": used,
        "charged_per_day": charged,
        "use_is_assumed": int(log is None),
        "rated_capacity_ah": float(setup.bank.rated_capacity_ah),
        "readings": ", ".join([*(f"{k}={v:g}" for k, v in readings.items()), *_assumed(readings)]),
        "misfits": ", ".join(misfits),
        "effective_draws": verdict.effective,
        "draws_that_fit": verdict.fitting,
        "draws": verdict.members,
        "readings_weighed": len(predictions(verdict.draws, readings, setup, cell, options.meters)),
        "soc_p05": float(np.quantile(now, 0.05)),
        "soc_p50": float(np.quantile(now, 0.5)),
        "soc_p95": float(np.quantile(now, 0.95)),
        "display_not_used": int(log is not None and setup.present.display_soc is not None),
    }
    return with_attributes(dataset, f"what the display does not see: {setup.about.title}", seed)
