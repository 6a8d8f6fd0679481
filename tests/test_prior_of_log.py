"""The prior of a log: what is stated, and the usual chance of faults that nobody states."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import optimize, stats

from socband.causes import CauseSettings, hypotheses
from socband.cell import simulate
from socband.logs import Log
from socband.models import load_cell
from socband.posterior import Settings
from socband.prior_of_log import ANYWHERE, FAULTS, _weight, start_of_log, with_faults
from socband.pulled import PULLABLE
from socband.replay import replay, replay_json
from socband.site import setup_from_table
from socband.snapshot import take_snapshot
from socband.tabulated import Tabulated
from socband.unknowns import Unknowns

CELL = load_cell("lfp-prismatic-100ah")


BANK = {
    "cell": "lfp-prismatic-100ah",
    "cells_in_series": 4,
    "strings_in_parallel": 2,
    "rated_capacity_ah": 200.0,
    "capacity_fraction": {"dist": "norm", "loc": 0.95, "scale": 0.02},
}


def setup_with(strings: int = 2, **bank: object):
    size = {"strings_in_parallel": strings, "rated_capacity_ah": 100.0 * strings}
    return setup_from_table({"bank": BANK | size | bank})


def test_a_mixture_has_the_quantiles_and_moments_of_its_parts() -> None:
    """Against scipy.stats: cdf of a mixture inverted by bisection, moments in closed form."""
    parts = [(0.9, stats.norm(1.0, 0.1)), (0.1, stats.expon(2.0, 0.5))]
    made = Tabulated.mixture([(p, one.ppf) for p, one in parts])

    def below(x: float) -> float:
        return sum(p * one.cdf(x) for p, one in parts)

    for u in (1e-3, 0.05, 0.5, 0.85, 0.93, 0.99, 0.999):
        exact = optimize.brentq(lambda x, u=u: below(x) - u, -1.0, 20.0)
        assert float(made.ppf(u)) == pytest.approx(exact, abs=3e-3)
    mean = 0.9 * 1.0 + 0.1 * 2.5
    variance = 0.9 * (0.01 + (1.0 - mean) ** 2) + 0.1 * (0.25 + (2.5 - mean) ** 2)
    assert made.mean == pytest.approx(mean, rel=1e-5)
    assert made.std == pytest.approx(np.sqrt(variance), rel=1e-3)
    assert made.core_std < made.std  # its tail left out
    assert made.median == pytest.approx(float(made.ppf(0.5)))


def test_a_part_may_run_downwards() -> None:
    """A mirrored one, as of a shunt that reads too little."""
    up = Tabulated.mixture([(1.0, lambda u: -stats.expon(1.0).ppf(1.0 - u))])
    down = Tabulated.mixture([(1.0, lambda u: -stats.expon(1.0).ppf(u))])
    u = np.linspace(0.01, 0.99, 25)
    np.testing.assert_allclose(up.ppf(u), down.ppf(u), rtol=1e-12)
    assert np.all(np.diff(up.ppf(u)) > 0.0)


def test_each_fault_has_its_usual_chance() -> None:
    """As `hypotheses` weighs them, on both sides where it may go either way."""
    setup = setup_with()
    stated = Unknowns.from_setup(setup, cell=CELL)
    wider = with_faults(stated, setup, CELL)
    every = hypotheses(setup, CauseSettings())

    def chance(*causes: str) -> float:
        return sum(one.weight for one in every if one.cause in causes)

    u = (np.arange(200000) + 0.5) / 200000
    held = wider.capacity_fraction.ppf(u)
    # of what is stated, nothing to speak of lies below 0.86; of what was lost, 0.05 lies above
    assert np.mean(held < 0.86) == pytest.approx(
        chance("lost_capacity", "missing_battery"), rel=0.05
    )
    gain = wider.gain_error.ppf(u)
    for side in (gain, -gain):
        assert np.mean(side > 0.02) == pytest.approx(0.5 * chance("gain"), rel=0.05)
    offset = wider.offset_a.ppf(u)
    assert np.median(offset) == pytest.approx(0.0, abs=1e-3)
    assert wider.start_soc is stated.start_soc
    assert wider.untracked_a is stated.untracked_a


def test_one_battery_cannot_be_missing() -> None:
    def share(strings: int) -> float:
        setup = setup_with(strings)
        wider = with_faults(Unknowns.from_setup(setup, cell=CELL), setup, CELL)
        held = wider.capacity_fraction.ppf((np.arange(5000) + 0.5) / 5000)
        return float(np.mean(np.abs(held - 0.475) < 0.05))

    assert share(2) > 2.0 * share(1) > 0.0


def test_a_number_given_as_known_is_believed() -> None:
    setup = setup_with(capacity_fraction=0.95)
    wider = with_faults(Unknowns.from_setup(setup, cell=CELL), setup, CELL)
    assert wider.capacity_fraction is setup.bank.capacity_fraction
    # nor is one of its batteries missing, which would double the resistance
    chance = _weight(hypotheses(setup, CauseSettings()), ("missing_battery",))
    doubted = with_faults(Unknowns.from_setup(setup_with(), cell=CELL), setup_with(), CELL)
    high = doubted.resistance_factor.ppf(1.0 - 0.9 * chance)
    assert float(wider.resistance_factor.ppf(1.0 - 0.9 * chance)) < high
    assert isinstance(wider.gain_error, Tabulated)


def test_what_is_stated_of_one_changes_no_chance_of_another() -> None:
    """A shunt that may be off, a gain, a false full: capacity has its usual chance all the same."""

    def lost(**monitor: object) -> float:
        table = {"bank": BANK, "monitor": monitor}
        setup = setup_from_table(table)
        wider = with_faults(Unknowns.from_setup(setup, cell=CELL), setup, CELL)
        return float(np.mean(wider.capacity_fraction.ppf((np.arange(20000) + 0.5) / 20000) < 0.86))

    usual = lost()
    assert usual > 0.1
    assert lost(offset_a={"dist": "norm", "scale": 0.5}) == pytest.approx(usual, abs=1e-3)
    assert lost(gain_error={"dist": "norm", "scale": 0.05}) == pytest.approx(usual, abs=1e-3)
    assert lost(re_zero={"false_probability": 0.7}) == pytest.approx(usual, abs=1e-3)


def test_room_that_is_stated_is_left_as_it_is() -> None:
    """An offset of some 0.5 A is a fault by its owner's own word; one of 1 mA may still be one."""

    def offset(scale: float):
        monitor = {"offset_a": {"dist": "norm", "loc": 0.0, "scale": scale}}
        setup = setup_from_table({"bank": BANK, "monitor": monitor})
        stated = Unknowns.from_setup(setup, cell=CELL)
        return stated.offset_a, with_faults(stated, setup, CELL).offset_a

    stated, wider = offset(0.5)
    assert wider is stated
    stated, wider = offset(0.001)
    assert stated.ppf(0.99) < 0.01 < 0.08 < float(wider.ppf(0.99))


def test_a_connection_adds_its_resistance() -> None:
    """The least of it that is a fault loses 60 mV at a fifth of the capacity an hour. Beyond that
    lie, of one battery, which cannot miss another, its usual chance and what the bank's own leaves.
    """
    setup, u = setup_with(1), (np.arange(100000) + 0.5) / 100000
    stated = Unknowns.from_setup(setup, cell=CELL)
    wider = with_faults(stated, setup, CELL)
    r0, r1 = (float(np.interp(0.5, p.soc, p.factor)) * p.ref_ohm for p in (CELL.r0, CELL.r1))
    least = stated.resistance_factor.median + 0.06 / 20.0 / (4 * (r0 + r1))
    chance = sum(h.weight for h in hypotheses(setup, CauseSettings()) if h.cause == "connection")
    own, found = (np.mean(q.resistance_factor.ppf(u) > least) for q in (stated, wider))
    assert found == pytest.approx(chance + (1.0 - chance) * own, rel=0.02)
    assert found > 1.2 * own


def test_every_fault_is_a_cause() -> None:
    setup = setup_with()
    known = {one.cause for one in hypotheses(setup, CauseSettings())}
    assert {cause for causes in FAULTS.values() for cause in causes} <= known
    assert set(PULLABLE) <= set(FAULTS)  # "the band reckons with that"


def test_a_log_that_says_nothing_pulls_nothing() -> None:
    """Two hours of next to no load on the plateau: what was likely before is as likely after."""
    setup = setup_with(4)
    time_s = 120.0 * np.arange(61)
    amps = -4.0 * (np.arange(61) // 5 % 2)
    cells = simulate(CELL, time_s, amps / 4.0, 25.0, 0.6, -0.3)
    log = Log.from_arrays("rest.csv", time_s, amps, 4 * cells.voltage_v, cells_in_series=4)
    found = replay_json(replay(setup, CELL, log, Settings(members=600)))
    assert found["pulled_beyond_setup"] == {}


def test_a_display_may_say_nothing_of_where_a_log_begins() -> None:
    """Far from any display a charge is as likely as by a few per cent spread over 0 to 1."""
    setup = setup_from_table(
        {"bank": BANK, "present": {"display_soc": 0.3, "hours_since_full": 9.0}}
    )
    start = start_of_log(setup, CELL, 1, measured=False).start_soc
    own = take_snapshot(setup, CELL, 4000, 1).members.soc
    assert own.max() < 0.6
    even = start.ppf((np.arange(100_000) + 0.5) / 100_000)
    assert np.mean(even > 0.6) == pytest.approx(0.4 * ANYWHERE, rel=0.1)
    # the rest as a beta of the draws' mean and variance, by scipy
    mean, size = own.mean(), own.mean() * (1.0 - own.mean()) / own.var() - 1.0
    near = stats.beta(mean * size, (1.0 - mean) * size)
    middle = optimize.brentq(
        lambda x: (1.0 - ANYWHERE) * near.cdf(x) + ANYWHERE * x - 0.5, 0.0, 1.0
    )
    assert start.median == pytest.approx(middle, abs=2e-3)
