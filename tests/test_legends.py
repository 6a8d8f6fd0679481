"""Legends stand beside the data, not on it, and titles within the picture."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import xarray as xr
from matplotlib.figure import Figure

from socband.budget import error_budget
from socband.budget_report import budget_figure
from socband.models import load_cell
from socband.plots import replay_figure, tonight_figure
from socband.quantity import Quantity
from socband.site import read_setup
from socband.summary import QUANTILES
from socband.tonight import tonight

BOAT = read_setup(Path(__file__).resolve().parent.parent / "examples" / "long-boat.toml")
CELL = load_cell(BOAT.bank.cell)


def night() -> Figure:
    return tonight_figure(tonight(BOAT, CELL, 200, 0))


def budget() -> Figure:
    return budget_figure(error_budget(BOAT, CELL, members=500, within=0.3))


def log() -> Figure:
    """All that a replay may draw."""
    hours = np.linspace(0.0, 50.0, 20)
    band = np.linspace(0.0, 1.0, 5)[None] * np.ones((20, 1))
    over_time = {"soc_quantile": (("time", "quantile"), band),
                 "hindsight_soc_quantile": (("time", "quantile"), band),
                 "display_soc": ("time", 1.0 - hours / 50.0), "true_soc": ("time", hours / 50.0),
                 "voltage_v": ("time", 13.0 + hours / 100.0),
                 "mark_time_s": ("mark", [3600.0])}  # fmt: skip
    where = {"time": 3600.0 * hours, "quantile": list(QUANTILES)}
    return replay_figure(xr.Dataset(over_time, where, {"title": "A log " * 15}))


@pytest.mark.parametrize("draw", [night, budget, log])
def test_no_legend_covers_data(draw) -> None:
    figure = draw()
    figure.canvas.draw()
    legends = [*figure.legends, *(ax.get_legend() for ax in figure.axes if ax.get_legend())]
    assert len(legends) == 1
    box = legends[0].get_window_extent()
    for ax in figure.axes:
        assert not box.overlaps(ax.get_window_extent())
    within = figure.bbox
    texts = [box, *(ax.title.get_window_extent() for ax in figure.axes if ax.get_title())]
    for part in texts:
        assert within.x0 <= part.x0 < part.x1 <= within.x1
        assert within.y0 <= part.y0 < part.y1 <= within.y1


def test_hours_asked_about_are_named_above_the_band() -> None:
    """Two hours close to each other; neither lies on data, nor one on the other."""
    figure = night()
    figure.canvas.draw()
    upper, lower = figure.axes
    named = [text.get_window_extent() for text in upper.texts]
    assert len(named) == 2
    assert all(box.y0 >= upper.get_window_extent().y1 for box in named)
    assert upper.get_ylim()[1] < 105.0  # no room left empty above full
    title = upper.title.get_window_extent()
    assert not any(box.overlaps(title) for box in named)
    chances = [text.get_window_extent() for text in lower.texts]
    frame = lower.get_window_extent()
    for pair in (named, chances):
        assert not pair[0].overlaps(pair[1])
    assert all(frame.x0 < box.x0 < box.x1 < frame.x1 and box.y1 < frame.y1 for box in chances)


def test_the_hour_asked_about_stays_in_the_picture_near_its_right_edge() -> None:
    """A night that ends before the hour that is asked about, which is then all there is to see."""
    heavy = replace(BOAT.loads[0], name="oven", power_w=Quantity.from_number(900.0))
    asked = replace(BOAT.question, until=BOAT.question.until[-1:])
    figure = tonight_figure(
        tonight(replace(BOAT, loads=(heavy,), sources=(), question=asked), CELL, 200, 0)
    )
    figure.canvas.draw()
    upper, lower = figure.axes
    assert lower.get_xlim()[1] < 13.0  # 11.25 h and a little
    for ax in (upper, lower):
        frame = ax.get_window_extent()
        (box,) = [text.get_window_extent() for text in ax.texts]
        assert frame.x0 < box.x0 < box.x1 < frame.x1
