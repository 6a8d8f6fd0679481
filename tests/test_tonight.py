"""The night ahead as its owner sees it: times of day across a clock change, waking afterwards."""

from __future__ import annotations

from datetime import date

import pytest

from socband.models import load_cell
from socband.plots import clock_ticks, new_figure
from socband.report import clock_after
from socband.site import setup_from_table
from socband.tonight import tonight

CELL = load_cell("lfp-prismatic-100ah")


def table(**sections):
    return {
        "bank": {"cell": "lfp-prismatic-100ah", "cells_in_series": 4, "rated_capacity_ah": 200.0},
        "loads": [{"name": "fan", "power_w": 60.0}],
        "untracked_load": {"probability": 0.0},
        "present": {"display_soc": 0.6, "hours_since_full": 20.0, "clock": "21:30"},
        "question": {"until": ["07:00"], "horizon_hours": 48.0},
        **sections,
    }


def test_times_of_day_across_a_clock_change():
    """Vienna puts its clocks back in the night of 2026-10-24 (tz database): 22 h on are 18:30."""
    night = dict(table()["present"], timezone="Europe/Vienna", date=date(2026, 10, 24))
    dataset = tonight(setup_from_table(table(present=night)), CELL, 200, 1)
    assert float(dataset["until_hours"][0]) == pytest.approx(10.5)  # 21:30 to 07:00, one more
    assert clock_after(dataset.attrs, 10.5) == "07:00 tomorrow"
    assert clock_after(dataset.attrs, 22.0) == "18:30 tomorrow"
    assert clock_after(dataset.attrs, 1.0) == "22:30"
    ax = clock_ticks(new_figure()[1][0], 24.0, dataset.attrs)
    labels = [label.get_text() for label in ax.get_xticklabels()]
    assert labels[0] == "0\n21:30"
    assert labels[-1] == "24\n20:30"
    # without a zone nobody knows of the change
    plain = tonight(setup_from_table(table()), CELL, 200, 1)
    assert clock_after(plain.attrs, 22.0) == "19:30 tomorrow"
    assert clock_after(plain.attrs, 48.0) == "21:30 in 2 days"
