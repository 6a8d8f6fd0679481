"""The log reader. Labels: Battery Data Format (battery-data-alliance)."""

from __future__ import annotations

import bz2
import gzip
import lzma
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest

from socband.errors import InputError
from socband.logs import Log, charge_ah, read_log, sliced, with_true_soc

Write = Callable[..., Path]


def steps(n: int = 120, cells: int = 4) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Time, current and voltage of an invented bank with 5 mΩ, its load switching every 10 rows."""
    time_s = 60.0 * np.arange(n)
    current_a = np.where(np.arange(n) // 10 % 2, -12.0, -2.0)
    voltage_v = 3.3 * cells + 0.005 * current_a - 1e-6 * time_s
    return time_s, current_a, voltage_v


@pytest.fixture
def write(tmp_path: Path) -> Write:
    def write_csv(
        header: str = "Test Time / s,Current / A,Voltage / V",
        rows: list[str] | None = None,
        name: str = "log.csv",
        separator: str = ",",
    ) -> Path:
        if rows is None:
            rows = [separator.join(f"{x:.6g}" for x in row) for row in zip(*steps(), strict=True)]
        path = tmp_path / name
        path.write_text("\n".join([header, *rows]) + "\n", encoding="utf-8")
        return path

    return write_csv


def rows_of(n: int = 120) -> list[str]:
    return [",".join(f"{x:.6g}" for x in row) for row in zip(*steps(n), strict=True)]


@pytest.mark.parametrize(
    "header",
    [
        "Test Time / s,Current / A,Voltage / V",
        "test_time_second,current_ampere,voltage_volt",
        '"Test Time / s","Current / A","Voltage / V"',
        "\ufefftest time /  s,CURRENT / A,Voltage / V",
    ],
)
def test_battery_data_format_labels(write: Write, header: str) -> None:
    log = read_log(write(header), cells_in_series=4, on_problem="reject")
    time_s, current_a, voltage_v = steps()
    np.testing.assert_allclose(log.time_s, time_s)
    np.testing.assert_allclose(log.current_a, current_a)
    np.testing.assert_allclose(log.voltage_v, voltage_v, rtol=1e-5)
    assert log.temperature_c is None
    assert log.warnings == ()
    assert len(log) == 120


def test_all_optional_columns_and_gz(tmp_path: Path) -> None:
    header = (
        "Unix Time / s,Voltage / V,Current / A,Ambient Temperature / degC,"
        "Surface Temperature / degC,Net Capacity / Ah,true_soc"
    )
    rows = [
        f"{1.7e9 + t:.1f},{u},{i},20,25.5,{3 + k * 0.01:.2f},0.5"
        for k, (t, i, u) in enumerate(zip(*steps(), strict=True))
    ]
    path = tmp_path / "log.bdf.gz"
    with gzip.open(path, "wt", encoding="utf-8") as stream:
        stream.write("\n".join([header, *rows]))
    log = read_log(path, cells_in_series=4)
    assert log.time_s[0] == 0.0
    assert log.unix_time_s is not None
    assert log.unix_time_s[0] == 1.7e9
    assert log.temperature_c is not None
    assert log.temperature_c[0] == 25.5  # the cell's surface comes before the air around it
    assert log.net_charge_ah is not None
    assert log.net_charge_ah[[0, -1]] == pytest.approx([0.0, 1.19])
    assert log.true_soc is not None


def test_any_labels_by_a_mapping_and_any_sign(write: Write) -> None:
    path = write("t,I[A],U[V]")
    columns = {"time": "t", "current": "I[A]", "voltage": "U[V]"}
    assert read_log(path, columns).current_a[0] == -2.0
    rows = [",".join(f"{x:.6g}" for x in (t, -i, u)) for t, i, u in zip(*steps(), strict=True)]
    path = write("t,I[A],U[V]", rows)
    assert read_log(path, columns, discharge_positive=True).current_a[0] == -2.0
    with pytest.raises(InputError, match="--discharge-positive"):
        read_log(path, columns)


def test_semicolons_and_decimal_commas(write: Write) -> None:
    rows = [
        ";".join(f"{x:.4f}" for x in row).replace(".", ",") for row in zip(*steps(), strict=True)
    ]
    log = read_log(write("Test Time / s;Current / A;Voltage / V", rows), cells_in_series=4)
    np.testing.assert_allclose(log.voltage_v, steps()[2], atol=1e-4)


@pytest.mark.parametrize("separator", [";", "\t"])
def test_decimal_commas_among_whole_numbers(write: Write, separator: str) -> None:
    """Three currents of four are whole, as a rounding monitor writes them: no row is lost."""
    time_s, current_a, voltage_v = steps()
    current_a = np.where(np.arange(len(time_s)) % 4 == 3, current_a + 0.5, current_a)
    rows = [
        separator.join(f"{x:.6g}".replace(".", ",") for x in row)
        for row in zip(time_s, current_a, voltage_v, strict=True)
    ]
    header = separator.join(["Test Time / s", "Current / A", "Voltage / V"])
    log = read_log(write(header, rows), cells_in_series=4, on_problem="reject")
    np.testing.assert_allclose(log.current_a, current_a)


def test_quoted_thousands_are_no_decimals(write: Write) -> None:
    """Between commas a quoted comma may part thousands: such rows are left out, as reported."""
    rows = rows_of()
    rows[50] = '"3,000",-12,13.2'
    log = read_log(write(rows=rows), cells_in_series=4)
    assert len(log) == 119
    assert any("left out" in str(warning) for warning in log.warnings)


def test_dates_and_other_units(write: Write) -> None:
    rows = [
        f"2024-03-01T{k // 60:02d}:{k % 60:02d}:00Z,{1000 * i:.0f},{1000 * u:.1f}"
        for k, (_, i, u) in enumerate(zip(*steps(), strict=True))
    ]
    path = write("when,I [mA],U (mV)", rows)
    columns = {"time": "when", "current": "I [mA]", "voltage": "U (mV)"}
    log = read_log(path, columns, cells_in_series=4)
    np.testing.assert_allclose(log.time_s, steps()[0])
    np.testing.assert_allclose(log.current_a, steps()[1])
    assert log.unix_time_s is not None
    assert log.unix_time_s[0] == 1709251200.0  # 2024-03-01 00:00 UTC, GNU date
    assert {w.where for w in log.warnings} == {"column 'I [mA]'", "column 'U (mV)'"}
    assert not log.clock_is_local


@pytest.mark.parametrize(
    ("zone", "local"), [("", True), ("Z", False), ("+02:00", False), ("-0330", False)]
)
def test_dates_that_name_no_zone_are_local(write: Write, zone: str, local: bool) -> None:
    rows = [
        f"2024-03-01 {k // 60:02d}:{k % 60:02d}:00{zone},{i},{u}"
        for k, (_, i, u) in enumerate(zip(*steps(), strict=True))
    ]
    log = read_log(write("when,Current / A,Voltage / V", rows), {"time": "when"})
    assert log.clock_is_local is local
    assert sliced(log, 1).clock_is_local is local
    assert not read_log(write()).clock_is_local  # plain seconds


def test_labels_may_hold_what_separates_them(write: Write) -> None:
    path = write('Test Time / s,"Current, A","Voltage, V"')
    columns = {"current": "Current, A", "voltage": "Voltage, V"}
    log = read_log(path, columns, cells_in_series=4, on_problem="reject")
    np.testing.assert_allclose(log.current_a, steps()[1])


def test_a_time_in_days_under_a_label_of_seconds_is_said(write: Write) -> None:
    """Days since 1900, as spreadsheets count them: a log of two hours in a twelfth of a second."""
    rows = [f"{46354.5 + t / 86400.0:.8f},{i},{u}" for t, i, u in zip(*steps(), strict=True)]
    [warning] = read_log(write(rows=rows), cells_in_series=4).warnings
    assert "steps of 0.000694 s, 0.08264 s in all" in warning.found  # 1/1440; 119 of them
    assert "Time / d" in warning.hint
    in_days = write("Time / d,Current / A,Voltage / V", rows)
    log = read_log(in_days, {"time": "Time / d"}, cells_in_series=4)
    np.testing.assert_allclose(log.time_s, steps()[0], atol=1e-3)


def test_a_separator_at_the_end_of_every_row_shifts_nothing(write: Write) -> None:
    log = read_log(write(rows=[f"{row}," for row in rows_of()]), cells_in_series=4)
    np.testing.assert_allclose(log.current_a, steps()[1])
    assert log.warnings == ()


# ---------------------------------------------------------------- what is mended and said


def test_doubled_times_are_left_out_and_said(write: Write) -> None:
    rows = rows_of()
    rows.insert(30, rows[29])
    log = read_log(write(rows=rows), cells_in_series=4)
    assert len(log) == 120
    (warning,) = log.warnings
    assert warning.where == "row 32"  # the header is row 1, the first row of data row 2
    with pytest.raises(InputError, match="row 32"):
        read_log(write(rows=rows), cells_in_series=4, on_problem="reject")


def test_unreadable_rows_are_left_out_and_said(write: Write) -> None:
    rows = rows_of()
    rows[9] = "540,n/a,13.2"
    rows[10] = "600,,13.2"
    rows[49] = "2940,-2,nan"
    log = read_log(write(rows=rows), cells_in_series=4)
    assert len(log) == 117
    assert [w.where for w in log.warnings] == ["rows 11 to 12", "row 51"]


def test_a_column_of_infinities_is_refused_with_its_first_row(write: Write) -> None:
    rows = [",".join([row.split(",")[0], "inf", row.split(",")[2]]) for row in rows_of()]
    with pytest.raises(InputError, match="no number for current but 'inf'") as caught:
        read_log(write(rows=rows), cells_in_series=4)
    assert caught.value.problems[0].where == "row 2 and 119 more"


def test_blank_lines_do_not_shift_row_numbers(write: Write) -> None:
    rows = [*rows_of()[:10], "", *rows_of()[10:]]
    rows[60] = "x,-2,13.2"
    log = read_log(write(rows=[*rows, "", ""]), cells_in_series=4)
    assert [w.where for w in log.warnings] == ["row 62"]


def test_gaps_are_said_with_their_length(write: Write) -> None:
    rows = rows_of()
    del rows[50:75]
    (warning,) = read_log(write(rows=rows), cells_in_series=4).warnings
    assert warning.where == "rows 51 to 52"
    # 25 rows of 60 s are missing, the last before them is that of minute 49
    assert warning.found == "a gap of 26 min, 49 min after the first row"


def test_a_gap_of_days_in_a_coarse_log_is_said(write: Write) -> None:
    """Rows half an hour apart, nothing for four days: less than ten usual steps is a gap too."""
    times = [1800 * k + 4 * 86_400 * (k > 10) for k in range(40)]
    rows = [f"{t},{row.split(',', 1)[1]}" for t, row in zip(times, rows_of(), strict=False)]
    (warning,) = read_log(write(rows=rows), cells_in_series=4).warnings
    assert warning.where == "rows 12 to 13"
    assert warning.found == "a gap of 4.02 days, 5 h after the first row"
    two_hours = [f"{7200 * k},{row.split(',', 1)[1]}" for k, row in enumerate(rows_of()[:40])]
    del two_hours[20:22]
    (warning,) = read_log(write(rows=two_hours), cells_in_series=4).warnings
    assert "a gap of 6 h" in warning.found


def test_a_gap_bridged_by_a_counter_is_no_guess() -> None:
    time_s, current_a, voltage_v = steps()
    keep = np.r_[0:50, 75:120]
    arrays = [values[keep] for values in (time_s, current_a, voltage_v)]
    # about what the current adds up to: one in another unit would be said first
    counted = Log.from_arrays("x", *arrays, net_charge_ah=np.linspace(0.0, -10.0, 95))
    assert "from the counter" in counted.warnings[0].hint
    assert "not known" in Log.from_arrays("x", *arrays).warnings[0].hint


def test_single_impossible_voltages_are_left_out(write: Write) -> None:
    rows = rows_of()
    rows[20] = "1200,-2,0.0"
    log = read_log(write(rows=rows), cells_in_series=4)
    assert len(log) == 119
    assert log.warnings[0].where == "row 22"


def test_many_problems_are_counted_not_listed(write: Write) -> None:
    rows = rows_of()
    for k in range(0, 100, 2):
        rows[k] = "?,?,?"
    log = read_log(write(rows=rows), cells_in_series=4)
    assert len(log) == 70
    assert len([w for w in log.warnings if "left out" in w.hint]) == 21
    assert any(w.where == "30 more places" for w in log.warnings)


def test_holes_in_the_temperature_are_bridged() -> None:
    time_s, current_a, voltage_v = steps()
    temperature_c = np.linspace(10.0, 20.0, 120)
    holed = temperature_c.copy()
    holed[40:50] = np.nan
    holed[70] = 999.0
    log = Log.from_arrays("x", time_s, current_a, voltage_v, temperature_c=holed)
    np.testing.assert_allclose(log.temperature_c, temperature_c, atol=1e-9)
    assert [w.where for w in log.warnings] == ["rows 41 to 50", "row 71"]


# ---------------------------------------------------------------- what cannot be used


def test_time_running_backwards_is_refused_with_its_row(write: Write) -> None:
    rows = rows_of()
    rows[40], rows[41] = rows[41], rows[40]
    with pytest.raises(InputError) as caught:
        read_log(write(rows=rows), cells_in_series=4)
    assert [p.where for p in caught.value.problems] == ["row 43"]


@pytest.mark.parametrize(
    ("cells", "says"), [(16, "looks like 4 cells"), (1, "looks like 4 cells"), (8, "4 cells")]
)
def test_voltages_of_another_bank_are_refused(write: Write, cells: int, says: str) -> None:
    with pytest.raises(InputError, match=says):
        read_log(write(), cells_in_series=cells)


def test_a_wrong_sign_is_seen_without_steps_too() -> None:
    """A steady discharge logged as charge has no step; its falling voltage gives it away."""
    time_s = 60.0 * np.arange(600)
    falling_v = np.linspace(13.4, 12.4, 600)
    log = Log.from_arrays("x", time_s, np.full(600, 5.0), falling_v, cells_in_series=4)
    assert "goes the other way" in log.warnings[0].found
    right = Log.from_arrays("x", time_s, np.full(600, -5.0), falling_v, cells_in_series=4)
    assert right.warnings == ()


def test_noise_alone_does_not_look_like_a_wrong_sign() -> None:
    rng = np.random.default_rng(1)
    time_s = np.arange(2000.0)
    current_a = -3.0 + 0.1 * rng.standard_normal(2000)
    voltage_v = 13.2 + 0.005 * rng.standard_normal(2000)  # a meter's noise, not the battery's
    assert Log.from_arrays("x", time_s, current_a, voltage_v, cells_in_series=4).warnings == ()


# ---------------------------------------------------------------- arithmetic


def test_charge_is_the_integral_of_the_current() -> None:
    """Closed form: a ramp from 0 to -10 A over two hours is -10 Ah."""
    time_s = np.linspace(0.0, 7200.0, 721)
    log = Log("x", time_s, -10.0 * time_s / 7200.0, np.full(721, 13.0))
    assert charge_ah(log)[-1] == pytest.approx(-10.0, rel=1e-12)
    known = with_true_soc(log, 0.9, 100.0)
    assert known.true_soc is not None
    assert known.true_soc[[0, -1]] == pytest.approx([0.9, 0.8])


def test_counters_come_before_the_integral() -> None:
    log = Log("x", np.arange(3.0), np.zeros(3), np.ones(3), net_charge_ah=np.array([0, -1, -2.0]))
    assert charge_ah(log)[-1] == -2.0


def test_a_slice_begins_at_zero() -> None:
    time_s, current_a, voltage_v = steps()
    log = Log("x", time_s, current_a, voltage_v, net_charge_ah=-time_s / 3600.0)
    part = sliced(log, 10, 20, 2)
    assert len(part) == 5
    assert part.time_s[0] == 0.0
    assert part.net_charge_ah is not None
    assert part.net_charge_ah[0] == 0.0
    assert part.voltage_v[0] == voltage_v[10]


def test_a_clock_in_milliseconds_counts_in_seconds(tmp_path: Path) -> None:
    """Ten steps of a minute since 1.7e9 s, written in ms, and no other time."""
    path = tmp_path / "ms.csv"
    rows = "".join(f"{1.7e12 + 60e3 * j:.0f},3.3,-1.0\n" for j in range(10))
    path.write_text("Unix Time / ms,Voltage / V,Current / A\n" + rows, encoding="utf-8")
    log = read_log(path, columns={"unix_time": "Unix Time / ms"})
    np.testing.assert_allclose(np.diff(log.time_s), 60.0)
    assert log.unix_time_s is not None
    assert log.unix_time_s[0] == 1.7e9


# ---------------------------------------------------------------- columns and files


def test_one_column_cannot_be_two_things(write: Write) -> None:
    path = write()
    both = {"current": "Voltage / V"}
    with pytest.raises(InputError, match=r"as current and as voltage.*another column"):
        read_log(path, both)
    clock = write("Unix Time / s,Current / A,Voltage / V")
    assert len(read_log(clock, {"time": "Unix Time / s"})) == 120  # time and clock may be one


def test_a_plain_log_may_have_any_name(write: Write) -> None:
    """What it is goes by its first bytes, not by what a name suggests."""
    for name in ("log.csv.zip", "log.bz2", "log.txt"):
        assert len(read_log(write(name=name), cells_in_series=4)) == 120


@pytest.mark.parametrize(
    ("pack", "name", "kind"),
    [
        (bz2.compress, "log.csv.bz2", "bzip2"),
        (lzma.compress, "log.csv", "xz"),
        (lambda content: b"PK\x03\x04" + content, "log.csv.zip", "zip"),
        (gzip.compress, "log.csv", "gzip"),
    ],
)
def test_packed_logs_are_named_for_what_they_are(
    write: Write, pack: Callable[[bytes], bytes], name: str, kind: str
) -> None:
    path = write(name=name)
    path.write_bytes(pack(path.read_bytes()))
    with pytest.raises(InputError, match=rf"found {kind} data; expected a CSV text file"):
        read_log(path)


def test_a_gzip_named_in_capitals(write: Write) -> None:
    path = write(name="log.csv.GZ")
    path.write_bytes(gzip.compress(path.read_bytes()))
    assert len(read_log(path, cells_in_series=4)) == 120


def test_air_colder_or_hotter_than_any_bank_bears_is_no_reading() -> None:
    time_s, current_a, voltage_v = steps()
    kelvin = np.full(120, 288.0)
    log = Log.from_arrays("x", time_s, current_a, voltage_v, temperature_c=kelvin)
    assert log.temperature_c is None
    assert log.warnings[0].where == "temperature_c"
    spikes = np.full(120, 15.0)
    spikes[[3, 8]] = -75.0, 120.0
    log = Log.from_arrays("x", time_s, current_a, voltage_v, temperature_c=spikes)
    np.testing.assert_array_equal(log.temperature_c, 15.0)


def test_clocks_of_no_time_are_left_out() -> None:
    time_s, current_a, voltage_v = steps()
    log = Log.from_arrays("x", time_s, current_a, voltage_v, unix_time_s=time_s + 1e300)
    assert log.unix_time_s is None


def test_a_counter_that_begins_anew_is_carried_on():
    """1 Ah an hour out, the counter back at zero after 2 and 4 h: 5 Ah by hand, two places said."""
    hours = np.arange(0.0, 5.001, 0.01)
    counter_ah = -(hours % 2.0)
    volts = np.linspace(3.3, 3.2, len(hours))
    log = Log.from_arrays(
        "x", 3600.0 * hours, np.full(len(hours), -1.0), volts, net_charge_ah=counter_ah
    )
    np.testing.assert_allclose(charge_ah(log), -hours, atol=1e-9)
    assert [p.found for p in log.warnings] == ["the charge counter back at zero"] * 2
    assert [p.where for p in log.warnings] == ["row 201", "row 401"]


@pytest.mark.parametrize(
    ("factor", "said"),
    [(0.95, False), (-1.0, True), (1000.0, True), (3.3, True), (0.3, True)],
)
def test_a_counter_that_the_current_contradicts_is_said(factor, said):
    """A few per cent are the shunt's; the other sign, mAh or Wh are not."""
    hours = np.arange(0.0, 5.001, 0.01)
    volts = np.linspace(3.3, 3.2, len(hours))
    log = Log.from_arrays(
        "x", 3600.0 * hours, np.full(len(hours), -1.0), volts, net_charge_ah=-factor * hours
    )
    assert any("on the charge counter" in p.found for p in log.warnings) is said
    np.testing.assert_allclose(charge_ah(log), -factor * hours)


def test_a_counter_sees_what_flows_between_coarse_rows():
    """Ten-minute rows that never meet the load, which runs between them: no reset."""
    hours = np.arange(0.0, 100.0, 1 / 6)
    volts = np.linspace(3.3, 3.2, len(hours))
    counter_ah = 3.0 * np.sin(hours / 10.0)
    current_a = np.full(len(hours), -0.05)
    log = Log.from_arrays("x", 3600.0 * hours, current_a, volts, net_charge_ah=counter_ah)
    np.testing.assert_allclose(charge_ah(log), counter_ah)
    assert not any("zero" in p.found for p in log.warnings)
