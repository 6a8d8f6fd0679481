"""The posterior over causes: every hypothesis fitted to the log, weighed by readings by hand."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from socband.balance import Balance, balance_of, full_rows, true_full_std
from socband.causes import CAUSES, ZERO_SHARE, CauseSettings, Hypothesis, P, hypotheses, size_of
from socband.causes_stated import settings_as_stated
from socband.cell import temperature_factors
from socband.errors import InputError
from socband.posterior_resample import normalised, systematic
from socband.readings import with_readings
from socband.since_full import SinceFull, untracked_hours
from socband.snapshot import overfull_problem
from socband.snapshot_draw import is_overfull
from socband.summary import quantiles_of
from socband.suspects_design import LogColumns, ModelSettings
from socband.suspects_draws import Draws, Meters, log_weights
from socband.suspects_fit import Fit, fit, reference
from socband.suspects_model import C_START, Likelihood, Yardstick
from socband.suspects_refuse import check_usable, fitting_draws, refuse_impossible
from socband.track import hour_of_first_row
from socband.unknowns import uniforms

if TYPE_CHECKING:
    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

SIZE_QUANTILES = (0.05, 0.5, 0.95)
RULED_OUT = 14.0  # nats below the likeliest draw: a millionth of it
FEW_DRAWS = 25.0  # effective draws; fewer say nothing of a width (assumed)
# More may be asked for, but are not drawn unasked: in all, and of one hypothesis's fit to a log.
MOST_DRAWS, MOST_FITTED_DRAWS = 1_000_000, 2400
_KEPT = 4000  # draws of a verdict


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
        last_shortfall: (3,) quantiles of what was missing at the last of the false fulls that a log
            shows, where they are the cause; their `size` is a mean over all of them.
        untracked_mean_a: (3,) quantiles of the current of an untracked load in certain hours, as a
            mean over the day: each draw's current goes with its own hours [A].
        effective: effective number of draws under the readings.
        fitting: number of all draws that come close to every reading at once (`fitting_draws`):
            few effective draws and some fitting ones are a rare size, without any the readings
            contradict one another or the setup.
        members: draws that this took.
        fits: of the log, or None.
    """

    draws: Draws
    probability: dict[str, float]
    prior: dict[str, float]
    size: dict[str, Array]
    last_shortfall: Array
    untracked_mean_a: Array
    effective: float
    fitting: int
    members: int
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
    dt_s = columns.track.dt_s
    zero_share = float(np.sum(columns.zero * dt_s) / np.sum(dt_s))
    all_of_them = hypotheses(setup, causes, zero_share=zero_share)
    likelihoods, fits = [], []
    for hypothesis in all_of_them:
        design = columns.design(hypothesis, causes)
        likelihoods.append(Likelihood(design, hypothesis, columns, causes, yardstick))
        fits.append(fit(likelihoods[-1], rng, model.draws, score))
    rows = full_rows(log, columns.true_rule)
    hour = hour_of_first_row(log, setup, present_at_end=True)
    balance = balance_of(log, rows, hour)
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
        members: draws in all; up to `MOST_DRAWS` where readings speak for what is drawn so rarely
            that less than `FEW_DRAWS` effective ones are left.
        options: see there.

    Raises:
        InputError: a reading that is none beside this log, or one far beyond what any cause makes.
    """
    causes = settings_as_stated(setup, options.causes)
    model, meters = options.model, options.meters
    rng, first = np.random.default_rng([seed, 8]), True
    while True:
        if log is None:
            all_of_them, fits = hypotheses(setup, causes), None
            evidence = np.zeros(len(all_of_them))
        else:
            all_of_them, fits = fit_log(log, setup, cell, causes, model, seed)
            check_usable(readings, fits.likelihoods[0].design.declared)
            evidence = np.array([one.log_evidence for one in fits.fits])
        weight = np.log([h.weight for h in all_of_them]) + evidence
        draws, log_weight = _draw(
            all_of_them, fits, weight, setup, cell, readings, members, causes, rng
        )
        if first:
            likely = log_weight > log_weight.max() - RULED_OUT
            refuse_impossible(draws, likely, readings, setup, cell, meters)
        share = normalised(log_weight + log_weights(draws, readings, setup, cell, meters))
        effective = draws.effective(share)
        fitting = fitting_draws(draws, readings, setup, cell, meters)
        # Where none fits, the readings are at odds, and more draws would only hide it.
        drawn_out = members >= MOST_DRAWS or (log is not None and model.draws >= MOST_FITTED_DRAWS)
        if effective >= FEW_DRAWS or not fitting or drawn_out:
            break
        first, members = False, min(4 * members, MOST_DRAWS)
        model = replace(model, draws=min(4 * model.draws, MOST_FITTED_DRAWS))
    name_of = draws.causes
    present = sorted({h.cause for h in all_of_them}, key=CAUSES.index)
    probability = {name: float(share[name_of == name].sum()) for name in present}
    prior = {n: float(sum(h.weight for h in all_of_them if h.cause == n)) for n in present}
    sizes = {}
    for name in present:
        mine = name_of == name
        size = size_of(name, draws.values[:, mine], setup, draws.shortfall[mine])
        sizes[name] = _weighted_quantiles(size, share[mine])
    mine = name_of == "false_rezero"
    last_shortfall = _weighted_quantiles(draws.last_shortfall[mine], share[mine])
    mine = name_of == "untracked_hours"
    untracked_mean_a = _weighted_quantiles(draws.untracked_mean()[mine], share[mine])
    keep = systematic(share, rng, _KEPT)
    return Verdict(
        draws=draws.take(keep),
        probability=probability,
        prior=prior,
        size=sizes,
        last_shortfall=last_shortfall,
        untracked_mean_a=untracked_mean_a,
        effective=effective,
        fitting=fitting,
        members=members,
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
    index, values, soc, shortfall, last, display, weights, origin = ([] for _ in range(8))
    rated = setup.bank.rated_capacity_ah
    for j, hypothesis in enumerate(all_of_them):
        n = max(members // (len(shapes) * shapes[hypothesis.cause]), 60)
        free = hypothesis.free
        scores, made_from = rng.standard_normal((len(free), n)), np.arange(n)
        if fits is not None:
            fitted = fits.fits[j].scores
            known = np.any(fitted != 0.0, axis=1)
            which = rng.integers(0, fitted.shape[1], n)
            scores[known] = fitted[:, which][known]
            # resampling left some of them more than once
            made_from = np.unique(fitted, axis=1, return_inverse=True)[1].ravel()[which]
        v, overfull = hypothesis.values(scores), np.zeros(n, dtype=bool)
        if fits is not None:
            now, missing, at_last, shown = _from_log(fits.likelihoods[j], v, rated, rng)
            # a full charge is not exactly full, and the trajectory carries no noise of its own
            now += true_full_std(cell, causes.full_std) * rng.standard_normal(n)
            now = np.clip(now, 0.0, 1.0)
        else:
            now, missing, overfull = _from_display(
                hypothesis, v, setup, cell, readings, causes, rng
            )
            at_last, shown = missing, np.full(n, np.nan)
        index.append(np.full(n, j))
        origin.append(made_from + (origin[-1].max() + 1 if origin else 0))
        values.append(v)
        soc.append(now)
        shortfall.append(missing)
        last.append(at_last)
        display.append(shown)
        weights.append(np.where(overfull, -np.inf, log_weight[j] - np.log(n)))
    if not np.isfinite(np.concatenate(weights)).any():
        raise InputError(overfull_problem())
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
            last_shortfall=np.concatenate(last),
            display_soc=np.concatenate(display),
            clock_hour=hour,
            zero_share=zero,
            origin=np.concatenate(origin),
        ),
        np.concatenate(weights),
    )


def _from_log(
    likelihood: Likelihood, v: Array, rated_ah: float, rng: np.random.Generator
) -> tuple[Array, Array, Array, Array]:
    """Charge now, what false fulls lack, what the last does, and the display, as the log ends."""
    d = likelihood.design
    coefficient = likelihood.coefficients(v)

    def charge(columns: Array, hours: Array) -> Array:
        return coefficient[C_START][:, None] + likelihood.net_charge(coefficient, columns, hours)

    soc = charge(d.end_soc_ah[:, None], np.array([d.end_soc_hours]))[:, 0]
    n = v.shape[1]
    shortfall = last = _missing(likelihood.hypothesis, likelihood.causes, n, rng)
    if likelihood.at_events:
        at = charge(d.event_ah, d.event_hours)
        shortfall, last = (np.clip(1.0 - z, 0.0, 1.0) for z in (at.mean(axis=1), at[:, -1]))
    shown = np.full(n, np.nan)
    if d.declared:
        counted = v[P["efficiency_setting"]] * d.end_in_ah - d.end_out_ah
        shown = np.minimum(1.0 + counted / (v[P["capacity_setting"]] * rated_ah), 1.0)
    return soc, shortfall, last, shown


def _missing(
    hypothesis: Hypothesis, causes: CauseSettings, n: int, rng: np.random.Generator
) -> Array:
    """(n,) charge that each full charge lacks, before any is seen: only where that is the cause."""
    if hypothesis.cause != "false_rezero":
        return np.zeros(n)
    missing = np.abs(causes.shortfall_mean + causes.shortfall_std * rng.standard_normal(n))
    return np.minimum(missing, 1.0)


def _from_display(
    hypothesis: Hypothesis,
    v: Array,
    setup: Setup,
    cell: CellModel,
    readings: Mapping[str, float],
    causes: CauseSettings,
    rng: np.random.Generator,
) -> tuple[Array, Array, Array]:
    """Charge now without a log, by the closed form of `snapshot`, what each full charge lacks, and
    whether the bank would be more than full.

    That the last one may have come too early is a cause by itself, and beside every other one the
    setup's own doubt.
    """
    n = v.shape[1]
    missing = _missing(hypothesis, causes, n, rng)
    setup = with_readings(setup, readings)
    display = setup.present.display_soc
    if display is None:
        return rng.random(n), missing, np.zeros(n, dtype=bool)
    seed = int(rng.integers(2**31))
    temperature_c = setup.ambient.temperature_c.ppf(uniforms(seed, "ambient", n))
    since = SinceFull.draw(setup, cell, temperature_c, seed)
    # a cause takes the place of the setup's own doubt of the same thing
    if hypothesis.cause == "false_rezero" or hypothesis.nothing_else:
        since = replace(since, shortfall=missing)
    if hypothesis.cause == "dead_band":
        since = replace(since, hidden_ah=v[P["standby_a"]] * since.hours * ZERO_SHARE)
    load = replace(setup.untracked_load, hours=hypothesis.hours)
    on_hours = untracked_hours(replace(setup, untracked_load=load), since.hours)
    rated = setup.bank.rated_capacity_ah
    factor = temperature_factors(cell, temperature_c)[4]
    soc = since.soc(
        cell,
        display,
        v[P["capacity_setting"]] * rated,
        v[P["offset_a"]],
        v[P["gain"]],
        v[P["untracked_a"]] * on_hours,
        rated * v[P["capacity_fraction"]] * factor,
    )
    return np.clip(soc, 0.0, 1.0), missing, is_overfull(soc, display)


def _weighted_quantiles(x: Array, weight: Array) -> Array:
    if weight.sum() <= 0.0:
        return np.full(len(SIZE_QUANTILES), np.nan)
    return quantiles_of(x, SIZE_QUANTILES, weight)
