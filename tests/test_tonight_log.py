"""The night ahead from the end of a log: one charge with `replay`, one clock, one past.

Invented logs; what display and charge must be is worked out by hand from the currents.
"""

from __future__ import annotations

import tomllib
from dataclasses import replace
from datetime import UTC, date, datetime

import numpy as np
import pytest
from test_replay import RATED_AH, SETUP

from socband.cell import simulate
from socband.errors import InputError
from socband.evidence import ClampReading, FullCharge
from socband.logs import Log
from socband.models import load_cell
from socband.posterior import Settings
from socband.posterior_log import present_at_first_row
from socband.replay import replay
from socband.report import present_lines
from socband.site import setup_from_table
from socband.snapshot_log import at_end_of_log
from socband.tonight import tonight
from socband.tonight_json import tonight_json
from socband.tonight_report import tonight_text
from socband.track import moment_of_present

SEEN_A, UNSEEN_A, HOURS = -10.0, 2.0, 10.0
END_SOC = 0.9 - (10.0 + UNSEEN_A) * HOURS / RATED_AH  # 30 %; the display counts 10 A of the 12


@pytest.fixture(scope="module")
def cell():
    return load_cell("lfp-prismatic-100ah")


def table_of(**present: object) -> dict:
    table = tomllib.loads(SETUP)
    table["untracked_load"] = {"probability": 0.5}
    table["loads"] = [{"name": "lamp", "current_a": 4.0}]
    table["present"] |= {"display_soc": 0.45, "hours_since_full": 20.0, "clock": "21:00"}
    table["present"] |= present
    return table


@pytest.fixture(scope="module")
def log(cell) -> Log:
    time_s = 120.0 * np.arange(HOURS * 30 + 1)
    seen_a = np.where(np.arange(len(time_s)) // 30 % 2, 1.4, 0.6) * SEEN_A
    per_cell = (seen_a - UNSEEN_A) * cell.capacity_ah / RATED_AH
    cells = simulate(cell, time_s, per_cell, 25.0, 0.9, -1.0)
    return Log.from_arrays("evening.csv", time_s, seen_a, 4 * cells.voltage_v, cells_in_series=4)


def test_the_charge_is_that_of_replay_at_its_last_row(cell, log) -> None:
    setup = setup_from_table(table_of())
    night = tonight(setup, cell, 600, seed=3, log=log)
    begun = present_at_first_row(setup, log)
    band = replay(begun, cell, log, Settings(members=600, seed=3))
    low, high = band["soc_quantile"].sel(quantile=[0.05, 0.95]).values[-1]
    ends = np.quantile(night["soc_now"], [0.05, 0.95])
    assert ends == pytest.approx([low, high], abs=0.01)
    assert low < END_SOC < high
    plain = tonight(setup, cell, 600, seed=3)  # the display alone: a wider band
    assert np.ptp(ends) < 0.7 * np.ptp(np.quantile(plain["soc_now"], [0.05, 0.95]))
    told = tonight_json(night)
    assert told["log"]["name"] == "evening.csv"
    assert told["log"]["hours"] == pytest.approx(HOURS)
    assert told["log"]["strained_share"] < told["log"]["strained_from"]
    assert told["present_taken_at"] == "the log's last row"
    assert "log" not in tonight_json(plain)
    text = " ".join(tonight_text(night).split())
    assert "The charge is that of evening.csv, 10 h long, at its end" in text
    assert "last row (21:00)" in text
    for shown, said in ((0.02, "lie below all"), (END_SOC, ""), (0.98, "lie above all")):
        words = " ".join(tonight_text(night.assign_attrs(display_soc=shown)).split())
        assert ("all of the band" in words) is bool(said)
        assert said in words
    assert told["pulled_beyond_setup"] == {}
    assert "DO NOT TRUST" not in text
    assert "DO NOT TRUST" in tonight_text(night.assign_attrs(strained_share=0.2))


def test_a_lost_capacity_is_said_where_the_log_finds_it(cell) -> None:
    """A bank that has lost half, from full to nearly empty, described like a new one."""
    time_s = 120.0 * np.arange(181)
    seen_a = np.full(181, -0.45 * RATED_AH / 6.0)
    held = 0.5 * RATED_AH / cell.capacity_ah
    cells = simulate(cell, time_s, seen_a / held, 25.0, 0.99, -1.0)
    fade = Log.from_arrays("fade.csv", time_s, seen_a, 4 * cells.voltage_v, cells_in_series=4)
    table = table_of(display_soc=0.55, hours_since_full=6.5)
    del table["bank"]["capacity_fraction"]
    night = tonight(setup_from_table(table), cell, 600, seed=3, log=fade)
    (found,) = tonight_json(night)["pulled_beyond_setup"].items()
    assert found[0] == "capacity_fraction"
    assert found[1]["median"] == pytest.approx(0.5, abs=0.06)
    text = " ".join(tonight_text(night).split())
    assert "The log speaks for a capacity of some" in text
    assert "The numbers above reckon with that" in text
    plain = tonight(setup_from_table(table), cell, 600, seed=3)
    assert "speaks for" not in tonight_text(plain)


def test_a_display_that_stood_at_full_has_forgotten_where_it_began() -> None:
    """From 100 %: 10 % out, 30 % in, of which 20 % pass full, 40 % out: 60 %. Counted back alone
    that would begin at 80 %; so it does where it never stood at 100 %."""
    time_s = 360.0 * np.arange(801)  # 80 h
    part = np.searchsorted([10.0, 40.0], time_s / 3600.0, side="left")
    amps = 0.01 * RATED_AH * np.array([-1.0, 1.0, -1.0])[part]
    amps[0] = 0.0
    log = Log.from_arrays("a", time_s, amps, np.full(801, 13.2), cells_in_series=4)

    def begun(display: float, since: float, log: Log = log):
        table = table_of(display_soc=display, hours_since_full=since)
        return present_at_first_row(setup_from_table(table), log).present

    first = begun(0.6, 80.0)
    assert (first.display_soc, first.hours_since_full.median) == (pytest.approx(1.0), 0.0)
    assert begun(0.6, 100.0).display_soc is None  # full before that: from 80 % up, nobody knows
    low = begun(0.4, 100.0)  # up to 80 % at most
    assert low.display_soc == pytest.approx(0.6, abs=0.01)
    assert low.hours_since_full.median == pytest.approx(20.0)
    assert begun(0.4, 80.0).display_soc is None  # from full it would show 60 %


def test_a_log_of_another_day_is_said(cell, log) -> None:
    """Its last row is of 2026-07-09 in the evening; three dates given, noon to that row by hand."""
    last_s = datetime(2026, 7, 9, 19, 0, tzinfo=UTC).timestamp()
    dated = replace(log, unix_time_s=last_s - log.time_s[-1] + log.time_s)
    for day, days in ((9, -7.0 / 24.0), (10, 17.0 / 24.0), (11, 41.0 / 24.0)):
        setup = setup_from_table(table_of(date=date(2026, 7, day)))
        found = moment_of_present(dated, setup, at_end=True)
        assert found["present_days_off"] == pytest.approx(days)
        (text,) = present_lines(found)
        assert ("BUT THE DATE GIVEN IS 2 DAYS AFTER" in " ".join(text.split())) == (day == 11)
    assert moment_of_present(log, setup, at_end=True)["present_days_off"] == 0.0  # has no dates


def test_display_and_hours_since_full_are_counted_back(log) -> None:
    begun = present_at_first_row(setup_from_table(table_of()), log).present
    assert begun.display_soc == pytest.approx(0.45 + 10.0 * HOURS / RATED_AH, abs=0.002)
    assert begun.hours_since_full.median == pytest.approx(10.0)
    assert str(begun.clock) == "11:00"
    since = {"dist": "norm", "loc": 11.0, "scale": 2.0}
    begun = present_at_first_row(setup_from_table(table_of(hours_since_full=since)), log).present
    assert 0.0 <= begun.hours_since_full.interval(0.9)[0] < begun.hours_since_full.median < 2.5


@pytest.mark.parametrize(
    "present",
    [
        {"hours_since_full": 6.0},  # full within the log
        {"display_soc": 0.8},  # which it cannot have been, ten hours of discharge before 130 %
    ],
)
def test_a_display_that_cannot_be_counted_back_is_not(log, present) -> None:
    assert (
        present_at_first_row(setup_from_table(table_of(**present)), log).present.display_soc is None
    )


def test_nor_is_one_of_which_nobody_says_how_old_it_is(log) -> None:
    table = table_of()
    del table["present"]["hours_since_full"]
    assert present_at_first_row(setup_from_table(table), log).present.display_soc is None


def test_readings_are_taken_when_the_log_ends(cell, log) -> None:
    setup = setup_from_table(table_of())
    end_a = float(log.current_a[-1])
    read = at_end_of_log(setup, cell, log, 600, 3, [ClampReading(0.0, end_a - UNSEEN_A, 0.1)])
    unread = at_end_of_log(setup, cell, log, 600, 3)

    def unseen(end) -> np.ndarray:
        return end.snapshot.members.offset_a + end.snapshot.members.untracked_a

    assert np.median(unseen(read)) == pytest.approx(UNSEEN_A, abs=0.15)
    assert unseen(read).std() < 0.5 * unseen(unread).std()
    for piece in (ClampReading(3600.0, -5.0, 0.1), FullCharge(0.0, 0.5)):
        with pytest.raises(InputError, match="when the log ends"):
            at_end_of_log(setup, cell, log, 100, 3, [piece])


def test_without_loads_what_the_log_drew_goes_on(cell, log) -> None:
    table = table_of()
    del table["loads"]
    night = tonight(setup_from_table(table), cell, 200, seed=3, log=log)
    assert night.attrs["draws_now_a"] == pytest.approx(-SEEN_A, rel=0.02)
    text = " ".join(tonight_text(night).split())
    assert "of day while nothing charged, 10.0 A on average until" in text


def test_a_bank_that_is_off_as_its_log_ends_is_said_to_be(cell, log) -> None:
    table = table_of()
    table["sources"] = [{"name": "engine", "kind": "vehicle", "current_a": 20}]
    night = tonight(setup_from_table(table), cell, 100, seed=3, log=log)
    text = " ".join(tonight_text(night).split())
    assert "THE LOG ENDS" not in text
    assert "charging at any hour, since the setup file does not say when: engine." in text
    told = tonight_json(night)["log"]
    assert told["ends_v"] == pytest.approx(log.voltage_v[-1])
    assert not told["ends_off"]
    low = night.assign_attrs(log_ends_v=9.4, log_ends_a=3.0)
    assert tonight_json(low)["log"]["ends_off"]
    text = " ".join(tonight_text(low).split())
    assert "THE LOG ENDS AT 9.4 V, below the 10.0 V at which this bank disconnects" in text
    assert "3.0 A flow into the bank as the log ends. That is not taken to go on" in text
    table["sources"][0]["hours"] = ["16:00-17:00"]
    night = tonight(setup_from_table(table), cell, 100, seed=3, log=log)
    assert np.isnan(night.attrs["sources_bring_ah_per_day"])  # it lasts no day
    table["sources"][0]["hours"] = ["22:00-23:00"]
    table["loads"][0]["current_a"] = 0.4
    night = tonight(setup_from_table(table), cell, 100, seed=3, log=log)
    text = " ".join(tonight_text(night).split())
    assert "at any hour" not in text
    # 20 A for an hour of each day that the bank lasts, give or take the last one
    assert night.attrs["sources_bring_ah_per_day"] == pytest.approx(20.0, rel=0.35)
    assert "in the log 0 Ah a day flowed into the bank. Does that fit?" in text


def test_rows_of_a_bank_that_is_off_end_the_log(cell, log) -> None:
    """Half an hour of nothing behind ten hours: left out, and said to be what it is."""
    after_s = log.time_s[-1] + 120.0 * np.arange(1, 16)
    time_s = np.concatenate([log.time_s, after_s])
    amps = np.concatenate([log.current_a, np.zeros(15)])
    volts = np.concatenate([log.voltage_v, np.zeros(15)])
    ended = Log.from_arrays("off.csv", time_s, amps, volts, cells_in_series=4)
    assert ended.time_s[-1] == log.time_s[-1]
    assert ended.off_at_end_s == pytest.approx(1800.0)
    assert log.off_at_end_s == 0.0
    night = tonight(setup_from_table(table_of()), cell, 100, seed=3, log=ended)
    text = " ".join(tonight_text(night).split())
    assert "THE LOG GOES ON FOR 30 MIN at voltages of a bank that is off" in text
    assert tonight_json(night)["log"]["ends_off"]


def test_temperature_and_clock_are_the_logs_own(cell, log) -> None:
    cold = replace(log, temperature_c=np.full(len(log), 4.0))
    table = table_of()
    for stated in ({"temperature_c": 20.0}, {}):
        table["ambient"] = stated
        end = at_end_of_log(setup_from_table(table), cell, cold, 100, 3)
        assert end.setup.ambient.temperature_c.median == 4.0
    table["ambient"] = {"temperature_c": 20.0}
    text = " ".join(tonight_text(tonight(setup_from_table(table), cell, 100, 3, log=cold)).split())
    assert "4 °C at its end, is taken for the night, and not the 20 °C given" in text
    table["ambient"] = {}
    assert at_end_of_log(setup_from_table(table_of()), cell, log, 100, 3).setup.ambient == (
        setup_from_table(table_of()).ambient
    )


def test_an_owners_clock_goes_before_one_of_no_zone(cell, log) -> None:
    """The log ends at 18:00 UTC; the owner says 21:00, and in no zone."""
    dated = replace(log, unix_time_s=1796112000.0 + log.time_s)  # from 2026-12-01 08:00 UTC on

    def clock(setup, log: Log) -> str:
        return str(at_end_of_log(setup, cell, log, 100, 3).setup.present.clock)

    table = table_of()
    assert clock(setup_from_table(table), dated) == "21:00"
    local = replace(dated, clock_is_local=True)
    assert clock(setup_from_table(table), local) == "18:00"
    night = tonight(setup_from_table(table), cell, 100, seed=3, log=local)
    assert "BUT THE CLOCK GIVEN IS 21:00" in " ".join(tonight_text(night).split())
    del table["present"]["clock"]
    assert clock(setup_from_table(table), dated) == "18:00"
