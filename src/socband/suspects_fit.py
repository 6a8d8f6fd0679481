"""Posterior and evidence of one hypothesis: Gauss-Newton, then importance sampling around it."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from scipy.special import ndtri

from socband.causes import CauseSettings, P, drift_to_a, hypotheses
from socband.posterior_resample import effective_sample_size, systematic
from socband.quantity import Quantity
from socband.suspects_design import LogColumns
from socband.suspects_model import Likelihood, Yardstick

Array = np.ndarray

OFF_LOG = ("capacity_setting", "efficiency_setting")  # the log knows nothing of them


LEAST_EFFECTIVE = 15.0  # with fewer effective draws the Laplace approximation is the safer one
RESTARTS = 3


@dataclass(frozen=True)
class Fit:
    """The posterior under one hypothesis.

    Attributes:
        log_evidence: without the hypothesis's own weight.
        scores: (len(free), n) equally weighted draws, as normal scores.
        best: (len(PARAMETERS), 1) at the optimum.
        effective: effective number of draws, before resampling; 0 where Laplace's was taken.
    """

    log_evidence: float
    scores: Array
    best: Array
    effective: float


def fit(
    likelihood: Likelihood,
    rng: np.random.Generator,
    draws: int,
    start_score: float | None = None,
    tries_wanted: int = 10,
) -> Fit:
    """Optimum, evidence and draws under one hypothesis.

    Args:
        likelihood: of the hypothesis.
        rng: for starting points and draws.
        draws: how many.
        start_score: normal score of the start charge to begin from, where that is unknown.
        tries_wanted: starting points.
    """
    hypothesis = likelihood.hypothesis
    free = hypothesis.free
    anchored = likelihood.design.anchored
    use = np.array([n not in OFF_LOG and not (n == "start_soc" and anchored) for n in free])
    d = int(use.sum())

    def full(x: Array) -> Array:
        scores = np.zeros((len(free), x.shape[1]))
        scores[use] = x
        return scores

    def values_of(x: Array) -> Array:
        return hypothesis.values(full(x))

    tries = 0.8 * rng.standard_normal((d, tries_wanted))
    tries[:, 0] = 0.0
    names = [name for name, yes in zip(free, use, strict=True) if yes]
    if "start_soc" in names:
        # The plateau looks alike at many charges: start from all over, and not from one point.
        row = names.index("start_soc")
        if start_score is None:
            tries[row] = np.linspace(-2.2, 2.2, tries_wanted)
        else:
            tries[row] = start_score + 0.1 * rng.standard_normal(tries_wanted)
    for _ in range(RESTARTS):
        x, least = _optimum(likelihood, values_of, tries)
        hessian = _normal_equations(likelihood, values_of, x)[0]
        covariance = np.linalg.inv(hessian)
        root = np.linalg.cholesky(0.5 * (covariance + covariance.T))
        drawn, log_proposal = _student(x, 1.07 * root, draws, rng)
        objective = _minus_log_posterior(likelihood, values_of, drawn)
        better = int(np.argmin(objective))
        if objective[better] > least - 1.0:
            break
        tries = drawn[:, [better]]  # a draw found a better mode than the steps did
    log_prior_constant = -0.5 * d * math.log(2.0 * math.pi)
    log_weight = -objective + log_prior_constant - log_proposal
    top = log_weight.max()
    weight = np.exp(log_weight - top)
    effective = float(effective_sample_size(weight))
    if effective >= LEAST_EFFECTIVE:
        evidence = float(top + np.log(weight.mean()))
        chosen = drawn[:, systematic(weight / weight.sum(), rng)]
    else:
        evidence = -least + float(np.log(np.diag(root)).sum())
        chosen = x[:, None] + root @ rng.standard_normal((d, draws))
        effective = 0.0
    return Fit(evidence, full(chosen), values_of(x[:, None]), effective)


def _student(centre: Array, root: Array, n: int, rng: np.random.Generator) -> tuple[Array, Array]:
    """Draws (d, n) of a Student t of five degrees of freedom, and their log densities."""
    nu, d = 5.0, len(centre)
    normal = rng.standard_normal((d, n))
    chi = rng.chisquare(nu, n) / nu
    distance = (normal**2).sum(axis=0) / chi
    density = (
        math.lgamma(0.5 * (nu + d))
        - math.lgamma(0.5 * nu)
        - 0.5 * d * math.log(nu * math.pi)
        - np.log(np.diag(root)).sum()
        - 0.5 * (nu + d) * np.log1p(distance / nu)
    )
    return centre[:, None] + root @ (normal / np.sqrt(chi)), density


def _minus_log_posterior(
    likelihood: Likelihood, values_of: Callable[[Array], Array], x: Array
) -> Array:
    value = 0.5 * (x**2).sum(axis=0) - likelihood.log_likelihood(values_of(x))
    return np.where(np.isfinite(value), value, np.inf)


def _jacobian(
    likelihood: Likelihood, values_of: Callable[[Array], Array], x: Array
) -> tuple[Array, Array, Array, Array]:
    step = 0.03
    d = len(x)
    around = np.concatenate([x[:, None], x[:, None] + step * np.eye(d)], axis=1)
    white, balance, _ = likelihood.residuals(values_of(around))
    return white[0], balance[0], (white[1:] - white[0]) / step, (balance[1:] - balance[0]) / step


def _normal_equations(
    likelihood: Likelihood, values_of: Callable[[Array], Array], x: Array
) -> tuple[Array, Array]:
    white, balance, jv, jb = _jacobian(likelihood, values_of, x)
    eta = likelihood.settings.eta
    pj, pw = likelihood.project(jv), likelihood.project(white[None])
    hessian = eta * jv @ jv.T - pj @ pj.T + jb @ jb.T + np.eye(len(x))
    gradient = eta * jv @ white - (pj @ pw.T)[:, 0] + jb @ balance + x
    return hessian, gradient


STARTS = 3


def _optimum(
    likelihood: Likelihood, values_of: Callable[[Array], Array], tries: Array
) -> tuple[Array, float]:
    """The best of the Gauss-Newton runs from the best few of the tries (d, m)."""
    rough = _minus_log_posterior(likelihood, values_of, tries)
    order = np.argsort(rough)
    starts = 1 if likelihood.design.anchored else STARTS
    runs = [_descend(likelihood, values_of, tries[:, j]) for j in order[:starts]]
    return min(runs, key=lambda run: run[1])


def _descend(
    likelihood: Likelihood, values_of: Callable[[Array], Array], x: Array
) -> tuple[Array, float]:
    """Gauss-Newton steps with a line search."""
    best = np.inf
    factors = np.array([1.0, 0.6, 0.3, 0.1, 0.03, 0.0])
    for _ in range(likelihood.settings.iterations):
        hessian, gradient = _normal_equations(likelihood, values_of, x)
        step = -np.linalg.solve(hessian, gradient)
        step *= min(1.0, 2.0 / max(float(np.linalg.norm(step)), 1e-12))
        ahead = x[:, None] + step[:, None] * factors
        objective = _minus_log_posterior(likelihood, values_of, ahead)
        chosen = int(np.argmin(objective))
        gained = objective[-1] - objective[chosen]
        x, best = ahead[:, chosen], float(objective[chosen])
        if gained < 0.02:
            break
    return x, best


def reference(
    columns: LogColumns, causes: CauseSettings, rng: np.random.Generator
) -> tuple[Yardstick, float | None]:
    """The yardstick of one log, from a member free to have any of the errors at once.

    Two passes: a wide flat yardstick first, then the one along the trajectory found.

    Returns:
        The yardstick, and the normal score of the start charge found (None if a full charge says).
    """
    normal = Quantity.from_dist
    rated = columns.setup.bank.rated_capacity_ah
    base = hypotheses(columns.setup, causes, start_known=False)[0]
    priors = {
        **base.priors,
        "offset_a": normal("norm", scale=drift_to_a(0.15, rated)),
        "capacity_fraction": normal("norm", loc=0.8, scale=0.2),
        "connection_ohm": normal("expon", loc=0.0, scale=0.2 / (rated / 5.0)),
    }
    anything = replace(base, cause="anything", priors=priors)
    design = columns.design(anything, causes)
    yardstick = Yardstick.flat(len(design.voltage_v))
    score = None
    for step in range(3):
        likelihood = Likelihood(design, anything, columns, causes, yardstick)
        tries = 10 if design.anchored else 200
        found = fit(likelihood, rng, 2, score, tries if score is None else 10)
        if not design.anchored:
            score = float(ndtri(np.clip(found.best[P["start_soc"], 0], 1e-6, 1.0 - 1e-6)))
        if step == 2:
            return yardstick.widened(likelihood, found.best), score
        yardstick = Yardstick.along(likelihood, found.best)
    raise AssertionError("not reached")
