"""What a setup file itself states of the causes that `suspects` weighs.

A number that somebody wrote there is the first thing to go by and no proof. A known error large
enough to be a cause is a fact, at work under every hypothesis: it takes the place of "no fault". A
chance that is stated takes the place of the usual one, down to `DOUBTED` of it, for what was
written down may be wrong; only a load that is said not to exist is believed. What the file does
not say was assumed, and changes nothing.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

from socband.quantity import Quantity
from socband.site_check import CLEARLY_OFF, sound_capacity_settings_ah
from socband.site_fields import Hours
from socband.site_full_rule import met_at_rest
from socband.unknowns import ALWAYS

if TYPE_CHECKING:
    from socband.causes import CauseSettings
    from socband.site import Setup

DOUBTED = 0.3  # of its usual weight keeps a cause however little room the file leaves it (assumed)
ROOM = 0.01  # chance of a fault from which what is stated tells its size, too (assumed)
MOST_STATED = 0.95  # chance that a statement can give a cause that is no fact (assumed)
STATED_DETAIL = "as given in the setup file"
UNTRACKED = ("untracked_steady", "untracked_hours")
FALSE_FULL = ("false_rezero",)


@dataclass(frozen=True)
class Stated:
    """What holds under every hypothesis, and what becomes of the usual weights.

    Attributes:
        facts: causes that are at work for certain.
        priors: by parameter, of what the file states.
        hours: of an untracked load that is a fact.
        factor: of the usual weight, by cause.
        chance: stated probability of a group of causes.
        beyond: of offset and gain error, by cause: what is stated of it, where that leaves room for
            a fault.
        untracked_a: size of the untracked load that may be there [A], where one is stated.
        untracked_hours: its hours.
    """

    facts: tuple[str, ...] = ()
    priors: dict[str, Quantity] = field(default_factory=dict)
    hours: Hours = ALWAYS
    factor: dict[str, float] = field(default_factory=dict)
    chance: dict[tuple[str, ...], float] = field(default_factory=dict)
    beyond: dict[str, Quantity] = field(default_factory=dict)
    untracked_a: Quantity | None = None
    untracked_hours: Hours | None = None

    def weights(self, usual: list[tuple[str, float]], facts: float = 0.0) -> list[float]:
        """Weights of hypotheses, a stated chance counting as odds against all without one.

        That of a false full counts against a bank without any other cause: the others each have
        their own share of false fulls (`suspects_judge`).

        Args:
            usual: cause and usual weight of each, `factor` already in it; facts left out.
            facts: weight of these together.
        """
        group_of = {cause: group for group in self.chance for cause in group}
        rest = facts + sum(weight for cause, weight in usual if cause not in group_of)
        sound = facts + sum(weight for cause, weight in usual if cause == "none")
        total = {
            group: sum(weight for cause, weight in usual if cause in group) for group in self.chance
        }
        scale = {}
        for group, stated in self.chance.items():
            p = min(stated, MOST_STATED)
            against = sound if group == FALSE_FULL else rest
            wanted = max(p / (1.0 - p) * against, DOUBTED * total[group])
            scale[group] = wanted / total[group] if total[group] > 0.0 else 1.0
        return [
            weight * (scale[group_of[cause]] if cause in group_of else 1.0)
            for cause, weight in usual
        ]


def stated_by(
    setup: Setup, settings: CauseSettings, least_a: float, usual_a: float, logged: bool = False
) -> Stated:
    """What the file states.

    Args:
        setup: bank and monitor.
        settings: what is believed without.
        least_a: current error at which it becomes a cause [A].
        usual_a: deviation of a healthy shunt's offset [A].
        logged: a log shows whether a rule for "full" that is met at rest was met.
    """
    monitor, load = setup.monitor, setup.untracked_load
    facts = _settings_that_are_off(setup, settings)
    priors: dict[str, Quantity] = {}
    factor: dict[str, float] = {}
    chance: dict[tuple[str, ...], float] = {}
    beyond: dict[str, Quantity] = {}
    for cause, key, parameter, least, usual in (
        ("offset", "offset_a", "offset_a", least_a, usual_a),
        ("gain", "gain_error", "gain", settings.gain_least, 0.5 * settings.gain_least),
    ):
        given: Quantity = getattr(monitor, key)
        if setup.assumes(f"monitor.{key}"):
            continue
        middle = given.median
        if abs(middle) > least:
            facts.append(cause)
            priors[parameter] = given
            factor[cause] = DOUBTED  # another one than is stated
            continue
        priors[parameter] = _normal(middle, min(given.core_std, usual))
        room = 1.0 - float(given.cdf(middle + least) - given.cdf(middle - least))
        chance[(cause,)] = room
        if room > ROOM:
            beyond[cause] = given
    hours, size, size_hours = ALWAYS, None, None
    if load.probability == 0.0:
        factor |= dict.fromkeys(UNTRACKED, 0.0)  # ruled out, as for the forecast
    elif load.probability == 1.0:
        if load.hours.fraction * load.current_a.median > least_a:
            facts.append(UNTRACKED[0] if load.hours.is_always else UNTRACKED[1])
        priors["untracked_a"], hours = load.current_a, load.hours
        factor |= dict.fromkeys(UNTRACKED, DOUBTED)  # another one than is stated
    else:
        if not setup.assumes("untracked_load.probability"):
            chance[UNTRACKED] = load.probability
        if not setup.assumes("untracked_load.current_a"):
            size = load.current_a
        if not setup.assumes("untracked_load.hours"):
            size_hours = load.hours
    told = not setup.assumes("monitor.re_zero.false_probability")
    if told or (met_at_rest(setup) and not logged):
        lacks = monitor.re_zero.shortfall.median  # what a true full may lack is no fault
        chance[FALSE_FULL] = monitor.re_zero.false_probability * (lacks > 2.0 * settings.full_std)
    return Stated(tuple(facts), priors, hours, factor, chance, beyond, size, size_hours)


def settings_as_stated(setup: Setup, settings: CauseSettings) -> CauseSettings:
    """What a false full lacks as the file states it, or its rule for "full" makes likely."""
    if setup.assumes("monitor.re_zero.shortfall") and not met_at_rest(setup):
        return settings
    stated = setup.monitor.re_zero.shortfall
    std = max(stated.std, settings.full_std)
    return replace(settings, shortfall_mean=stated.mean, shortfall_std=std)


def _settings_that_are_off(setup: Setup, settings: CauseSettings) -> list[str]:
    """Causes that the setup file states as a fact: what is written there was read off the monitor.

    A capacity setting is off where it lies, with its 90 % doubt, by `site_check.CLEARLY_OFF` beside
    all that is sound to enter; what people measure and enter differs by less. A charge efficiency
    is, below what `settings` takes for the highest misset one.
    """
    monitor, off = setup.monitor, []
    sound = sound_capacity_settings_ah(setup.bank)
    low, high = monitor.assumed_capacity_ah.interval(0.9)
    if low >= CLEARLY_OFF * sound[1] or high <= sound[0] / CLEARLY_OFF:
        off.append("capacity_setting")
    if monitor.assumed_charge_efficiency.interval(0.9)[1] < settings.efficiency_high:
        off.append("efficiency_setting")
    return off


def _normal(middle: float, std: float) -> Quantity:
    if std == 0.0:
        return Quantity.from_number(middle)
    return Quantity.from_dist("norm", loc=middle, scale=std)
