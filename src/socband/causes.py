"""The causes a display can be wrong by: priors, sizes and words' keys.

Exactly one cause is at work in each hypothesis, beside the normal errors that any bank and monitor
have; "none" is the hypothesis of normal errors alone. A cause begins where it is worth a visit: one
percent of display drift a day, a tenth of the capacity. Every prior here is an assumption of the
authors ("assumed: no survey of such faults is known to us") and a setting that reports print.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import TYPE_CHECKING

import numpy as np

from socband.causes_stated import STATED_DETAIL, UNTRACKED, stated_by
from socband.quantity import Quantity
from socband.site_check import sound_capacity_settings_ah
from socband.site_fields import Hours
from socband.unknowns import ALWAYS

if TYPE_CHECKING:
    from socband.site import Setup

Array = np.ndarray

CAUSES = (
    "none",
    "untracked_steady",
    "untracked_hours",
    "offset",
    "gain",
    "lost_capacity",
    "capacity_setting",
    "efficiency_setting",
    "false_rezero",
    "dead_band",
    "missing_battery",
    "connection",
)

UNITS = {
    "none": "1",
    "untracked_steady": "A",
    "untracked_hours": "A",
    "offset": "A",
    "gain": "1",
    "lost_capacity": "1",
    "capacity_setting": "1",
    "efficiency_setting": "1",
    "false_rezero": "1",
    "dead_band": "A",
    "missing_battery": "1",
    "connection": "ohm",
}

# Rows of a parameter matrix, bank level.
PARAMETERS = (
    "offset_a",
    "gain",
    "untracked_a",
    "standby_a",
    "capacity_fraction",
    "resistance_factor",
    "connection_ohm",
    "start_soc",
    "capacity_setting",  # assumed over rated capacity
    "efficiency_setting",
)
P = {name: row for row, name in enumerate(PARAMETERS)}


@dataclass(frozen=True)
class CauseSettings:
    """What is believed before any evidence; every number can be changed.

    Attributes:
        weight: prior weight of each cause; those that cannot be at work are left out.
        material_drift_per_day: display drift at which an error becomes a cause, 0..1 per day.
        normal_offset_per_day: standard deviation of the drift by a healthy offset, 0..1 per day.
        untracked_scale_per_day: mean drift of a load behind the shunt beyond the material one.
        offset_scale_per_day: the same of an offset that is a fault.
        standby_scale_per_day: the same of a standby load in the dead band.
        gain_least, gain_scale: smallest gain error that is a fault, and the mean beyond it.
        lost_capacity: present over expected capacity, lowest and highest.
        setting_least, setting_scale: misset capacity, relative.
        efficiency_low, efficiency_high: misset charge efficiency.
        shortfall_mean, shortfall_std: charge missing at a false full, 0..1.
        connection_least_v, connection_scale_v: voltage lost in it at a fifth of the capacity an
            hour [V], smallest and mean beyond.
        full_std: how far from 100 % a true full charge is, 0..1.
        hours: windows tried for a load of certain hours.
    """

    weight: dict[str, float] = field(
        default_factory=lambda: {
            "none": 0.30,
            "untracked_steady": 0.14,
            "untracked_hours": 0.08,
            "offset": 0.12,
            "gain": 0.05,
            "lost_capacity": 0.08,
            "capacity_setting": 0.04,
            "efficiency_setting": 0.02,
            "false_rezero": 0.06,
            "dead_band": 0.04,
            "missing_battery": 0.03,
            "connection": 0.04,
        }
    )
    material_drift_per_day: float = 0.01
    normal_offset_per_day: float = 0.004
    untracked_scale_per_day: float = 0.08
    offset_scale_per_day: float = 0.04
    standby_scale_per_day: float = 0.015
    gain_least: float = 0.02
    gain_scale: float = 0.05
    lost_capacity: tuple[float, float] = (0.4, 0.85)
    setting_least: float = 0.08
    setting_scale: float = 0.15
    efficiency_low: float = 0.80
    efficiency_high: float = 0.95
    shortfall_mean: float = 0.11
    shortfall_std: float = 0.06
    connection_least_v: float = 0.06
    connection_scale_v: float = 0.25
    full_std: float = 0.01
    hours: tuple[str, ...] = tuple(
        f"{start:02d}:00-{(start + length) % 24:02d}:00"
        for length in (4, 8, 12)
        for start in range(0, 24, 3)
    )


STATED = 5.0  # times as likely is a misset setting to be what is the matter, once seen (assumed)
ZERO_SHARE = 0.4  # of the time a house shows zero, where no log says (assumed)


def drift_to_a(drift_per_day: float, capacity_ah: float) -> float:
    """A drift of the display [1/day] as a steady current [A]."""
    return drift_per_day * capacity_ah / 24.0


@dataclass(frozen=True)
class Hypothesis:
    """One cause in one shape: a sign, a pattern of hours, a number of batteries.

    Attributes:
        cause: of `CAUSES`.
        weight: prior probability.
        hours: of an untracked load.
        priors: parameter name -> distribution, for every parameter of `PARAMETERS`.
        detail: what tells this shape from the others of the same cause.
        mirrored_at: parameter name -> value at which its prior is mirrored (a negative size).
        nothing_else: no fault, or known ones alone: the last full was true then.
    """

    cause: str
    weight: float
    priors: dict[str, Quantity]
    hours: Hours = ALWAYS
    detail: str = ""
    mirrored_at: dict[str, float] = field(default_factory=dict)
    nothing_else: bool = False

    @property
    def free(self) -> tuple[str, ...]:
        """Parameters that are not fixed, in the order of `PARAMETERS`."""
        return tuple(name for name in PARAMETERS if not self.priors[name].is_fixed)

    def values(self, scores: Array) -> Array:
        """Parameters at standard normal scores.

        Args:
            scores: (len(free), n).

        Returns:
            (len(PARAMETERS), n).
        """
        from scipy.special import ndtr

        u = np.clip(ndtr(scores), 1e-12, 1.0 - 1e-12)
        out = np.empty((len(PARAMETERS), scores.shape[1]))
        for row, name in enumerate(PARAMETERS):
            prior = self.priors[name]
            if prior.is_fixed:
                out[row] = prior.mean
            else:
                out[row] = prior.ppf(u[self.free.index(name)])
                if name in self.mirrored_at:
                    out[row] = 2.0 * self.mirrored_at[name] - out[row]
        return out


def hypotheses(
    setup: Setup,
    settings: CauseSettings,
    start_known: bool = False,
    zero_share: float | None = None,
) -> list[Hypothesis]:
    """Every cause that can be at work, with its priors; weights sum to one.

    Args:
        setup: bank and monitor.
        settings: what is believed before.
        start_known: the log starts at a full charge.
        zero_share: share of the time in which the display shows exactly zero; None = no log.
            A dead band swallows nothing while the display shows something.
    """
    bank, monitor = setup.bank, setup.monitor
    rated = bank.rated_capacity_ah
    least_a = drift_to_a(settings.material_drift_per_day, rated)
    usual_a = drift_to_a(settings.normal_offset_per_day, rated)
    stated = stated_by(setup, settings, least_a, usual_a, zero_share is not None)
    assumed = monitor.assumed_capacity_ah
    setting = Quantity.from_number(assumed.median / rated)
    number, normal = Quantity.from_number, Quantity.from_dist
    healthy = {
        "offset_a": normal("norm", scale=usual_a),
        "gain": normal("norm", loc=0.0, scale=max(monitor.gain_error.std, 0.003)),
        "untracked_a": number(0.0),
        "standby_a": number(0.0),
        "capacity_fraction": bank.capacity_fraction,
        "resistance_factor": bank.resistance_factor,
        "connection_ohm": bank.connection_resistance_ohm,
        "start_soc": number(1.0) if start_known else normal("uniform", loc=0.0, scale=1.0),
        "capacity_setting": setting,
        "efficiency_setting": monitor.assumed_charge_efficiency,
        **stated.priors,
    }
    expected = bank.capacity_fraction.median
    found: list[Hypothesis] = []

    def add(
        cause: str,
        share: float = 1.0,
        detail: str = "",
        hours: Hours = stated.hours,
        mirrored_at: dict[str, float] | None = None,
        **changed: Quantity,
    ) -> None:
        weight = settings.weight.get(cause, 0.0) * share * stated.factor.get(cause, 1.0)
        if weight > 0.0:
            priors = {**healthy, **changed}
            one = Hypothesis(cause, weight, priors, hours, detail, mirrored_at or {})
            found.append(replace(one, nothing_else=cause == "none"))

    def size(scale_per_day: float, share: float = 1.0) -> Quantity:
        scale = drift_to_a(scale_per_day, rated)
        return normal("expon", loc=least_a / share, scale=scale / share)

    facts = []  # at work for certain: what was "nothing else wrong" is this one alone
    for cause in stated.facts:
        weight = settings.weight.get("none", 0.0) / len(stated.facts)
        weight += STATED * settings.weight.get(cause, 0.0)
        if weight > 0.0:
            one = Hypothesis(cause, weight, healthy, stated.hours, STATED_DETAIL)
            facts.append(replace(one, nothing_else=True))
    if not stated.facts:
        add("none")
    windows = [ALWAYS, *(Hours.from_texts([text]) for text in settings.hours)]
    if stated.untracked_hours is not None:
        windows = [stated.untracked_hours]
    for hours in windows:
        load = stated.untracked_a or size(settings.untracked_scale_per_day, hours.fraction)
        if hours.is_always:
            add(UNTRACKED[0], hours=ALWAYS, untracked_a=load)
        else:
            many = sum(not other.is_always for other in windows)
            detail = str(hours) if stated.untracked_hours is None else STATED_DETAIL
            add(UNTRACKED[1], 1.0 / many, detail, hours, untracked_a=load)
    for cause, parameter, least, scale, words in (
        ("offset", "offset_a", least_a, drift_to_a(settings.offset_scale_per_day, rated),
         ("reads as charge", "reads as discharge")),
        ("gain", "gain", settings.gain_least, settings.gain_scale,
         ("reads too much", "reads too little")),
    ):  # fmt: skip
        middle = 0.0 if cause in stated.facts else healthy[parameter].median
        for more, word in zip((True, False), words, strict=True):
            if cause in stated.beyond:  # what is stated, as far as it is a fault
                prior, share = _beyond(stated.beyond[cause], middle, least, more)
                add(cause, share, word, **{parameter: prior})
                continue
            prior = normal("expon", loc=middle + least, scale=scale)
            mirror = None if more else {parameter: middle}
            add(cause, 0.5, word, mirrored_at=mirror, **{parameter: prior})
    low, high = (share * expected for share in settings.lost_capacity)
    add("lost_capacity", capacity_fraction=normal("uniform", loc=low, scale=high - low))
    setting_doubted = "capacity_setting" not in stated.facts  # else it is said already
    if setting_doubted and assumed.is_fixed:
        low, high = (ah / rated for ah in sound_capacity_settings_ah(bank))
        least = settings.setting_least
        if not (1.0 - least) * low <= setting.mean <= (1.0 + least) * high:
            add("capacity_setting", STATED, STATED_DETAIL)
    elif setting_doubted:
        base = setting.mean
        for sign, word in ((1, "set too large"), (-1, "set too small")):
            scale = settings.setting_scale * (1.0 if sign > 0 else 0.5)
            prior = normal("expon", loc=base + settings.setting_least, scale=scale)
            mirror = {"capacity_setting": base} if sign < 0 else None
            add("capacity_setting", 0.5, word, mirrored_at=mirror, capacity_setting=prior)
    if not monitor.assumed_charge_efficiency.is_fixed and "efficiency_setting" not in stated.facts:
        low, high = settings.efficiency_low, settings.efficiency_high
        add("efficiency_setting", efficiency_setting=normal("uniform", loc=low, scale=high - low))
    add("false_rezero")
    share = ZERO_SHARE if zero_share is None else zero_share
    if share >= 0.05:
        add("dead_band", standby_a=size(settings.standby_scale_per_day, share))
    n = bank.strings_in_parallel
    if n > 1:
        left = (n - 1) / n
        add(
            "missing_battery",
            min(n, 4),
            "one of them",
            capacity_fraction=_scaled(bank.capacity_fraction, left),
            resistance_factor=_scaled(bank.resistance_factor, 1.0 / left),
        )
    five_hour_a = rated / 5.0
    add(
        "connection",
        connection_ohm=normal(
            "expon",
            loc=settings.connection_least_v / five_hour_a,
            scale=settings.connection_scale_v / five_hour_a,
        ),
    )
    weights = [one.weight for one in facts]
    weights += stated.weights([(one.cause, one.weight) for one in found], sum(weights))
    return [
        replace(one, weight=weight / sum(weights))
        for one, weight in zip([*facts, *found], weights, strict=True)
    ]


def size_of(cause: str, values: Array, setup: Setup, shortfall: Array | None = None) -> Array:
    """(n,) size of a cause in the unit of `UNITS`.

    Args:
        values: (len(PARAMETERS), n).
        shortfall: (n,) charge missing at a false full; of several their mean.
    """
    n = values.shape[1]
    expected = setup.bank.capacity_fraction.median
    if cause in ("untracked_steady", "untracked_hours"):
        return values[P["untracked_a"]]
    if cause == "offset":
        return values[P["offset_a"]]
    if cause == "gain":
        return values[P["gain"]]
    if cause == "lost_capacity":
        return values[P["capacity_fraction"]] / expected - 1.0
    if cause == "missing_battery":
        return np.full(n, -1.0 / setup.bank.strings_in_parallel)
    if cause == "capacity_setting":
        return values[P["capacity_setting"]] / values[P["capacity_fraction"]] - 1.0
    if cause == "efficiency_setting":
        return values[P["efficiency_setting"]]
    if cause == "false_rezero":
        return np.zeros(n) if shortfall is None else shortfall
    if cause == "dead_band":
        return values[P["standby_a"]]
    if cause == "connection":
        return values[P["connection_ohm"]]
    return np.zeros(n)


def _beyond(given: Quantity, middle: float, least: float, more: bool) -> tuple[Quantity, float]:
    """A quantity where it lies above, or below, its middle by more than `least`, and which share of
    all that lies so far off is on that side."""
    above, below = 1.0 - float(given.cdf(middle + least)), float(given.cdf(middle - least))
    if more:
        return replace(given, low=max(given.low, middle + least)), above / (above + below)
    return replace(given, high=min(given.high, middle - least)), below / (above + below)


def _scaled(quantity: Quantity, factor: float) -> Quantity:
    """A quantity times a positive constant."""
    if quantity.is_fixed:
        return Quantity.from_number(quantity.mean * factor)
    parameters = dict(quantity.parameters)
    parameters["loc"] = parameters.get("loc", 0.0) * factor
    parameters["scale"] = parameters.get("scale", 1.0) * factor
    return replace(
        quantity,
        parameters=tuple(parameters.items()),
        low=quantity.low * factor,
        high=quantity.high * factor,
    )
