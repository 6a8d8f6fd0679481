"""OCV and hysteresis from rested voltages alone."""

from __future__ import annotations

import numpy as np
import pytest

from socband.cell import simulate
from socband.errors import InputError
from socband.identify_family import GAP_SOC, GAP_V
from socband.identify_ocv import GRID, refuse_other_chemistry
from socband.identify_rest import Rest, few_rests, rested_ocv
from socband.models import available_cells, load_cell

SOC = np.linspace(0.1, 0.9, 9)


@pytest.fixture(scope="module")
def shape():
    return load_cell("lfp-26650-2ah")


def rests(shape, gap_v, moved_v, ways=(1.0, -1.0)):
    """Rests every 10 % on a curve that lies `moved_v` above the other cell's, gap as given."""
    curve_v = np.interp(SOC, shape.ocv.soc, shape.ocv.value) + moved_v
    return [
        Rest("made", 0, float(z), float(u + h * gap), h, 7200.0)
        for h in ways
        for z, u, gap in zip(SOC, curve_v, np.interp(SOC, GRID, gap_v), strict=True)
    ]


def test_gap_follows_rests_of_both_ways(shape):
    """A gap of which the other cell's shape is a third off at half charge and right at 30 %."""
    like = np.interp(GRID, shape.hysteresis.soc, shape.hysteresis.value)
    truth = like - 0.003 * np.clip((GRID - 0.3) / 0.2, 0.0, 1.0)
    published = np.interp(GRID, GAP_SOC, GAP_V)
    ocv, gap, spread_v = rested_ocv(rests(shape, truth, 0.004), shape, published, both_ways=True)
    wanted = np.interp(SOC, shape.ocv.soc, shape.ocv.value) + 0.004
    np.testing.assert_allclose(np.interp(SOC, GRID, ocv), wanted, atol=1.5e-3)
    np.testing.assert_allclose(np.interp(SOC, GRID, gap), np.interp(SOC, GRID, truth), atol=1.5e-3)
    assert gap.min() > 0.0
    assert 0.002 <= spread_v < 0.004


def test_published_gap_stands_where_rests_are_of_one_way(shape):
    published = np.interp(GRID, GAP_SOC, GAP_V)
    points = rests(shape, published, -0.004, ways=(-1.0,))
    ocv, gap, _ = rested_ocv(points, shape, published, both_ways=False)
    np.testing.assert_allclose(gap, published, atol=1e-6)
    wanted = np.interp(SOC, shape.ocv.soc, shape.ocv.value) - 0.004
    np.testing.assert_allclose(np.interp(SOC, GRID, ocv), wanted, atol=1.5e-3)


@pytest.mark.parametrize("name", [n for n in available_cells() if n != "lfp-26650-2ah"])
def test_one_rest_near_empty_leaves_the_plateau_where_cells_have_it(shape, name):
    """There a per cent of charge is 0.1 V and more: it says next to nothing of the plateau.

    The cell is another than the one that lends its shape; the charge of the rest is 1 % off.
    """
    truth = load_cell(name).ocv
    published = np.interp(GRID, GAP_SOC, GAP_V)
    for soc, off in ((0.02, 0.01), (0.02, -0.01), (0.05, 0.01), (0.03, 0.0)):
        u = float(np.interp(soc + off, truth.soc, truth.value))
        ocv, _, spread_v = rested_ocv(
            [Rest("made", 0, soc, u, -1.0, 7200.0)], shape, published, both_ways=False
        )
        off_v = np.interp(SOC[1:], GRID, ocv) - np.interp(SOC[1:], truth.soc, truth.value)
        assert np.abs(off_v).max() < 2.5 * spread_v, (soc, off)
        assert 0.015 < spread_v < 0.035  # some mV more or less than 20 and what the steps add


def test_few_rests_are_said_and_many_are_not(shape):
    published = np.interp(GRID, GAP_SOC, GAP_V)
    points = rests(shape, published, 0.0, ways=(-1.0,))
    assert few_rests(points) == few_rests(points[:3]) == ""
    assert few_rests(points[:1]).startswith("only 1 rest at")
    assert few_rests([Rest("made", 0, 0.02, 3.1, -1.0, 7200.0)]).startswith("no rest at")


def test_rests_all_along_tell_the_plateau_whatever_other_cells_have(shape):
    """A curve 60 mV above all of them, from rests of one way."""
    published = np.interp(GRID, GAP_SOC, GAP_V)
    points = rests(shape, published, 0.06, ways=(-1.0,))
    ocv, _, spread_v = rested_ocv(points, shape, published, both_ways=False)
    wanted = np.interp(SOC, shape.ocv.soc, shape.ocv.value) + 0.06
    np.testing.assert_allclose(np.interp(SOC, GRID, ocv), wanted, atol=3e-3)
    assert spread_v < 0.006


def test_a_curve_of_no_lfp_cell_is_refused(shape):
    curve_v = np.interp(GRID, shape.ocv.soc, shape.ocv.value)
    refuse_other_chemistry(curve_v)
    for moved_v in (0.15, -0.15):
        with pytest.raises(InputError, match=r"at 50 % of charge; expected 3\.2 to 3\.4 V"):
            refuse_other_chemistry(curve_v + moved_v)


def test_measured_cells_lie_where_published_gaps_do():
    """Both cells measured both ways, at 20, 50 and 80 % charge.

    Between the branches 5 to 25 mV after long rest (published, secondary source); where the curve
    is steep, at 20 %, it is a little more: 30 mV on the 2.5 Ah cell.
    """
    soc = np.array([0.2, 0.5, 0.8])
    for name in ("lfp-26650-2ah", "lfp-26650-2.5ah"):
        cell = load_cell(name)
        gap, decay = cell.hysteresis, cell.hysteresis_decay
        # a branch has not turned over altogether: h is short of 1 by what its decay leaves
        turned = 1.0 - np.exp(-decay * soc) - np.exp(-decay * (1.0 - soc))
        between_mv = 2e3 * turned * np.interp(soc, gap.soc, gap.value)
        assert np.all((between_mv > 5.0) & (between_mv < (30.0, 25.0, 25.0))), name


def test_half_the_distance_of_low_rate_branches():
    """23, 17 and 14 mV at 20, 50 and 80 % of charge and 25 degC, computed from the 26650's records
    elsewhere: hysteresis and what C/30 loses together."""
    cell = load_cell("lfp-26650-2ah")
    time_s = np.arange(0.0, 30.0 * 3600.0 + 1.0, 60.0)
    at_v = []
    for sign, start_soc in ((1.0, 0.0), (-1.0, 1.0)):
        current_a = np.full(time_s.size, sign * cell.capacity_ah / 30.0)
        done = simulate(cell, time_s, current_a, 25.0, start_soc, -sign)
        order = np.argsort(done.soc)
        at_v.append(np.interp((0.2, 0.5, 0.8), done.soc[order], done.voltage_v[order]))
    half_mv = 500.0 * (at_v[0] - at_v[1])
    np.testing.assert_allclose(half_mv, (23.0, 17.0, 14.0), atol=2.5)
