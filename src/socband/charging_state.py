"""What `charging` knows before the readings: draws of the bank, and what a sound source would do.

Most draws are those of the snapshot, or of a log's posterior. A few stand beside it: banks whose
charge is none that the display and the setup's doubts allow. Without them no voltage could say that
a display is wrong. Most of them are full or nearly, as a charger that works unseen fills a bank.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from socband import cell as c
from socband.bank import bank_of, charge_limit_c
from socband.causes import P
from socband.charging_rules import Rules
from socband.kernels_bank import S_T
from socband.readings import CHARGED_V, with_readings
from socband.site_fields import ClockTime
from socband.snapshot import take_snapshot
from socband.track import SENSOR_STD_K, moment_of_present, owners_clock_counts
from socband.unknowns import Unknowns, normal_scores, score_matrix, uniforms

if TYPE_CHECKING:
    from socband.logs import Log
    from socband.models import CellModel
    from socband.site import Setup

Array = np.ndarray

# Per cell: a full bank comes down to the first within hours of its charge, and stands below the
# second within minutes (assumed); it floats between them.
SETTLED_FULL_V, RESTED_FULL_V = 3.36, 3.45
TOP_SOC = 0.985  # above it the last bit of the curve leads up to the source's limit
# above it a source that has been to its limit may not have begun again (assumed)
FINISHED_SOC = 0.97
BESIDE_EACH = 3  # few of them fit a voltage near full
DARK = 0.02  # of full sun: with less a panel's open voltage may be anything (assumed)
OFF_PLATE = 0.15  # by how much of its current a source differs from its plate (assumed)
LEAST_MISSING, MOST_MISSING = 1e-4, 0.05  # of the charge while a current tapers (assumed)
# Missing charges between which the curve hardly moves: each a quarter more than the one before near
# full, 1 % of the charge apart further down.
MISSING_EDGES = np.concatenate(
    [np.geomspace(LEAST_MISSING, MOST_MISSING, 28), np.arange(0.06, 1, 0.01)]
)


@dataclass(frozen=True)
class BankNow:
    """Draws of the bank before the readings.

    Attributes:
        soc: (n,) true charge, 0..1.
        temperature_c: (n,) of its warmest battery, which is the last to refuse charge [°C].
        resistance_ohm: (n,) with its connections [ohm].
        beside: (n,) is it one of those drawn beside what the display allows?
        stranger: (n,) probability that a bank of its charge is one that the display does not allow.
        log_prior: (n,) logarithm of its probability.
    """

    soc: Array
    temperature_c: Array
    resistance_ohm: Array
    beside: Array
    stranger: Array
    log_prior: Array

    def __len__(self) -> int:
        return len(self.soc)

    def at(self, **changes: Array) -> BankNow:
        """The draws that the display allows, with some arrays exchanged for others (n,)."""
        known = ~self.beside
        kept = {name: getattr(self, name)[known] for name in self.__dataclass_fields__}
        return BankNow(**{**kept, **changes})


@dataclass(frozen=True)
class Sound:
    """What a sound source does.

    Attributes:
        current_a: (n,) what it gives [A].
        spread_a: (n,) standard deviation of what is read then [A].
        why: (n,) why the current is what it is, of `charging.EXPLANATIONS`.
        at_limit: (n,) probability that it holds the bank at its limit, 0..1.
        most_a: (n,) what it could give at most under this sky, were the bank empty and warm [A].
        dark: (n,) of bool: too little light for a panel's voltage to say anything.
    """

    current_a: Array
    spread_a: Array
    why: Array
    at_limit: Array
    most_a: Array
    dark: Array


def bank_now(
    setup: Setup,
    cell: CellModel,
    log: Log | None,
    readings: Mapping[str, float],
    seed: int,
    n: int,
    rules: Rules,
) -> BankNow:
    """Draws of the bank: `n` that display or log allow, `BESIDE_EACH` times as many beside them.

    Raises:
        InputError: a reading that cannot be used with this log; or as `snapshot.take_snapshot`.
    """
    setup = with_readings(setup, readings)
    if log is None:
        members = take_snapshot(setup, cell, n, seed).members
    else:
        from socband.suspects import judge

        told = {name: readings[name] for name in ("display_soc", "since_full") if name in readings}
        draws = judge(setup, cell, log, told, seed, 2 * n).draws
        keep = np.random.default_rng([seed, 31]).integers(0, len(draws), n)
        members = Unknowns.from_setup(setup, cell=cell).members(score_matrix(seed, n))
        members = members.replaced(
            soc=draws.soc[keep], resistance_factor=draws.values[P["resistance_factor"]][keep]
        )
    ambient_c = setup.ambient.temperature_c.median + members.temperature_offset_k
    logged_c = last_temperature_c(log)
    if np.isfinite(logged_c):
        ambient_c = logged_c + SENSOR_STD_K * normal_scores(seed, "sensor of the log", n)
    # each battery is as warm as its own heater holds it
    warmest_c = bank_of(setup, cell, members, ambient_c, seed).state[:, :, S_T].max(axis=1)
    if np.isfinite(logged_c) and log.temperature_is_of_cell:
        warmest_c = ambient_c  # the heater's warmth is in it
    if "temperature" in readings:
        warmest_c = readings["temperature"] + normal_scores(seed, "thermometer", n)
    bank = setup.bank
    scale = bank.cells_in_series * cell.capacity_ah / bank.rated_capacity_ah
    k0, k1, k2, _, _ = c.temperature_factors(cell, warmest_c)
    ohm = (cell.r0.ref_ohm * k0 + cell.r1.ref_ohm * k1 + cell.r2.ref_ohm * k2) * scale
    ohm = ohm * members.resistance_factor
    ohm += bank.connection_resistance_ohm.ppf(uniforms(seed, "connection", n))
    others = BESIDE_EACH * n
    beside = np.arange(n + others) >= n
    soc = np.concatenate([members.soc, _beside(seed, others)])
    probability = np.where(beside, rules.beside / others, (1.0 - rules.beside) / n)
    stranger, log_prior = _pooled(soc, beside, probability)
    warm, ohm = (np.tile(each, 1 + BESIDE_EACH) for each in (warmest_c, ohm))
    return BankNow(soc, warm, ohm, beside, stranger, log_prior)


def last_temperature_c(log: Log | None) -> float:
    """The last that a log says [°C]; NaN without one, or without a temperature in it."""
    if log is None or log.temperature_c is None:
        return float("nan")
    said = log.temperature_c[np.isfinite(log.temperature_c)]
    return float(said[-1]) if len(said) else float("nan")


def _pooled(soc: Array, beside: Array, probability: Array) -> tuple[Array, Array]:
    """Draws of nearly the same charge share what they weigh, whoever they came from.

    Where a voltage speaks for a charge at the edge of what the display allows, one of its draws
    that happened to come so far would outweigh hundreds beside it, and what that one draw's
    temperature and source are would decide.

    Returns:
        `stranger` and `log_prior` of `BankNow`.
    """
    bins = np.digitize(1.0 - soc, MISSING_EDGES)
    number, all_of_it, beside_it = (
        np.bincount(bins, weights)[bins] for weights in (None, probability, probability * beside)
    )
    return beside_it / all_of_it, np.log(all_of_it / number)


def _beside(seed: int, n: int) -> Array:
    """(n,) charges that no display speaks for: a third full, a third with something missing as in a
    taper, where each tenfold takes as long, a third anywhere, every other of these towards empty,
    where the curve is steep (assumed)."""
    u = uniforms(seed, "beside the display", n)
    missing = LEAST_MISSING * (MOST_MISSING / LEAST_MISSING) ** u
    anywhere = np.where(np.arange(n) % 2 == 0, u, u**6)
    return np.choose(np.arange(n) % 3, [np.ones(n), 1.0 - missing, anywhere])


def limit_v(setup: Setup, kind: str, seed: int, n: int, rules: Rules) -> Array:
    """(n,) where the source holds the bank [V]: doubtful where the setup file does not say, and
    anywhere above what a bank rests at if it is set wrongly."""
    source, series = setup.source(kind), setup.bank.cells_in_series
    middle, spread = rules.limit_v_per_cell * series, rules.limit_spread_v_per_cell
    if source is not None:
        if not setup.assumes(f"({source.name}).voltage_limit_v"):
            middle, spread = source.voltage_limit_v, rules.meter_v_per_cell
    drawn = middle + series * spread * normal_scores(seed, f"limit {kind}", n)
    low_v, high_v = series * RESTED_FULL_V, series * CHARGED_V[1]
    anywhere = low_v + (high_v - low_v) * uniforms(seed, f"wrong limit {kind}", n)
    return np.where(uniforms(seed, f"misset {kind}", n) < rules.misset, anywhere, drawn)


@dataclass(frozen=True)
class Resting:
    """Whether and where a source near full does nothing though it is sound.

    Attributes:
        probability: that it does at all.
        above_soc: true charge above which it does then, 0..1, and the standard deviation of that.
        spread: see there.
        stated: the setup file says so.
    """

    probability: float
    above_soc: float
    spread: float
    stated: bool


def resting(setup: Setup, kind: str, rules: Rules) -> Resting:
    """As the setup file states it for the source of this kind, 1 for one that never rests. Where it
    does not, the source described or not, nobody knows whether it rests."""
    mine = setup.source(kind)
    if mine is None or mine.idle_above_soc is None:
        return Resting(rules.rests[kind], rules.rests_above_soc, rules.rests_spread, False)
    never = mine.idle_above_soc >= 1.0
    likely = 0.0 if never else rules.idle_probability
    return Resting(likely, mine.idle_above_soc, rules.idle_spread, True)


def sound_source(
    setup: Setup,
    cell: CellModel,
    kind: str,
    bank: BankNow,
    seed: int,
    rules: Rules,
    panel_v: float = 0.0,
    refuses: bool = True,
    idles: float | None = None,
) -> Sound:
    """What a sound source does with each draw of the bank.

    Without `refuses` the battery's protection lets the current through in the cold. `idles` is the
    probability that it idles where it may, by the rules if None.
    """
    n, soc = len(bank), bank.soc
    series = setup.bank.cells_in_series
    source = setup.source(kind)
    volt = series * c.look_up(c.CellTables.from_model(cell), c.OCV, np.clip(soc, 0.0, 1.0))
    top_v = limit_v(setup, kind, seed, n, rules)
    # Full is where the current dies away at the limit: the last bit of the curve leads up to it.
    rise = np.clip((soc - TOP_SOC) / (1.0 - TOP_SOC), 0.0, 1.0)
    volt = volt + rise * (top_v - volt)
    bulk = setup.bank.rated_capacity_ah * rules.bulk_per_h[kind]
    bulk = bulk * np.exp(rules.bulk_spread * normal_scores(seed, f"bulk {kind}", n))
    sun = np.ones(n)
    if source is not None:
        u = uniforms(seed, f"source {kind}", n)
        bulk = source.current_a.ppf(u) if source.current_a else source.power_w.ppf(u) / volt
        if kind == "solar":
            bulk = bulk * source.performance_ratio.ppf(uniforms(seed, "ratio", n))
        if source.current_a is not None and source.current_a.is_fixed:
            bulk = bulk * np.exp(rules.plate_spread * normal_scores(seed, f"plate {kind}", n))
        if source.current_limit_a:
            bulk = np.minimum(bulk, source.current_limit_a)
    if kind == "solar":
        sun = _sun(setup, source, seed, n)
        if panel_v >= 0.9 * rules.panel_sun_v * series / 4.0:
            # the panel itself says that the sun shines, whatever clock and weather say
            sun = 0.3 + 0.7 * uniforms(seed, "clearness", n)
    taper = np.maximum((top_v - volt) / bank.resistance_ohm, 0.0)
    current = np.minimum(bulk * sun, taper)
    at_limit = np.where(taper < bulk * sun, 1.0, 0.0)
    # one that has finished holds its limit, or floats lower, or rests (assumed)
    finished = (soc > FINISHED_SOC) & (uniforms(seed, f"finished {kind}", n) < rules.finished)
    current = np.where(finished, 0.0, current)
    at_limit[finished | (taper < 0.1 * bulk)] = 0.5
    at_limit[finished & (soc < TOP_SOC)] = 0.0
    why = np.full(n, "charging", dtype="<U12")
    why[bulk * sun < 0.3 * bulk] = "weak_sun"
    why[finished | (taper < 0.5 * bulk * sun)] = "near_full"
    rest = resting(setup, kind, rules)
    idling = soc > rest.above_soc + rest.spread * normal_scores(seed, f"idle {kind}", n)
    likely = rest.probability if idles is None else idles
    idling &= uniforms(seed, f"idles {kind}", n) < likely
    current = np.where(idling, 0.0, current)
    why[idling] = "near_full"
    at_limit[idling] = np.minimum(at_limit[idling], 0.5)
    cold = bank.temperature_c < charge_limit_c(cell, seed, n)
    if refuses:
        why[cold] = "too_cold"
        at_limit[cold] = 0.5  # a charger that is refused stands at its limit, or gives up (assumed)
        current = np.where(cold, 0.0, current)
    else:
        why[cold] = "cold_charge"
    # Loads, and sources that differ from their plate; at its limit what a wrong curve is worth.
    curve_a = series * cell.voltage_error.std_v / bank.resistance_ohm
    loads_a = rules.loads_std_a(setup.bank.rated_capacity_ah)
    spread = np.hypot(loads_a, np.where(at_limit == 1.0, curve_a, OFF_PLATE * current))
    return Sound(current, spread, why, at_limit, bulk * sun, sun < DARK)


def in_the_sun(setup: Setup, log: Log | None) -> tuple[Setup, str]:
    """The setup at the hour of day for which a panel is reckoned, and whose clock says it.

    A log's own clock says when its last row was; that of the setup file may be older. Seconds since
    1970 are no hour of day where no time zone is known: then the file's stays, if it says one.
    """
    if log is None or log.unix_time_s is None:
        return setup, "[present] clock"
    if owners_clock_counts(log, setup):
        why = "the log's is UTC and its zone not stated: give [present] timezone"
        return setup, f"[present] clock, as {why}"
    whose = "the log's last row"
    moment = moment_of_present(log, setup, at_end=True)
    if moment["present_hour_is_utc"]:
        whose += ", UTC: [present] timezone says more"
    clock = ClockTime.from_hour(moment["present_hour"])
    return replace(setup, present=replace(setup.present, clock=clock)), whose


def _day(source: Any) -> tuple[ClockTime, ClockTime]:
    """Sunrise and sunset; of a panel that nobody described at six (assumed)."""
    if source is None:
        return ClockTime.from_hour(6.0), ClockTime.from_hour(18.0)
    return source.sunrise, source.sunset


def sun_hours(setup: Setup, source: Any) -> dict[str, float]:
    """Hours of day for which a panel is reckoned, and between which its sun is up."""
    clocks = setup.present.clock, *_day(source)
    return {
        name: clock.minute / 60.0
        for name, clock in zip(("sun_at_hour", "sunrise_hour", "sunset_hour"), clocks, strict=True)
    }


def _sun(setup: Setup, source: Any, seed: int, n: int) -> Array:
    """(n,) share of full sun now: half-sine of the day times what clouds let through."""
    rise, fall = (clock.minute / 60.0 for clock in _day(source))
    clear = 0.15 + 0.85 * uniforms(seed, "clearness", n)
    if source is not None:
        clear = source.clearness.ppf(uniforms(seed, "clearness", n))
    hour = setup.present.clock.minute / 60.0
    height = np.sin(np.pi * np.clip((hour - rise) / (fall - rise), 0.0, 1.0))
    return np.maximum(height, 0.0) * clear
