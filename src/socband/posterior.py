"""Condition the ensemble on evidence: a mixture of Kalman filters with IBIS.

Each member holds one draw of the static unknowns and runs its own Kalman filter for what moves
(`kernels`): Chen & Liu 2000, J. R. Stat. Soc. B 62, 493-508. A member is no point but a small
Gaussian cloud: part of the prior variance of start charge and constant current error is given to
its filter, the rest is spread over the members, so that the mixture is the prior and every filter
works only over a range in which the OCV curve is nearly straight.

A member's weight is its innovation likelihood raised to a learning rate eta <= 1 (generalised
Bayes: Syring & Martin 2019, Biometrika 106, 479-486). When the effective sample size falls below
half, the members are resampled and moved by Metropolis-Hastings steps on their normal scores, each
judged on all the evidence so far (IBIS: Chopin 2002, Biometrika 89, 539-552).
"""

from __future__ import annotations

import itertools
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

import numpy as np

from socband import kernels as k
from socband.cell import CellTables, temperature_factors
from socband.evidence import Context, Evidence
from socband.models import CellModel
from socband.track import Track
from socband.unknowns import Members, Unknowns, normal_scores, score_matrix

Array = np.ndarray

PROBABILITIES = (0.025, 0.05, 0.25, 0.5, 0.75, 0.95, 0.975)


@dataclass(frozen=True)
class Settings:
    """How to condition. The noise scales come from the cell's calibration where it has one.

    Attributes:
        members: how many.
        seed: of everything random.
        eta: learning rate; None = the cell's.
        error_scale, tau_scale: multiply the model error's deviation and memory; None = the cell's.
        cloud_soc: standard deviation of a member's own cloud of start charge, 0..1.
        cloud_bias: share of the offset's standard deviation that lies within a member.
        start_branch_c: standard deviation of the two branch currents at the start of a log, of
            whose time before nothing is known [C-rate].
        bias_walk_a_per_sqrt_s: random walk of the constant error [A/sqrt(s)], per cell.
        outlier_sigma: an innovation beyond so many deviations counts as a bad reading.
        ess_share: resample when the effective sample size falls below this share.
        moves: Metropolis-Hastings steps after resampling.
        chunk: steps between looks at the effective sample size.
        use_voltage: False = open loop, the prior propagated.
        probabilities: of the quantiles kept, increasing.
    """

    members: int = 4000
    seed: int = 0
    eta: float | None = None
    error_scale: float | None = None
    tau_scale: float | None = None
    cloud_soc: float = 0.015
    cloud_bias: float = 0.5
    start_branch_c: tuple[float, float] = (0.2, 0.1)
    bias_walk_a_per_sqrt_s: float = 0.0
    outlier_sigma: float = 4.0
    ess_share: float = 0.5
    moves: int = 3
    chunk: int = 32
    use_voltage: bool = True
    probabilities: tuple[float, ...] = PROBABILITIES


# What a cell without calibration gets: see benchmarks/calibrate.py for the pooled values.
POOLED_ETA = 0.3
POOLED_ERROR_SCALE = 1.5
POOLED_TAU_SCALE = 1.0


@dataclass(frozen=True)
class Posterior:
    """What is known after the evidence.

    Attributes:
        time_s: (t,) end of each step.
        quantiles: (t, q) of the true charge with what was known then.
        mean, std: (t,) of the charge.
        ess: (t,) effective sample size of the weights.
        members: equally weighted draws of everything unknown, at the end of the log.
        scores: (d, n) their normal scores.
        state: (STATE_ROWS, n) of their filters, after the last step.
        resampled_at_s: when resampling and moves took place, with their acceptance rate.
    """

    time_s: Array
    quantiles: Array
    mean: Array
    std: Array
    ess: Array
    members: Members
    scores: Array
    state: Array
    parameters: Array
    resampled_at_s: tuple[tuple[float, float], ...] = field(default=())


def condition(
    track: Track,
    cell: CellModel,
    unknowns: Unknowns,
    settings: Settings = Settings(),
    evidence: Sequence[Evidence] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Posterior:
    """Run the ensemble over a track and all other evidence.

    Args:
        track: the filter's steps.
        cell: the cell model.
        unknowns: the prior.
        settings: see there.
        evidence: taken at their times, in order; those before the first step at the start.
        progress: called with (steps done, steps in all).

    Returns:
        The posterior; its quantiles are causal: at each time only what was known then.
    """
    return _Run(track, cell, unknowns, settings, evidence).run(progress)


class _Run:
    """One conditioning run: the inputs of the kernel and the loop of IBIS."""

    def __init__(
        self,
        track: Track,
        cell: CellModel,
        unknowns: Unknowns,
        settings: Settings,
        evidence: Sequence[Evidence],
    ) -> None:
        calibration = cell.calibration
        self.track, self.cell, self.unknowns, self.settings = track, cell, unknowns, settings
        self.eta = _first(settings.eta, calibration and calibration.eta, POOLED_ETA)
        error_scale = _first(
            settings.error_scale, calibration and calibration.error_scale, POOLED_ERROR_SCALE
        )
        tau_scale = _first(
            settings.tau_scale, calibration and calibration.tau_scale, POOLED_TAU_SCALE
        )
        self.table = np.ascontiguousarray(CellTables.from_model(cell).table)
        self.common, self.factors = kernel_inputs(cell, settings, error_scale, tau_scale)
        self.is_steady = np.array([p.hours.is_always for p in unknowns.patterns])
        self.patterns_on = track.patterns_on(unknowns.patterns)
        self.voltage_v = track.voltage_v if settings.use_voltage else np.full(len(track), np.nan)
        # evidence by the step after which it is applied; -1 = before the first
        self.evidence: dict[int, list[Evidence]] = {}
        for piece in sorted(evidence, key=lambda one: one.time_s):
            after = int(np.searchsorted(track.time_s, piece.time_s, side="right")) - 1
            self.evidence.setdefault(after, []).append(piece)

    # ------------------------------------------------------------------ members to filters

    def start(self, scores: Array) -> tuple[Array, Array, Array]:
        """State, parameters and patterns of the members that stand at these scores."""
        settings, unknowns = self.settings, self.unknowns
        scale = self.track.scale.cell_per_bank
        members = unknowns.members(scores)
        n = scores.shape[1]
        gain = 1.0 / (1.0 + members.gain_error)
        steady = self.is_steady[members.untracked_pattern]
        # Members are drawn together by as much as their clouds have width: together, the prior.
        soc_std, offset_std = unknowns.start_soc.std, unknowns.offset_a.std
        cloud_soc = min(settings.cloud_soc, 0.7 * soc_std)
        cloud_offset = settings.cloud_bias * offset_std
        soc = _drawn_together(members.soc, unknowns.start_soc.mean, soc_std, cloud_soc)
        offset = _drawn_together(members.offset_a, unknowns.offset_a.mean, offset_std, cloud_offset)
        parameters = np.empty((k.PARAMETER_ROWS, n))
        parameters[k.GAIN] = gain
        parameters[k.UNTRACKED_A] = np.where(steady, 0.0, members.untracked_a) * scale
        parameters[k.CAPACITY_AH] = self.cell.capacity_ah * members.capacity_fraction
        parameters[k.RESISTANCE] = members.resistance_factor
        parameters[k.TEMPERATURE_K] = members.temperature_offset_k
        parameters[k.VOLTAGE_V] = members.voltage_offset_v
        state = np.zeros((k.STATE_ROWS, n))
        state[k.Z] = soc
        state[k.B] = -scale * (gain * offset + np.where(steady, members.untracked_a, 0.0))
        state[k.H] = members.h
        state[k.P0] = cloud_soc**2
        branch_a = np.array(settings.start_branch_c) * self.cell.capacity_ah
        state[k.P0 + 5], state[k.P0 + 9] = branch_a**2
        state[k.P0 + 12] = 1.0  # e starts anywhere: its own stationary variance
        state[k.P0 + 14] = (scale * gain * cloud_offset) ** 2
        return state, parameters, members.untracked_pattern

    def advance(
        self, state: Array, parameters: Array, pattern: Array, first: int, last: int, keep: bool
    ) -> tuple[Array, Array, Array]:
        """Steps first..last of all members, with the evidence that falls between them."""
        n = state.shape[1]
        shape = (last - first, n) if keep else (0, 0)
        out = np.empty(shape), np.empty(shape), np.empty(shape)
        cuts = sorted({first, last, *(i + 1 for i in self.evidence if first < i + 1 < last)})
        if first == 0:
            self._apply(-1, state, parameters, pattern)
        for a, b in itertools.pairwise(cuts):
            window = [x[a - first : b - first] for x in out] if keep else list(out)
            t = self.track
            k.over_members(
                k.filter_range,
                n,
                state,
                parameters,
                pattern,
                t.dt_s[a:b],
                np.ascontiguousarray(t.drive[:, a:b]),
                self.voltage_v[a:b],
                t.temperature_c[a:b],
                np.ascontiguousarray(self.patterns_on[:, a:b]),
                t.charge_var[a:b],
                self.table,
                self.factors,
                self.common,
                *window,
            )
            if self._apply(b - 1, state, parameters, pattern) and keep:
                for kept, row in zip(window, (k.Z, k.P0, k.LOGLIK), strict=True):
                    kept[-1] = state[row]
        return out

    def _apply(self, step: int, state: Array, parameters: Array, pattern: Array) -> bool:
        pieces = self.evidence.get(step, ())
        at = max(step, 0)
        for piece in pieces:
            context = Context(
                cell=self.cell,
                scale=self.track.scale,
                parameters=parameters,
                seen_a=float(self.track.current_a[at] / self.track.scale.cell_per_bank),
                untracked_on=self.patterns_on[pattern, at],
                temperature_c=float(self.track.temperature_c[at]),
                eta=self.eta,
            )
            piece.apply(state, context)
        return bool(pieces)

    # ------------------------------------------------------------------ the loop

    def run(self, progress: Callable[[int, int], None] | None) -> Posterior:
        settings = self.settings
        n, t_all = settings.members, len(self.track)
        rng = np.random.default_rng([settings.seed, 20])
        scores = score_matrix(settings.seed, n)
        jitter = normal_scores(settings.seed, "cloud", n)
        state, parameters, pattern = self.start(scores)
        base = np.zeros(n)  # log likelihood that the weights already used up by resampling
        quantiles = np.empty((t_all, len(settings.probabilities)))
        mean, std, ess = np.empty(t_all), np.empty(t_all), np.empty(t_all)
        resampled = []
        for first in range(0, t_all, settings.chunk):
            last = min(first + settings.chunk, t_all)
            z, variance, loglik = self.advance(state, parameters, pattern, first, last, keep=True)
            k.band_rows(
                z,
                variance,
                loglik,
                base,
                self.eta,
                jitter,
                np.array(settings.probabilities),
                quantiles[first:last],
                mean[first:last],
                std[first:last],
                ess[first:last],
            )
            if ess[last - 1] < settings.ess_share * n or (last == t_all and ess[-1] < n - 1e-6):
                weights = _weights(self.eta * (loglik[-1] - base))
                keep = systematic(weights, rng)
                scores = scores[:, keep]
                state, parameters = state[:, keep], parameters[:, keep]
                pattern = pattern[keep]
                rate = 0.0
                for _ in range(settings.moves):
                    scores, state, parameters, pattern, accepted = self.move(
                        scores, state, parameters, pattern, last, rng
                    )
                    rate += accepted / settings.moves
                base = state[k.LOGLIK].copy()
                resampled.append((float(self.track.time_s[last - 1]), rate))
            if progress is not None:
                progress(last, t_all)
        return Posterior(
            time_s=self.track.time_s,
            quantiles=quantiles,
            mean=mean,
            std=std,
            ess=ess,
            members=self.members_now(scores, state, pattern),
            scores=scores,
            state=state,
            parameters=parameters,
            resampled_at_s=tuple(resampled),
        )

    def move(
        self, scores: Array, state: Array, parameters: Array, pattern: Array, last: int, rng
    ) -> tuple[Array, Array, Array, Array, float]:
        """One random-walk Metropolis-Hastings step of all members on all evidence so far."""
        d, n = scores.shape
        root = np.linalg.cholesky(np.cov(scores) + 1e-6 * np.eye(d))
        # Roberts & Rosenthal's 2.38/sqrt(d), and smaller steps in turn, since nothing is Gaussian.
        size = 2.38 / np.sqrt(d) * np.where(rng.random(n) < 0.5, 1.0, 0.25)
        proposed = scores + size * (root @ rng.standard_normal((d, n)))
        state2, parameters2, pattern2 = self.start(proposed)
        self.advance(state2, parameters2, pattern2, 0, last, keep=False)
        log_ratio = self.eta * (state2[k.LOGLIK] - state[k.LOGLIK]) + 0.5 * (
            (scores**2).sum(axis=0) - (proposed**2).sum(axis=0)
        )
        yes = np.log(rng.random(n)) < log_ratio
        return (
            np.where(yes, proposed, scores),
            np.where(yes, state2, state),
            np.where(yes, parameters2, parameters),
            np.where(yes, pattern2, pattern),
            float(yes.mean()),
        )

    def members_now(self, scores: Array, state: Array, pattern: Array) -> Members:
        """One draw from each member's cloud: points that together are the posterior."""
        n = scores.shape[1]
        seed, scale = self.settings.seed, self.track.scale.cell_per_bank
        drawn = self.unknowns.members(scores)
        covariance = np.empty((n, 2, 2))
        covariance[:, 0, 0] = np.maximum(state[k.P0], 1e-16)
        covariance[:, 0, 1] = covariance[:, 1, 0] = state[k.P0 + 4]
        covariance[:, 1, 1] = np.maximum(state[k.P0 + 14], 1e-16)
        covariance[:, [0, 1], [0, 1]] *= 1.0 + 1e-9
        xi = np.stack([normal_scores(seed, "final z", n), normal_scores(seed, "final b", n)], -1)
        deviation = np.einsum("nij,nj->ni", np.linalg.cholesky(covariance), xi)
        bias_a = (state[k.B] + deviation[:, 1]) / scale
        steady = self.is_steady[pattern]
        # What is left of the constant error after the untracked load is the offset.
        untracked = drawn.untracked_a
        offset = -(bias_a + np.where(steady, untracked, 0.0)) * (1.0 + drawn.gain_error)
        return drawn.replaced(
            soc=np.clip(state[k.Z] + deviation[:, 0], 0.0, 1.0),
            offset_a=offset,
            h=state[k.H],
            i1_a=state[k.I1] / scale,
            i2_a=state[k.I2] / scale,
        )


# ---------------------------------------------------------------------- parts


def kernel_inputs(
    cell: CellModel, settings: Settings, error_scale: float, tau_scale: float
) -> tuple[Array, Array]:
    """The kernel's `common` vector and its table of temperature factors."""
    error = cell.voltage_error
    common = np.zeros(k.COMMON_SIZE)
    for index, value in (
        (k.TAU1_S, cell.tau1_s),
        (k.TAU2_S, cell.tau2_s),
        (k.SAT1_C, cell.saturation_1_c_rate),
        (k.SAT_LAG_C, cell.lag.saturation_c_rate),
        (k.GAMMA, cell.hysteresis_decay),
        (k.T_REF_C, cell.reference_temperature_c),
        (k.CELL_CAPACITY_AH, cell.capacity_ah),
        (k.EFFICIENCY, cell.coulombic_efficiency),
        (k.SIGMA_V, error.std_v * error_scale),
        (k.SIGMA_SOC, error.std_soc * error_scale),
        (k.SIGMA_PER_C, error.std_v_per_c_rate * error_scale),
        (k.TAU_E_S, error.tau_s * tau_scale),
        (k.NOISE_V, error.noise_v),
        (k.BIAS_WALK_A, settings.bias_walk_a_per_sqrt_s),
        (k.OUTLIER_SIGMA, settings.outlier_sigma),
        (k.T_GRID_START_C, -60.0),
        (k.T_GRID_STEP_K, 0.5),
    ):
        common[index] = value
    grid = -60.0 + 0.5 * np.arange(301)
    return common, np.ascontiguousarray(np.stack(temperature_factors(cell, grid), axis=-1))


def _first(*values: float | None) -> float:
    return next(float(v) for v in values if v is not None)


def _drawn_together(x: Array, mean: float, std: float, cloud: float) -> Array:
    if std <= 0.0:
        return x
    return mean + (x - mean) * np.sqrt(1.0 - (cloud / std) ** 2)


def _weights(log_weights: Array) -> Array:
    w = np.exp(log_weights - log_weights.max())
    return w / w.sum()


def systematic(weights: Array, rng: np.random.Generator) -> Array:
    """Systematic resampling: indices of the members kept, each about n·weight times.

    Source: Kitagawa 1996, J. Comput. Graph. Stat. 5, 1-25.
    """
    n = len(weights)
    points = (rng.random() + np.arange(n)) / n
    return np.minimum(np.searchsorted(np.cumsum(weights), points), n - 1)
