"""The ensemble from a snapshot: a number on a display, hours since full, perhaps a rested voltage.

No log is needed: draws of what the setup says stand in `snapshot_draw`.

What is known besides weighs the members: the bank is still on, it has not gained since it was full,
and a rested voltage fits or not.
"""

from __future__ import annotations

from collections.abc import Sequence
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
from socband.posterior_resample import effective_sample_size, normalised, systematic
from socband.posterior_settings import Settings
from socband.since_full import untracked_hours
from socband.site import Setup
from socband.site_check import RESTED_V, bank_voltage_problems
from socband.snapshot_draw import HEATER, Drawn, Snapshot, draw
from socband.track import Scale
from socband.unknowns import Members

Array = np.ndarray

OVERSAMPLE = 8  # draws per member kept, where evidence will discard most of them
LARGE_PART = 0.2  # of a charge: as much of it in the battery heaters is said (assumed)
MOST_DEVIATIONS = 4.0  # a reading that all but as few draws miss by more is refused (assumed)
_DOUBTS: dict[type, str] = {  # what to ask of a reading that contradicts the setup or a log
    RestedVoltage: "was the bank really at rest? is the number of cells right?",
    ClampReading: (
        "is the clamp's reading true/shown, such as -8/-7.5, both read at one moment, each positive"
        " into the bank?"
    ),
    CapacityTest: (
        "is the capacity what the display counted from full to cut-off, of the whole bank?"
    ),
    FullCharge: "was the bank really full, and not only shown so? Else full@2=unsure;",
}
CREDIBLE_FRACTION = (0.1, 1.2)  # of the rated capacity; beyond it a test is a slip (assumed)
# With fewer effective draws of the first `MOST_DRAWS` what is known contradicts the setup.
# The first draws are the same however many members are wanted, and so is what is refused.
LEAST_EFFECTIVE, MOST_DRAWS = 30.0, 160_000
# Of fewer draws this many, or this share, leave no doubt that it does not.
CLEARLY, CLEAR_SHARE = 10.0 * LEAST_EFFECTIVE, 0.05


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
    _check_pieces(setup, evidence)
    present = setup.present
    if present.rested_voltage_v is not None:
        rested = RestedVoltage(0.0, present.rested_voltage_v, present.rested_hours or 0.0)
        evidence = [rested, *evidence]
    draws = n * OVERSAMPLE
    while True:
        rng = np.random.default_rng([seed, 11])
        drawn = draw(setup, cell, draws, seed, rng)
        weighed = _weigh(setup, cell, drawn, evidence)
        if draws >= MOST_DRAWS or weighed.clear:
            break
        draws = MOST_DRAWS
    if not weighed.enough:
        _refuse(setup, cell, drawn, evidence)
    keep = np.sort(rng.permutation(systematic(normalised(weighed.log_weight), rng))[:n])
    return replace(drawn.snapshot, effective_size=weighed.effective).take(keep)


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


@dataclass(frozen=True)
class _Weighed:
    """What is known besides the display, as weights of draws.

    Attributes:
        log_weight: (n,) -inf where ruled out.
        effective: number of draws that they leave.
        missed: by how many deviations the best of them miss a reading.
    """

    log_weight: Array
    effective: float
    missed: float = 0.0

    @property
    def clear(self) -> bool:
        """Whether so many are left that more draws would not change the verdict."""
        wanted = min(CLEARLY, CLEAR_SHARE * len(self.log_weight))
        return self.missed <= MOST_DEVIATIONS and self.effective >= wanted

    @property
    def enough(self) -> bool:
        """Whether what is known fits the setup."""
        if len(self.log_weight) < MOST_DRAWS:
            return self.clear
        judged = _effective(self.log_weight[:MOST_DRAWS])
        return self.missed <= MOST_DEVIATIONS and judged >= LEAST_EFFECTIVE


def _weigh(setup: Setup, cell: CellModel, drawn: Drawn, evidence: Sequence[Evidence]) -> _Weighed:
    """Weights of the draws under all that is known besides the display."""
    scale = Scale.of(setup.bank.cells_in_series, setup.bank.rated_capacity_ah, cell)
    members, temperature_c = drawn.snapshot.members, drawn.snapshot.temperature_c
    alive = (members.soc > 0.0) & ~drawn.overfull
    alive &= (
        terminal_v(setup, cell, scale, members, temperature_c) > setup.limits.disconnect_v.median
    )
    log_weight = np.where(alive, 0.0, -np.inf)
    if not evidence or not alive.any():
        return _Weighed(log_weight, float(alive.sum()))
    judged = int(alive[:MOST_DRAWS].sum())
    log_weight[alive], missed = _evidence_log_likelihood(
        setup, cell, scale, members.take(alive), drawn.drift_a[alive], evidence, judged
    )
    return _Weighed(log_weight, _effective(log_weight), missed)


def _effective(log_weight: Array) -> float:
    if not np.isfinite(log_weight).any():
        return 0.0
    return float(effective_sample_size(normalised(log_weight)))


def _refuse(setup: Setup, cell: CellModel, drawn: Drawn, evidence: Sequence[Evidence]) -> None:
    """Say why what is known does not fit the setup.

    Raises:
        InputError: always.
    """
    if _weigh(setup, cell, drawn, ()).enough:  # then it is the evidence that does not
        what = ", ".join(piece.label for piece in evidence)
        typed = len(evidence) > (setup.present.rested_voltage_v is not None)
        where = "--evidence" if typed else "present.rested_voltage_v"
        for piece in evidence:
            if isinstance(piece, ClampReading):
                _check_lasting(setup, cell, drawn, piece)
        raise InputError(
            Problem(
                where,
                f"{what}, which hardly any bank explains that the display and the monitor's "
                "errors allow",
                "readings that fit together, or wider uncertainties",
                doubts_about(evidence, setup, cell),
            )
        )
    if drawn.overfull.mean() > 0.5:
        raise InputError(overfull_problem())
    check_still_on(0.0, drawn.snapshot)


def overfull_problem() -> Problem:
    """That a display, with the errors its setup states, leaves no bank that can be."""
    return Problem(
        "present",
        "a display under which nearly every possible bank would be more than full by now",
        "a bank that has gained nothing since it was full",
        "check hours_since_full and the sign of monitor.offset_a",
    )


def _check_lasting(setup: Setup, cell: CellModel, drawn: Drawn, piece: ClampReading) -> None:
    """Is a reading refused because the current that it shows unseen would have emptied the bank?

    Raises:
        InputError: it fits enough draws, but nearly all of those are empty by now.
    """
    present = setup.present
    seen_a = piece.seen_a
    if seen_a is None and present.current_a is not None:
        seen_a = present.current_a.median
    if present.display_soc is None or seen_a is None or seen_a <= piece.current_a:
        return
    scale = Scale.of(setup.bank.cells_in_series, setup.bank.rated_capacity_ah, cell)
    likelihood, missed = _evidence_log_likelihood(
        setup, cell, scale, drawn.snapshot.members, drawn.drift_a, [piece], MOST_DRAWS
    )
    if not _Weighed(likelihood, _effective(likelihood), missed).enough:
        return
    unseen_a, hours = seen_a - piece.current_a, present.hours_since_full.median
    drew = setup.untracked_load.hours
    on_h = float(untracked_hours(setup, np.array([hours]))[0])
    left_ah = present.display_soc * float(np.median(drawn.snapshot.capacity_ah))
    times = f"{on_h:.3g} h since full" if drew.is_always else f"the hours {drew} since full"
    raise InputError(
        Problem(
            "--evidence",
            f"a {piece.label} by which {unseen_a:.2g} A flow that the display does not see: over "
            f"{times} that is {unseen_a * on_h:.0f} Ah, and the bank, of which the display still "
            f"shows about {left_ah:.0f} Ah, would be off by now",
            "a current that did not flow all that time",
            "give the hours in which it does, as hours of [untracked_load]; check "
            "hours_since_full; `suspects` looks for what it may be",
        )
    )


def doubts_about(evidence: Sequence[Evidence], setup: Setup, cell: CellModel) -> str:
    """What to ask of readings that contradict what else is known, each kind once."""
    asked = [_unseen_by_display(p) for p in evidence if isinstance(p, ClampReading)][-1:]
    asked += [ask for kind, ask in _DOUBTS.items() if any(type(p) is kind for p in evidence)]
    asked += [_capacity_doubt(p, setup, cell) for p in evidence if isinstance(p, CapacityTest)][-1:]
    return " ".join(ask for ask in asked if ask)


def _unseen_by_display(piece: ClampReading) -> str:
    """What a clamp-meter reading and the display's are apart, in words."""
    if piece.seen_a is None:
        return ""
    apart_a = piece.current_a - piece.seen_a
    much = f"{abs(apart_a):.0f}" if abs(apart_a) >= 10.0 else f"{abs(apart_a):.2g}"
    more = "drawn" if apart_a < 0.0 else "charged"
    return f"the clamp has {much} A more {more} than the display;"


def _capacity_doubt(test: CapacityTest, setup: Setup, cell: CellModel) -> str:
    """What a capacity test at odds with the setup says of `bank.capacity_fraction`."""
    if not setup.assumes("bank.capacity_fraction"):
        return "Or does bank.capacity_fraction promise too much?"
    factor = float(temperature_factors(cell, np.array(setup.ambient.temperature_c.median))[4])
    full_ah = setup.bank.rated_capacity_ah * factor
    fraction, std = test.capacity_ah / full_ah, test.reading_std_ah / full_ah
    if not CREDIBLE_FRACTION[0] <= fraction <= CREDIBLE_FRACTION[1]:
        return ""
    return (
        "If so, the bank holds what hardly any does of which the setup file says nothing: enter "
        f'it there, bank.capacity_fraction = {{ dist = "norm", loc = {fraction:.2g}, scale = '
        f"{std:.2g} }}, in place of --evidence capacity."
    )


class AllEmpty(InputError):
    """Nearly every bank that the setup allows would be empty by now.

    Attributes:
        doubts: what may have emptied it, to be checked, in words.
    """

    def __init__(self, where: str, found: str, check: str, doubts: str) -> None:
        hint = f"{check} {doubts}"
        super().__init__(Problem(where, found, "a bank that is still on", hint))
        self.doubts = doubts


def check_still_on(members: float, drawn: Snapshot) -> None:
    """Is there anything left of an ensemble of which only banks that are still on can be true?

    Args:
        members: that are.
        drawn: all of them.

    Raises:
        AllEmpty: fewer than `LEAST_EFFECTIVE` members.
    """
    if members >= LEAST_EFFECTIVE:
        return
    doubts = "the size of the untracked load"
    heated_ah = float(np.median(drawn.causes.get(HEATER, 0.0)))
    if heated_ah > LARGE_PART * float(np.median(drawn.capacity_ah)):
        doubts += (
            f"; the battery heaters alone are reckoned to have taken about {heated_ah:.0f} Ah by "
            "then: check heater_w of the [[batteries]] and ambient.temperature_c"
        )
    found = "a display under which nearly every possible bank would be empty by now"
    raise AllEmpty("present", found, "check hours_since_full and", doubts)


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
    judged: int,
) -> tuple[Array, float]:
    """(n,) log likelihood of evidence taken now, by the same pieces as over a log; and by how many
    deviations the best of the first `judged` members miss a reading (all but `LEAST_EFFECTIVE` miss
    it by more)."""
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
        misses = np.sort(piece.deviations(state, context)[:judged])
        missed = max(missed, float(misses[min(int(LEAST_EFFECTIVE), len(misses)) - 1]))
        piece.apply(state, context)
    return state[k.LOGLIK], missed
