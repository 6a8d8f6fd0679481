"""Dates in a log, and the nights on which clocks are changed.

Europe/Vienna, from the IANA time zone database: on 2026-03-29 clocks skip 02:00 to 03:00, on
2026-10-25 that hour comes twice. The answers are the steps with which the rows were made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from socband.cli import main
from socband.errors import InputError
from socband.logs import read_log
from socband.track import hour_of_first_row

VIENNA = ZoneInfo("Europe/Vienna")
Write = Callable[[Iterable[str]], Path]


@pytest.fixture
def write(tmp_path: Path) -> Write:
    """A log of invented currents and voltages at the times given."""

    def written(times: Iterable[str]) -> Path:
        rows = [
            f"{text},{-2 - 10 * (k // 5 % 2)},{13.2 - 0.05 * (k // 5 % 2)}"
            for k, text in enumerate(times)
        ]
        path = tmp_path / "log.csv"
        path.write_text("\n".join(["Test Time / s,Current / A,Voltage / V", *rows, ""]), "utf-8")
        return path

    return written


def on_the_wall(start: str, minutes: int, count: int) -> list[str]:
    """Times in Vienna every so many minutes from a moment in UTC on."""
    first = datetime.fromisoformat(start).replace(tzinfo=UTC)
    times = (first + timedelta(minutes=minutes * k) for k in range(count))
    return [time.astimezone(VIENNA).strftime("%Y-%m-%d %H:%M:%S") for time in times]


@pytest.mark.parametrize("minutes", [1, 7, 30, 60])
@pytest.mark.parametrize(
    "start", ["2026-03-28T20:00", "2026-10-24T20:00", "2026-10-25T00:10", "2026-10-25T01:10"]
)
def test_clock_changes_are_followed_where_the_zone_is_known(
    write: Write, start: str, minutes: int
) -> None:
    """Elapsed time is what the rows were made with, also where a log begins in the doubled hour."""
    path = write(on_the_wall(start, minutes, 600 // minutes))
    log = read_log(path, cells_in_series=4, on_problem="reject", timezone="Europe/Vienna")
    np.testing.assert_allclose(np.diff(log.time_s), 60.0 * minutes)
    assert log.unix_time_s is not None
    begun = datetime.fromisoformat(start).replace(tzinfo=UTC).timestamp()
    assert log.unix_time_s[0] == begun
    assert not log.clock_is_local


def test_a_clock_change_is_named_where_the_zone_is_not_known(write: Write) -> None:
    spring = read_log(write(on_the_wall("2026-03-28T20:00", 1, 600)), cells_in_series=4)
    [gap] = spring.warnings
    assert "a gap of 61 min" in gap.found
    assert "a clock change? present.timezone" in gap.hint
    slow = read_log(write(on_the_wall("2026-03-28T20:00", 10, 60)), cells_in_series=4)
    assert "a clock change? present.timezone" in slow.warnings[0].hint
    times = on_the_wall("2026-11-28T20:00", 1, 600)
    [gap] = read_log(write(times[:300] + times[365:]), cells_in_series=4).warnings
    assert "a gap of 66 min" in gap.found  # of another length than an hour and a step
    assert "clock change" not in gap.hint
    with pytest.raises(InputError) as caught:
        read_log(write(on_the_wall("2026-10-24T20:00", 1, 600)), cells_in_series=4)
    [problem] = caught.value.problems
    assert problem.where == "row 302"
    assert "2026-10-25 02:59:00 to 2026-10-25 02:00:00" in problem.found
    assert "a clock change? present.timezone" in problem.hint


@pytest.mark.parametrize("day", ["2026-03-29", "2026-10-25"])
def test_a_clock_that_stays_as_it_is_is_left_alone(write: Write, day: str) -> None:
    """A monitor that knows no clock changes shows the hour that is skipped, and the other once."""
    first = datetime.fromisoformat(day)
    times = [str(first + timedelta(minutes=5 * k)) for k in range(120)]
    log = read_log(write(times), cells_in_series=4, timezone="Europe/Vienna")
    np.testing.assert_allclose(np.diff(log.time_s), 300.0)
    assert log.clock_is_local
    assert hour_of_first_row(log) == 0.0
    [note] = log.warnings
    assert note.where == "row 26"  # 02:00
    assert f"{day} 02:00:00, an hour that" in note.found
    assert "as they stand" in note.hint


def test_doubled_rows_do_not_end_the_first_of_two_hours(write: Write) -> None:
    times = on_the_wall("2026-10-24T20:00", 1, 600)
    times.insert(250, times[249])  # 02:09 CEST, in the hour that comes twice
    log = read_log(write(times), cells_in_series=4, timezone="Europe/Vienna")
    np.testing.assert_allclose(np.diff(log.time_s), 60.0)
    assert [warning.where for warning in log.warnings] == ["row 252"]


def test_one_gap_is_likelier_than_two(write: Write) -> None:
    """Silent from 01:30 to the second 02:40: nothing runs backwards, and all else is seamless."""
    times = on_the_wall("2026-10-24T20:00", 1, 600)
    log = read_log(write(times[:211] + times[340:]), cells_in_series=4, timezone="Europe/Vienna")
    assert sorted(np.diff(log.time_s))[-2:] == [60.0, 60.0 * (340 - 210)]


@pytest.mark.parametrize(("form", "seconds"), [("%Y%m%d%H%M%S", 60), ("%Y%m%d%H%M", 60)])
def test_dates_without_signs_between_their_digits(write: Write, form: str, seconds: int) -> None:
    first = datetime(2026, 11, 28, 23, 30)
    times = [(first + timedelta(seconds=seconds * k)).strftime(form) for k in range(90)]
    log = read_log(write(times), cells_in_series=4, on_problem="reject")
    np.testing.assert_allclose(np.diff(log.time_s), seconds)
    assert log.clock_is_local
    assert log.unix_time_s is not None
    assert log.unix_time_s[0] == first.replace(tzinfo=UTC).timestamp()


def test_midnight_without_its_hour_belongs_to_the_others(write: Write) -> None:
    """As spreadsheets write it; no zone is named by the day of the month."""
    times = [time.removesuffix(" 00:00:00") for time in on_the_wall("2026-11-28T20:00", 1, 300)]
    assert "2026-11-29" in times
    log = read_log(write(times), cells_in_series=4, on_problem="reject", timezone="Europe/Vienna")
    np.testing.assert_allclose(np.diff(log.time_s), 60.0)


def test_a_zone_stands_in_all_dates_or_in_none(write: Write) -> None:
    times = on_the_wall("2026-11-28T20:00", 1, 60)
    times[40:] = [f"{time}+01:00" for time in times[40:]]
    with pytest.raises(InputError) as caught:
        read_log(write(times), cells_in_series=4)
    [problem] = caught.value.problems
    assert (problem.where, problem.found.split(",")[0]) == ("row 42", "a date with a zone")


@pytest.mark.parametrize("year", ["0001", "9999"])
def test_dates_beyond_all_zones_are_no_crash(write: Write, year: str) -> None:
    """UTC of them would be in the year 0 or 10000, which no calendar here has."""
    days = {"0001": "01-01", "9999": "12-31"}[year]
    times = [f"{year}-{days} {h:02d}:59:59.9" for h in range(24)]
    for zone in ("Pacific/Auckland", "America/Los_Angeles", None):
        assert read_log(write(times), cells_in_series=4, timezone=zone).unix_time_s is None
    times[4] = times[2]
    with pytest.raises(InputError, match="backwards"):
        read_log(write(times), cells_in_series=4, timezone="Pacific/Auckland")


def test_the_command_takes_the_zone_of_the_setup_file(
    write: Write, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    bank = 'cell = "lfp-prismatic-100ah"\ncells_in_series = 4\nrated_capacity_ah = 100'
    setup, log = tmp_path / "setup.toml", write(on_the_wall("2026-10-24T20:00", 1, 600))
    for zone, code in (('timezone = "Europe/Vienna"', 0), ("", 2)):
        setup.write_text(f"[bank]\n{bank}\n[present]\n{zone}\n")
        assert main(["check", str(setup), str(log)]) == code
    assert "600 rows over 10.0 h, fine" in capsys.readouterr().out
