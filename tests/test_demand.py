"""Loads as on-off processes, hours of the day across midnight and clock changes, the shelf."""

from __future__ import annotations

from datetime import datetime
from itertools import combinations
from types import SimpleNamespace
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from numba import njit

from socband import whatif
from socband.demand import INVERTER, Demand, hours_until, load_spans, spans_ahead, stream_of
from socband.errors import InputError
from socband.forward import prepare, run
from socband.kernels_columns import O_LOAD_J, O_OUT
from socband.kernels_demand import (
    D_COUNT,
    D_CYCLE,
    D_OWN_NEXT,
    D_OWN_ON,
    D_SWITCHINGS,
    _key_of,
    _number,
    _span_at,
    _update,
)
from socband.models import load_cell
from socband.quantity import Quantity
from socband.shelf import shelf
from socband.site import setup_from_table
from socband.site_fields import Hours
from socband.unknowns import Unknowns
from socband.whatif import Nights, optional_loads, smallest_set

HOUR = 3600.0
CELL = load_cell("lfp-prismatic-100ah")
NIGHT = Hours.from_texts(["22:00-07:00"])
VIENNA = ZoneInfo("Europe/Vienna")


def test_hours_across_midnight():
    now = datetime(2026, 7, 1, 21, 30)
    spans = spans_ahead(NIGHT, now, 36 * HOUR)
    np.testing.assert_allclose(spans / HOUR, [[0.5, 9.5], [24.5, 33.5]])
    inside = spans_ahead(NIGHT, datetime(2026, 7, 1, 3, 0), 10 * HOUR)
    np.testing.assert_allclose(inside / HOUR, [[0.0, 4.0]])


@pytest.mark.parametrize(("day", "length_h"), [((2026, 3, 28), 8.0), ((2026, 10, 24), 10.0)])
def test_a_night_with_a_clock_change(day, length_h):
    # EU summer time: clocks go forward on 2026-03-29 and back on 2026-10-25 (last Sundays), tz
    # database; 22:00 to 07:00 is then an hour shorter or longer than nine.
    now = datetime(*day, 22, 0, tzinfo=VIENNA)
    spans = spans_ahead(NIGHT, now, 20 * HOUR)
    np.testing.assert_allclose(spans / HOUR, [[0.0, length_h]])
    assert hours_until(7 * 60, now) == pytest.approx(length_h)


def test_hours_until_is_the_next_time():
    now = datetime(2026, 7, 1, 21, 30)
    assert hours_until(7 * 60, now) == pytest.approx(9.5)
    assert hours_until(21 * 60 + 30, now) == pytest.approx(24.0)


@njit(error_model="numpy")
def hashed(seed, member, stream, count):
    """The number that the kernel draws at a count of a load's stream."""
    return _number(_key_of(seed, member, stream), count)


@njit(error_model="numpy")
def switches(seed, member, duty, cycle_s, jitter, stream, spans, horizon_s, out):
    """Times at which a load switches, on, off, on, ..., into `out`; returns how many."""
    keys = np.full(1, _key_of(seed, member, stream))
    states = np.zeros((1, D_COUNT))
    states[0, D_SWITCHINGS] = -1.0
    states[0, D_CYCLE] = cycle_s
    on = False
    t = 0.0
    n = 0
    while t < horizon_s and n < out.shape[0]:
        _update(t, 0, duty, False, jitter, keys, states)
        inside, until = _span_at(t, 0, spans.shape[0], spans, states)
        now_on = inside and states[0, D_OWN_ON] > 0.5
        if now_on != on:
            out[n] = t
            n += 1
            on = now_on
        t = min(states[0, D_OWN_NEXT], until)
    return n


def on_share(duty, cycle_s, jitter=0.3, members=300, horizon=40 * HOUR):
    spans = np.array([[0.0, horizon]])
    share, starts = [], []
    for member in range(members):
        out = np.empty(2000)
        n = switches(1, member, duty, cycle_s, jitter, 77, spans, horizon, out)
        at = np.append(out[:n], horizon)[: 2 * ((n + 1) // 2)]
        share.append(np.sum(at[1::2] - at[0::2]) / horizon)
        starts.append(n > 0 and out[0] == 0.0)
    return np.array(share), np.array(starts)


@pytest.mark.parametrize("duty", [0.1, 0.4, 0.8])
def test_duty_is_kept_and_the_start_is_stationary(duty):
    share, starts = on_share(duty, 1800.0)
    error = share.std() / np.sqrt(len(share))
    assert share.mean() == pytest.approx(duty, abs=6 * error + 1e-3)
    # on at the start with the chance of the duty: six standard errors of a proportion
    assert starts.mean() == pytest.approx(duty, abs=6 * np.sqrt(duty * (1 - duty) / len(starts)))


def test_regular_cycle_without_jitter():
    out = np.empty(100)
    n = switches(0, 4, 0.25, 1200.0, 0.0, 5, np.array([[0.0, 6000.0]]), 6000.0, out)
    gaps = np.diff(out[1:n])
    assert np.all(np.isclose(gaps, 300.0) | np.isclose(gaps, 900.0))


def test_streams_are_independent_and_uniform():
    u = np.array([hashed(3, m, stream_of("fridge"), c) for m in range(200) for c in range(50)])
    v = np.array([hashed(3, m, stream_of("pump"), c) for m in range(200) for c in range(50)])
    n = len(u)
    assert abs(u.mean() - 0.5) < 6 / np.sqrt(12 * n)
    assert abs(np.corrcoef(u, v)[0, 1]) < 6 / np.sqrt(n)
    assert abs(np.corrcoef(u[1:], u[:-1])[0, 1]) < 6 / np.sqrt(n)
    counts = np.histogram(u, bins=20, range=(0, 1))[0]
    chi2 = np.sum((counts - n / 20) ** 2 / (n / 20))
    assert chi2 < 50.8  # χ² with 19 degrees of freedom, p = 1e-4 (scipy.stats.chi2.isf)


BASE = {
    "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 100.0},
    "present": {"display_soc": 0.6, "clock": "21:30"},
}


def test_events_and_inverter():
    setup = setup_from_table(
        BASE
        | {
            "loads": [
                {"name": "kettle", "power_w": 1800.0, "at": ["06:30"], "for_min": 4.0,
                 "through_inverter": True},
            ],
            "inverter": {"efficiency": 0.9, "idle_w": 10.0},
        }
    )  # fmt: skip
    demand = Demand.from_setup(setup, 3, 0, datetime(2026, 7, 1, 21, 30), 24 * HOUR)
    assert demand.names == ("kettle", "the inverter itself")
    np.testing.assert_allclose(demand.power_w[:, 0], 2000.0)
    np.testing.assert_allclose(demand.spans[0] / HOUR, [9.0, 9.0 + 4.0 / 60.0])
    assert not demand.essential[1]
    assert demand.all_off(()) == frozenset()
    assert demand.all_off((INVERTER,)) == {INVERTER, "kettle"}


@pytest.mark.parametrize(("for_min", "lasts_min"), [(0.0, 0.0), (None, 5.0), (12.0, 12.0)])
def test_an_event_lasts_as_long_as_is_said(for_min, lasts_min):
    """None at all is as good a time as any other; five minutes are assumed only if none is said."""
    event = {"name": "kettle", "power_w": 1800.0, "at": ["06:30"]}
    event |= {} if for_min is None else {"for_min": for_min}
    setup = setup_from_table(BASE | {"loads": [event]})
    spans = load_spans(setup.loads[0], datetime(2026, 7, 1, 21, 30), 24 * HOUR)
    assert np.sum(spans[:, 1] - spans[:, 0]) == pytest.approx(60.0 * lasts_min)


def home(idle_w=20.0, **computer):
    """A bank whose inverter feeds a computer and a screen, and a fan of its own."""
    through = {"through_inverter": True}
    return setup_from_table(
        BASE
        | {
            "bank": dict(BASE["bank"], capacity_fraction=1.0),
            "loads": [
                {"name": "computer", "power_w": 9.0, **through, **computer},
                {"name": "screen", "power_w": 9.0, **through},
                {"name": "fan", "power_w": 15.0},
            ],
            # its own cut-out lies below the disconnect: it does not end the night of its loads
            "inverter": {"efficiency": 0.9, "idle_w": idle_w, "cutout_v": 8.4},
            "untracked_load": {"probability": 0.0},
            "question": {"until": ["07:00"], "horizon_hours": 48.0},
        }
    )


def nights_of(setup):
    members = Unknowns.from_setup(setup, Quantity.from_number(0.9)).draw(60, 1)
    return Nights(prepare(setup, CELL, members, datetime(2026, 7, 1, 21, 30), seed=1))


def test_switching_off_the_inverter_takes_all_behind_it_and_its_idling():
    """From the equation of charge: what the fan alone draws, at no less than 10 V for 48 h."""
    nights = nights_of(home())
    plan = nights.plan
    assert optional_loads(plan.demand) == ("computer", "screen", "fan", INVERTER)
    drawn_ah = run(plan, tuple(plan.demand.all_off((INVERTER,)))).column(O_OUT)
    assert np.all((drawn_ah > 48 * 15.0 / 14.4) & (drawn_ah < 48 * 15.0 / 12.4))
    np.testing.assert_array_equal(
        nights.lvd_hours((INVERTER,)), nights.lvd_hours((INVERTER, "computer", "screen"))
    )
    assert np.all(nights.lvd_hours((INVERTER,)) > nights.lvd_hours(("computer", "screen")))


def test_the_inverter_is_no_switch_off_where_it_must_stay_or_gains_nothing():
    for setup in (home(essential=True), home(idle_w=0.0)):
        assert INVERTER not in optional_loads(nights_of(setup).plan.demand)


def test_the_smallest_set_never_names_what_the_inverter_takes_along():
    nights = nights_of(home())
    names = optional_loads(nights.plan.demand)
    # so long that no other load alone is enough
    hours = 40.0
    alone = {name: np.mean(nights.lvd_hours((name,)) > hours) for name in names}
    assert [name for name in names if alone[name] >= 0.9] == [INVERTER]
    found = smallest_set(nights, 0.9, until_h=hours)
    assert (found.off, found.chance, found.reached) == ((INVERTER,), 1.0, True)
    # out of reach: all off, in the fewest words
    never = smallest_set(nights, 1.1, until_h=hours)
    assert (never.off, never.reached) == (("fan", INVERTER), False)
    everything = nights.lvd_hours(names)
    np.testing.assert_array_equal(everything, nights.lvd_hours(never.off))


def test_the_smallest_set_is_that_of_a_search_through_all_sets():
    nights = nights_of(home())
    names = optional_loads(nights.plan.demand)
    sets = [off for size in range(5) for off in combinations(names, size)]
    hours = {off: nights.lvd_hours(off) for off in sets}
    for until_h in (15.0, 22.0, 27.0, 40.0):
        enough = [off for off in sets if np.mean(hours[off] > until_h) >= 0.9]
        found = smallest_set(nights, 0.9, until_h=until_h)
        assert found.reached == bool(enough)
        if enough:
            fewest = min(len(off) for off in enough)
            least = min((o for o in enough if len(o) == fewest), key=given_up_wh)
            assert given_up_wh(found.off) == given_up_wh(least)
            assert found.chance == np.mean(hours[found.off] > until_h)


def given_up_wh(off):
    """By hand, each hour at the battery: 9 W over 0.9, and the whole inverter behind all others."""
    watt = {"computer": 10.0, "screen": 10.0, "fan": 15.0, INVERTER: 1e9}
    return sum(watt[name] for name in off)


def test_of_sets_equally_small_the_smallest_sacrifice_goes_first():
    """At 09:00 the inverter off lasts best, then the pump, then the lamp; each is enough alone."""
    through = {"through_inverter": True}
    setup = setup_from_table(
        BASE
        | {
            "loads": [{"name": "lamp", "power_w": 25.0}, {"name": "pump", "power_w": 30.0},
                      {"name": "radio", "power_w": 10.0, **through}],
            "inverter": {"efficiency": 0.9, "idle_w": 30.0, "cutout_v": 8.4},
            "untracked_load": {"probability": 0.0},
            "question": {"until": ["09:00"], "horizon_hours": 48.0},
        }
    )  # fmt: skip
    nights = nights_of(setup)
    until_h = float(np.min(nights.lvd_hours(("lamp",)))) - 0.5
    chances = {o: np.mean(nights.lvd_hours((o,)) > until_h) for o in ("lamp", "pump", INVERTER)}
    assert min(chances.values()) == 1.0
    assert np.mean(nights.lvd_hours() > until_h) < 0.9
    found = smallest_set(nights, 0.9, until_h=until_h)
    assert (found.off, found.reached) == (("lamp",), True)
    by_hand_wh = 25.0 * until_h
    assert nights.sacrifice(until_h, ("lamp",)) == (False, pytest.approx(by_hand_wh, rel=0.01))
    alone, energy = nights.sacrifice(until_h, (INVERTER,))
    assert alone
    assert energy == pytest.approx((30.0 + 10.0 / 0.9) * until_h, rel=0.01)


def test_untracked_load_by_pattern():
    setup = setup_from_table(BASE)
    demand = Demand.from_setup(
        setup, 2, 0, datetime(2026, 7, 1, 21, 30), 24 * HOUR, np.array([0.0, 1.5]), np.zeros(2)
    )
    assert demand.names == ("untracked load",)
    np.testing.assert_array_equal(demand.current_a[:, 0], [0.0, 1.5])
    assert not demand.tracked[0]


def test_shelf_loads_are_read_and_can_be_overruled():
    assert {"router", "modem", "laptop", "led-lamp", "small-fridge", "furnace-blower",
            "water-pump", "diesel-heater"} <= set(shelf())  # fmt: skip
    loads = [{"like": name, "name": f"my {name}"} for name in sorted(shelf())]
    setup = setup_from_table(BASE | {"loads": [*loads, {"like": "router", "power_w": 9.0}]})
    assert setup.loads[-1].name == "router"
    assert setup.loads[-1].power_w.median == 9.0
    fridge = next(load for load in setup.loads if load.name == "my small-fridge")
    assert fridge.duty.interval(0.999)[0] >= 0.38  # check-values G: 0.38-0.44
    assert fridge.duty.interval(0.999)[1] <= 0.44
    assert all(entry["source"] for entry in shelf().values())


def test_what_a_load_takes_from_the_shelf_is_said():
    """The figures are those of models/loads.toml: 22 + 43 W between its ends, 90 % of that."""
    loads = [
        {"like": "laptop", "name": "my laptop"},
        {"like": "laptop", "power_w": 40.0, "duty": 0.5, "cycle_min": 60.0},
        {"like": "water-pump", "power_w": 40.0},
        {"name": "lamp", "power_w": 9.0},
    ]
    setup = setup_from_table(BASE | {"loads": loads})
    said = {a.key: a for a in setup.assumptions if a.key.startswith("loads")}
    assert list(said) == ["loads[1] (my laptop)", "loads[3] (water-pump)"]
    laptop = said["loads[1] (my laptop)"]
    want = "power_w 43.5 W, 90 % within 24.1 to 62.9 W; duty 0.6; cycle_min 90 min"
    assert laptop.description == want
    assert laptop.source.startswith("a generic load, like = 'laptop', not yours: 22-65 W (seen)")
    assert said["loads[3] (water-pump)"].description == "duty 0.01; cycle_min 60 min"


def test_unknown_shelf_load_names_the_nearest():
    with pytest.raises(InputError) as caught:
        setup_from_table(BASE | {"loads": [{"like": "ruter"}]})
    assert "did you mean 'router'?" in str(caught.value)


def test_bad_supply_sections_are_all_reported():
    with pytest.raises(InputError) as caught:
        setup_from_table(
            BASE
            | {
                "sources": [{"name": "roof", "kind": "sun", "power_w": 100.0}, {"name": "b",
                             "kind": "shore"}],
                "batteries": [{"name": "x", "rated_capacity_ah": 30.0}],
                "present": {"clock": "21:30", "timezone": "Europe/Vienne"},
            }
        )  # fmt: skip
    text = str(caught.value)
    for part in ("sources[1] (roof).kind", "power_w and current_a", "30 Ah in all", "timezone"):
        assert part in text


def test_many_loads_are_added_one_by_one(monkeypatch: pytest.MonkeyPatch) -> None:
    """With too many sets to try them all, each step adds a load: still enough, and few runs."""
    monkeypatch.setattr(whatif, "MOST_SETS", 5)
    names, asked = "abcdefgh", []

    class Night:
        plan = SimpleNamespace(demand=None)

        def lasts(self, until_h: float, off: tuple[str, ...]) -> np.ndarray:
            asked.append(tuple(off))
            return np.arange(8) < len(off)

        def chills(self, off: tuple[str, ...]) -> bool:
            return False

        def sacrifice(self, until_h: float, off: tuple[str, ...]) -> float:
            return float("h" not in off)

    monkeypatch.setattr(whatif, "_nights", lambda nights: nights)
    monkeypatch.setattr(whatif, "_until", lambda nights, until_h: until_h)
    monkeypatch.setattr(whatif, "optional_loads", lambda demand: tuple(names))
    night = Night()
    found = smallest_set(night, 0.45, until_h=9.0)
    assert found.reached
    assert len(found.off) == 4  # four of eight members outlast the night then
    assert "h" in found.off  # all sets of four are enough: the least sacrifice goes first
    assert len(asked) < 40  # all sets up to four of eight are 162


@pytest.mark.parametrize("clock", ["15:00", "21:00", "03:00"])
@pytest.mark.parametrize("hours", [("00:00-24:00",), ("15:00-16:00", "20:00-23:00")])
def test_a_thermostat_that_stood_still_goes_on_when_the_air_lets_it(clock, hours):
    """Always off in the warm of the day, always on at night: energy is the integral of the duty."""
    load = {"name": "heater", "power_w": 60.0, "duty": 0.5, "cycle_min": 20.0,
            "duty_per_k": -0.06, "duty_at_c": 5.0, "hours": list(hours)}  # fmt: skip
    setup = setup_from_table(
        BASE
        | {
            "bank": BASE["bank"] | {"rated_capacity_ah": 400.0},
            "monitor": {"assumed_capacity_ah": 400.0},
            "present": {"display_soc": 0.9, "hours_since_full": 1.0, "clock": clock},
            "ambient": {"temperature_c": 5.0, "swing_k": 10.0},
            "untracked_load": {"probability": 0.0},
            "loads": [load],
            "question": {"horizon_hours": 24.0},
        }
    )
    members = Unknowns.from_setup(setup, Quantity.from_number(0.9)).draw(400, 1)
    members = members.replaced(temperature_offset_k=np.zeros(400))
    plan = prepare(setup, CELL, members, seed=0)
    minute = np.arange(1440) + 0.5
    on = sum((minute > a) & (minute < b) for a, b in Hours.from_texts(hours).spans)
    # the day's warmth as the setup has it: warmest at 15:00
    duty = np.clip(
        0.5 - 0.06 * 10.0 * np.cos(2.0 * np.pi * (minute / 60.0 - 15.0) / 24.0), 0.0, 1.0
    )
    for general in (False, True):
        wh = run(plan, general=general).column(O_LOAD_J) * plan.cells_in_series / 3600.0
        error = wh.std() / np.sqrt(len(wh))
        # six standard errors; a change of the duty is seen with the next switching, within 20 min
        assert wh.mean() == pytest.approx(np.sum(duty * on), abs=6.0 * error + 5.0)


def test_a_switch_off_is_judged_where_the_horizon_ends_at_the_hour_asked_about():
    """What lasts beyond the horizon lasts until an hour that lies there."""
    setup = home()
    members = Unknowns.from_setup(setup, Quantity.from_number(0.9)).draw(60, 1)
    now = datetime(2026, 7, 1, 21, 30)
    short, long = (prepare(setup, CELL, members, now, hours, 1) for hours in (40.0, 48.0))
    for now_h in (9.5, 40.0):
        near, far = (whatif.switch_offs(plan, now_h) for plan in (short, long))
        assert near.attrs["chance_now"] == far.attrs["chance_now"]
        for name in near["load"].values:
            assert near.chance.sel(load=name) == far.chance.sel(load=name)
    assert whatif.switch_offs(short, 40.0).chance.max() == 1.0


LAMP = {"name": "lamp", "power_w": 5.0}
SHORE = {"name": "shore", "kind": "shore", "current_a": 20.0}
ONE = {"name": "one", "rated_capacity_ah": 50.0}


@pytest.mark.parametrize(
    ("sections", "key", "expected"),
    [
        ({"loads": [LAMP, LAMP]}, "loads[2].name", "no other of the loads"),
        ({"sources": [SHORE, SHORE]}, "sources[2].name", "no other of the sources"),
        ({"batteries": [ONE, ONE]}, "batteries[2].name", "no other of the batteries"),
        ({"loads": [LAMP | {"name": INVERTER}]}, "loads[1].name", "another name"),
        ({"loads": [LAMP | {"name": "untracked load"}]}, "loads[1].name", "another name"),
        ({"loads": [LAMP | {"surge": 3.0}]}, "(lamp).surge: ", "surge_s beside it"),
        ({"loads": [LAMP | {"surge_s": 3.0}]}, "(lamp).surge_s", "surge beside it"),
        ({"loads": [LAMP | {"duty_at_c": 5.0}]}, "(lamp).duty_at_c", "duty_per_k beside it"),
        ({"sources": [SHORE | {"voltage_limit_v": 3.55}]}, "(shore).voltage_limit_v", "12.8 to"),
        ({"batteries": [ONE | {"cutoff_v": 2.5}]}, "(one).cutoff_v", "8 to 12.8 V"),
        (
            {"batteries": [ONE | {"cutoff_v": 12.0, "reconnect_v": 11.0}]},
            "(one).reconnect_v",
            "more than cutoff_v, 12 V",
        ),
        (
            {"batteries": [ONE | {"heater_w": 30.0, "heater_on_c": 4.0, "heater_off_c": 3.0}]},
            "(one).heater_off_c",
            "more than heater_on_c, 4 °C",
        ),
    ],
)
def test_what_contradicts_itself_is_refused(sections, key, expected):
    with pytest.raises(InputError) as caught:
        setup_from_table(BASE | sections)
    assert key in str(caught.value)
    assert expected in str(caught.value)
