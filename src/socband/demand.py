"""What the bank will be asked for: loads as on-off processes, in hours of the day.

A load draws constant power (or a constant current) while it is on. It is on for `duty` of its cycle
on average; each on and each off time lies evenly within ± `jitter` of its mean, and only the hours
of the day that it has count. A start may take a surge. What a load draws, its duty and its cycle
are unknown too: each member has its own draw of them. The switching itself happens inside
`socband.kernels_forward`, from streams that know nothing of other loads.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import datetime, timedelta
from typing import TYPE_CHECKING

import numpy as np

from socband.site_check import INVERTER, UNTRACKED
from socband.site_fields import MINUTES_A_DAY, Hours
from socband.unknowns import Pattern, uniforms

if TYPE_CHECKING:
    from socband.site import Load, Setup

Array = np.ndarray

DEFAULT_JITTER = 0.3  # assumed: cycles of one appliance differ by about this share


def moment(setup: Setup, now: datetime | None = None) -> datetime:
    """The start of the night: `now`, else the setup's clock time on today's date.

    With a `timezone` in the setup file the result is aware of it, so that a clock change in the
    night moves the hours of the day as it does on the wall.
    """
    zone = setup.present.timezone
    if now is None:
        minute = setup.present.clock.minute
        date = setup.present.date or datetime.now().date()
        now = datetime(date.year, date.month, date.day, minute // 60, minute % 60)
    if zone is not None and now.tzinfo is None:
        from zoneinfo import ZoneInfo

        now = now.replace(tzinfo=ZoneInfo(zone))
    return now


def seconds_between(start: datetime, end: datetime) -> float:
    """Elapsed seconds, across clock changes if the two are aware of their zone."""
    if start.tzinfo is None:
        return (end - start).total_seconds()
    return end.timestamp() - start.timestamp()


def hours_until(minute: int, now: datetime) -> float:
    """Elapsed hours until the wall clock next shows `minute` of the day; 24 h if it does now."""
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)
    for day in range(3):
        at = midnight + timedelta(days=day, minutes=minute)
        if (ahead := seconds_between(now, at)) > 1e-6:
            return ahead / 3600.0
    raise AssertionError("no such time within two days")  # pragma: no cover


def spans_ahead(hours: Hours, now: datetime, horizon_s: float) -> Array:
    """Hours of the day as spans of elapsed time.

    Args:
        hours: on the wall clock.
        now: start of the count; aware of a zone where clock changes matter.
        horizon_s: how far [s].

    Returns:
        (k, 2) seconds from now, sorted, apart, within 0..horizon_s.
    """
    if hours.is_always:
        return np.array([[0.0, horizon_s]])
    midnight = now.replace(hour=0, minute=0, second=0, microsecond=0)

    def from_now(day: int, minute: int) -> float:
        return seconds_between(now, midnight + timedelta(days=day, minutes=minute))

    return days_of_spans(hours, from_now, int(horizon_s / 86400.0) + 3, horizon_s)


def days_of_spans(
    hours: Hours, from_now: Callable[[int, int], float], days: int, horizon_s: float
) -> Array:
    """Hours of the day, day by day, cut to what lies ahead and put together where they touch.

    Args:
        hours: of the day.
        from_now: seconds from now to a minute of a day; today is day 0.
        days: so many from today on are looked at, and yesterday.
        horizon_s: how far [s].

    Returns:
        (k, 2) seconds from now, sorted, apart, within 0..horizon_s.
    """
    spans: list[list[float]] = []
    for day in range(-1, days):
        for minutes in hours.spans:
            start, end = (from_now(day, minute) for minute in minutes)
            start, end = max(start, 0.0), min(end, horizon_s)
            if end <= start:
                continue
            if spans and start <= spans[-1][1] + 1.0:
                spans[-1][1] = max(spans[-1][1], end)
            else:
                spans.append([start, end])
    return np.array(spans).reshape(-1, 2)


def stream_of(name: str) -> int:
    """Number of the random stream of a load, from its name alone."""
    return zlib.crc32(name.encode()) & 0x7FFFFFFF


@dataclass(frozen=True)
class Demand:
    """Every load of every member.

    Attributes:
        names: (L,) names; of loads the monitor does not see too.
        power_w: (n, L) drawn at the battery while on [W].
        current_a: (n, L) drawn while on, in place of power [A].
        duty: (n, L) share of the time on, within the hours, at the load's reference temperature.
        cycle_s: (n, L) length of a cycle [s].
        kind: (L, K_COUNT); see `kernels_demand`.
        span_ptr, spans: (L + 1,), (m, 2) [s] from now: hours of load j in rows ptr[j]..ptr[j+1].
        essential: (L,) not to be switched off.
        tracked: (L,) seen by the monitor.
    """

    names: tuple[str, ...]
    power_w: Array
    current_a: Array
    duty: Array
    cycle_s: Array
    kind: Array
    span_ptr: Array
    spans: Array
    essential: Array
    tracked: Array

    @classmethod
    def from_setup(
        cls,
        setup: Setup,
        n: int,
        seed: int,
        now: datetime,
        horizon_s: float,
        untracked_a: Array | None = None,
        untracked_pattern: Array | None = None,
        patterns: Sequence[Pattern] = (),
    ) -> Demand:
        """The loads of a setup file, drawn for n members.

        Args:
            untracked_a: (n,) magnitude of each member's untracked load [A], or None.
            untracked_pattern: (n,) index into `patterns`.
            patterns: hours of the day; the setup's untracked hours if empty.
        """
        from socband.kernels_demand import (
            K_COUNT,
            K_DUTY_AT_C,
            K_DUTY_PER_K,
            K_INVERTER,
            K_JITTER,
            K_STREAM,
            K_SURGE,
            K_SURGE_S,
        )

        columns: list[tuple[Array, Array, Array, Array]] = []
        kinds, spans, names, essential, tracked = [], [], [], [], []

        def draw(name: str, quantity, default: float = 0.0) -> Array:
            if quantity is None:
                return np.full(n, default)
            return quantity.ppf(uniforms(seed, name, n))

        def add(name, power, current, duty, cycle, hours, fixed, seen, **extra) -> None:
            columns.append((power, current, duty, cycle))
            kind = np.zeros(K_COUNT)
            kind[K_JITTER] = extra.get("jitter", DEFAULT_JITTER)
            kind[K_SURGE] = extra.get("surge", 1.0)
            kind[K_SURGE_S] = extra.get("surge_s", 0.0)
            kind[K_DUTY_PER_K] = extra.get("duty_per_k", 0.0)
            kind[K_DUTY_AT_C] = extra.get("duty_at_c", 20.0)
            kind[K_INVERTER] = extra.get("inverter", 0.0)
            kind[K_STREAM] = stream_of(name)
            kinds.append(kind)
            spans.append(hours)
            names.append(name)
            essential.append(fixed)
            tracked.append(seen)

        inverter = setup.inverter
        efficiency = draw("inverter.efficiency", inverter and inverter.efficiency, 1.0)
        for load in setup.loads:
            key = f"loads.{load.name}."
            through = load.through_inverter and inverter is not None
            power = draw(key + "power_w", load.power_w)
            add(
                load.name,
                power / efficiency if through else power,
                draw(key + "current_a", load.current_a),
                np.clip(draw(key + "duty", load.duty), 0.0, 1.0),
                60.0 * draw(key + "cycle_min", load.cycle_min, 60.0),
                load_spans(load, now, horizon_s),
                load.must_stay,
                True,
                inverter=float(through),
                **_extras(load),
            )
        behind = [load for load in setup.loads if load.through_inverter]
        if inverter is not None and behind:
            on = Hours(_union([load.hours for load in behind]))
            hours = spans_ahead(on, now, horizon_s)
            idle_w = draw("inverter.idle_w", inverter.idle_w)
            # its switch turns off all behind it, and gains something only where it idles
            fixed = any(load.must_stay for load in behind) or not np.any(idle_w > 0.0)
            add(INVERTER, idle_w, np.zeros(n), np.ones(n),
                np.full(n, 3600.0), hours, fixed, True, inverter=1.0)  # fmt: skip
        if untracked_a is not None:
            patterns = patterns or (Pattern(setup.untracked_load.hours),)
            which = np.zeros(n) if untracked_pattern is None else untracked_pattern
            for k, pattern in enumerate(patterns):
                current = np.where(which == k, untracked_a, 0.0)
                if np.any(current > 0.0):
                    name = UNTRACKED if k == 0 else f"{UNTRACKED} ({pattern.hours})"
                    hours = spans_ahead(pattern.hours, now, horizon_s)
                    # never on for members without it, so that it does not cut their steps
                    duty = (current > 0.0).astype(float)
                    add(name, np.zeros(n), current, duty, np.full(n, 3600.0), hours,
                        True, False)  # fmt: skip
        stacked = [
            np.ascontiguousarray(np.stack(part, axis=1)) if columns else np.zeros((n, 0))
            for part in (zip(*columns, strict=True) if columns else [()] * 4)
        ]
        ptr = np.concatenate([[0], np.cumsum([len(s) for s in spans])]).astype(np.int64)
        return cls(
            tuple(names),
            *stacked,
            np.array(kinds).reshape(-1, K_COUNT),
            ptr,
            np.concatenate([np.zeros((0, 2)), *spans]),
            np.array(essential, dtype=bool),
            np.array(tracked, dtype=bool),
        )

    def with_steady(self, name: str, current_a: Array, spans: Array) -> Demand:
        """One load more, seen by the monitor: on throughout its spans, and not to be switched off.

        Args:
            current_a: (n,) drawn [A].
            spans: (k, 2) [s] from now.
        """
        from socband.kernels_demand import K_COUNT, K_DUTY_AT_C, K_STREAM, K_SURGE

        kind = np.zeros(K_COUNT)
        kind[[K_SURGE, K_DUTY_AT_C, K_STREAM]] = 1.0, 20.0, stream_of(name)
        n = len(current_a)

        def beside(columns: Array, column: Array) -> Array:
            return np.ascontiguousarray(np.concatenate([columns, column[:, None]], axis=1))

        return Demand(
            (*self.names, name),
            beside(self.power_w, np.zeros(n)),
            beside(self.current_a, current_a),
            beside(self.duty, np.ones(n)),
            beside(self.cycle_s, np.full(n, 3600.0)),
            np.concatenate([self.kind, kind[None]]),
            np.append(self.span_ptr, self.span_ptr[-1] + len(spans)),
            np.concatenate([self.spans, spans]),
            np.append(self.essential, True),
            np.append(self.tracked, True),
        )

    def all_off(self, off: Sequence[str]) -> frozenset[str]:
        """Names of what is off with these switched off: with the inverter all that is behind it."""
        from socband.kernels_demand import K_INVERTER

        behind = self.kind[:, K_INVERTER] > 0.5 if INVERTER in off else np.zeros(len(self.names))
        return frozenset(off) | {n for n, it in zip(self.names, behind, strict=True) if it}

    def mean_power_w(self, bank_voltage_v: float, horizon_s: float, ambient_c: Array) -> Array:
        """(n, L) mean power within the horizon at a bank voltage [W], surges left aside.

        Args:
            ambient_c: (n,) mean temperature of the air, which thermostats follow [°C].
        """
        from socband.kernels_demand import K_DUTY_AT_C, K_DUTY_PER_K

        spans = np.minimum(self.spans, horizon_s)
        share = np.array(
            [
                np.sum(np.diff(spans[self.span_ptr[j] : self.span_ptr[j + 1]], axis=1))
                for j in range(len(self.names))
            ]
        )
        watt = self.power_w + self.current_a * bank_voltage_v
        per_k, at_c = self.kind[:, K_DUTY_PER_K], self.kind[:, K_DUTY_AT_C]
        return watt * duty_in(ambient_c[:, None], self.duty, per_k, at_c) * share / horizon_s

    def scaled(self, factor: float) -> Demand:
        """The same loads, each drawing `factor` times as much."""
        return replace(self, power_w=self.power_w * factor, current_a=self.current_a * factor)


def duty_in(
    air_c: Array | float, duty: Array | float, per_k: Array | float, at_c: Array | float
) -> Array:
    """Duty of a load with a thermostat in air of so many degrees [°C], 0..1: the forecast's law
    (`kernels_demand`). `duty` is that at `at_c`, `per_k` its change with each degree."""
    return np.clip(duty + per_k * (air_c - at_c), 0.0, 1.0)


def load_spans(load: Load, now: datetime, horizon_s: float) -> Array:
    """(k, 2) spans in which a load may draw: its hours, or its one-off events."""
    if not load.at:
        return spans_ahead(load.hours, now, horizon_s)
    spans = []
    for clock in load.at:
        start = 3600.0 * hours_until(clock.minute, now)
        end = min(start + 60.0 * load.for_min, horizon_s)
        if start < end:
            spans.append([start, end])
    spans.sort()
    merged: list[list[float]] = []
    for start, end in spans:
        if merged and start <= merged[-1][1]:
            merged[-1][1] = max(merged[-1][1], end)
        else:
            merged.append([start, end])
    return np.array(merged).reshape(-1, 2)


def _extras(load: Load) -> dict[str, float]:
    names = ("jitter", "surge", "surge_s", "duty_per_k", "duty_at_c")
    found = {name: getattr(load, name) for name in names}
    return {name: float(value) for name, value in found.items() if value is not None}


def _union(hours: Sequence[Hours]) -> tuple[tuple[int, int], ...]:
    on = np.zeros(MINUTES_A_DAY + 1, dtype=bool)
    for part in hours:
        for start, end in part.spans:
            on[start:end] = True
    on[-1] = False
    edges = np.flatnonzero(np.diff(np.concatenate([[False], on]).astype(int)))
    return tuple((int(a), int(b)) for a, b in edges.reshape(-1, 2))
