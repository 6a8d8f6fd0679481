"""How long a log's load lasts: its load lived again, and each member's own untracked load."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from socband.ahead import ALWAYS_S, Ahead, SeenLoad, demand_of, one_cell, spans_of
from socband.cell import simulate
from socband.estimators import Prior
from socband.forward import prepare, run
from socband.kernels_columns import O_OUT
from socband.logs import Log
from socband.models import load_cell
from socband.quantity import Quantity
from socband.site_fields import Hours
from socband.unknowns import Unknowns

CELL = load_cell("lfp-18650-2ah")


def test_hours_of_a_day_that_is_shorter_than_a_day():
    night = Hours.from_texts(["22:00-04:00"])
    # a day of 2400 s: 100 s an hour; at 21:00 the night begins in 100 s and lasts 600 s
    spans = spans_of(night, 21.0, 2400.0, 6000.0)
    np.testing.assert_allclose(spans, [[100.0, 700.0], [2500.0, 3100.0], [4900.0, 5500.0]])
    inside = spans_of(night, 1.0, 2400.0, 1000.0)
    np.testing.assert_allclose(inside, [[0.0, 300.0]])
    np.testing.assert_allclose(spans_of(Hours(), 5.0, 2400.0, 1000.0), [[0.0, 1000.0]])


def _seen(drawn_a: np.ndarray, step_s: float = 10.0) -> SeenLoad:
    time_s = step_s * np.arange(len(drawn_a) + 1)
    current_a = -np.append(drawn_a[0], drawn_a)
    return SeenLoad.of(Log("invented", time_s, current_a, np.full(len(time_s), 3.3)))


def _drawn_ah(seen: SeenLoad, begin: float, hours: float) -> float:
    """By the kernels, from members that differ in nothing."""
    setup = one_cell(CELL, 2.0, 25.0)
    members = Unknowns.from_setup(setup, Quantity.from_number(0.9)).draw(4, 1)
    nothing = dict.fromkeys(("untracked_a", "offset_a", "gain_error"), np.zeros(4))
    demand = demand_of(seen, members.replaced(**nothing), 1, begin=begin, horizon_s=3600.0 * hours)
    plan = prepare(setup, CELL, members, horizon_h=hours, seed=1, demand=demand)
    return run(plan).column(O_OUT)


def test_a_load_lived_again_draws_what_the_log_drew(monkeypatch):
    monkeypatch.setattr("socband.ahead.LEAST_SPREAD", 0.0)
    drawn = 0.1 * np.random.default_rng(3).integers(0, 6, 360)
    seen = _seen(np.tile(drawn, 6))  # six hours alike: nothing is uncertain of the mean
    for begin in (0.0, 0.4):
        out_ah = _drawn_ah(seen, begin, 1.0)
        np.testing.assert_allclose(out_ah, drawn.mean(), rtol=2e-3)


def test_the_mean_is_as_uncertain_as_the_mean_of_a_log_is():
    """Logs of a load that changes by 20 % from hour to hour, whose mean of all time is 1 A.

    Means of six independent hours deviate by 20 %/sqrt(6) = 8.2 % (textbook); a deviation taken
    from six hours about their own mean is sqrt(5/6) of that on average, 7.5 %.
    """
    hours = 1.0 + 0.2 * np.random.default_rng(4).standard_normal((400, 6))
    told = [_seen(np.repeat(row, 360)).spread for row in hours]
    assert np.std(hours.mean(axis=1)) == pytest.approx(0.0816, rel=0.1)
    assert np.sqrt(np.mean(np.square(told))) == pytest.approx(0.0745, rel=0.05)


def test_spans_begin_where_they_are_told_and_go_round():
    seen = _seen(np.array([0.0, 0.0, 1.0, 1.0, 0.0]))
    np.testing.assert_allclose(seen.level_a, [0.0, 1.0])
    np.testing.assert_allclose(seen.spans(1, 0.0, 60.0), [[20, 40], [70, 90]])  # whole rounds
    np.testing.assert_allclose(seen.spans(1, 0.6, 100.0), [[0, 10], [40, 60], [90, 100]])


def test_peaks_shorter_than_a_step_are_told_by_pairs_of_steps():
    steady = _seen(np.repeat([0.2, 1.2, 0.2], 60))
    assert steady.growth == 0.0
    single = np.full(600, 0.2)
    single[::100] = 1.2  # a pair holds half of it: a peak that may be much shorter and higher
    seen = _seen(single)
    assert 0.9 < seen.growth <= 1.0
    assert seen.excess_a == pytest.approx(1.2 - single.mean())
    members = Unknowns.from_setup(one_cell(CELL, 2.0, 25.0), Quantity.from_number(0.9)).draw(50, 1)
    demand = demand_of(seen, members, 1)
    hidden = demand.current_a[:, demand.names.index("hidden peaks")]
    # within a step of 10 s up to ten times as high if it lasts one second
    assert np.all(hidden > 0.0)
    assert np.all(hidden < 4.0 * 1.3 * seen.excess_a)  # five times the excess, and no more
    assert np.ptp(hidden) > 2.0 * seen.excess_a  # nobody knows how much


@pytest.mark.parametrize("first", [100, 101])
def test_a_peak_of_two_steps_hides_nothing_wherever_it_begins(first):
    drawn = np.full(600, 0.2)
    drawn[first : first + 2] = 1.2
    assert _seen(drawn).growth == pytest.approx(0.0, abs=1e-9)


def test_hidden_peaks_keep_the_mean(monkeypatch):
    monkeypatch.setattr("socband.ahead.LEAST_SPREAD", 0.0)
    drawn = np.full(360, 0.2)
    drawn[::12] = 1.2
    seen = _seen(np.tile(drawn, 6), 20.0)
    assert seen.growth > 0.9
    np.testing.assert_allclose(_drawn_ah(seen, 0.0, 4.0), 4.0 * drawn.mean(), rtol=4e-3)


def test_a_cell_warmed_by_its_load_begins_warm(monkeypatch):
    """After hours of a steady load the rise is the heat over the conductance (textbook)."""
    drawn_a, air_c = 0.8, -10.0
    time_s = 10.0 * np.arange(721)
    current_a = np.full(len(time_s), -drawn_a)
    lived = simulate(CELL, time_s, current_a, air_c, 0.95, 1.0, self_heating=True)
    log = Log("invented", time_s, current_a, lived.voltage_v)
    prior = replace(Prior.for_record(log, CELL), temperature_c=air_c, soc0_mean=0.95)
    begun = []

    def noticed(*args, **named):
        begun.append(named["warmer_k"])
        return prepare(*args, **named)

    monkeypatch.setattr("socband.ahead.prepare", noticed)
    Ahead(members=64).hours_left(log, CELL, prior, np.random.default_rng(1))
    open_v = np.interp(lived.soc[-1], CELL.ocv.soc, CELL.ocv.value)
    rise_k = drawn_a * (open_v - lived.voltage_v[-1]) / CELL.heat_conductance_w_per_k
    assert begun == pytest.approx([rise_k] * len(begun), rel=0.15)
    assert rise_k > 1.0


def test_a_warm_cell_lasts_longer_in_the_cold():
    setup = one_cell(CELL, 2.0, -20.0)
    members = Unknowns.from_setup(setup, Quantity.from_number(0.5)).draw(64, 1)
    demand = demand_of(_seen(np.full(360, 3.0)), members, 1)
    cold, warm = (
        run(prepare(setup, CELL, members, seed=1, demand=demand, warmer_k=k)).report[:, 0]
        for k in (0.0, 30.0)
    )
    # not every member: one that starts cold loses more, and may be warmer than the other later
    assert np.median(warm - cold) > 0.0
    assert np.quantile(warm, 0.1) > 1.3 * np.quantile(cold, 0.1)


def test_an_untracked_load_draws_in_its_own_hours_only():
    setup = one_cell(CELL, 2.0, 25.0)
    n = 20
    members = Unknowns.from_setup(setup, Quantity.from_number(0.9)).draw(n, 1)
    members = members.replaced(
        untracked_a=np.full(n, 0.06), untracked_pattern=np.arange(n) % 2,
        offset_a=np.zeros(n), gain_error=np.zeros(n),
    )  # fmt: skip
    short = np.array([[600.0, 1200.0]])
    seen = SeenLoad(np.full(2, 10.0), np.zeros(2, int), np.array([0.1]), 0.0, 0.0, 0.0)
    demand = demand_of(seen, members, 1, (("always", ALWAYS_S), ("some", short)))
    plan = prepare(setup, CELL, members, horizon_h=1.0, seed=1, demand=demand)
    want = 0.1 + np.where(members.untracked_pattern == 0, 0.06, 0.06 * 600.0 / 3600.0)
    np.testing.assert_allclose(run(plan).column(O_OUT), want, rtol=1e-9)
