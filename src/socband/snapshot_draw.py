"""Draws of the present from what a setup says alone, before anything else weighs them.

What the display did since it last said "full" follows in closed form (`since_full`).
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from socband.cell import temperature_factors
from socband.models import CellModel
from socband.since_full import SinceFull, untracked_hours
from socband.site import Setup
from socband.unknowns import Members, Pattern, Unknowns, score_matrix, uniforms

Array = np.ndarray

HEATER = "battery heater"  # the cause: what the batteries' own heaters took since full [Ah]
OVERFULL = 0.01  # a display rounds, and what full is, no monitor knows better (assumed)


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


@dataclass(frozen=True)
class Drawn:
    """Draws that nothing else has weighed yet.

    Attributes:
        snapshot: the n of them.
        drift_a: (n,) by how much the temperature has shifted the shunt's zero [A].
        overfull: (n,) whether the bank would be more than full by now.
    """

    snapshot: Snapshot
    drift_a: Array
    overfull: Array


def is_overfull(soc: Array, display_soc: float | None) -> Array:
    """(n,) whether a bank would hold more than it can, below a display that is not full.

    Since a full charge a bank can have lost, but not gained: a draw in which it did is none. Only a
    display that stands at full may have gone on counting beyond it, unseen.

    Args:
        soc: (n,) charge that the display and its errors lead to, beyond 1 too.
        display_soc: 0..1; None: there is none.
    """
    counts = display_soc is not None and display_soc < 1.0 - OVERFULL / 2.0
    return soc > 1.0 + OVERFULL if counts else np.zeros(len(soc), dtype=bool)


def draw(setup: Setup, cell: CellModel, draws: int, seed: int, rng: np.random.Generator) -> Drawn:
    """Draws of the present from the setup.

    Args:
        setup, cell: bank, monitor and what is shown now.
        draws: n of them; the first of more are the same.
        seed: of everything random.
        rng: of the hysteresis.
    """
    present, monitor = setup.present, setup.monitor
    unknowns = Unknowns.from_setup(setup, cell=cell)
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
        "drift of the shunt's zero": since.drift_a,
        "gain error": members.gain_error,
        "untracked load": members.untracked_a,
        "dead band": since.hidden_ah,
        **({HEATER: since.heated_ah} if heated else {}),
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
    overfull = is_overfull(soc, present.display_soc)
    members = members.replaced(soc=np.minimum(soc, 1.0), h=2.0 * rng.random(draws) ** 4 - 1.0)
    if present.current_a is not None:
        amps = drawn(present.current_a, "present_current")
        members = members.replaced(i1_a=amps, i2_a=amps, i3_a=amps)
    every = Snapshot(
        members, capacity_ah, temperature_c, causes, float(draws), patterns=unknowns.patterns
    )
    return Drawn(every, since.drift_a, overfull)
