"""Where evidence arrived: what is marked, merged and shown; and numbers that a log pulls away."""

from __future__ import annotations

import tomllib
from dataclasses import replace
from types import SimpleNamespace

import numpy as np
import pytest
from test_replay import RATED_AH, SETUP

from socband.cell import simulate
from socband.evidence import CapacityTest, ClampReading, FullCharge
from socband.logs import Log
from socband.models import load_cell
from socband.narrowing import (
    FULL,
    HOLD,
    KINDS,
    KNEE,
    MARK_WINDOW_S,
    MOST_MISFIT,
    MOST_STRAINED,
    REST,
    marks,
    strained_share,
)
from socband.posterior import Settings
from socband.quantity import Quantity
from socband.replay import replay, replay_json
from socband.report import MOST_MARKS, replay_text
from socband.site import setup_from_table

CELL = SimpleNamespace(capacity_ah=100.0)


def found_in(
    width: np.ndarray, mean: float = 0.5, evidence: tuple = (), amps=-20.0, volts=3.3, cell=CELL
) -> list:
    """Marks of a band of that width, a row a minute, under one current and cell voltage."""
    n = len(width)
    time_s = 60.0 * np.arange(1.0, n + 1)
    held = {"current_a": np.full(n, amps), "voltage_v": np.full(n, volts)}
    track = SimpleNamespace(time_s=time_s, **held)
    quantiles = np.column_stack([0.5 - width / 2, 0.5 + width / 2])
    posterior = SimpleNamespace(time_s=time_s, quantiles=quantiles, mean=np.full(n, mean))
    return marks(track, posterior, cell, evidence, 0, 1)


def test_a_jump_is_one_mark_with_its_widths() -> None:
    (mark,) = found_in(np.repeat([0.2, 0.05], 120))
    assert (mark.kind, mark.before, mark.after) == (KNEE, pytest.approx(0.2), pytest.approx(0.05))
    assert abs(mark.time_s - 120 * 60.0) <= MARK_WINDOW_S + 60.0


def test_a_charger_that_holds_is_no_rest() -> None:
    """No current at 60 % by the band: 3.30 V a cell is a rest, 3.45 V a charger's doing."""
    cell = load_cell("lfp-prismatic-100ah")
    for volts, kind in ((3.30, REST), (np.nan, REST), (3.45, HOLD)):
        (mark,) = found_in(np.repeat([0.2, 0.05], 120), 0.6, amps=0.1, volts=volts, cell=cell)
        assert mark.kind == kind


def test_what_nobody_notices_is_no_mark() -> None:
    """A band of 1 % that shrinks to a tenth of it: still the same to whoever reads it."""
    assert found_in(np.repeat([0.01, 0.001], 120)) == []


def test_two_steps_of_one_kind_soon_after_each_other_are_one_arrival() -> None:
    (mark,) = found_in(np.repeat([0.2, 0.12, 0.05], [120, 60, 120]), mean=0.98)
    assert (mark.kind, mark.before, mark.after) == (FULL, pytest.approx(0.2), pytest.approx(0.05))
    apart = found_in(np.repeat([0.2, 0.12, 0.05], [120, 240, 120]), mean=0.98)
    assert [m.before for m in apart] == pytest.approx([0.2, 0.12])
    assert [m.after for m in apart] == pytest.approx([0.12, 0.05])


def test_what_was_taken_in_together_is_one_mark() -> None:
    """What each of two pieces of one step did to the band nobody knows."""
    pieces = (ClampReading(600.0, -2.0, 0.1), ClampReading(610.0, -2.0, 0.1), FullCharge(9e3, 0.5))
    found = found_in(np.linspace(0.30, 0.29, 240), evidence=pieces)
    assert [(m.time_s, m.kind) for m in found] == [
        (600.0, "clamp-meter reading"),
        (9000.0, "full charge"),
    ]
    both = (ClampReading(600.0, -2.0, 0.1), FullCharge(600.0, 0.5))
    (mark,) = found_in(np.linspace(0.30, 0.29, 240), evidence=both)
    assert mark.kind == "clamp-meter reading and full charge"


@pytest.fixture(scope="module")
def faded() -> tuple:
    """An invented bank that has 55 % of its rated capacity, emptied from full; display from full.

    The setup file holds it for nearly new."""
    cell = load_cell("lfp-prismatic-100ah")
    time_s = 60.0 * np.arange(361.0)
    true_a = np.where(np.arange(361) // 30 % 2, -25.0, -9.0)
    cells = simulate(cell, time_s, true_a * cell.capacity_ah / (0.55 * RATED_AH), 25.0, 0.99, -1.0)
    table = tomllib.loads(SETUP)
    table["bank"]["capacity_fraction"] = {"dist": "norm", "loc": 0.97, "scale": 0.03}
    table["monitor"]["offset_a"] = {"dist": "norm", "loc": 0.0, "scale": 0.05}
    table["present"] |= {"display_soc": 0.99, "hours_since_full": 0.5}
    setup = setup_from_table(table)
    log = Log.from_arrays("x", time_s, true_a, 4 * cells.voltage_v, cells_in_series=4)
    return setup, cell, log


@pytest.fixture(scope="module")
def undoubted(faded) -> tuple:
    """The same, its owner as sure of capacity and monitor as of exact numbers."""
    setup, cell, log = faded
    exact = Quantity.from_number
    sure = replace(
        setup,
        bank=replace(setup.bank, capacity_fraction=exact(0.97)),
        monitor=replace(setup.monitor, offset_a=exact(0.0), gain_error=exact(0.0)),
    )
    return sure, cell, log


def test_voltages_of_no_bank_in_the_band_are_said(undoubted) -> None:
    """13.8 V under a load from the third hour on, as no bank has: what is said of that."""
    setup, cell, log = undoubted
    log = replace(log, voltage_v=np.where(log.time_s > 3 * 3600.0, 13.8, log.voltage_v))
    found = replay(setup, cell, log, Settings(members=600))
    misfit = replay_json(found)["voltage_misfit"]
    assert misfit["at_end"] > MOST_MISFIT
    text = " ".join(replay_text(found).split())
    assert "DO NOT TRUST THIS BAND: since hour" in text
    assert "far above" in text

    def told(rows: slice, size: float) -> str:
        other = found["misfit"].copy(data=np.zeros(found.sizes["time"]))
        other[rows] = size
        return " ".join(replay_text(found.assign(misfit=other)).split())

    assert "DO NOT TRUST THIS BAND: for 1.7 h, last at hour 2.0" in told(slice(20, 120), -5.0)
    assert "voltage was far above" in told(slice(20, 120), 5.0)
    assert "For a moment, at hour 2.0, the voltage was far below" in told(slice(119, 120), -5.0)
    assert "voltage was far" not in told(slice(119, 120), -3.0)
    assert misfit["strained_share"] > misfit["strained_from"]
    assert "Careful" not in text  # one warning is enough


def test_a_log_is_strained_by_time_off_the_model_as_fitted() -> None:
    """Steps of one, one and two minutes; a calibrated filter's smaller error is undone."""
    posterior = SimpleNamespace(
        time_s=np.array([60.0, 120.0, 240.0]), misfit=np.array([0.5, -1.5, 1.1])
    )
    assert strained_share(posterior, 1.0) == pytest.approx(0.75)
    assert strained_share(posterior, 0.7) == pytest.approx(0.25)
    assert strained_share(posterior, 0.5) == 0.0


def test_a_strained_log_is_said(faded) -> None:
    """Where nothing else is: with the voltages of a bad log taken away, by the share alone."""
    setup, cell, log = faded
    found = replay(setup, cell, log, Settings(members=200))
    quiet = found["misfit"].copy(data=np.zeros(found.sizes["time"]))
    found = found.assign(misfit=quiet).drop_dims("pulled")
    none = {n: ("pulled", np.empty(0)) for n in ("pulled_probability", "pulled_median")}
    found = found.assign(none).assign_coords(pulled=np.empty(0, dtype=str))

    def told(share: float) -> str:
        return " ".join(replay_text(found.assign_attrs(strained_share=share)).split())

    assert "Careful: for 14 % of the log the voltage lay further off" in told(0.14)
    assert "Careful" not in told(0.05)


def test_a_bank_that_lost_much_is_found_where_nothing_is_said_of_its_capacity(faded) -> None:
    """From full to nearly empty. Its 55 % lie beyond what 98 of 100 banks have: said."""
    _, cell, log = faded
    table = tomllib.loads(SETUP)
    del table["bank"]["capacity_fraction"]
    table["present"] |= {"display_soc": 0.99, "hours_since_full": 0.5}
    found = replay(setup_from_table(table), cell, log, Settings(members=600))
    low, high = np.quantile(found["capacity_fraction"], [0.05, 0.95])
    assert low < 0.55 < high
    (pulled,) = replay_json(found)["pulled_beyond_setup"].items()
    assert pulled[0] == "capacity_fraction"
    assert pulled[1]["probability"] > 0.2
    assert pulled[1]["median"] == pytest.approx(0.55, abs=0.06)
    text = " ".join(replay_text(found).split())
    assert "The log speaks for a capacity of some 1" in text
    assert "hardly any chance" in text
    assert "`suspects`" in text
    measured = [CapacityTest(21_600.0, 0.55 * RATED_AH, 4.0)]
    found = replay(setup_from_table(table), cell, log, Settings(members=600), measured)
    assert replay_json(found)["pulled_beyond_setup"] == {}


def test_half_a_bank_is_found_though_its_file_holds_it_for_nearly_new(faded) -> None:
    """By its voltages, and the replay says what the log pulled beyond the setup."""
    setup, cell, log = faded
    found = replay_json(replay(setup, cell, log, Settings(members=600)))
    pulled = found["pulled_beyond_setup"]["capacity_fraction"]
    assert pulled["probability"] > 0.9
    assert 0.45 < pulled["median"] < 0.65
    assert abs(found["voltage_misfit"]["at_end"]) < 1.0


def test_a_bank_as_described_pulls_nothing(faded) -> None:
    setup, cell, log = faded
    sound = simulate(
        cell, log.time_s, log.current_a * cell.capacity_ah / RATED_AH, 25.0, 0.99, -1.0
    )
    log = Log.from_arrays("x", log.time_s, log.current_a, 4 * sound.voltage_v, cells_in_series=4)
    found = replay(setup, cell, log, Settings(members=600))
    assert replay_json(found)["pulled_beyond_setup"] == {}
    assert np.abs(found["misfit"]).max() < MOST_MISFIT
    assert found.attrs["strained_share"] < 0.5 * MOST_STRAINED
    assert "Careful" not in replay_text(found)
    assert "speaks for" not in replay_text(found)


def test_a_screen_shows_the_largest_and_what_was_taken_by_hand(faded) -> None:
    setup, cell, log = faded
    found = replay(setup, cell, log, Settings(members=300)).drop_dims("mark")
    count = 3 * MOST_MARKS
    step = np.linspace(0.1, 0.4, count)
    found = found.assign(
        mark_time_s=("mark", 3600.0 * np.arange(count)),
        mark_before=("mark", 0.5 * np.ones(count)),
        mark_after=("mark", 0.5 - step),
    ).assign_coords(mark=["rested voltage", *[KINDS[1]] * (count - 1)])
    text = replay_text(found)
    assert text.count(" % wide") == MOST_MARKS + 1
    assert "rested voltage" in text
    assert f"50.0 to {100 * (0.5 - step[-1]):4.1f} % wide" in text
    assert f"and {count - MOST_MARKS - 1} lesser ones" in text


def test_hindsight_stands_beside_what_was_known_then(faded) -> None:
    setup, cell, log = faded
    found = replay(setup, cell, log, Settings(members=300, hindsight=True))
    text = replay_text(found)
    assert max(len(line) for line in text.splitlines()) <= 78
    low, high = found["hindsight_soc_quantile"].sel(quantile=[0.05, 0.95]).values[0]
    row = next(line for line in text.splitlines() if line.startswith("    0.0 "))
    assert f"{100 * low:5.1f} to {100 * high:5.1f} %" in row
    assert "in hindsight" in text
    assert "in hindsight" not in replay_text(found.drop_vars("hindsight_soc_quantile"))
