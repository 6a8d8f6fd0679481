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
from socband.charging import charging
from socband.charging_report import charging_figure
from socband.models import load_cell
from socband.plots import replay_figure, tonight_figure
from socband.quantity import Quantity
from socband.site import read_setup
from socband.summary import QUANTILES, short_chance
from socband.suspects_report import plot_probabilities, suspects_figure
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


def charger() -> Figure:
    return charging_figure(charging(BOAT, CELL, None, {"amps": 3.0}, 0, 1000, "shore"))


@pytest.mark.parametrize("draw", [night, budget, log, charger])
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


def test_a_chance_of_next_to_nothing_is_drawn_as_it_is_said() -> None:
    """The text says "less than 1 %" and "more than 99 %"; 0 and 100 % nobody knows."""
    lamp = tuple(replace(load, power_w=Quantity.from_number(2000.0)) for load in BOAT.loads[:1])
    dataset = tonight(replace(BOAT, loads=lamp), CELL, 200, 0)
    assert np.all(dataset["lasts_until"] < 0.005)
    drawn = [text.get_text() for text in tonight_figure(dataset).axes[1].texts]
    assert "<1 %" in drawn
    assert "0 %" not in drawn
    assert [short_chance(p, 1000) for p in (0.0, 0.02, 0.994, 0.9995, 1.0)] == [
        *("<1 %", "2 %", "99 %", ">99 %", ">99 %")
    ]


def test_what_the_band_shows_of_a_bank_that_is_off_is_said() -> None:
    """Its charge stays where it disconnected, whatever the sun would bring."""
    lasts = tonight(replace(BOAT, loads=()), CELL, 200, 0)
    assert lasts["survival"].values.min() > 0.95
    for dataset, said in ((tonight(BOAT, CELL, 200, 0), True), (lasts, False)):
        labels = [text.get_text() for text in tonight_figure(dataset).legends[0].get_texts()]
        assert ("a bank that is off is drawn level" in labels) is said


def suspected(probability: list[float], prior: list[float]) -> xr.Dataset:
    """All that the pictures of suspects are drawn from."""
    causes = ["untracked_steady", "offset", "lost_capacity", "gain"][: len(prior)]
    return xr.Dataset(
        {"probability": ("cause", probability), "prior": ("cause", prior),
         "gain_bits": ("test", [0.5]), "gain_error_bits": ("test", [0.1]),
         "minutes": ("test", [10.0]), "waiting_hours": ("test", [0.0]),
         "start": ("interval", [0.0, 86400.0]), "interval_hours": ("interval", [24.0, 24.0]),
         "counted_ah": ("interval", [3.0, 5.0])},
        {"cause": causes, "test": ["known_load"]},
        {"title": "what the display does not see: Lake cabin, second evening after the last full"},
    )  # fmt: skip


@pytest.mark.parametrize("prior", [0.0, 0.09, 0.13, 0.18, 0.22, 0.5, 0.62, 0.66, 0.7, 0.74, 0.9])
def test_no_tick_runs_through_the_label_of_a_bar(prior: float) -> None:
    data = suspected([0.72, 0.15, 0.09, 0.04], [prior] * 4)
    figure = Figure(figsize=(6.0, 3.0), layout="constrained")
    ax = plot_probabilities(data, figure.subplots())
    figure.canvas.draw()
    tick = ax.transData.transform((100.0 * prior, 0.0))[0]
    half_width = ax.lines[0].get_markeredgewidth() * figure.dpi / 144.0
    assert len(ax.texts) == 4
    for text in ax.texts:
        box = text.get_window_extent()
        assert not box.x0 <= tick + half_width or not tick - half_width <= box.x1
        assert ax.get_window_extent().x0 < box.x0
        assert box.x1 < ax.get_window_extent().x1


def test_the_count_between_full_charges_names_its_line_without_covering_it() -> None:
    figure = suspects_figure(suspected([0.9, 0.1], [0.2, 0.1]))
    figure.canvas.draw()
    assert not any(ax.get_legend() for ax in figure.axes)
    assert figure.axes[1].get_title() == "Counted too much since the last full charge"
    for ax in figure.axes:
        box = ax.title.get_window_extent()
        assert figure.bbox.x0 <= box.x0 < box.x1 <= figure.bbox.x1


def test_a_source_that_should_give_nothing_is_drawn_within_the_frame() -> None:
    dataset = charging(BOAT, CELL, None, {}, 0, 1000, "solar")
    assert float(dataset["expected_by_soc_a"].max()) < 0.01  # by night
    low, high = charging_figure(dataset).axes[0].get_ylim()
    assert low <= -1.0
    assert high >= 1.0


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
