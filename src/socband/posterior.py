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
from functools import partial

import numpy as np

from socband import kernels as k
from socband import kernels_band
from socband.cell import FAST_TIME, CellTables
from socband.evidence import Context, Evidence, missed_by
from socband.models import CellModel
from socband.posterior_foresight import foresee
from socband.posterior_minutes import in_minutes
from socband.posterior_moves import load_for_offset, towards_all
from socband.posterior_resample import normalised, systematic
from socband.posterior_settings import (
    Settings,
    kernel_inputs,
    lasting_std_v,
)
from socband.smoother import cloud_draw, drawn_together, look_back
from socband.track import Track
from socband.unknowns import NAMES, Members, Unknowns, normal_scores, score_matrix

Array = np.ndarray


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
        hindsight_quantiles: (t, q) with what is known at the end, looking back; None if not asked.
        missed: deviations by which members missed a reading (`missed_by`), by the step before.
        misfit: (t,) voltage-model error that fits the voltages, ensemble mean, in units of its own
            deviation, as it stands at the end of every few steps (`Settings.chunk`); far from 0 no
            bank of the ensemble shows such voltages.
        resampled_at_s: when resampling and moves took place, with their acceptance rate.
    """

    time_s: Array
    quantiles: Array
    mean: Array
    std: Array
    ess: Array
    misfit: Array
    members: Members
    scores: Array
    state: Array
    parameters: Array
    resampled_at_s: tuple[tuple[float, float], ...] = field(default=())
    hindsight_quantiles: Array | None = None
    missed: dict[int, float] = field(default_factory=dict)


def condition(
    track: Track,
    cell: CellModel,
    unknowns: Unknowns,
    settings: Settings | None = None,
    evidence: Sequence[Evidence] = (),
    progress: Callable[[int, int], None] | None = None,
) -> Posterior:
    """Run the ensemble over a track and all other evidence.

    Args:
        track: the filter's steps.
        cell: the cell model.
        unknowns: the prior.
        settings: the defaults if None.
        evidence: taken at their times, in order; those before the first step at the start.
        progress: called with (steps done, steps in all).

    Returns:
        The posterior; its quantiles are causal: at each time only what was known then.
    """
    return _Run(track, cell, unknowns, settings or Settings(), evidence).run(progress)


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
        self.track, self.cell, self.unknowns, self.settings = track, cell, unknowns, settings
        noise = settings.resolved(cell)
        self.eta = noise.eta
        self.table = np.ascontiguousarray(CellTables.from_model(cell).table)
        self.common, self.factors = kernel_inputs(cell, settings)
        self.tau_e_s = cell.voltage_error.tau_s * noise.tau_scale
        self.error_scale, self.lasting_share = noise.error_scale, noise.lasting_share
        self.lasting_v = lasting_std_v(cell, settings, float(np.mean(track.temperature_c)))
        self.drive = track.drive.copy()
        self.drive[[k.SIGMA_E_V, k.KEEP_E]] = np.nan  # filled as the run goes on: `foresee`
        self.is_steady = np.array([p.hours.is_always for p in unknowns.patterns])
        self.patterns_on = track.patterns_on(unknowns.patterns)
        self.voltage_v = track.voltage_v if settings.use_voltage else np.full(len(track), np.nan)
        # evidence by the step after which it is applied; -1 = before the first
        self.evidence: dict[int, list[Evidence]] = {}
        self.missed: dict[int, float] = {}
        # the latest moves: how many whole minutes they replayed, and the members' states there
        self.replayed: tuple[int, Array | None] = 0, None
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
        cloud_offset = settings.cloud_bias * unknowns.offset_a.core_std
        soc = drawn_together(members.soc, unknowns.start_soc.mean, soc_std, cloud_soc)
        offset = drawn_together(members.offset_a, unknowns.offset_a.mean, offset_std, cloud_offset)
        parameters = np.empty((k.PARAMETER_ROWS, n))
        parameters[k.GAIN] = gain
        parameters[k.UNTRACKED_A] = np.where(steady, 0.0, members.untracked_a) * scale
        parameters[k.CAPACITY_AH] = self.cell.capacity_ah * members.capacity_fraction
        parameters[k.RESISTANCE] = members.resistance_factor
        parameters[k.DIFFUSION] = members.diffusion_factor
        parameters[k.SHIFT] = members.charge_shift
        parameters[k.TEMPERATURE_K] = members.temperature_offset_k
        parameters[k.VOLTAGE_V] = members.voltage_offset_v
        parameters[k.HYSTERESIS] = members.hysteresis_factor
        parameters[k.DECAY] = members.decay_factor
        parameters[k.CURVE_V : k.CURVE_V + k.CURVE_NODES] = self.lasting_v * members.curve.T
        state = np.zeros((k.STATE_ROWS, n))
        state[k.Z] = soc
        state[k.B] = -scale * (gain * offset + np.where(steady, members.untracked_a, 0.0))
        state[k.H] = self.track.leaning(members.h, self.cell.capacity_ah)
        state[k.P0] = cloud_soc**2
        branch_a = np.array(settings.start_branch_c) * self.cell.capacity_ah
        state[k.P0 + 5] = branch_a[0] ** 2
        # The surface lag bends with the diffusion current: spread over members, not within filters.
        # Both modes start alike, as after a current that was steady.
        spread_a = branch_a[1] * scores[NAMES.index("slow_current_start")]
        state[k.I2] = self.track.first_a + spread_a
        parameters[k.FAST_START_A] = state[k.I2]
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
        if first == 0 < last:
            self._apply(-1, state, parameters, pattern)
        for a, b in itertools.pairwise(cuts):
            window = [x[a - first : b - first] for x in out] if keep else list(out)
            t = self.track
            k.over_members(
                k.filter_range, n, state, parameters, pattern, t.dt_s[a:b],
                np.ascontiguousarray(self.drive[:, a:b]), self.voltage_v[a:b], t.temperature_c[a:b],
                np.ascontiguousarray(self.patterns_on[:, a:b]), t.charge_var[a:b],
                self.table, self.factors, self.common, *window,
            )  # fmt: skip
            if self._apply(b - 1, state, parameters, pattern) and keep:
                for kept, row in zip(window, (k.Z, k.P0, k.LOGLIK), strict=True):
                    kept[-1] = state[row]
        return out

    def _apply(self, step: int, state: Array, parameters: Array, pattern: Array) -> bool:
        pieces, at = self.evidence.get(step, ()), max(step, 0)
        first = step not in self.missed  # moves come later
        for piece in pieces:
            context = Context(
                cell=self.cell,
                scale=self.track.scale,
                parameters=parameters,
                seen_a=float(self.track.current_a[at] / self.track.scale.cell_per_bank),
                untracked_on=self.patterns_on[pattern, at],
                temperature_c=float(self.track.temperature_c[at]),
                eta=self.eta,
                error_scale=self.error_scale,
                lasting_share=self.lasting_share,
            )
            miss = missed_by(piece, state, context) if first else 0.0
            self.missed[step] = max(self.missed.get(step, 0.0), miss)
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
        mean, std, ess, misfit = (np.empty(t_all) for _ in range(4))
        resampled = []
        last, weights = 0, np.full(n, 1.0 / n)
        while last < t_all:
            first, last = last, min(last + settings.chunk, t_all)
            before = state.copy()
            foresee(self, state, weights, first, last)
            z, variance, loglik = self.advance(state, parameters, pattern, first, last, keep=True)
            kernels_band.bands(
                z, variance, loglik, base, self.eta, jitter, np.array(settings.probabilities),
                quantiles[first:last], mean[first:last], std[first:last], ess[first:last],
            )  # fmt: skip
            low = np.flatnonzero(ess[first:last] < settings.ess_share * n)
            if low.size and first + low[0] + 1 < last:
                # back to the step at which the evidence first asked for resampling
                last = first + int(low[0]) + 1
                state = before
                self.advance(state, parameters, pattern, first, last, keep=False)
            weights = normalised(self.eta * (state[k.LOGLIK] - base))
            misfit[first:last] = state[k.E] @ weights
            if ess[last - 1] < settings.ess_share * n or (last == t_all and ess[-1] < n - 1e-6):
                keep = systematic(weights, rng)
                scores = scores.take(keep, axis=1)
                state, parameters = state.take(keep, axis=1), parameters.take(keep, axis=1)
                pattern = pattern[keep]
                minutes, early = self.replayed
                self.replayed = minutes, early if early is None else early.take(keep, axis=1)
                scores, state, parameters, pattern, rate = self.move(
                    scores, state, parameters, pattern, last, rng
                )
                base, weights = state[k.LOGLIK].copy(), np.full(n, 1.0 / n)
                resampled.append((float(self.track.time_s[last - 1]), rate))
            if progress is not None:
                progress(last, t_all)
        hindsight = None
        if settings.hindsight:
            given = (self.before_gaps(scores), self.patterns_on, self.factors, self.common)
            hindsight = look_back(self.track, settings, state, parameters, pattern, *given)
        return Posterior(
            time_s=self.track.time_s,
            quantiles=quantiles,
            mean=mean,
            std=std,
            ess=ess,
            misfit=misfit,
            members=self.members_now(scores, state, parameters, pattern),
            scores=scores,
            state=state,
            parameters=parameters,
            resampled_at_s=tuple(resampled),
            hindsight_quantiles=hindsight,
            missed=self.missed,
        )

    def before_gaps(self, scores: Array) -> dict[int, Array]:
        """What the members at these scores knew before each gap, by its step."""
        known: dict[int, Array] = {}
        gaps = np.flatnonzero(self.track.charge_var)
        if not gaps.size:
            return known
        state, parameters, pattern = self.start(scores)
        first = 0
        for gap in gaps:
            if gap:
                self.advance(state, parameters, pattern, first, gap, keep=False)
                known[int(gap)] = state.copy()
            else:  # nothing but the evidence of the start; the next stretch takes it in once more
                known[0] = state.copy()
                self._apply(-1, known[0], parameters, pattern)
            first = gap
        return known

    def move(
        self, scores: Array, state: Array, parameters: Array, pattern: Array, last: int, rng
    ) -> tuple[Array, Array, Array, Array, float]:
        """As given, moved by Metropolis-Hastings steps that are judged on all evidence so far each,
        and the share of the steps that were taken.
        """
        taken, (run, steps) = 0.0, in_minutes(self, last)
        if run is self:
            early = state
        else:  # all are judged by the same steps; those of earlier moves need no second replay
            minutes, early = self.replayed
            state = self.start(scores)[0] if early is None else early
            early = run.replay(state, parameters, pattern, minutes, steps)
        for turn in range(self.settings.moves):
            if turn % 2 == 0 or self.unknowns.untracked_probability == 0.0:
                proposed, log_ratio = towards_all(scores, rng)
            else:
                proposed, log_ratio = load_for_offset(
                    scores, partial(self.untracked_in_offsets, last=last), rng
                )
            state2, parameters2, pattern2 = self.start(proposed)
            early2 = run.replay(state2, parameters2, pattern2, 0, steps)
            log_ratio += self.eta * (state2[k.LOGLIK] - state[k.LOGLIK])
            yes = np.log(rng.random(scores.shape[1])) < log_ratio
            scores = np.where(yes, proposed, scores)
            state, early = np.where(yes, state2, state), np.where(yes, early2, early)
            parameters = np.where(yes, parameters2, parameters)
            pattern = np.where(yes, pattern2, pattern)
            taken += float(yes.mean()) / self.settings.moves
        self.replayed = (0, None) if run is self else (steps - 1, early)
        return scores, state, parameters, pattern, taken

    def replay(
        self, state: Array, parameters: Array, pattern: Array, first: int, last: int
    ) -> Array:
        """Advance members, and their state before the last step: of a log of minutes that may be a
        part of one, which later moves see whole.
        """
        self.advance(state, parameters, pattern, first, last - 1, keep=False)
        early = state.copy()
        self.advance(state, parameters, pattern, last - 1, last, keep=False)
        return early

    def untracked_in_offsets(self, scores: Array, last: int) -> Array:
        """(n,) mean untracked current up to a step, in deviations of the offset between members."""
        dt_s = self.track.dt_s[:last]
        share = self.patterns_on[:, :last] @ dt_s / dt_s.sum()
        untracked_a, pattern = self.unknowns.untracked(scores)
        between_a = self.unknowns.offset_a.core_std * np.sqrt(1.0 - self.settings.cloud_bias**2)
        mean_a = untracked_a * share[pattern]
        return mean_a / between_a if between_a > 0.0 else np.zeros(len(mean_a))

    def members_now(
        self, scores: Array, state: Array, parameters: Array, pattern: Array
    ) -> Members:
        """One draw from each member's cloud: points that together are the posterior."""
        scale = self.track.scale.cell_per_bank
        drawn = self.unknowns.members(scores)
        deviation = cloud_draw(state, self.settings.seed)
        bias_a = (state[k.B] + deviation[:, 1]) / scale
        steady = self.is_steady[pattern]
        # What is left of the constant error after the untracked load is the offset.
        untracked = drawn.untracked_a
        offset = -(bias_a + np.where(steady, untracked, 0.0)) * (1.0 + drawn.gain_error)
        # The fast diffusion mode: what is left of its start, what the seen current made of it, and
        # the rest, which it follows.
        left = np.exp(-self.track.dt_s.sum() / (FAST_TIME * self.cell.tau2_s))
        rest = state[k.B] - np.where(steady, 0.0, untracked) * scale * self.patterns_on[pattern, -1]
        fast = self.track.drive[k.RC3_END, -1] * parameters[k.GAIN] + rest
        fast += left * parameters[k.FAST_START_A]
        return drawn.replaced(
            soc=np.clip(state[k.Z] + deviation[:, 0], 0.0, 1.0),
            offset_a=offset,
            h=state[k.H],
            i1_a=state[k.I1] / scale,
            i2_a=state[k.I2] / scale,
            i3_a=fast / scale,
        )
