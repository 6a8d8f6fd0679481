"""How long a log's load lasts: its load as two levels, and each member's own untracked load."""

from __future__ import annotations

import numpy as np

from socband.ahead import ALWAYS_S, SeenLoad, demand_of, one_cell, spans_of
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


def test_the_mean_of_a_log_is_kept():
    time_s = np.arange(0.0, 7200.0, 10.0)
    drawn = np.where(time_s % 600.0 < 180.0, 1.2, 0.2)
    log = Log(name="invented", time_s=time_s, current_a=-drawn, voltage_v=np.full(len(time_s), 3.3))
    seen = SeenLoad.of(log)
    mean = np.sum(drawn[1:] * 10.0) / time_s[-1]
    assert abs(seen.steady_a + seen.duty * seen.peak_a - mean) < 1e-9
    assert 400.0 < seen.cycle_s < 800.0


def test_an_untracked_load_draws_in_its_own_hours_only():
    setup = one_cell(CELL, 2.0, 25.0)
    n = 20
    members = Unknowns.from_setup(setup, Quantity.from_number(0.9)).draw(n, 1)
    members = members.replaced(
        untracked_a=np.full(n, 0.06), untracked_pattern=np.arange(n) % 2,
        offset_a=np.zeros(n), gain_error=np.zeros(n),
    )  # fmt: skip
    short = np.array([[600.0, 1200.0]])
    seen = SeenLoad(0.1, 0.0, 0.5, 600.0, 0.0)
    demand = demand_of(seen, members, 1, (("always", ALWAYS_S), ("some", short)))
    plan = prepare(setup, CELL, members, horizon_h=1.0, seed=1, demand=demand)
    want = 0.1 + np.where(members.untracked_pattern == 0, 0.06, 0.06 * 600.0 / 3600.0)
    np.testing.assert_allclose(run(plan).column(O_OUT), want, rtol=1e-9)
