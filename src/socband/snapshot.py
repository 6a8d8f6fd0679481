"""The ensemble from a snapshot: a number on a display, hours since full, perhaps a rested voltage.

No log is needed, because what the display did since it last said "full" follows in closed form
(`since_full`).

What is known besides weighs the members: the bank is still on, it has not gained since it was full,
and a rested voltage fits or not.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np

from socband import kernels as k
from socband.cell import stands_at, temperature_factors, voltage
from socband.errors import InputError, Problem
from socband.evidence import (
    CapacityTest,
    ClampReading,
    Context,
    Evidence,
    FullCharge,
    RestedVoltage,
)
from socband.models import CellModel
from socband.posterior_resample import normalised, systematic
from socband.posterior_settings import Settings
from socband.since_full import SinceFull, untracked_hours
from socband.site import Setup
from socband.site_check import RESTED_V, bank_voltage_problems
from socband.track import Scale
from socband.unknowns import (
    Members,
    Pattern,
    Unknowns,
    score_matrix,
    uniforms,
)

Array = np.ndarray

OVERSAMPLE = 8  # draws per member kept, where evidence will discard most of them
MOST_DEVIATIONS = 4.0  # a reading that all but as few draws miss by more is refused (assumed)
OVERFULL = 0.01  # a display rounds, and what full is, no monitor knows better (assumed)
_DOUBTS: dict[type, str] = {  # what to ask of a reading that contradicts the setup
    RestedVoltage: "was the bank really at rest? is the number of cells right?",
    ClampReading: "is it true/shown, each positive into the bank?",
    CapacityTest: "is it what the display counted from full to cut-off, for the whole bank?",
}
LEAST_EFFECTIVE = 30.0  # fewer effective draws than this and the evidence contradicts the setup


@dataclass(frozen=True)
class Snapshot:
    """What is known now.

    Attributes:
        members: equally weighted draws of everything unknown.
        capacity_ah: (n,) present capacity of the bank at its temperature [Ah].
        temperature_c: (n,) of the bank [°C].
        causes: name -> (n,) the draws of each unknown, for asking which one widens the band.
        effective_size: of the draws before they were resampled.
        patterns: what `members.untracked_pattern` counts.
    """

    members: Members
    capacity_ah: Array
    temperature_c: Array
    causes: Mapping[str, Array]
    effective_size: float
    patterns: tuple[Pattern, ...]

    def take(self, index: Array) -> Snapshot:
        """The members at `index`, in that order."""
        return replace(
            self,
            members=self.members.take(index),
            capacity_ah=self.capacity_ah[index],
            temperature_c=self.temperature_c[index],
            causes={name: values[index] for name, values in self.causes.items()},
        )


def take_snapshot(
    setup: Setup, cell: CellModel, n: int, seed: int, evidence: Sequence[Evidence] = ()
) -> Snapshot:
    """The posterior of the present.

    Args:
        setup: its `present` section says what is known.
        cell: the cell model.
        n: members wanted.
        seed: of everything random.
        evidence: taken now, besides the setup's own rested voltage.

    Raises:
        InputError: the readings contradict each other beyond what the setup allows; one was not
            taken now, or is a full charge, which the display and hours since full say; a clamp
            reading with nothing to hold it against.
    """
    present, monitor = setup.present, setup.monitor
    _check_pieces(setup, evidence)
    unknowns = Unknowns.from_setup(setup, cell=cell)
    draws = n * OVERSAMPLE
    members = unknowns.members(score_matrix(seed, draws))

    def drawn(quantity, name: str) -> Array:
        return quantity.ppf(uniforms(seed, name, draws))

    temperature_c = setup.ambient.temperature_c.median + members.temperature_offset_k
    factor = temperature_factors(cell, temperature_c)[4]
    capacity_ah = setup.bank.rated_capacity_ah * members.capacity_fraction * factor
    assumed_ah = drawn(monitor.assumed_capacity_ah, "assumed_capacity_ah")
    since = SinceFull.draw(setup, cell, temperature_c, seed)
    heated = np.any(since.heated_ah > 0.0)
    causes = {
        "shunt offset": members.offset_a,
        "gain error": members.gain_error,
        "untracked load": members.untracked_a,
        "dead band": since.hidden_ah,
        **({"battery heater": since.heated_ah} if heated else {}),
        "capacity": members.capacity_fraction,
        "last full charge (false or true)": since.shortfall,
        "time since full": since.hours,
        "capacity set in the monitor": assumed_ah,
        "temperature": temperature_c,
    }
    if present.display_soc is None:
        soc = uniforms(seed, "start_soc", draws)
    else:
        untracked_ah = members.untracked_a * untracked_hours(setup, since.hours)
        soc = since.soc(
            cell,
            present.display_soc,
            assumed_ah,
            members.offset_a,
            members.gain_error,
            untracked_ah,
            capacity_ah,
        )
    # Since a full charge a bank can have lost, but not gained: a draw in which it did is none. Only
    # a display that stands at full may have gone on counting beyond it, unseen.
    counts = present.display_soc is not None and present.display_soc < 1.0 - OVERFULL / 2.0
    overfull = soc > 1.0 + OVERFULL if counts else np.zeros(draws, dtype=bool)
    rng = np.random.default_rng([seed, 11])
    members = members.replaced(soc=np.minimum(soc, 1.0), h=2.0 * rng.random(draws) ** 4 - 1.0)
    if present.rested_voltage_v is not None:
        rested = RestedVoltage(0.0, present.rested_voltage_v, present.rested_hours or 0.0)
        evidence = [rested, *evidence]
    log_weight, effective = _weigh(
        setup, cell, members, since.drift_a, temperature_c, evidence, overfull
    )
    keep = np.sort(rng.permutation(systematic(normalised(log_weight), rng))[:n])
    if present.current_a is not None:
        amps = drawn(present.current_a, "present_current")
        members = members.replaced(i1_a=amps, i2_a=amps, i3_a=amps)
    every = Snapshot(
        members, capacity_ah, temperature_c, causes, effective, patterns=unknowns.patterns
    )
    return every.take(keep)


def _check_pieces(setup: Setup, evidence: Sequence[Evidence]) -> None:
    problems = []
    for piece in evidence:
        if isinstance(piece, FullCharge):
            expected = "how long ago the display last said full, as present.hours_since_full"
            hint = (
                "with present.display_soc, or --since-full and --display; how likely that full "
                "was a false one is monitor.re_zero.false_probability; `replay` takes full@hours"
            )
            problems.append(Problem("--evidence full", "a full charge now", expected, hint))
            continue
        if isinstance(piece, RestedVoltage):
            problems += bank_voltage_problems(
                "--evidence rested", piece.voltage_v, setup.bank.cells_in_series, RESTED_V
            )
        if piece.time_s != 0.0:
            found = f"{piece.label} at {piece.time_s / 3600.0:g} h"
            problems.append(Problem("--evidence", found, "evidence taken now, without @"))
        alone = isinstance(piece, ClampReading) and piece.seen_a is None
        if alone and setup.present.current_a is None:
            found = f"{piece.current_a:g} A, without what the display shows then"
            expected = f"both, true/shown, such as clamp={piece.current_a:g}/-1.2"
            hint = "or give present.current_a in the setup file"
            problems.append(Problem("--evidence clamp", found, expected, hint))
    if problems:
        raise InputError(problems)


def _weigh(
    setup: Setup,
    cell: CellModel,
    members: Members,
    drift_a: Array,
    temperature_c: Array,
    evidence: Sequence[Evidence],
    overfull: Array,
) -> tuple[Array, float]:
    """Log weights of the draws under what is known besides the display, and their number."""
    scale = Scale.of(setup.bank.cells_in_series, setup.bank.rated_capacity_ah, cell)
    alive = (members.soc > 0.0) & ~overfull
    alive &= (
        terminal_v(setup, cell, scale, members, temperature_c) > setup.limits.disconnect_v.median
    )
    log_weight = np.where(alive, 0.0, -np.inf)
    effective = float(alive.sum())
    if effective >= LEAST_EFFECTIVE and evidence:
        on = np.flatnonzero(alive)
        log_likelihood, missed = _evidence_log_likelihood(
            setup, cell, scale, members.take(on), drift_a[on], evidence
        )
        log_weight[alive] = log_likelihood
        weights = np.exp(log_weight - log_weight.max())
        effective = float(weights.sum() ** 2 / (weights**2).sum())
        # Evidence that picks out next to nothing of what the setup allows contradicts it.
        if effective < LEAST_EFFECTIVE or missed > MOST_DEVIATIONS:
            what = ", ".join(piece.label for piece in evidence)
            typed = len(evidence) > (setup.present.rested_voltage_v is not None)
            doubts = [_DOUBTS[kind] for kind in _DOUBTS if any(type(p) is kind for p in evidence)]
            raise InputError(
                Problem(
                    "--evidence" if typed else "present.rested_voltage_v",
                    f"{what}, which hardly any bank explains that the display and the monitor's "
                    "errors allow",
                    "readings that fit together, or wider uncertainties",
                    " ".join(doubts),
                )
            )
    if effective < LEAST_EFFECTIVE and overfull.mean() > 0.5:
        raise InputError(
            Problem(
                "present",
                "a display under which nearly every possible bank would be more than full by now",
                "a bank that has gained nothing since it was full",
                "check hours_since_full and the sign of monitor.offset_a",
            )
        )
    check_still_on(effective)
    return log_weight, effective


def check_still_on(members: float) -> None:
    """Is there anything left of an ensemble of which only banks that are still on can be true?

    Raises:
        InputError: fewer than `LEAST_EFFECTIVE` members.
    """
    if members < LEAST_EFFECTIVE:
        raise InputError(
            Problem(
                "present",
                "a display under which nearly every possible bank would be empty by now",
                "a bank that is still on",
                "check hours_since_full and the size of the untracked load",
            )
        )


def terminal_v(
    setup: Setup, cell: CellModel, scale: Scale, members: Members, temperature_c: Array
) -> Array:
    """(n,) voltage of each member's bank under the present current [V], by its own cells."""
    present = setup.present
    amps = 0.0 if present.current_a is None else present.current_a.median
    at = np.full(len(members), amps * scale.cell_per_bank)
    rest = np.zeros(len(members))
    z, _ = stands_at(members.soc, members.charge_shift)
    h = members.h * members.hysteresis_factor
    open_v = voltage(cell, z, rest, rest, h, rest, temperature_c)
    under_v = voltage(cell, z, at, at, h, at, temperature_c) - open_v
    cell_v = open_v + members.resistance_factor * under_v + members.voltage_offset_v
    lead_ohm = setup.bank.connection_resistance_ohm.median
    return scale.cells_in_series * cell_v + amps * lead_ohm


def _evidence_log_likelihood(
    setup: Setup,
    cell: CellModel,
    scale: Scale,
    members: Members,
    drift_a: Array,
    evidence: Sequence[Evidence],
) -> tuple[Array, float]:
    """(n,) log likelihood of evidence taken now, by the same pieces as over a log; and by how many
    deviations the best members miss a reading (all but `LEAST_EFFECTIVE` miss it by more)."""
    n, per_bank = len(members), scale.cell_per_bank
    gain = 1.0 / (1.0 + members.gain_error)
    state = np.zeros((k.STATE_ROWS, n))
    state[k.Z], state[k.H] = members.soc, members.h
    state[k.B] = -per_bank * gain * (members.offset_a + drift_a)  # at this temperature
    state[k.P0 + 12] = 1.0  # the voltage-model error: its own stationary variance
    parameters = np.zeros((k.PARAMETER_ROWS, n))
    parameters[k.GAIN] = gain
    parameters[k.UNTRACKED_A] = per_bank * members.untracked_a
    parameters[k.CAPACITY_AH] = cell.capacity_ah * members.capacity_fraction
    parameters[k.TEMPERATURE_K] = members.temperature_offset_k
    parameters[k.VOLTAGE_V] = members.voltage_offset_v
    parameters[k.HYSTERESIS] = members.hysteresis_factor
    parameters[k.SHIFT] = members.charge_shift
    present = setup.present
    on = setup.untracked_load.hours.contains(present.clock.minute)
    context = Context(
        cell=cell,
        scale=scale,
        parameters=parameters,
        seen_a=0.0 if present.current_a is None else present.current_a.median,
        untracked_on=np.full(n, float(on)),
        temperature_c=setup.ambient.temperature_c.median,
        eta=1.0,
        error_scale=Settings().resolved(cell).error_scale,
    )
    missed = 0.0
    for piece in evidence:
        misses = np.sort(piece.deviations(state, context))
        missed = max(missed, float(misses[int(LEAST_EFFECTIVE) - 1]))
        piece.apply(state, context)
    return state[k.LOGLIK], missed
