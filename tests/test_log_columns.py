"""Units in the labels of a log. The factors are those of the SI brochure; 50 °F are 10 °C."""

from __future__ import annotations

import numpy as np
import pytest

from socband.errors import InputError
from socband.log_columns import converted


@pytest.mark.parametrize(
    ("role", "label", "value", "inside"),
    [
        ("time", "Time [hours]", 2.0, 7200.0),
        ("time", "Time (hr)", 2.0, 7200.0),
        ("time", "Time (minutes)", 2.0, 120.0),
        ("time", "Time / d", 2.0, 172_800.0),
        ("time", "time_ms", 2000.0, 2.0),
        ("unix_time", "Unix Time / ms", 1.7e12, 1.7e9),
        ("current", "Current / uA", 2e6, 2.0),
        ("current", "Current / µA", 2e6, 2.0),
        ("current", "Current (milliamps)", 2000.0, 2.0),
        ("current", "Battery current mA", 2000.0, 2.0),
        ("current", "I [mA] mean", 2000.0, 2.0),
        ("current", "Current, mA", 2000.0, 2.0),
        ("current", "current_mA (shunt)", 2000.0, 2.0),
        ("voltage", "U (mV)", 13_200.0, 13.2),
        ("temperature", "Temperature / degF", 50.0, 10.0),
        ("temperature", "Temperature [°F]", 50.0, 10.0),
        ("temperature", "Temperature / K", 283.15, 10.0),
        ("net_charge", "Charge / A·s", 3600.0, 1.0),
        ("net_charge", "Net charge (mAh)", 1000.0, 1.0),
        ("true_soc", "SoC (%)", 62.0, 0.62),
    ],
)
def test_units_are_converted_and_said(role: str, label: str, value: float, inside: float) -> None:
    values, [note] = converted(role, label, np.array([value]))
    np.testing.assert_allclose(values, inside, rtol=1e-12)
    assert note.where == f"column {label!r}"
    assert note.hint == "converted"


@pytest.mark.parametrize(
    ("role", "label"),
    [
        ("time", "Test Time / s"),
        ("time", "when"),
        ("current", "I[A]"),
        ("current", "Current a"),
        ("current", "current_min"),
        ("voltage", "Voltage / V (bank)"),
        ("voltage", "cell_voltage_max"),
        ("voltage", "voltage_c"),
        ("temperature", "Surface Temperature / degC"),
        ("temperature", "temperature_t1_celsius"),
        ("net_charge", "Net Capacity / Ah"),
        ("true_soc", "true_soc"),
        ("true_soc", "SoC [-]"),
        ("current", "Current (A) / shunt"),
        ("voltage", "Voltage [bank] (V)"),
    ],
)
def test_labels_without_another_unit(role: str, label: str) -> None:
    values, notes = converted(role, label, np.array([2.0]))
    assert (values.tolist(), notes) == ([2.0], [])


@pytest.mark.parametrize(
    ("role", "label", "unit", "expected"),
    [
        ("current", "Power / W", "W", "A or mA"),
        ("current", "battery_power_w", "w", "A or mA"),
        ("current", "Charge (Ah)", "Ah", "A or mA"),
        ("voltage", "Current / A", "A", "V or mV"),
        ("temperature", "Temperature / degR", "degR", "degC, degF or K"),
        ("time", "Time [fortnights]", "fortnights", "s, ms, min, h or d"),
    ],
)
def test_units_of_something_else_are_refused(
    role: str, label: str, unit: str, expected: str
) -> None:
    with pytest.raises(InputError) as caught:
        converted(role, label, np.array([2.0]))
    [problem] = caught.value.problems
    assert (problem.where, problem.found) == (f"column {label!r}", f"the unit {unit}")
    assert problem.expected == expected


@pytest.mark.parametrize(
    ("role", "label", "remark", "taken"),
    [
        ("current", "Current (shunt)", "shunt", "A"),
        ("unix_time", "Date/Time", "Time", "s"),
        ("voltage", "Voltage, bank", "bank", "V"),
    ],
)
def test_a_remark_is_taken_for_no_unit_and_said(
    role: str, label: str, remark: str, taken: str
) -> None:
    values, [note] = converted(role, label, np.array([2.0]))
    assert values.tolist() == [2.0]
    assert f"{remark!r}, which is no unit known here" in note.found
    assert note.hint == f"taken as {taken}"
